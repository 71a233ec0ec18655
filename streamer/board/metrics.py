"""What the board says of itself to Prometheus, read at the moment when it is asked."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from fastapi import FastAPI
from prometheus_client import CollectorRegistry, ProcessCollector, start_http_server
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector


@dataclass(frozen=True, slots=True)
class BoardNow:
    """`unreadable`: published messages that it could not read; `failures`: of signing in."""

    streams: int = 0
    broker: bool = False
    redis: bool = False
    unreadable: int = 0
    failures: int = 0


def families(now: BoardNow) -> list[Metric]:
    """Every metric of the board: name, kind, meaning. None has labels."""
    return [
        GaugeMetricFamily("streamer_board_streams", "Pages that are open now", now.streams),
        GaugeMetricFamily(
            "streamer_board_broker_connected", "1 while the board reads the broker", now.broker
        ),
        GaugeMetricFamily("streamer_board_redis_up", "1 while Redis answers the board", now.redis),
        CounterMetricFamily(
            "streamer_board_unreadable",
            "Published messages that the board could not read",
            now.unreadable,
        ),
        CounterMetricFamily(
            "streamer_board_sign_in_failures", "Wrong names or passwords", now.failures
        ),
    ]


class _Board(Collector):
    def __init__(self, app: FastAPI) -> None:
        self._app = app

    def collect(self) -> Iterator[Metric]:
        state = self._app.state
        doubts = state.picture.doubts
        yield from families(
            BoardNow(
                state.feed.streams,
                doubts.broker_away_ms is None,
                doubts.redis_away_ms is None,
                doubts.unreadable,
                state.access.attempts.failures,
            )
        )


def serve_metrics(app: FastAPI, host: str, port: int) -> Callable[[], None]:
    """Serve /metrics on a port of its own, without users: for this machine or a network of its
    own. Returns what ends it; raises OSError when the port is taken."""
    registry = CollectorRegistry()
    registry.register(_Board(app))
    ProcessCollector(registry=registry)
    server, thread = start_http_server(port, host, registry)

    def stop() -> None:
        server.shutdown()
        server.server_close()
        thread.join()

    return stop
