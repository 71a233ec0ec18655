"""Every figure of a tiny day, worked out on paper; and sums against a plain count."""

from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from streamer.clock import from_ms
from streamer.lab.alarms import Loss
from streamer.lab.compare import Prepared, SettingOutcome, compare, prepare
from streamer.lab.day import Day, Hearing, RecordedOver
from streamer.lab.grid import settings_of
from streamer.lab.hindsight import Assumption, Keyed, There, where_it_was
from streamer.lab.holding import Rules, Walk
from streamer.lab.outcome import LINGERED_MS, Cause
from streamer.lab.truth import Truth
from streamer.state.entries import Act, Entry
from tests.lab.paper import ASSUMED, OVERS, A, B, C, T, day, name, region

# -- the day on paper ----------------------------------------------------------------------------


def outcome(
    *asked: str, of: Day | None = None, truth: Truth | None = None, view: object = None
) -> SettingOutcome:
    """The last setting: the one asked for, or the setting as it is."""
    one = of or day()
    found = settings_of(one.view, asked)
    return compare(prepare(one, ASSUMED, truth or {}, found), found, processes=1)[-1]


def by_letter(found: SettingOutcome, what: str) -> dict[str, float]:
    """In seconds, those that are not zero."""
    values = getattr(found.groups["NET"], what)
    return {letter: ms / 1000 for letter, ms in zip("abcd", values, strict=True) if ms}


def missed(found: SettingOutcome) -> dict[Cause, int]:
    return {cause: count for cause, count in found.missed_by_cause.items() if count}


def test_the_setting_as_it_is() -> None:
    """In the fan-out: a from 0 to 1370 (A checks out at 1310, linger 60); b from 100 to 560 (B is
    heard on d at 500) and from 1100; c from 50; d from 500 to 1160.

      over   2   3   4   5   6   7   8   9  11  12
      on a  10  10          30          10            = 60
      on b          20  5w  30w 10w         10        = 75, 45 of it for nobody
      on c      10  20   5  30  10  10  10  10  10    = 115
      on d                      10  10w 10w           = 30, 20 of it for nobody

    B misses over 5 (it is on d by then, where nobody has heard it) and over 8 (on b again, which
    was dropped at 560). Changes: five taken up, a, b and d dropped.
    """
    found = outcome()
    assert by_letter(found, "carried_ms") == {"a": 60, "b": 75, "c": 115, "d": 30}
    assert by_letter(found, "wasted_ms") == {"b": 45, "d": 20}
    assert (found.carried_s, found.wasted_s) == (280, 65)
    assert missed(found) == {Cause.LATE: 1, Cause.LINGER: 1}
    assert (found.groups["NET"].overs, found.moves, found.changes) == (11, 2, 8)


def test_without_linger() -> None:
    """b ends at 500 and d at 1100: on b 6 and 7 are not carried, on d not 9."""
    found = outcome("linger_s=0")
    assert by_letter(found, "carried_ms") == {"a": 60, "b": 35, "c": 115, "d": 20}
    assert by_letter(found, "wasted_ms") == {"b": 5, "d": 10}
    assert missed(found) == {Cause.LATE: 1, Cause.LINGER: 1}
    assert (found.moves, found.changes) == (2, 8)


def test_expiry_after_480_s() -> None:
    """B, heard on d at 500, expires at 980, so d ends at 1040 and its way to b is no move of a
    member; C, heard at 50, expires at 530, so c ends at 590, and is a member again at 1200 (an over
    to nobody, but its check-in still stands) until 1680, so c is there until 1740; b ends at 1400 +
    480 + 60. So c does not carry 8 and 9, which C misses, and d not 9."""
    found = outcome("expire_after_s=480")
    assert by_letter(found, "carried_ms") == {"a": 60, "b": 75, "c": 95, "d": 20}
    assert by_letter(found, "wasted_ms") == {"b": 45, "d": 10}
    assert missed(found) == {Cause.EXPIRED: 2, Cause.LINGER: 1, Cause.LATE: 1}
    assert (found.moves, found.changes) == (1, 12)


def test_a_bar() -> None:
    """C misses all that others say from 50 on: 3 to 9, 11 and 12."""
    found = outcome("NET.bars=+gc/x")
    assert by_letter(found, "carried_ms") == {"a": 60, "b": 75, "d": 30}
    assert missed(found) == {Cause.BARRED: 9, Cause.LATE: 1, Cause.LINGER: 1}
    assert found.changes == 7  # as before, without c


def test_a_pin() -> None:
    """d always: overs 1 to 5 are carried there too, 10 + 10 + 10 + 20 + 5 s, of which B hears the
    last; and 11 and 12, for nobody. It has been there from the begin, so it is no change: four
    taken up, a and b dropped."""
    found = outcome("NET.pins=+gd/x")
    assert by_letter(found, "carried_ms") == {"a": 60, "b": 75, "c": 115, "d": 105}
    assert by_letter(found, "wasted_ms") == {"b": 45, "d": 20 + 50 + 20}
    assert missed(found) == {Cause.LINGER: 1}
    assert found.changes == 6


def test_what_was_ordered_that_day() -> None:
    """A pin of d from 350 to 450: B hears over 5 there. A bar of c from 195 to 300: C misses 4. A
    bar of c from 350, lifted at 399: over 5 is carried there."""
    acts = [
        ordered(350, Act.PIN, "d", 450), ordered(195, Act.BAR, "c", 300),
        ordered(350, Act.BAR, "c", 900), ordered(399, Act.LIFT, "c"),
    ]  # fmt: skip
    found = outcome(of=day(acts=tuple(acts)))
    assert by_letter(found, "carried_ms") == {"a": 60, "b": 75, "c": 95, "d": 35}
    assert missed(found) == {Cause.BARRED: 1, Cause.LINGER: 1}
    # As it is, and d taken up and dropped, and c dropped and taken up twice.
    assert found.changes == 8 + 2 + 4


def test_waste_on_a_pin_of_the_file_stands_apart() -> None:
    """As test_a_pin, but the file as it is has the pin: the 90 s for nobody on d are on pins. A
    setting that strikes it has none there."""
    view = region(group=[{"name": "NET", "pins": ["gd/x"]}])
    found = outcome(of=day(view))
    assert by_letter(found, "carried_ms") == {"a": 60, "b": 75, "c": 115, "d": 105}
    assert by_letter(found, "wasted_ms") == {"b": 45}
    assert by_letter(found, "on_pins_ms") == {"d": 90}
    assert (found.wasted_s, found.on_pins_s, found.point(truth=False).wasted_s) == (45, 90, 45)
    struck = outcome("NET.pins=-gd/x", of=day(view))
    assert by_letter(struck, "wasted_ms") == {"b": 45, "d": 20}
    assert struck.on_pins_s == 0


def test_waste_on_an_ordered_pin_stands_apart() -> None:
    """b pinned from 505 to 545: over 7 there (10 s for nobody) is on pins, over 6 is not yet. A pin
    of d that only the setting adds is waste but for over 12, as an order pins it from 1350 on."""
    acts = (ordered(505, Act.PIN, "b", 545), ordered(1350, Act.PIN, "d", 1450))
    found = outcome("NET.pins=+gd/x", of=day(acts=acts))
    assert by_letter(found, "wasted_ms") == {"b": 35, "d": 80}
    assert by_letter(found, "on_pins_ms") == {"b": 10, "d": 10}


def ordered(at_s: int, act: Act, letter: str, until_s: int | None = None) -> Entry:
    details = {} if until_s is None else {"until": from_ms(T + until_s * 1000).isoformat()}
    return Entry(
        at=from_ms(T + at_s * 1000), by="dispatcher", act=act, subject=f"NET {name(letter)}",
        details=details,
    )  # fmt: skip


def test_a_check_out_by_hand() -> None:
    """C, checked out at 300: it listens no more, and c is in the fan-out until 360, and not again
    at 1200, as C keys to nobody. So c carries 3 and 4."""
    by_hand = Entry(
        at=from_ms(T + 300_000), by="dispatcher", act=Act.CHECK_OUT, subject=f"NET {C}"
    )  # fmt: skip
    found = outcome(of=day(acts=(by_hand,)))
    assert by_letter(found, "carried_ms") == {"a": 60, "b": 75, "c": 30, "d": 30}
    assert missed(found) == {Cause.LATE: 1, Cause.LINGER: 1}


def test_alerts() -> None:
    """Overdue 300 s after the last keying, out of reach after 450 s, unless heard before. A: at 540
    + 300, out of reach at 990; at 1300 it is heard in time, then checked out. B: at 400; at 800,
    out at 950; at 1700, out at 1850. C: at 350 and 1500, both out."""
    alarms = outcome().all_alarms
    assert (alarms.raised, alarms.out_of_reach, alarms.judged) == (6, 5, 0)
    assert outcome("overdue_after_s=299").all_alarms.raised == 8  # A at 1299, B at 1399
    assert outcome("member_alerts=false").all_alarms.raised == 0


def test_a_dark_repeater_is_not_counted_as_silence() -> None:
    """d dark from 600 to 900: B, heard there at 500, has been silent for 300 s at 1100, when it is
    heard again."""
    dark = {name("d"): ((T + 600_000, T + 900_000),)}
    assert outcome(of=day(dark=dark)).all_alarms.raised == 5


def test_the_truth_goes_before() -> None:
    """B in truth: on b until 305, out of reach of all until 1000, then on b. It cannot hear over 5
    or over 7 anyway, so 7 on d (10 s) is wasted too, and over 8 is missed on b. Its alerts at 400
    and 800 were right, the one at 1700 false."""
    ms = [T + s * 1000 for s in (-100, 305, 1000, 2100)]
    truth = {B: tuple(map(There, (name("b"), None, name("b")), ms, ms[1:]))}
    found = outcome(truth=truth)
    assert by_letter(found, "wasted_ms") == {"b": 45, "d": 30}
    assert missed(found) == {Cause.LINGER: 1}
    alarms = found.all_alarms
    assert (alarms.raised, alarms.judged, alarms.false) == (6, 3, 1)
    # What a choice looks at: the false ones, and none where nobody knows which those are.
    assert (found.point(truth=True).alerts, outcome().point(truth=False).alerts) == (1, 0)


def lost(*spans: tuple[int, int]) -> Truth:
    """B, out of reach of all, in seconds."""
    return {B: tuple(There(None, T + a * 1000, T + b * 1000) for a, b in spans)}


@pytest.mark.parametrize(
    ("asked", "overdue_after_s", "lost_after_s"),
    [
        ([], 95, 645),
        (["overdue_after_s=299"], 94, 645),
        (["overdue_after_s=400"], 595, 645),
        (["out_of_reach_after_s=400"], 95, 595),
        (["overdue_after_s=500", "out_of_reach_after_s=500"], None, None),
        (["member_alerts=false"], None, None),
    ],
)
def test_when_people_are_told_of_a_member_truly_lost(
    asked: list[str], overdue_after_s: int | None, lost_after_s: int | None
) -> None:
    """B, lost from 305 to 1000. Heard at 100, 500, 1100: overdue at 400, 95 s later, and after it
    was heard at 500 out of reach at 950. With 400 s both times it would not be overdue before 500,
    but at 900; with 500 s at 1000, when it is lost no more."""
    alarms = outcome(*asked, truth=lost((305, 1000))).all_alarms
    after_ms = [None if s is None else s * 1000 for s in (overdue_after_s, lost_after_s)]
    assert alarms.losses == [Loss(B, T + 305_000, *after_ms)]
    assert (alarms.untold, alarms.told_after_s) == (overdue_after_s is None, overdue_after_s)
    assert alarms.told_lost_after_s == lost_after_s


def test_losses() -> None:
    """Lost before it checks in at 100: from then on, overdue at 400. From 450 on: told already,
    until 500. Spans that touch are one. Lost for 10 s at 1200: untold. The median of 300, 0."""
    alarms = outcome(truth=lost((0, 420), (450, 600), (600, 950), (1200, 1210))).all_alarms
    assert alarms.losses == [
        Loss(B, T + 100_000, 300_000, None), Loss(B, T + 450_000, 0, None),
        Loss(B, T + 1_200_000, None, None),
    ]  # fmt: skip
    assert (alarms.untold, alarms.told_after_s, alarms.told_lost_after_s) == (1, 150, None)


def test_who_speaks_does_not_listen_wherever_it_is() -> None:
    """A in truth on b all day, though a hears it. On a nobody is (60 s wasted). On b 6 is for A;
    5 and 7 are A's own, for nobody. A misses 2 on b, where it has not been heard, and B still 5 and
    8; that A does not hear its own 8 on b is no miss."""
    found = outcome(truth={A: (There(name("b"), T - 100_000, T + 2_100_001),)})
    assert by_letter(found, "wasted_ms") == {"a": 60, "b": 15, "d": 20}
    assert missed(found) == {Cause.LATE: 2, Cause.LINGER: 1}


# -- where people were ---------------------------------------------------------------------------


def test_where_somebody_was_by_hindsight() -> None:
    """The rule of the module's text, by hand."""
    rule = Assumption(presence_s=100, absence_s=1000)
    keyed = [Keyed(0, 10_000, "a"), Keyed(500_000, 510_000, "a"), Keyed(700_000, 700_000, "b")]
    assert where_it_was(keyed, rule, -1_000_000, 1_000_000) == (
        There("a", -100_000, 605_000), There("b", 605_000, 800_000),
    )  # fmt: skip
    assert where_it_was(keyed, rule, -50_000, 750_000) == (
        There("a", -50_000, 605_000), There("b", 605_000, 750_000),
    )  # fmt: skip
    gone = [Keyed(0, 10_000, "a"), Keyed(1_010_001, 1_020_000, "a")]
    assert where_it_was(gone, rule, -100_000, 2_000_000) == (
        There("a", -100_000, 110_000), There("a", 910_001, 1_120_000),
    )  # fmt: skip
    assert where_it_was([], rule, 0, 1) == ()


# -- against a plain count -----------------------------------------------------------------------


@st.composite
def days(draw: st.DrawFn) -> Day:
    overs, s = [], 0
    for number in range(draw(st.integers(2, 25))):
        s += draw(st.sampled_from([1, 20, 60, 200, 500, 4000]))
        on = draw(st.sampled_from(["a", "b", "c", "d"]))
        also = draw(st.sampled_from([None, None, "a", "b"]))
        heard = dict.fromkeys([name(on), *([name(also)] if also else [])])
        to = draw(st.sampled_from(["NET", "NET", "NET", ""]))
        out = to if draw(st.integers(0, 9)) == 0 else ""
        lasts_s = draw(st.integers(0, 15))
        overs.append(
            RecordedOver(
                f"o{number}", draw(st.sampled_from([A, B, C])), to or None, to, T + s * 1000,
                T + (s + lasts_s) * 1000, T, name(on),
                tuple(Hearing(r, None, None) for r in heard), out, "", None,
            )
        )  # fmt: skip
    group = {"name": "NET", "pins": draw(st.sampled_from([[], ["ga/x"]])), "bars": ["gd/x"]}
    view = region(group=[group if draw(st.booleans()) else {"name": "NET"}])
    return day(view, overs=tuple(overs), end_ms=T + (s + 100) * 1000, begin_ms=T - 60_000)


def plain_count(one: Day) -> tuple[Counter[str], Counter[str], Counter[str], Counter[Cause]]:
    """Over by over, repeater by repeater, member by member, as the words of the module say."""
    view, group = one.view, one.view.groups["NET"]
    names = [name(letter) for letter in "abcd"]
    keyings = {who: [o for o in one.overs if o.station == who] for who in (A, B, C)}
    horizon = one.end_ms + 1
    held: list[tuple[str, int, int]] = []
    for own in keyings.values():
        walked = Walk(Rules.of(view, "NET"), names, horizon).of(
            [o.began_ms for o in own], [names.index(o.repeater) for o in own],
            [o.group == "NET" for o in own], sorted({o.ended_ms for o in own if o.out_group}),
        )  # fmt: skip
        if any(o.group for o in own):
            held += [(names[r], a, b) for r, a, b in walked.held]
    carried: Counter[str] = Counter()
    wasted: Counter[str] = Counter()
    on_pins: Counter[str] = Counter()
    lost: Counter[Cause] = Counter()
    for over in one.overs:
        ms = over.began_ms
        if not over.group:
            continue
        for repeater in set(names) - {h.repeater for h in over.heard}:
            there = [
                own
                for who, own in keyings.items()
                if who != over.station and listens(one, own, ms) and at(one, own, ms) == repeater
            ]
            spans = [(a, b) for r, a, b in held if r == repeater]
            spans += [(one.begin_ms, horizon)] if repeater in group.pins else []
            wanted = any(a <= ms < b for a, b in spans)
            if wanted and repeater not in group.bars:
                carried[repeater] += over.ended_ms - ms
                nobody = on_pins if repeater in group.pins else wasted
                nobody[repeater] += 0 if there else over.ended_ms - ms
                continue
            lately = any(b <= ms <= b + LINGERED_MS for _, b in spans) and (
                repeater not in group.bars
            )
            for own in there:
                last = [o for o in own if o.began_ms <= ms][-1]
                if wanted:
                    lost[Cause.BARRED] += 1
                elif last.repeater == repeater:
                    lost[Cause.EXPIRED] += 1
                else:
                    lost[Cause.LINGER if lately else Cause.LATE] += 1
    return +carried, +wasted, +on_pins, +lost


def listens(one: Day, own: list[RecordedOver], ms: int) -> bool:
    ins = [o.began_ms for o in own if o.group and o.began_ms <= ms]
    outs = [o.ended_ms for o in own if o.out_group and o.ended_ms <= ms]
    return bool(ins) and (not outs or max(outs) < max(ins))


def at(one: Day, own: list[RecordedOver], ms: int) -> str | None:
    keyed = [Keyed(o.began_ms, o.ended_ms, o.repeater) for o in own]
    for there in where_it_was(keyed, ASSUMED, one.begin_ms, one.end_ms + 1):
        if there.from_ms <= ms < there.until_ms:
            return there.repeater
    return None


@settings(max_examples=60, deadline=None)
@given(one=days())
def test_the_sums_are_those_of_a_plain_count(one: Day) -> None:
    found = compared(one)
    carried, wasted, on_pins, lost = plain_count(one)
    got = found.groups["NET"]
    names = [name(letter) for letter in "abcd"]
    assert +Counter(dict(zip(names, got.carried_ms, strict=True))) == carried
    assert +Counter(dict(zip(names, got.wasted_ms, strict=True))) == wasted
    assert +Counter(dict(zip(names, got.on_pins_ms, strict=True))) == on_pins
    assert +Counter(found.missed_by_cause) == lost


def compared(one: Day) -> SettingOutcome:
    found = settings_of(one.view, [])
    prepared: Prepared = prepare(one, ASSUMED, {}, found)
    return compare(prepared, found, processes=1)[0]


def test_work_in_processes_comes_to_the_same() -> None:
    asked = settings_of(region(), ["linger_s=0,30,60,600", "expire_after_s=480,1800"])
    prepared = prepare(day(), ASSUMED, {}, asked)
    alone, forked = (compare(prepared, asked, processes=n) for n in (1, 2))
    assert len(alone) == 8
    assert [(o.groups, o.alarms) for o in alone] == [(o.groups, o.alarms) for o in forked]


@pytest.mark.parametrize("letter", ["a", "b", "c", "d"])
def test_the_paper_day_is_what_its_text_says(letter: str) -> None:
    assert sum(on == letter for *_, on, _, _ in OVERS) == {"a": 6, "b": 3, "c": 2, "d": 1}[letter]
