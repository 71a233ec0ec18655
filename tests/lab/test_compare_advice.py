"""What is never advised, however cheap: fewer alerts, a shorter expiry, a pin less, a bar that cuts
somebody off, anything on a short record."""

import pytest

from streamer.config import Policy, RegionView
from streamer.lab.compare import SettingOutcome, compare, prepare
from streamer.lab.compare_advice import Unfit, trade, unfit
from streamer.lab.compare_text import compare_lines
from streamer.lab.grid import ALERT_FIELDS, settings_of
from streamer.lab.hindsight import There
from streamer.lab.pareto import Prices
from streamer.lab.truth import Truth
from tests.lab.compared import report, words
from tests.lab.paper import ASSUMED, B, T, day, name, region

OTHER = {
    "overdue_phi": "1", "out_of_reach_phi": "3", "overdue_soonest_s": "1",
    "out_of_reach_soonest_s": "1", "overdue_after_s": "299", "out_of_reach_after_s": "400",
    "member_alerts": "false",
}  # fmt: skip


def lost_b(from_s: int = 305, until_s: int = 1000) -> Truth:
    """B out of reach, else on b; see test_outcome for when people are told of it."""
    ms = [T + s * 1000 for s in (-100, from_s, until_s, 2100)]
    return {B: tuple(map(There, (name("b"), None, name("b")), ms, ms[1:]))}


def test_the_fields_that_decide_about_alerts_are_all_of_that_kind() -> None:
    kind = {
        field
        for field in Policy.model_fields
        if field.startswith(("overdue_", "out_of_reach_")) or field.endswith(("_phi", "_alerts"))
    }
    assert kind == set(ALERT_FIELDS) == set(OTHER)


@pytest.mark.parametrize("where", ["", "NET."])
@pytest.mark.parametrize("field", ALERT_FIELDS)
def test_without_the_truth_no_change_of_alerts_is_advised(field: str, where: str) -> None:
    """Though no linger, which comes with it, saves 50 s."""
    found = report("linger_s=0", f"{where}{field}={OTHER[field]}")
    assert [one.not_advised for one in found.settings] == [(), (Unfit.ALERTS,)]
    assert [one.on_front for one in found.settings] == [True, False]
    assert (found.advised.number, found.advised.change) == (0, ())
    assert "of what may be advised" in found.advised.reason
    assert any("is not advised: it changes of which" in note for note in found.advised.notes)
    assert "try beyond it" not in words(found)


def test_the_rest_of_the_settings_is_chosen_from() -> None:
    found = report("linger_s=0,60", "member_alerts=true,false")
    assert found.advised.change == ("[policy] linger_s = 0 (now 60)",)
    assert "leave alerts of silent members as they are" in found.advised.notes[0]
    assert [one.alerts for one in found.settings] == [6, 6, 0, 0]
    text = words(found)
    assert "! not advised (2, 3): it changes of which silent members people are told" in text
    assert "LOST" not in text


@pytest.mark.parametrize(
    ("change", "reasons"),
    [
        ("out_of_reach_after_s=400", []),
        ("overdue_after_s=400", [Unfit.LATER]),
        ("out_of_reach_after_s=500", [Unfit.LATER]),
        ("member_alerts=false", [Unfit.UNPROVEN, Unfit.LATER]),
    ],
)
def test_with_the_truth_nobody_lost_may_be_told_of_later(change: str, reasons: list[Unfit]) -> None:
    """See test_outcome: overdue 95 s after B is lost, and out of reach 645 s after."""
    found = report("linger_s=0", change, truth=lost_b())
    assert found.settings[1].not_advised == tuple(reasons)
    assert found.advised.number == (0 if reasons else 1)
    assert "try beyond it" not in words(found)
    own = found.settings[0]
    assert (own.losses, own.untold, own.told_after_s, own.told_lost_after_s) == (1, 0, 95, 645)


def test_a_truth_without_a_loss_proves_nothing() -> None:
    """One false alert less for every alert that is not raised, and no member lost to tell of."""
    there = {B: (There(name("b"), T - 100_000, T + 2_100_001),)}
    found = report("member_alerts=false", truth=there)
    assert found.settings[0].false_alerts == 3
    assert found.settings[1].not_advised == (Unfit.UNPROVEN,)
    assert found.advised.number == 0


def test_alerts_of_a_group_that_the_truth_does_not_know_stay() -> None:
    view = region(group=[{"name": "NET"}, {"name": "TALK"}])
    found = report("linger_s=0", "out_of_reach_after_s=400", truth=lost_b(), view=view)
    assert found.settings[1].not_advised == (Unfit.UNPROVEN,)
    found = report("linger_s=0", "NET.out_of_reach_after_s=400", truth=lost_b(), view=view)
    assert found.settings[1].not_advised == ()


def test_a_shorter_expiry_is_not_advised() -> None:
    """At 1 s for a missed over: 65 + 2, 15 + 2, and 5 + 5 s; see test_the_outcome_in_words."""
    found = report("linger_s=0", "expire_after_s=480,1800", prices=Prices(missed_s=1))
    assert [one.cost_s for one in found.settings] == [67, 17, 10]
    assert found.settings[2].not_advised == (Unfit.EXPIRY,)
    assert found.advised.number == 1
    assert found.advised.notes == (
        "linger_s=0 expire_after_s=480 would have cost less (10 s, not 17 s) and is not advised: "
        f"{Unfit.EXPIRY.value}",
    )
    longer = report("expire_after_s=1900").settings[1]
    assert longer.not_advised == ()


def pair(view: RegionView, asked: str, **changes: object) -> list[SettingOutcome]:
    one = day(view, **changes)
    found = settings_of(view, [asked])
    return [compare(prepare(one, ASSUMED, {}, found), found, processes=1)[n] for n in (0, -1)]


def test_a_pin_is_not_struck_and_nobody_cut_off() -> None:
    """A bar of d: B, who is there from 305 on, misses over 7. But for over 6 nobody was ever on d,
    and its bar is no harm."""
    pinned = region(group=[{"name": "NET", "pins": ["gd/x"]}])
    own, struck = pair(pinned, "NET.pins=-gd/x")
    assert unfit(own, struck, truth=False) == (Unfit.PIN,)
    own, more = pair(region(), "NET.pins=+gd/x")
    assert unfit(own, more, truth=False) == ()
    own, barred = pair(region(), "NET.bars=+gd/x")
    assert unfit(own, barred, truth=False) == (Unfit.BAR,)
    overs = tuple(over for over in day().overs if over.repeater != name("d"))
    own, barred = pair(region(), "NET.bars=+gd/x", overs=overs)
    assert unfit(own, barred, truth=False) == ()


def test_a_pin_is_shown_apart() -> None:
    """The figures of test_outcome: 90 s on the pin of d, 45 s wasted on b, one over missed."""
    view = region(group=[{"name": "NET", "pins": ["gd/x"]}])
    found = report("linger_s=0", view=view, least_s=9999)
    own = found.settings[0]
    assert (own.wasted_s, own.on_pins_s, own.cost_s) == (45, 90, 45 + 30)
    lines = compare_lines(found)
    head = next(line for line in lines if "ON PINS" in line)
    row = next(line for line in lines if line.startswith("0 "))
    assert row[head.index("ON PINS") :].startswith("1 min 30 s")
    assert "NET gd/x 1 min 45 s 1 min 30 s on pin" in words(found)
    assert not any("ON PINS" in line for line in compare_lines(report("linger_s=0")))


def test_what_is_won_and_lost_is_said() -> None:
    """Expiry after 480 s, as in test_outcome: 55 s wasted, 4 missed."""
    own, shorter = pair(region(), "expire_after_s=480")
    assert trade(own, shorter) == "saves 10 s wasted, misses 2 overs more (4, now 2)"
    assert trade(shorter, own) == "wastes 10 s more, misses 2 overs fewer (2, now 4)"


def test_of_a_short_record_nothing_is_advised() -> None:
    found = report("linger_s=0", least_s=2201)
    assert (found.advised.number, found.advised.change, found.advised.notes) == (0, (), ())
    text = words(found)
    assert (
        "No advice: too little is recorded to advise a change: 36 min 40 s, at least 36 min 41 s "
        "are needed"
    ) in text
    assert "Change" not in text
    assert "Keep" not in text
    assert report("linger_s=0", least_s=2200).advised.number == 1
