"""decode(): never raises, and one bad element of an array does not cost the good ones."""

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from streamer.contract.common import MAX_PAYLOAD_BYTES
from streamer.contract.decode import Problem, decode
from streamer.contract.events import Heard, Phase, State
from streamer.contract.published import Refusal, RefusalReason
from streamer.contract.topics import Kind
from tests.contract.cases import BAD, good, spoilt

R = RefusalReason
KINDS = [kind.value for kind in Kind]
HEARD = good("heard")
GOOD_TEXT = json.dumps(HEARD)


def refused(payload: bytes, kind: str = "heard") -> Problem:
    events, problems = decode(kind, payload)
    assert events == []
    assert len(problems) == 1
    sendable(problems[0])
    return problems[0]


def sendable(problem: Problem) -> None:
    """It fits the message that tells of it."""
    Refusal.model_validate_json(
        json.dumps(
            {
                "v": 1, "at": "2026-01-01T12:00:00Z", "topic": "t", "size_bytes": 1,
                "reason": problem.reason, "detail": problem.detail, "index": problem.index,
            }
        )
    )  # fmt: skip
    problem.detail.encode()


class TestOne:
    def test_a_full_event(self) -> None:
        events, problems = decode("heard", GOOD_TEXT.encode())
        assert problems == []
        (event,) = events
        assert isinstance(event, Heard)
        assert (event.seq, event.station, event.phase) == (3, "QA1ABC", Phase.END)
        assert json.loads(event.model_dump_json(exclude_none=True)) == HEARD

    def test_white_space_around_is_json(self) -> None:
        """RFC 8259, section 2: white space may surround a value."""
        for text in (f" \r\n\t{GOOD_TEXT}\n", f"\n[{GOOD_TEXT}] "):
            events, problems = decode("heard", text.encode())
            assert (len(events), problems) == (1, [])

    @pytest.mark.parametrize("kind", ["", "herd", "HEARD", "heard/x", "\ud800", "x" * 100_000])
    def test_unknown_kinds(self, kind: str) -> None:
        problem = refused(GOOD_TEXT.encode(), kind)
        assert problem.reason is R.KIND
        assert "heard, route, state" in problem.detail

    @pytest.mark.parametrize(
        ("payload", "reason"),
        [
            (b"", R.JSON),
            (b"   ", R.JSON),
            (b"\x00", R.JSON),
            (b"\xff\xfe{}", R.JSON),
            (GOOD_TEXT.encode("utf-16"), R.JSON),
            (b"\xef\xbb\xbf" + GOOD_TEXT.encode(), R.JSON),  # RFC 8259, 8.1: no byte order mark
            (GOOD_TEXT.encode()[:-1], R.JSON),
            (GOOD_TEXT.encode() + b"}", R.JSON),
            (GOOD_TEXT.encode() + GOOD_TEXT.encode(), R.JSON),
            (GOOD_TEXT.replace('"on foot"', '"\xe9"').encode("latin-1"), R.JSON),
            (b"[" * 100_000 + b"]" * 100_000, R.JSON),
            (b"[" * 250_000, R.JSON),
            (b'{"a":' * 50_000 + b"1" + b"}" * 50_000, R.JSON),
            (b"1" * 500_000, R.SHAPE),
            (b"null", R.SHAPE),
            (b"NaN", R.SHAPE),
            (b'"heard"', R.SHAPE),
            (b"true", R.SHAPE),
            (b"-0.0", R.SHAPE),
            (b"{}", R.VERSION),
            (b'{"v":2}', R.VERSION),
            (b'{"v":null}', R.VERSION),
            (b'{"v":true}', R.VERSION),
            (b'{"v":[[[]]]}', R.VERSION),
            (b'{"v":NaN}', R.VERSION),
            (b'{"v":1e999}', R.VERSION),
            (b'{"v":"\\ud800"}', R.VERSION),
            (b'{"v":' + b"9" * 5000 + b"}", R.VERSION),
            (b'{"v":' + b"[" * 900 + b"]" * 900 + b"}", R.VERSION),
            (b'{"v":1}', R.SHAPE),
            (b"x" * (MAX_PAYLOAD_BYTES + 1), R.SIZE),
            (b" " * 10_000_000 + GOOD_TEXT.encode(), R.SIZE),
            (b"[" + b",".join([b"{}"] * 257) + b"]", R.SIZE),
        ],
        ids=lambda value: value.value if isinstance(value, R) else repr(value[:20]),
    )
    def test_reasons(self, payload: bytes, reason: RefusalReason) -> None:
        assert refused(payload).reason is reason

    def test_the_largest_payload_is_read(self) -> None:
        text = GOOD_TEXT.encode()
        fits = text + b" " * (MAX_PAYLOAD_BYTES - len(text))
        assert len(decode("heard", fits)[0]) == 1
        assert refused(fits + b" ").reason is R.SIZE

    @pytest.mark.parametrize(
        "number", ["NaN", "Infinity", "-Infinity", "1e999", "-1e999", "9" * 400, "9" * 6000]
    )
    def test_numbers_that_are_none(self, number: str) -> None:
        """RFC 8259, section 6: NaN and infinities are not JSON; 1e999 is, but fits no double."""
        for place in ("duration_s", "rssi_dbm", "clock_offset_s", "seq"):
            text = json.dumps({**HEARD, place: "@"}).replace('"@"', number)
            assert refused(text.encode()).reason is R.SHAPE
        text = json.dumps({**HEARD, "position": {"lat": "@", "lon": 0}}).replace('"@"', number)
        assert refused(text.encode()).reason is R.SHAPE

    def test_what_is_said_names_place_and_value(self) -> None:
        problem = refused(json.dumps({**HEARD, "position": {"lat": 91, "lon": 0}}).encode())
        assert problem.detail.startswith("position.lat: ")
        assert "90" in problem.detail
        assert "91" in problem.detail
        late = refused(json.dumps({**HEARD, "sent_at": "noon"}).encode())
        assert late.detail.startswith("sent_at: an RFC 3339 date-time is expected")

    def test_of_many_faults_three_are_named(self) -> None:
        problem = refused(b'{"v":1}')
        assert "and 4 more" in problem.detail


class TestLeapSeconds:
    """RFC 3339, 5.8: 1990-12-31T23:59:60Z is a leap second."""

    LEAP = "1990-12-31T15:59:60-08:00"

    def test_in_every_moment_of_heard(self) -> None:
        position = {"lat": 0, "lon": 0, "at": self.LEAP}
        content = {**HEARD, "sent_at": self.LEAP, "started_at": self.LEAP, "position": position}
        (event,) = decode("heard", json.dumps(content).encode())[0]
        assert isinstance(event, Heard)
        assert event.position is not None
        assert event.position.at is not None
        for moment in (event.sent_at, event.started_at, event.position.at):
            assert moment is not None
            assert moment.isoformat() == "1990-12-31T15:59:59-08:00"

    def test_in_route_and_state(self) -> None:
        route = {**good("route"), "at": self.LEAP}
        assert len(decode("route", json.dumps(route).encode())[0]) == 1
        state = good("state")
        state["repeaters"][0]["changed_at"] = self.LEAP
        (event,) = decode("state", json.dumps([state]).encode())[0]
        assert isinstance(event, State)
        assert event.repeaters[0].changed_at is not None

    def test_text_is_left_alone(self) -> None:
        content = {**HEARD, "sent_at": self.LEAP, "text": "T 23:59:60Z"}
        (event,) = decode("heard", json.dumps(content).encode())[0]
        assert isinstance(event, Heard)
        assert event.text == "T 23:59:60Z"


# Texts of JSON for one element that no reader can take for a heard.
BAD_ELEMENTS = [
    "null", "1", "[]", '"x"', "{}", "NaN", "1e999", "-Infinity", "9" * 5000,
    "[" * 150 + "]" * 150,
    "[" * 700 + "]" * 700,
    '{"v":1,"x":' + "[" * 700 + "]" * 700 + "}",
    '"\\ud800"', '"\\udc00\\ud800"',
    GOOD_TEXT.replace("on foot", "\\ud83d"),  # half of a character, cut at 20 UTF-16 units
    GOOD_TEXT.replace('"seq": 3', '"seq": ' + "9" * 5000),
    *[json.dumps(spoilt(m, place, bad)) for m, place, bad in BAD if m == "heard"],
]  # fmt: skip


class TestArrays:
    @pytest.mark.parametrize("bad", BAD_ELEMENTS, ids=range(len(BAD_ELEMENTS)))
    def test_a_bad_element_costs_itself_alone(self, bad: str) -> None:
        text = f"[{GOOD_TEXT},{bad},{GOOD_TEXT},{bad}]"
        events, problems = decode("heard", text.encode())
        assert len(events) == 2
        assert [p.index for p in problems] == [1, 3]
        for problem in problems:
            sendable(problem)
            assert problem.detail.startswith(f"element {problem.index}: ")

    def test_identity_tells_the_number_that_is_used_up(self) -> None:
        bad = {**HEARD, "station": ""}
        _, problems = decode("heard", json.dumps([HEARD, bad]).encode())
        assert problems[0].identity == (HEARD["boot"], 3)
        for seq in (True, 0, 2**53, "3", 3.0, None):
            _, problems = decode("heard", json.dumps([{**bad, "seq": seq}]).encode())
            assert problems[0].identity is None
        _, problems = decode("heard", json.dumps([{**bad, "boot": "has\nline"}]).encode())
        assert problems[0].identity is None

    def test_a_newer_version_is_told_apart(self) -> None:
        _, problems = decode("heard", json.dumps([HEARD, {**HEARD, "v": 2}]).encode())
        assert problems[0].reason is R.VERSION
        assert problems[0].identity == (HEARD["boot"], 3)


anything = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(st.characters(), max_size=30)
    | st.sampled_from([1, 10**20, 2**63, "2026-01-01T12:00:00Z", "2026-06-30T23:59:60Z"]),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from([*HEARD, "lat", "at", "id"]), inner, max_size=4)
    ),
    max_leaves=12,
)


def judged(kind: str, payload: bytes) -> int:
    events, problems = decode(kind, payload)
    for problem in problems:
        sendable(problem)
    for event in events:
        event.model_dump_json()
    return len(events) + len(problems)


@given(st.sampled_from(KINDS), st.binary(max_size=300))
def test_any_bytes(kind: str, payload: bytes) -> None:
    judged(kind, payload)


@given(st.sampled_from(KINDS), st.binary(max_size=20), st.integers(0, len(GOOD_TEXT)))
def test_bytes_in_the_midst_of_a_good_event(kind: str, dirt: bytes, place: int) -> None:
    text = GOOD_TEXT.encode()
    assert judged(kind, text[:place] + dirt + text[place:]) == 1
    assert judged(kind, text[:place] + dirt) == 1


@given(st.sampled_from(KINDS), anything)
def test_any_json(kind: str, content: Any) -> None:
    """Of every element something becomes: an event or a problem."""
    few = isinstance(content, list) and len(content) <= 256
    assert judged(kind, json.dumps(content).encode()) == (len(content) if few else 1)


@settings(max_examples=300)
@given(
    st.sampled_from(["heard", "route", "state"]),
    st.lists(st.tuples(st.integers(0, 20), anything), min_size=1, max_size=4),
)
def test_good_ones_survive_any_neighbour(kind: str, changes: list[tuple[int, Any]]) -> None:
    first = good(kind)
    other = dict(first)
    names = list(other)
    for place, value in changes:
        other[names[place % len(names)]] = value
    events, problems = decode(kind, json.dumps([first, other, first]).encode())
    assert len(events) + len(problems) == 3
    assert len(events) >= 2
    for problem in problems:
        assert problem.index == 1
        sendable(problem)
