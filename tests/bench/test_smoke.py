"""The benchmark runs from end to end on next to nothing; its figures mean nothing here."""

import pytest

from streamer.contract.decode import decode
from tests.bench.__main__ import COMPARED, Size, compare, learning_cost
from tests.bench.figures import Figures, table
from tests.bench.measure import Bench
from tests.bench.send import new_boot
from tests.bench.world import World


def test_every_event_of_the_world_is_a_good_one() -> None:
    """Source: the contract's own decoder."""
    world = World(stations=30, groups=3)
    for per_message in (1, 50):
        packets = list(
            world.packets(new_boot(), 500, per_message, 1_800_000_000_000, 1_800_000_060_000)
        )
        assert sum(packet.events for packet in packets) == 500
        for packet in packets:
            events, problems = decode(packet.topic.rsplit("/", 1)[1], packet.payload)
            assert len(events) == packet.events
            assert not problems


@pytest.mark.mosquitto
@pytest.mark.redis
def test_a_round_of_everything_gives_every_figure() -> None:
    size = Size(
        1, messages=400, plain=100, batch_events=500, warm_events=0, latency_s=1, soak_events=0,
        turns=1, turn_messages=3000, turn_events=20_000,
    )  # fmt: skip
    figures = Figures()
    with Bench(World(stations=60, groups=3)) as bench:
        compare(bench, size, figures)
        learning_cost(bench, size, figures)
        figures.add("presence_bytes", bench.presence_bytes())
        figures.add("learned_bytes", bench.learned_bytes())
        with bench.worker() as worker:
            figures.add("rss_mb", worker.rss_mb())
            latency = worker.latency(events_per_s=300, seconds=size.latency_s)
        assert bench.counted() >= size.messages + size.batch_events
    figures.add("p50_ms", latency.p50_ms)
    figures.add("p99_ms", latency.p99_ms)
    assert latency.samples > 1
    assert len(COMPARED) == 3
    summary = figures.summary(quick=True)
    for name in ("ceiling_mps", "plain_eps", "single_eps", "batch_eps", "p99_ms", "rss_mb"):
        assert isinstance(summary[name], float), name
    for name in ("learning_cost_single", "learning_cost_batch"):
        assert isinstance(summary[name], float), name
    assert figures.get("presence_bytes") > 20
    assert figures.get("learned_bytes") > 100
    assert "one event a message" in table(figures, big=False)
