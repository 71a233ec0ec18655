"""The start of an over gives way to its end where nothing of it could outlast it.

That both ways come to the same state is held by the state's convergence tests, which split the
same events into other batches; here is which starts go.
"""

from typing import Any

import pytest

from streamer.state.shapes import Keying
from streamer.worker.batch import Batch
from streamer.worker.intake import Intake
from tests.state.scene import START_MS, Teller, moment, region

VIEW = region()
FIX = {"lat": -46.5, "lon": 20.5}


def kept(start: dict[str, Any], end: dict[str, Any], gateway: str = "ridge") -> list[Keying]:
    """The keyings of an over's start and end, by two tellers if `gateway` is another."""
    ridge, other = Teller("ridge"), Teller(gateway)
    if gateway == "ridge":
        other = ridge
    batch, intake = Batch(), Intake(VIEW)
    messages = [
        ridge.heard(START_MS, "QA1ABC", "o1", **start),
        other.heard(
            START_MS, "QA1ABC", "o1",
            **{"phase": "end", "duration_s": 2.0, "sent_at": moment(START_MS + 2000), **end},
        ),
    ]  # fmt: skip
    for message in messages:
        intake.take(message, START_MS + 3000, batch)
    assert batch.events == 2
    assert sum(len(entry.events) for entry in batch.gateways.values()) == 2  # both are counted
    return batch.keyings["QA1ABC"]


@pytest.mark.parametrize(
    ("start", "end"),
    [
        ({}, {}),
        ({"to": "RESCUE"}, {"to": "RESCUE"}),
        ({"rssi_dbm": -80.0}, {"rssi_dbm": -80.0, "ber_pct": 0.5}),
        ({}, {"rssi_dbm": -80.0, "position": FIX, "text": "OUT"}),
        ({"position": FIX}, {"position": FIX}),
        ({"text": "HELLO"}, {}),
    ],
)
def test_a_start_that_says_no_more_than_the_end_goes(
    start: dict[str, Any], end: dict[str, Any]
) -> None:
    (keying,) = kept(start, end)
    assert keying.end_ms == START_MS + 2000


@pytest.mark.parametrize(
    ("start", "end"),
    [
        ({"rssi_dbm": -80.0}, {}),
        ({"rssi_dbm": -80.0}, {"rssi_dbm": -79.0}),
        ({"ber_pct": 1.0}, {}),
        ({"position": FIX}, {}),
        ({"to": "RESCUE"}, {"to": "NET"}),
        ({"text": "OUT", "to": "RESCUE"}, {"to": "RESCUE"}),
        ({"text": "OUT"}, {}),
        ({}, {"started_at": moment(START_MS + 1)}),
        ({}, {"boot": "0190000000000002"}),
    ],
)
def test_a_start_that_says_more_or_something_else_stays(
    start: dict[str, Any], end: dict[str, Any]
) -> None:
    assert len(kept(start, end)) == 2


def test_another_gateway_speaks_for_itself() -> None:
    assert len(kept({}, {}, "lake")) == 2


def test_the_starts_of_two_repeaters_are_both_found() -> None:
    ridge, lake = Teller("ridge"), Teller("lake")
    batch, intake = Batch(), Intake(VIEW)
    end: dict[str, Any] = {"phase": "end", "duration_s": 1.0, "sent_at": moment(START_MS + 1000)}
    for message in (
        ridge.heard(START_MS, "QA1ABC", "o1"),
        lake.heard(START_MS, "QA1ABC", "o1"),
        ridge.heard(START_MS, "QA1ABC", "o1", **end),
        lake.heard(START_MS, "QA1ABC", "o1", **end),
    ):
        intake.take(message, START_MS + 2000, batch)
    assert [k.end_ms for k in batch.keyings["QA1ABC"]] == [START_MS + 1000] * 2
    assert {k.repeater for k in batch.keyings["QA1ABC"]} == {"ridge/uhf", "lake/uhf"}
