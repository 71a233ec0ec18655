"""Whether a CAP 1.2 message says what it must, where the XML Schema does not look. Pure.

The schema takes an Update without references, garbage in references, a blank in an identifier, an
open polygon. This check takes none of them, and needs no schema and no library. It is used on our
own messages before they are sent, and can be used on those of others.

Source: OASIS CAP 1.2, section 3.2, by its XML Schema for names, order and values, and as quoted in
the documentation of public libraries for the rest; what comes from memory says so.
"""

import re
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Final, NamedTuple
from xml.etree import ElementTree
from xml.parsers import expat

NAMESPACE: Final = "urn:oasis:names:tc:emergency:cap:1.2"
MAX_BYTES: Final = 1_000_000
"""Of a message that is looked at. Common practice, no source; with the first line and 400 names
ours have some 20,000."""
_SIGNATURE: Final = "{http://www.w3.org/2000/09/xmldsig#}"
_INSTANCE: Final = "{http://www.w3.org/2001/XMLSchema-instance}"
_MANY: Final = 10_000


class Identity(NamedTuple):
    """What a message is known by in the world; `sent` as it stands in it."""

    sender: str
    identifier: str
    sent: str

    def __str__(self) -> str:
        """As it stands in the references of later messages (CAP 1.2, 3.2.1)."""
        return ",".join(self)


Faults = Iterator[str]
Values = frozenset[str]


def _one_of(words: str) -> Values:
    return frozenset(words.split())


_VALUES: Final[Mapping[str, Values]] = {
    "status": _one_of("Actual Exercise System Test Draft"),
    "msgType": _one_of("Alert Update Cancel Ack Error"),
    "scope": _one_of("Public Restricted Private"),
    "category": _one_of(
        "Geo Met Safety Security Rescue Fire Health Env Transport Infra CBRNE Other"
    ),
    "responseType": _one_of("Shelter Evacuate Prepare Execute Avoid Monitor Assess AllClear None"),
    "urgency": _one_of("Immediate Expected Future Past Unknown"),
    "severity": _one_of("Extreme Severe Moderate Minor Unknown"),
    "certainty": _one_of("Observed Likely Possible Unlikely Unknown"),
}
# The order of the schema; `!` once, `?` at most once, `*` any number, `+` at least one.
_PARTS: Final[Mapping[str, str]] = {
    "alert": "identifier! sender! sent! status! msgType! source? scope! restriction? addresses? "
    "code* note? references? incidents? info*",
    "info": "language? category+ event! responseType* urgency! severity! certainty! audience? "
    "eventCode* effective? onset? expires? senderName? headline? description? instruction? web? "
    "contact? parameter* resource* area*",
    "eventCode": "valueName! value!",
    "parameter": "valueName! value!",
    "geocode": "valueName! value!",
    "resource": "resourceDesc! mimeType! size? uri? derefUri? digest?",
    "area": "areaDesc! polygon* circle* geocode* altitude? ceiling?",
}
_BOUNDS: Final = {"!": (1, 1), "?": (0, 1), "*": (0, _MANY), "+": (1, _MANY)}
_TIMES: Final = ("sent", "effective", "onset", "expires")
_NEVER_EMPTY: Final = _one_of("identifier sender event areaDesc mimeType resourceDesc valueName")

_TIME: Final = re.compile(
    r"([0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2})([+-])([0-9]{2}):([0-9]{2})"
)
_LANGUAGE: Final = re.compile(r"[a-zA-Z]{1,8}(-[a-zA-Z0-9]{1,8})*")  # xs:language
_DECIMAL: Final = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)")  # xs:decimal
_NAME: Final = re.compile(r"[^\s,<&]+")


def problems_of(content: bytes, known: Collection[Identity] | None = None) -> tuple[str, ...]:
    """Each fault of a message as `place: what, what is allowed`; empty if it is well.

    `known` are the messages that went before: then references may name no others.
    """
    if len(content) > MAX_BYTES:
        return (f"alert: has {len(content)} bytes; at most {MAX_BYTES} are looked at",)
    try:
        _no_doctype(content)
        root = ElementTree.fromstring(content)  # nosec B314 # no DOCTYPE, so no entities
    except (expat.ExpatError, ElementTree.ParseError, LookupError) as error:
        return (f"alert: is no XML: {error}",)
    except ValueError as error:
        return (f"alert: {error}",)
    if root.tag != f"{{{NAMESPACE}}}alert":
        return (f"alert: the root is {root.tag!r}; it must be alert of {NAMESPACE}",)
    shape = tuple(_shape(root, "alert"))
    # Beyond a wrong shape the rest would only follow from it.
    return shape or (*_alert(root, known), *_infos(root))


def identity_in(content: bytes) -> Identity:
    """Of a message without faults."""
    root = ElementTree.fromstring(content)  # nosec B314 # see problems_of
    return Identity(_text(root, "sender"), _text(root, "identifier"), _text(root, "sent"))


def time_problem(text: str) -> str | None:
    """What is wrong with a CAP time, None if nothing is: `2026-01-01T12:00:00-00:00`.

    Neither `Z` nor a fraction, and the offset is required.
    """
    found = _TIME.fullmatch(text)
    if found is None:
        return (
            f"{text!r} is no CAP time: it must be YYYY-MM-DDThh:mm:ss+hh:mm with an offset, "
            "no Z and no fraction; UTC is -00:00"
        )
    try:
        datetime.fromisoformat(found[1])
        offset_min = int(found[3]) * 60 + int(found[4])
    except ValueError:
        return f"{text!r} is no moment of the calendar"
    if offset_min > 14 * 60 or int(found[4]) > 59:  # as xs:dateTime has it
        return f"{text!r} has an offset beyond 14 hours, or minutes beyond 59"
    return None


def name_problem(text: str) -> str | None:
    """What is wrong with a sender or identifier (CAP 1.2, 3.2.1), None if nothing is."""
    if _NAME.fullmatch(text):
        return None
    return f"{text!r} must not be empty nor hold a blank, a comma, < or &"


def _no_doctype(content: bytes) -> None:
    """Raises ValueError where entities could be declared: a short file could become a long one."""

    def refuse(*_: object) -> None:
        raise ValueError("has a DOCTYPE; a CAP message has none")

    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = refuse
    parser.Parse(content, True)


# -- the shape: what the schema asks -------------------------------------------------------------


def _shape(element: ElementTree.Element, name: str, place: str = "") -> Faults:
    place = f"{place}/{name}".lstrip("/")
    allowed = [(part[:-1], _BOUNDS[part[-1]]) for part in _PARTS[name].split()]
    order = [part for part, _ in allowed]
    seen: list[str] = []
    if any((text or "").strip() for text in (element.text, *(c.tail for c in element))):
        yield f"{place}: holds text beside its elements"
    yield from _attributes(element, place)
    for child in element:
        if name == "alert" and str(child.tag).startswith(_SIGNATURE):
            continue
        space, _, part = str(child.tag).rpartition("}")
        if space != "{" + NAMESPACE or part not in order:
            yield f"{place}: {part!r} has no place here; allowed: {', '.join(order)}"
            continue
        if seen and order.index(part) < order.index(seen[-1]):
            yield f"{place}/{part}: stands behind {seen[-1]}, but belongs before it"
        seen.append(part)
        yield from _shape(child, part, place) if part in _PARTS else _value(child, part, place)
    for part, (least, most) in allowed:
        count = seen.count(part)
        if not least <= count <= most:
            wanted = "at least once" if most == _MANY else "exactly once" if least else "once"
            yield f"{place}/{part}: stands {count} times; it must stand {wanted}"


def _attributes(element: ElementTree.Element, place: str) -> Faults:
    """CAP has none; those of schema instances may stand anywhere."""
    for name in element.attrib:
        if not name.startswith(_INSTANCE):
            yield f"{place}: has the attribute {name!r}; CAP has none"


def _value(element: ElementTree.Element, part: str, place: str) -> Faults:
    text = element.text or ""
    yield from _attributes(element, f"{place}/{part}")
    if len(element):
        yield f"{place}/{part}: holds elements; it must hold text"
    elif part in _VALUES and text not in _VALUES[part]:
        yield f"{place}/{part}: {text!r} is not one of {', '.join(sorted(_VALUES[part]))}"
    elif part in _NEVER_EMPTY and not text.strip():
        yield f"{place}/{part}: is empty"
    elif part in _TIMES and (problem := time_problem(text)):
        yield f"{place}/{part}: {problem}"
    elif part == "language" and not _LANGUAGE.fullmatch(text):
        yield f"{place}/{part}: {text!r} is no language such as en-US"
    elif part in ("altitude", "ceiling") and not _DECIMAL.fullmatch(text):
        yield f"{place}/{part}: {text!r} is no decimal number"
    elif part == "size" and not re.fullmatch(r"[+-]?[0-9]+", text):
        yield f"{place}/{part}: {text!r} is no whole number"


# -- the sense: what it does not ask -------------------------------------------------------------


def _alert(root: ElementTree.Element, known: Collection[Identity] | None) -> Faults:
    for part in ("identifier", "sender"):
        if problem := name_problem(_text(root, part)):
            yield f"alert/{part}: {problem}"
    scope, kind = _text(root, "scope"), _text(root, "msgType")
    if scope == "Restricted" and not _text(root, "restriction").strip():
        yield "alert/restriction: is missing; scope Restricted must say who may have it"
    if scope != "Restricted" and _text(root, "restriction").strip():
        yield f"alert/restriction: scope is {scope}; only Restricted goes with a restriction"
    if scope == "Private" and not _text(root, "addresses").strip():
        yield "alert/addresses: is missing; scope Private must say whom it is for"
    if kind in ("Alert", "Update") and root.find(_tag("info")) is None:
        yield f"alert/info: is missing; {kind} without it tells nobody anything"
    yield from _references(root, kind, known)


def _references(root: ElementTree.Element, kind: str, known: Collection[Identity] | None) -> Faults:
    place = "alert/references"
    tokens = _text(root, "references").split()
    if not tokens and kind != "Alert":
        yield f"{place}: is missing; {kind} must name the earlier messages it is about"
    own = Identity(_text(root, "sender"), _text(root, "identifier"), _text(root, "sent"))
    for token in tokens:
        parts = token.split(",")
        problem = (
            "it must be sender,identifier,sent"
            if len(parts) != len(own)
            else name_problem(parts[0]) or name_problem(parts[1]) or time_problem(parts[2])
        )
        if problem:
            yield f"{place}: {token!r}: {problem}"
            continue
        named = Identity(*parts)
        if named[:2] == own[:2]:
            yield f"{place}: names the message itself"
        elif _moment(named.sent) > _moment(own.sent):
            yield f"{place}: {token!r} was sent later than this message"
        if kind in ("Update", "Cancel") and named.sender != own.sender:
            yield f"{place}: {token!r} is of another sender; {kind} is for one's own messages"
        if known is not None and named not in known:
            yield f"{place}: {token!r} is not known here"


def _infos(root: ElementTree.Element) -> Faults:
    sent = _moment(_text(root, "sent"))
    for number, info in enumerate(root.iter(_tag("info")), 1):
        place = f"alert/info {number}"
        expires = _text(info, "expires")
        if expires and _moment(expires) <= sent:
            yield f"{place}/expires: {expires!r} is not after sent"
        for area in info.iter(_tag("area")):
            yield from _area(area, f"{place}/area")


def _area(area: ElementTree.Element, place: str) -> Faults:
    checks: Sequence[tuple[str, Callable[[str], str | None]]] = (
        ("polygon", _polygon_problem),
        ("circle", _circle_problem),
    )
    for part, check in checks:
        for element in area.iter(_tag(part)):
            if problem := check(element.text or ""):
                yield f"{place}/{part}: {problem}"
    if area.find(_tag("ceiling")) is not None and area.find(_tag("altitude")) is None:
        yield f"{place}/ceiling: stands without altitude"


def _polygon_problem(text: str) -> str | None:
    pairs = text.split()
    for pair in pairs:
        if problem := _pair_problem(pair):
            return problem
    if len(pairs) < 4:
        return f"has {len(pairs)} points; at least 4 `lat,lon` are needed, the first repeated last"
    if _numbers(pairs[0]) != _numbers(pairs[-1]):
        return f"is not closed: it begins at {pairs[0]} and ends at {pairs[-1]}"
    return None


def _circle_problem(text: str) -> str | None:
    parts = text.split()
    if len(parts) != 2:
        return f"{text!r} must be `lat,lon radius_km`"
    if not _DECIMAL.fullmatch(parts[1]) or float(parts[1]) < 0:
        return f"{parts[1]!r} is no radius in km"
    return _pair_problem(parts[0])


def _pair_problem(pair: str) -> str | None:
    parts = pair.split(",")
    if len(parts) != 2 or not all(_DECIMAL.fullmatch(part) for part in parts):
        return f"{pair!r} is no `lat,lon` in degrees"
    lat, lon = _numbers(pair)
    if not -90 <= lat <= 90 or not -180 <= lon <= 180:
        return f"{pair!r} is not on the globe: lat -90 to 90 comes first, lon -180 to 180"
    return None


def _numbers(pair: str) -> tuple[float, float]:
    lat, lon = pair.split(",")
    return float(lat), float(lon)


def _moment(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _tag(name: str) -> str:
    return f"{{{NAMESPACE}}}{name}"


def _text(element: ElementTree.Element, name: str) -> str:
    return element.findtext(_tag(name), "")
