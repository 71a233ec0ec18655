"""Where a station is named and what stands there instead: worked out by hand beside each case."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from streamer.config import RegionView
from streamer.domain.callsign import CallSignRules, Rejected
from streamer.forget.name import Name, Nameless, new_pseudonym
from tests.state.scene import region

CALL, OTHER, PSEUDONYM = "QA1ABC", "QA1ABCD", "FORGOTTEN0TEST0"


def name(call: str = CALL, view: RegionView | None = None) -> Name:
    return Name(call, view or region(), PSEUDONYM)


@pytest.mark.parametrize(
    ("text", "instead"),
    [
        (CALL, PSEUDONYM),
        ("qa1abc", PSEUDONYM),
        ("QA1ABC/P", f"{PSEUDONYM}/P"),
        ("QD/QA1ABC-7", f"QD/{PSEUDONYM}-7"),
        ("net/scene/alert/member.NET.QA1ABC", f"net/scene/alert/member.NET.{PSEUDONYM}"),
        ("QA1ABC of NET, and QA1ABC", f"{PSEUDONYM} of NET, and {PSEUDONYM}"),
        ("@QA1ABC=", f"@{PSEUDONYM}="),
        ("QA1ABC_1", f"{PSEUDONYM}_1"),
        (OTHER, OTHER),
        ("XQA1ABC", "XQA1ABC"),
        ("QA1AB", "QA1AB"),
        ("", ""),
    ],
)
def test_it_is_replaced_where_it_stands_as_a_word(text: str, instead: str) -> None:
    assert name().renamed(text) == instead
    assert name().in_text(text) == (text != instead)
    assert name().may_be_in(text.encode()) == (text != instead)


def cleared(value: Any, *, drop: bool = False, known: Name | None = None) -> Any:
    return json.loads((known or name()).cleared(json.dumps(value), drop=drop))


BOOT = "019a0b1c-2d3e-7f40-8a1b-00000a1b2c3d"
HEARD = {
    "kind": "heard", "station": CALL, "suffix": "P", "to": "NET", "over": "QA1ABC-1",
    "phase": "end", "began_ms": 1, "ended_ms": 5, "duration_ms": 4, "rssi_dbm": -90.5,
    "text": "my secret",
    "fix_ms": 1, "lat": -46.5, "lon": 20.1, "speed_mps": 1.0, "course_deg": 5.0,
    "boot": BOOT, "seq": 7,
}  # fmt: skip


def test_an_over_keeps_what_is_counted_and_loses_what_is_personal() -> None:
    assert cleared(HEARD) == {
        "kind": "heard", "station": PSEUDONYM, "to": "NET", "over": f"{PSEUDONYM}-1",
        "phase": "end", "began_ms": 1, "ended_ms": 5, "duration_ms": 4, "rssi_dbm": -90.5,
        "boot": BOOT, "seq": 7,
    }  # fmt: skip


@pytest.mark.parametrize(("text", "kept"), [("out", True), (" QRT ", True), ("out now", False)])
def test_a_word_that_checks_out_stays_since_the_state_hangs_on_it(text: str, kept: bool) -> None:
    assert ("text" in cleared(HEARD | {"text": text})) == kept


def test_words_of_another_version_of_the_region_file_count_too() -> None:
    known = name()
    assert "text" not in cleared(HEARD | {"text": "bye"}, known=known)
    known.also_check_outs(["Bye"])
    assert cleared(HEARD | {"text": "bye"}, known=known)["text"] == "bye"


@pytest.mark.parametrize("raw", ["qa1abc/p", "QA1ABC/MUCH/TOO/LONG", "QD/QA1ABC"])
def test_what_stood_beside_a_call_sign_goes_with_it(raw: str) -> None:
    line = {"kind": "quarantined", "call": raw, "reason": "wrong_suffix"}
    assert cleared(line) == line | {"call": PSEUDONYM}
    assert cleared([line, {"station": raw}], drop=True) == []


def test_others_keep_what_is_theirs() -> None:
    theirs = HEARD | {"station": OTHER, "over": "o1", "to": CALL}
    assert cleared(theirs) == theirs | {"to": PSEUDONYM}
    assert cleared(HEARD | {"station": OTHER, "over": "o1"}) == HEARD | {
        "station": OTHER, "over": "o1",
    }  # fmt: skip


def test_json_within_json_is_looked_into() -> None:
    reach = {"members": [{"station": CALL, "lat": 1.0, "lon": 2.0, "standing": "in_reach"},
                         {"station": OTHER, "lat": 3.0, "lon": 4.0}]}  # fmt: skip
    line = {"kind": "published", "topic": "net/scene/reach/NET", "payload": json.dumps(reach)}
    payload = json.loads(cleared(line)["payload"])
    assert payload["members"] == [
        {"station": PSEUDONYM, "standing": "in_reach"},
        {"station": OTHER, "lat": 3.0, "lon": 4.0},
    ]
    dropped = json.loads(cleared(line, drop=True)["payload"])
    assert dropped["members"] == [{"station": OTHER, "lat": 3.0, "lon": 4.0}]


def test_an_entry_of_the_log() -> None:
    roster = [{"call": CALL, "name": "A B", "agency": "C", "assignment": "D", "group": "NET"}]
    entry = {"at": "2027-01-15T08:00:00Z", "by": "desk", "act": "set_roster", "subject": "duty-1",
             "note": "with QA1ABC", "details": {"roster": roster}}  # fmt: skip
    assert cleared(entry) == entry | {
        "note": f"with {PSEUDONYM}", "details": {"roster": [{"call": PSEUDONYM, "group": "NET"}]}
    }  # fmt: skip
    ended = {"act": "end_roll_call", "subject": "NET",
             "details": {"answered": {CALL: {"how": "air"}}, "silent": [CALL, OTHER]}}  # fmt: skip
    assert cleared(ended)["details"] == {
        "answered": {PSEUDONYM: {"how": "air"}}, "silent": [PSEUDONYM, OTHER]
    }  # fmt: skip
    out = {"act": "check_out", "subject": f"NET {CALL}", "note": "went home"}
    assert cleared(out) == {"act": "check_out", "subject": f"NET {PSEUDONYM}"}


@pytest.mark.parametrize(
    "excerpt",
    ['{"station": "QA1ABC", "te', '{"station": "qa1abc/p", ', '{"station": "\\u0051A1ABC", "t',
     '{"a": "Q\\u00411\\u0041BC"'],
)  # fmt: skip
def test_input_as_it_came_goes_however_the_name_is_written_there(excerpt: str) -> None:
    line = {"kind": "refused", "reason": "json", "excerpt": excerpt, "size_bytes": 99}
    assert cleared(line) == line | {"excerpt": ""}
    assert name().may_be_in(json.dumps(line).encode())


def test_what_is_no_json_behind_all_is_only_put_otherwise() -> None:
    assert name().cleared("{QA1ABC", drop=True) == f"{{{PSEUDONYM}"
    assert name().cleared('5 {"a": "QA1ABC"}', drop=False) == f'5 {{"a":"{PSEUDONYM}"}}'
    two = '{"station": "QA1ABC", "lat": 1}\n{"station": "x"}'
    assert name().cleared(two, drop=False) == f'{{"station":"{PSEUDONYM}"}}\n{{"station": "x"}}'


def test_numbers_stay_what_they_are() -> None:
    value = {"station": CALL, "a": 1800000000000, "b": -90.5, "c": 1e-7, "d": None, "e": True,
             "f": 9007199254740991, "g": 0.1}  # fmt: skip
    assert cleared(value) == value | {"station": PSEUDONYM}


texts = st.text(alphabet='QA1BC/ ."\\{}[]:,u05') | st.just(CALL)
fields = st.sampled_from(["station", "text", CALL])
values = st.recursive(
    st.none() | st.booleans() | st.integers() | texts,
    lambda inner: st.lists(inner) | st.dictionaries(fields, inner),
    max_leaves=12,
)


@given(values)
def test_whatever_it_stands_in_nothing_is_left(value: Any) -> None:
    """And doing it again changes nothing."""
    known = name()
    for text in (json.dumps(value), json.dumps({"payload": json.dumps(value)})):
        for drop in (True, False):
            made = known.cleared(text, drop=drop)
            assert not known.in_text(made), made
            assert known.cleared(made, drop=drop) == made


def test_a_part_of_a_uuid_that_looks_like_a_call_sign_is_none() -> None:
    known = name("E2AB")
    boot = "019a0b1c-e2ab-7f40-8a1b-00000a1b2c3d"
    line = {"boot": boot, "over": boot.upper(), "station": "E2AB", "tie": f"ridge {boot} 0001"}
    assert cleared(line, known=known) == line | {"station": PSEUDONYM}
    assert not known.in_text(f"seen:{boot}")
    assert not known.may_be_in(boot.encode())
    assert known.renamed(f"{boot} e2ab") == f"{boot} {PSEUDONYM}"


# -- names that look alike -----------------------------------------------------------------------


def called(gateway: str) -> RegionView:
    return region(gateway=[{"id": gateway, "repeater": [{"id": "uhf"}]}], group=[{"name": "NET"}])


def test_a_gateway_called_after_its_keeper_keeps_its_name() -> None:
    known = name(view=called("qa1abc"))
    assert known.also_of_region == ("qa1abc",)
    line = {"gateway": "qa1abc", "repeater": "qa1abc/uhf", "station": CALL}
    assert cleared(line, known=known) == line | {"station": PSEUDONYM}
    assert not known.in_text("qa1abc/uhf")


def test_an_identity_without_a_digit_is_no_common_word() -> None:
    known = name("RIDGE")
    line = {"gateway": "ridge", "station": "RIDGE", "note": "on the ridge"}
    assert cleared(line, known=known) == {"gateway": "ridge", "station": PSEUDONYM}


@pytest.mark.parametrize(
    ("call", "why"),
    [("NET", "is a group"), ("OUT", "checks out"), ("QRT", "checks out"), ("QA1ABC/P", "suffix"),
     ("", "no name"), ("Q1", "3 to 16"), ("Q" * 17, "3 to 16"), ("QA1ÄBC", "letters and digits"),
     ("QA1.*", "letters and digits")],
)  # fmt: skip
def test_what_cannot_be_forgotten_is_said(call: str, why: str) -> None:
    with pytest.raises(Nameless, match=why):
        name(call)


# -- the pseudonym -------------------------------------------------------------------------------


def test_a_pseudonym_is_drawn_and_no_call_sign() -> None:
    drawn = {new_pseudonym() for _ in range(200)}
    assert len(drawn) == 200
    rules = CallSignRules(extra_prefixes=["FOR", "F", "FO"])
    assert all(isinstance(rules.judge(p), Rejected) for p in drawn)
    CallSignRules(accepted_calls=drawn)  # but it can stand where such a one stands


def test_one_run_has_one_pseudonym_and_two_runs_two() -> None:
    one, other = (Name(CALL, region()) for _ in range(2))
    assert one.renamed(CALL) == one.renamed(f"{CALL}") == one.pseudonym
    assert one.pseudonym != other.pseudonym
