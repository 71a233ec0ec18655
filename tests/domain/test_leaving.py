"""A moving station about to leave what is heard: stretches of good and bad cells along a road."""

from collections.abc import Mapping

import pytest
from geographiclib.geodesic import Geodesic

from streamer.domain.cells import cell_at, disk_of
from streamer.domain.coverage import Basis, Chance, Coverage, or_zero
from streamer.domain.leaving import (
    AHEAD_S,
    GONE_S,
    ahead,
    chance_words,
    degrees_words,
    leaving,
    span_words,
)
from streamer.domain.model import Fix
from tests.domain.coverage_make import everywhere
from tests.domain.make import T0_MS

SPEED = 61 / 3.6
COURSE = 94.0
MINUTE_KM = 61 / 60


def road(from_km: float, to_km: float) -> list[str]:
    """The cells along the road, and those beside it."""
    cells: list[str] = []
    km = from_km
    while km <= to_km:
        cells += disk_of(cell_at(*ahead(0.0, 20.0, COURSE, km * 1000), 7), 2)
        km += 1.0
    return sorted(set(cells))


def heard_on(name: str, *stretches: tuple[float, float], level: float = -85) -> Coverage:
    """A repeater that hears these stretches of the road (km) and is not known to hear others."""
    cells = [cell for stretch in stretches for cell in road(*stretch)]
    return everywhere(cells, level, name)


def fix(age_s: float = 0, speed: float | None = SPEED, course: float | None = COURSE) -> Fix:
    return Fix(T0_MS - round(age_s * 1000), 0.0, 20.0, speed, course)


def best_at(coverages: Mapping[str, Coverage], seconds: float) -> float:
    """The best chance so far along the road, by GeographicLib and nothing of `leaving`."""
    line = Geodesic.WGS84.Direct(0.0, 20.0, COURSE, SPEED * seconds)
    return max(or_zero(c.chance_at(line["lat2"], line["lon2"])) for c in coverages.values())


RIDGE = heard_on("ridge/uhf", (0, 8))
LAKE = heard_on("lake/uhf", (40, 70))


def test_it_would_leave_and_be_heard_again() -> None:
    coverages = {"ridge/uhf": RIDGE, "lake/uhf": LAKE}
    found = leaving(coverages, fix(), T0_MS)
    assert found.known
    assert found.repeater == "ridge/uhf"
    assert found.until_s is not None
    assert best_at(coverages, found.until_s) < 0.5 <= best_at(coverages, found.until_s - 60)
    assert found.until_s > 8 * 60 / MINUTE_KM
    assert found.next_repeater == "lake/uhf"
    assert found.next_s is not None
    assert best_at(coverages, found.next_s) >= 0.5 > best_at(coverages, found.next_s - 60)
    assert found.next_chance is not None
    assert found.reasons == (
        "heading 094 at 61 km/h: would leave what any repeater hears in about "
        f"{found.until_s // 60} min",
        f"lake/uhf should hear it again in about {found.next_s // 60} min, "
        + chance_words(found.next_chance),
    )


def test_the_time_runs_from_now_not_from_the_position() -> None:
    coverages = {"ridge/uhf": RIDGE}
    new, old = leaving(coverages, fix(), T0_MS), leaving(coverages, fix(300), T0_MS)
    assert new.until_s is not None
    assert old.until_s == new.until_s - 300
    assert old.next_repeater is None
    assert len(old.reasons) == 1


def test_it_has_left_already() -> None:
    found = leaving({"lake/uhf": LAKE}, fix(), T0_MS)
    assert found.until_s == 0
    assert found.repeater is None
    assert found.reasons[0] == (
        "heading 094 at 61 km/h: no repeater is likely to hear it where it should be now"
    )
    assert found.next_repeater == "lake/uhf"
    assert "lake/uhf should hear it again in about" in found.reasons[1]


def test_from_one_repeater_to_the_next() -> None:
    """Both cover the road between them: it does not leave, and is handed on."""
    coverages = {
        "ridge/uhf": heard_on("ridge/uhf", (0, 20)),
        "lake/uhf": heard_on("lake/uhf", (18, 90)),
    }
    found = leaving(coverages, fix(), T0_MS)
    assert found.until_s is None
    assert found.known
    assert (found.repeater, found.next_repeater) == ("ridge/uhf", "lake/uhf")
    assert found.reasons[0] == (
        "heading 094 at 61 km/h: stays within what repeaters hear for the next hour"
    )
    assert found.reasons[1].startswith("lake/uhf should hear it next in about")


def test_equally_good_repeaters_are_no_next_one() -> None:
    coverages = {name: heard_on(name, (0, 90)) for name in ("lake/uhf", "ridge/uhf")}
    assert leaving(coverages, fix(), T0_MS).next_repeater is None


def test_a_little_better_is_no_next_one() -> None:
    """One repeater is slightly the better at first, the other later; both hear it all the way."""
    first, later = road(0, 25), road(32, 90)
    both = {}
    for name, levels in (("ridge/uhf", (-100, -102)), ("lake/uhf", (-102, -100))):
        one = everywhere(first, levels[0], name)
        other = everywhere(later, levels[1], name)
        both[name] = _Patched(one, other, set(road(28, 90)))
    start, end = best_names(both, 0), best_names(both, 3000)
    assert start == "ridge/uhf"
    assert end == "lake/uhf"
    assert leaving(both, fix(), T0_MS).next_repeater is None


def best_names(coverages: Mapping[str, Coverage], seconds: float) -> str:
    where = ahead(0.0, 20.0, COURSE, SPEED * seconds)
    return max(coverages, key=lambda name: or_zero(coverages[name].chance_at(*where)))


def test_a_short_shadow_on_the_way_is_no_leaving() -> None:
    """One bad cell: less than three minutes at 90 km/h."""
    fast = 25.0
    shadow = set(road(30, 31)) & {cell_at(*ahead(0.0, 20.0, COURSE, 30_500), 7)}
    good = [cell for cell in road(0, 100) if cell not in shadow]
    known = everywhere(good, -100, "ridge/uhf")
    dark = everywhere(sorted(shadow), -115.5, "ridge/uhf")
    dips = [
        s
        for s in range(0, AHEAD_S, 60)
        if known.cell_of(*ahead(0.0, 20.0, COURSE, fast * s)) in shadow
    ]
    assert 0 < len(dips) * 60 < GONE_S
    assert or_zero(dark.chance(next(iter(shadow)))) < 0.5
    patched = {"ridge/uhf": _Patched(known, dark, shadow)}
    assert leaving(patched, fix(speed=fast), T0_MS).until_s is None
    assert leaving(patched, fix(speed=fast / 2), T0_MS).until_s is not None  # too long for a dip


class _Patched(Coverage):
    """One coverage, but another's in some cells."""

    def __init__(self, one: Coverage, other: Coverage, where: set[str]) -> None:
        self.repeater, self.site, self.resolution = one.repeater, one.site, one.resolution
        self._one, self._other, self._where = one, other, where

    def chance(self, cell: str) -> Chance:
        return (self._other if cell in self._where else self._one).chance(cell)


@pytest.mark.parametrize(
    ("given", "reason", "known"),
    [
        (None, "no position known: cannot say whether it leaves", False),
        (fix(speed=None), "its speed is not known: cannot say whether it leaves", False),
        (fix(course=None), "its course is not known: cannot say whether it leaves", False),
        (fix(speed=0.9), "stands still or moves slowly: not leaving", True),
        (fix(speed=0.0, course=None), "stands still or moves slowly: not leaving", True),
        (
            fix(age_s=23 * 60),
            "the last position is 23 min old: too old to say where it goes",
            False,
        ),
    ],
)
def test_what_cannot_be_said_is_not_said(given: Fix | None, reason: str, known: bool) -> None:
    found = leaving({"ridge/uhf": RIDGE}, given, T0_MS)
    assert found.reasons == (reason,)
    assert found.known is known
    assert found.until_s is None
    assert found.next_repeater is None


def test_a_position_of_a_quarter_of_an_hour_is_used() -> None:
    assert leaving({"lake/uhf": LAKE}, fix(age_s=15 * 60), T0_MS).known


def test_only_repeaters_that_report_count() -> None:
    coverages = {"ridge/uhf": RIDGE, "lake/uhf": LAKE}
    assert leaving(coverages, fix(), T0_MS, {"lake/uhf"}).until_s == 0
    none = leaving(coverages, fix(), T0_MS, ())
    assert none.reasons == ("no repeater reports: cannot say whether it leaves",)
    assert not none.known


def test_nothing_learned_is_nothing_said() -> None:
    found = leaving({"ridge/uhf": everywhere([], -90, "ridge/uhf")}, fix(), T0_MS)
    assert found.reasons == ("nothing is known yet of what the repeaters hear on its way",)
    assert not found.known


def test_ahead_is_the_geodesic() -> None:
    """1 degree along the equator is 111.3194908 km on WGS 84 (computed with GeographicLib, which
    test_places holds against Karney's published rows)."""
    lat, lon = ahead(0.0, 20.0, 90.0, 111_319.4908)
    assert (lat, lon) == pytest.approx((0.0, 21.0), abs=1e-9)


@pytest.mark.parametrize(
    ("course", "words"), [(0, "000"), (94.4, "094"), (359.6, "000"), (360, "000"), (-1, "359")]
)
def test_courses_have_three_digits(course: float, words: str) -> None:
    assert degrees_words(course) == words


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ((0.71, 0.49, 0.86), "with a chance of about 70 % (50 to 85 %)"),
        ((0.99, 0.97, 1.0), "with a chance of more than 95 %"),
        ((0.99, 0.9, 1.0), "with a chance of about 95 % (90 to 100 %)"),
        ((0.01, 0.0, 0.02), "with a chance of less than 5 %"),
        ((0.01, 0.0, 0.2), "with a chance of about 5 % (0 to 20 %)"),
    ],
)
def test_chances_are_told_in_steps(values: tuple[float, float, float], words: str) -> None:
    assert span_words(*values) == words
    chance, low, high = values
    assert chance_words(Chance(chance, low, high, -100, 1, Basis.LEARNED, "")) == words


def test_a_chance_not_known_is_told_as_such() -> None:
    unknown = Chance(None, 0, 1, None, 0, Basis.UNKNOWN, "")
    assert chance_words(unknown) == "with a chance that is not known"
