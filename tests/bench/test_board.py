"""The board's benchmark runs on next to nothing, and judges waits as it says."""

import pytest

from tests.bench.board import Arrival, Keying, to_pages, waits_of
from tests.bench.figures import Figures, table
from tests.bench.measure import Bench
from tests.bench.world import PROBE_GROUPS, World, probe_group


def test_waits_go_from_a_keying_to_the_event_that_names_its_repeater() -> None:
    group = probe_group(0)
    keyed = [
        Keying(group, "probe/b", 1000, published_ms=1200),
        Keying(group, "probe/a", 3000),
        Keying(group, "probe/b", 5000),
    ]
    arrivals: list[Arrival] = [
        (0, group, 900, ["probe/b"]),  # of before
        (0, group, 1200, ["probe/a"]),  # another repeater
        (0, group, 1300, ["probe/b"]),
        (0, group, 1400, ["probe/b"]),  # the same once more
        (0, group, 5100, ["probe/a", "probe/b"]),  # too late for the second, right for the third
        (PROBE_GROUPS, group, 1250, ["probe/b"]),
        (PROBE_GROUPS, group, 3010, ["probe/a"]),
        (PROBE_GROUPS, group, 5000, ["probe/b"]),
    ]
    waits = waits_of(keyed, arrivals, PROBE_GROUPS + 1)
    assert (sorted(waits.whole), waits.lost) == ([0, 10, 100, 250, 300, 5000], 1)
    assert sorted(waits.behind) == [50, 100]


@pytest.mark.mosquitto
@pytest.mark.redis
def test_pages_are_measured_and_the_figures_printed() -> None:
    figures = Figures()
    with Bench(World(stations=60, groups=3)) as bench, bench.worker():
        found = to_pages(bench, events_per_s=100, seconds=2.5, pages=PROBE_GROUPS)
    assert found.samples >= PROBE_GROUPS
    assert found.broken == 0
    assert found.samples > found.lost
    for name, value in (("page_p50_ms", found.p50_ms), ("page_p99_ms", found.p99_ms)):
        figures.add(name, value)
    others = [f"{w}watched_{n}_eps" for w in ("", "un") for n in ("single", "batch")]
    for name in ("ceiling_mps", "plain_eps", "single_eps", "batch_eps", *others):
        figures.add(name, 1.0)
    text = table(figures, big=False)
    assert "keying to open page" in text
    assert "watched_batch_eps / unwatched_batch_eps" in text
    assert isinstance(figures.summary(quick=False)["watched_single_kept"], float)
