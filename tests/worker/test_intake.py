"""From messages to batches: what is refused and why, which times and names come out."""

import json
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from streamer.contract.published import RefusalReason
from streamer.contract.topics import Kind
from streamer.mqtt.connection import Incoming
from streamer.state.shapes import Keying
from streamer.worker.batch import Batch
from streamer.worker.intake import EXCERPT_LENGTH, Intake, count_events, parts_of
from tests.state.scene import START_MS, Teller, message, moment, region

VIEW = region(
    group=[
        {"name": "RESCUE", "policy": {"check_out_words": ["Bye", "OUT"]}},
        {"name": "NET", "policy": {"late_after_s": 60}},
        {"name": "CAMP-2"},
    ]
)
RIDGE = "ridge"


def take(*messages: Incoming, now_ms: int = START_MS, view: Any = VIEW) -> Batch:
    batch, intake = Batch(), Intake(view)
    for m in messages:
        intake.take(m, now_ms, batch)
    return batch


def heard(ms: int = START_MS, station: str = "QA1ABC", **more: Any) -> Incoming:
    return Teller(RIDGE).heard(ms, station, "o1", **more)


def keying(batch: Batch) -> Keying:
    assert batch.refusals == []
    ((only,),) = batch.keyings.values()
    return only


def refusal(batch: Batch) -> tuple[RefusalReason, str]:
    (only,) = batch.refusals
    return only.reason, only.detail


def tallies(batch: Batch, gateway: str = RIDGE) -> list[str]:
    return [event[2] for event in batch.gateways[gateway].events]


class TestTime:
    """An event's time is a function of the event alone: what its agent wrote and its offset."""

    @pytest.mark.parametrize(
        ("offset_s", "started", "expected"),
        [
            (None, -5000, -5000),
            (0.0, -5000, -5000),
            (7.0, -12_000, -5000),  # the gateway's clock is 7 s behind
            (-7.0, 2000, -5000),  # ahead
            (0.25, -5000, -4750),
        ],
    )
    def test_times_are_corrected_by_the_offset_known_when_recorded(
        self, offset_s: float | None, started: int, expected: int
    ) -> None:
        more: dict[str, Any] = {} if offset_s is None else {"clock_offset_s": offset_s}
        batch = take(heard(START_MS + started, **more))
        assert keying(batch).ms == START_MS + expected
        assert batch.oldest_ms == START_MS + expected
        assert list(batch.gateways[RIDGE].heard.values()) == [{"QA1ABC": START_MS + expected}]

    def test_without_a_start_it_is_reckoned_from_the_end(self) -> None:
        end: dict[str, Any] = {"phase": "end", "started_at": None, "duration_s": 4.5}
        found = keying(take(heard(START_MS, **end, clock_offset_s=-1.0)))
        assert (found.ms, found.end_ms) == (START_MS - 5500, START_MS - 1000)
        end["phase"] = "start"
        assert keying(take(heard(START_MS, **end))).ms == START_MS

    @pytest.mark.parametrize(("ahead_ms", "refused"), [(30_000, False), (30_001, True)])
    def test_the_future_is_refused(self, ahead_ms: int, refused: bool) -> None:
        """It would win for ever. 30 s is the region's future_s."""
        batch = take(heard(START_MS + ahead_ms))
        assert bool(batch.keyings) is not refused
        assert tallies(batch) == (["future"] if refused else ["heard"])
        assert batch.gateways[RIDGE].future_ms == (START_MS if refused else 0)
        if refused:
            reason, detail = refusal(batch)
            assert reason is RefusalReason.FUTURE
            assert detail == (
                "its time is 30 s ahead of the server's: at most 30 s; set the gateway's clock"
            )

    def test_a_recording_time_in_the_future_is_refused_whatever_the_start(self) -> None:
        sent = moment(START_MS + 31_000)
        batch = take(heard(START_MS - 100_000, sent_at=sent))
        assert refusal(batch)[0] is RefusalReason.FUTURE

    @pytest.mark.parametrize(
        ("to", "late_ms"), [("RESCUE", 3_600_000), ("NET", 60_000), (None, 3_600_000)]
    )
    def test_the_late_are_refused_by_the_policy_of_the_group(
        self, to: str | None, late_ms: int
    ) -> None:
        assert keying(take(heard(START_MS - late_ms, to=to))).ms == START_MS - late_ms
        batch = take(heard(START_MS - late_ms - 1, to=to))
        reason, detail = refusal(batch)
        assert reason is RefusalReason.LATE
        assert f"late_after_s = {late_ms / 1000:g}" in detail
        assert tallies(batch) == ["late"]
        assert batch.keyings == {}

    def test_a_wrong_duration_sets_no_check_out_in_the_future(self) -> None:
        """An over cannot end after its end was recorded: it would outrank all later check-ins."""
        end: dict[str, Any] = {"phase": "end", "duration_s": 86_400, "text": "OUT"}
        over = heard(START_MS - 3000, sent_at=moment(START_MS), to="RESCUE", **end)
        found = keying(take(over))
        assert (found.out_group, found.end_ms) == ("RESCUE", START_MS)

    def test_a_recording_time_before_the_start_ends_nothing_before_it(self) -> None:
        found = keying(
            take(heard(START_MS, sent_at=moment(START_MS - 9000), phase="end", duration_s=5))
        )
        assert found.end_ms == START_MS

    @given(st.integers(-3_000_000, 30_000), st.integers(-3_000_000, 30_000), st.integers(0, 86_400))
    def test_an_end_lies_between_start_and_recording(
        self, started: int, sent: int, duration_s: int
    ) -> None:
        said = heard(
            START_MS + started,
            sent_at=moment(START_MS + sent),
            phase="end",
            duration_s=duration_s,
        )
        found = keying(take(said))
        assert found.ms == START_MS + started
        assert found.ms <= found.end_ms <= max(found.ms, START_MS + sent)
        assert found.end_ms <= found.ms + 1000 * duration_s

    def test_a_position_is_no_newer_than_the_over_that_told_it(self) -> None:
        def fix(at_ms: int | None) -> int:
            where: dict[str, Any] = {"lat": -46.5, "lon": 20.25}
            if at_ms is not None:
                where["at"] = moment(START_MS + at_ms)
            found = keying(
                take(heard(START_MS - 9000, sent_at=moment(START_MS - 9000), position=where))
            )
            assert found.position is not None
            assert found.position[1:] == (-46.5, 20.25, None, None)
            return int(found.position[0]) - START_MS

        assert fix(None) == -9000
        assert fix(-20_000) == -20_000
        assert fix(20_000) == -9000

    def test_routes_are_corrected_and_judged_too(self) -> None:
        ridge = Teller(RIDGE)
        batch = take(
            ridge.route(START_MS - 1000, "NET", "carrying", clock_offset_s=0.5),
            ridge.route(START_MS - 61_000, "NET", "released"),
            ridge.route(START_MS + 31_000, "NET", "released"),
        )
        assert [r.ms for r in batch.routes] == [START_MS - 500]
        assert [r.reason for r in batch.refusals] == [RefusalReason.LATE, RefusalReason.FUTURE]
        assert tallies(batch) == ["route", "late", "future"]


class TestNames:
    @pytest.mark.parametrize(
        ("to", "group", "kept"),
        [
            ("RESCUE", "RESCUE", "RESCUE"),
            ("rescue ", "RESCUE", "RESCUE"),
            ("CAMP-2", "CAMP-2", "CAMP-2"),  # a hyphen of a name, not of a suffix
            ("QB2DEF-7", "", "QB2DEF"),
            ("qb2def/p", "", "QB2DEF"),
            (None, "", None),
        ],
    )
    def test_whom_an_over_is_addressed_to(
        self, to: str | None, group: str, kept: str | None
    ) -> None:
        found = keying(take(heard(to=to)))
        assert found.group == group
        assert found.info is not None
        assert found.info[0] == kept

    def test_a_suffix_is_kept_apart(self) -> None:
        found = keying(take(heard(station=" qa1abc-7 ")))
        assert found.station == "QA1ABC"
        assert found.info is not None
        assert found.info[1] == "7"

    def test_the_tie_orders_by_gateway_boot_and_number(self) -> None:
        """Text is compared, so numbers are padded: 2 before 10."""
        ridge = Teller(RIDGE, seq=1)
        two = keying(take(ridge.heard(START_MS, "QA1ABC", "o")))
        ridge.seq = 9
        ten = keying(take(ridge.heard(START_MS, "QA1ABC", "o")))
        assert two.tie < ten.tie
        assert two.tie == "ridge 0190000000000001 0000000000000002"

    @pytest.mark.parametrize(
        ("to", "text", "expected"),
        [
            ("RESCUE", "out", ("RESCUE", "")),
            ("RESCUE", "  BYE ", ("RESCUE", "")),
            ("RESCUE", "over and out", ("", "")),
            ("RESCUE", "QRT", ("", "")),  # a word of others
            ("NET", "bye", ("", "")),
            ("NET", "QRT", ("NET", "")),
            (None, "bye", ("", "BYE")),
            ("QB2DEF", "qrt", ("", "QRT")),
            (None, "hello", ("", "")),
            (None, "", ("", "")),
            (None, None, ("", "")),
        ],
    )
    def test_a_text_of_just_a_check_out_word(
        self, to: str | None, text: str | None, expected: tuple[str, str]
    ) -> None:
        # common practice, no source: a word to a group is meant for it, to nobody for all
        found = keying(take(heard(to=to, text=text)))
        assert (found.out_group, found.out_word) == expected

    def test_an_identity_that_is_no_call_sign_is_quarantined(self) -> None:
        batch = take(heard(station="base one"))
        assert batch.keyings == {}
        assert batch.refusals == []  # the gateway did nothing wrong
        (event,) = batch.gateways[RIDGE].events
        assert event[2:5] == ("quarantined", "BASE_ONE", "word")


class TestOwnership:
    @pytest.mark.parametrize(
        ("said", "reason", "words"),
        [
            (
                Teller(RIDGE).heard(START_MS, "QA1ABC", "o1", repeater="lake/uhf"),
                RefusalReason.WRONG_GATEWAY,
                "repeater lake/uhf in a message of gateway ridge: send your own only",
            ),
            (
                Teller(RIDGE).heard(START_MS, "QA1ABC", "o1", "hf"),
                RefusalReason.UNKNOWN_REPEATER,
                "repeater ridge/hf is not in the region file; add it there",
            ),
            (
                Teller(RIDGE).route(START_MS, "NET", "carrying", repeater="lake/uhf"),
                RefusalReason.WRONG_GATEWAY,
                "send your own only",
            ),
            (
                Teller(RIDGE).route(START_MS, "NOWHERE", "carrying"),
                RefusalReason.UNKNOWN_GROUP,
                "group 'NOWHERE' is not in the region file; add it there",
            ),
        ],
    )
    def test_what_is_not_its_own_is_refused_and_its_number_used_up(
        self, said: Incoming, reason: RefusalReason, words: str
    ) -> None:
        batch = take(said)
        found = refusal(batch)
        assert found[0] is reason
        assert words in found[1]
        assert tallies(batch) == ["refused"]
        assert (batch.keyings, batch.routes) == ({}, [])
        assert batch.refusals[0].gateway == RIDGE

    def test_a_state_with_anothers_repeater_is_refused(self) -> None:
        batch = take(Teller(RIDGE).state(START_MS, repeaters=[{"id": "lake/uhf", "up": False}]))
        assert refusal(batch)[0] is RefusalReason.WRONG_GATEWAY
        # Heartbeats have numbers of their own: nothing is counted.
        assert (batch.gateways, batch.states) == ({}, [])

    def test_an_unknown_gateway(self) -> None:
        batch = take(Teller("hut").heard(START_MS, "QA1ABC", "o1"))
        assert refusal(batch) == (
            RefusalReason.UNKNOWN_GATEWAY,
            "gateway 'hut' is not in the region file; add it there",
        )
        assert batch.gateways == {}

    def test_an_open_region_takes_any_gateway_with_its_own_repeaters(self) -> None:
        view = region(open_gateways=True)
        hut = Teller("hut")
        batch = take(hut.heard(START_MS, "QA1ABC", "o1", "hf"), view=view)
        assert keying(batch).repeater == "hut/hf"
        batch = take(hut.heard(START_MS, "QA1ABC", "o1", repeater="ridge/uhf"), view=view)
        assert refusal(batch)[0] is RefusalReason.WRONG_GATEWAY

    @pytest.mark.parametrize(
        "topic",
        ["net/other/gw/ridge/heard", "net/scene/gw/ridge", "net/scene/gw/RIDGE/heard", "x", ""],
    )
    def test_another_topic(self, topic: str) -> None:
        batch = take(Incoming(topic, heard().payload, 1, False, 0))
        assert refusal(batch) == (
            RefusalReason.TOPIC,
            "topic: net/scene/gw/GATEWAY/KIND is expected",
        )

    def test_an_unknown_kind(self) -> None:
        batch = take(Incoming("net/scene/gw/ridge/gossip", heard().payload, 1, False, 0))
        assert refusal(batch)[0] is RefusalReason.KIND


def array(*messages: Incoming, before: bytes = b"") -> Incoming:
    content = before + b"[" + b",".join(m.payload for m in messages) + b"]"
    return message(RIDGE, Kind.HEARD, content)


class TestArrays:
    def test_each_refusal_names_its_place(self) -> None:
        ridge = Teller(RIDGE)
        broken = ridge.heard(START_MS, "QA1ABC", "o3", phase="middle")
        batch = take(
            array(
                ridge.heard(START_MS, "QA1ABC", "o1"),
                broken,
                ridge.heard(START_MS + 99_000, "QA1ABC", "o3"),
                Incoming("", b"7", 1, False, 0),
                ridge.heard(START_MS, "QB2DEF", "o4"),
                ridge.heard(START_MS, "QC3GHI", "o5", repeater="lake/uhf"),
            )
        )
        assert sorted((r.index, r.reason) for r in batch.refusals if r.index is not None) == [
            (1, RefusalReason.SHAPE),
            (2, RefusalReason.FUTURE),
            (3, RefusalReason.SHAPE),
            (5, RefusalReason.WRONG_GATEWAY),
        ]
        assert len(batch.refusals) == 4
        assert set(batch.keyings) == {"QA1ABC", "QB2DEF"}
        assert batch.events == 2
        # The numbers of all that had one are used up: none of them is a hole.
        assert sorted(e[1] for e in batch.gateways[RIDGE].events) == [1, 2, 3, 4, 5]

    def test_blanks_before_an_array_do_not_hide_the_places(self) -> None:
        ridge = Teller(RIDGE)
        said = [ridge.heard(START_MS + ms, "QA1ABC", "o1") for ms in (0, 99_000)]
        assert [r.index for r in take(array(*said, before=b" \n")).refusals] == [1]

    def test_a_single_event_has_no_place(self) -> None:
        assert [r.index for r in take(heard(START_MS + 99_000)).refusals] == [None]
        assert [r.index for r in take(heard(phase="middle")).refusals] == [None]

    def test_refusals_show_what_came_shortened(self) -> None:
        long = message(RIDGE, Kind.HEARD, b"\xff" * 5000)
        (found,) = take(long).refusals
        assert found.reason is RefusalReason.JSON
        assert found.size_bytes == 5000
        assert found.excerpt == "\\xff" * (512 // 4)
        (found,) = take(message(RIDGE, Kind.HEARD, b"x" * 5000)).refusals
        assert found.excerpt == "x" * EXCERPT_LENGTH


class TestStates:
    def test_a_heartbeat_is_kept_and_answered(self) -> None:
        batch = take(Teller(RIDGE).state(START_MS - 500, session=3, clock_offset_s=0.0))
        ((boot, session, seq, ms, content, up, _, taken_ms),) = batch.gateways[RIDGE].states
        assert (up, taken_ms) == (1, START_MS)
        assert (boot, session, seq, ms) == ("0190000000000001", 3, 1, START_MS - 500)
        assert json.loads(content)["up"] is True
        ((gateway, place, state),) = batch.states
        assert (gateway, place, state.session) == (RIDGE, 0, 3)

    def test_the_place_of_an_answer_is_that_of_its_state(self) -> None:
        ridge = Teller(RIDGE)
        batch = take(ridge.state(START_MS, up=False), ridge.state(START_MS), ridge.state(START_MS))
        assert [place for _, place, _ in batch.states] == [1, 2]

    @pytest.mark.parametrize("more", [{"up": False}, {"seq": None}])
    def test_a_last_word_and_a_will_are_not_answered(self, more: dict[str, Any]) -> None:
        batch = take(Teller(RIDGE).state(START_MS, **more))
        assert len(batch.gateways[RIDGE].states) == 1
        assert batch.states == []

    def test_a_will_ranks_by_word(self) -> None:
        batch = take(Teller(RIDGE).state(START_MS, up=False, seq=None))
        assert batch.gateways[RIDGE].states[0][2] == "will"

    def test_a_retained_one_is_taken_but_not_answered(self) -> None:
        said = Teller(RIDGE).state(START_MS)
        batch = take(Incoming(said.topic, said.payload, 1, True, 0))
        assert len(batch.gateways[RIDGE].states) == 1
        assert batch.states == []

    def test_an_empty_payload_is_a_state_removed(self) -> None:
        batch = take(message(RIDGE, Kind.STATE, b""))
        assert (batch.gateways, batch.refusals) == ({}, [])
        assert take(message(RIDGE, Kind.HEARD, b"")).refusals

    def test_a_wrong_clock_does_not_silence_a_gateway(self) -> None:
        """It learns how wrong it is by the answer to the heartbeat."""
        batch = take(Teller(RIDGE).state(START_MS + 3_600_000))
        assert batch.gateways[RIDGE].states[0][3] == START_MS
        assert batch.gateways[RIDGE].future_ms == START_MS
        assert len(batch.states) == 1
        assert batch.refusals == []

    def test_a_clock_of_long_ago_is_no_negative_time(self) -> None:
        old: dict[str, Any] = {"sent_at": "1900-01-01T00:00:00Z"}
        batch = take(Teller(RIDGE).state(START_MS, clock_offset_s=0.0, **old))
        assert batch.gateways[RIDGE].states[0][3] == 0
        # As long as it does not know how wrong it is, what has just come was just said.
        batch = take(Teller(RIDGE).state(START_MS, **old))
        assert batch.gateways[RIDGE].states[0][3] == START_MS


def test_a_fault_of_ours_stops_nobody_else(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    intake, batch = Intake(VIEW), Batch()
    plain = intake._heard

    def faulty(*arguments: Any) -> Any:
        if arguments[2].station == "QB2DEF":
            raise ZeroDivisionError
        return plain(*arguments)

    monkeypatch.setattr(intake, "_heard", faulty)
    for name in ("QA1ABC", "QB2DEF", "QC3GHI"):
        intake.take(heard(station=name), START_MS, batch)
    assert set(batch.keyings) == {"QA1ABC", "QC3GHI"}
    assert refusal(batch)[0] is RefusalReason.INTERNAL
    said = capsys.readouterr()  # on either: another test may have set the logs up
    assert "ZeroDivisionError" in said.out + said.err


def test_events_are_guessed_to_size_batches() -> None:
    ridge = Teller(RIDGE)
    said = [array(ridge.heard(START_MS, "QA1ABC", "o"), ridge.heard(START_MS, "QA1ABC", "o"))]
    assert count_events(said) >= 2
    assert count_events([]) == 0


@given(st.lists(st.integers(0, 5), max_size=12), st.integers(1, 12))
def test_parts_hold_everything_in_order_and_not_too_much(sizes: list[int], most: int) -> None:
    said = [Incoming(f"t{n}", b'"seq"' * size, 1, False, 0) for n, size in enumerate(sizes)]
    parts = list(parts_of(said, most))
    assert [m for part in parts for m in part] == said
    for part in parts:
        assert part
        assert len(part) == 1 or count_events(part) <= most
    for part, following in pairwise(parts):
        assert count_events(part) + count_events(following[:1]) > most
