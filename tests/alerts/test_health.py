"""A repeater's findings as conditions: how grave, in which words. common practice, no source."""

import re

import pytest

from streamer.alerts.case import conditions_json
from streamer.alerts.conditions import Condition
from streamer.alerts.health import of_repeaters
from streamer.contract.published import AlertKind, Severity
from streamer.domain.repeater_health import Finding, Trouble

RIDGE, LAKE = "ridge/uhf", "lake/uhf"
KINDS = {
    Trouble.DEAF: AlertKind.REPEATER_DEAF,
    Trouble.DEGRADED: AlertKind.REPEATER_DEGRADED,
    Trouble.STUCK: AlertKind.CARRIER_STUCK,
    Trouble.BUSY: AlertKind.REPEATER_BUSY,
}


def made(trouble: Trouble, *behind: tuple[str, str], repeater: str = RIDGE) -> Condition:
    finding = Finding(trouble, 1000, ("for this reason",), {"phi": 4.0})
    (condition,) = of_repeaters({repeater: [finding]}, behind)
    return condition


@pytest.mark.parametrize("trouble", Trouble)
def test_each_trouble_has_its_kind_and_a_step_to_take(trouble: Trouble) -> None:
    condition = made(trouble)
    assert condition.kind is KINDS[trouble]
    assert condition.id == f"{KINDS[trouble]}.ridge.uhf"
    assert re.fullmatch(r"[A-Za-z0-9_.-]+", condition.id)  # one level of a topic
    assert (condition.subject, condition.since_ms, condition.opens) == (RIDGE, 1000, True)
    assert RIDGE in condition.title
    assert len(condition.title) <= 80
    assert condition.reasons[0] == "for this reason"
    assert condition.next_step.endswith(".")
    # What else it could be: nobody climbs a mast for nothing.
    assert re.search(r" may also | it may also be ", condition.next_step)
    assert conditions_json((condition,))


@pytest.mark.parametrize(
    ("trouble", "severity"),
    [
        (Trouble.DEAF, Severity.WARNING),
        (Trouble.DEGRADED, Severity.WARNING),
        (Trouble.STUCK, Severity.WARNING),
        (Trouble.BUSY, Severity.NOTICE),
    ],
)
def test_how_grave_it_is_with_nobody_there(trouble: Trouble, severity: Severity) -> None:
    condition = made(trouble)
    assert condition.severity is severity
    assert condition.affects == ()
    assert condition.reasons == ("for this reason",)


def test_a_deaf_one_names_those_who_cannot_be_heard() -> None:
    condition = made(
        Trouble.DEAF, ("QB2DEF", RIDGE), ("QA1ABC", RIDGE), ("QA1ABC", RIDGE), ("QC3GHI", LAKE)
    )
    assert condition.severity is Severity.CRITICAL
    assert condition.affects == ("QA1ABC", "QB2DEF")
    assert condition.reasons == (
        "for this reason",
        "2 members were last heard on it: silence there says nothing now",
    )
    assert "reach the members last heard there by another way" in condition.next_step
    one = made(Trouble.DEAF, ("QA1ABC", RIDGE))
    assert one.reasons[1] == "1 member was last heard on it: silence there says nothing now"


@pytest.mark.parametrize("trouble", [Trouble.DEGRADED, Trouble.STUCK, Trouble.BUSY])
def test_others_are_heard_all_the_same(trouble: Trouble) -> None:
    condition = made(trouble, ("QA1ABC", RIDGE))
    assert condition == made(trouble)


def test_repeaters_in_the_order_of_their_names() -> None:
    finding, other = (Finding(t, 0, ("so",)) for t in (Trouble.DEGRADED, Trouble.BUSY))
    found = of_repeaters({RIDGE: [finding, other], LAKE: [finding]}, ())
    assert [(c.subject, c.kind) for c in found] == [
        (LAKE, AlertKind.REPEATER_DEGRADED),
        (RIDGE, AlertKind.REPEATER_DEGRADED),
        (RIDGE, AlertKind.REPEATER_BUSY),
    ]
    assert of_repeaters({}, ()) == ()
