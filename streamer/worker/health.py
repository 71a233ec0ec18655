"""/metrics, /healthz and /readyz over HTTP, from a thread of their own."""

import json
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from socketserver import ThreadingMixIn
from typing import Any
from wsgiref.simple_server import WSGIRequestHandler, WSGIServer, make_server

from prometheus_client import make_wsgi_app

from streamer.clock import Clock
from streamer.worker.metrics import Metrics

STUCK_AFTER_S = 30.0
SILENCE_S = 10.0
"""Who says nothing for so long is cut off."""


@dataclass(slots=True)
class Health:
    """What the worker says of itself. Written by its thread, read by the HTTP thread."""

    beat_s: float = 0.0
    connected: bool = False
    broker: str = "not connected yet"
    redis: str = "not asked yet"
    redis_up: bool = False
    draining: bool = False
    others: str = "not read yet"
    journal: Callable[[], str] = lambda: "none is kept"
    """Asked when it is wanted. A journal that cannot be written makes no worker unready: it works
    on, and /metrics and an alert rule tell of it."""

    def report(self, now_s: float) -> dict[str, object]:
        age_s = now_s - self.beat_s
        return {
            "loop_age_s": round(age_s, 3),
            "loop": "running" if age_s < STUCK_AFTER_S else "stuck",
            "broker": self.broker,
            "redis": self.redis,
            "others": self.others,
            "journal": self.journal(),
            "draining": self.draining,
        }

    def healthy(self, now_s: float) -> bool:
        """Running, and Redis answers: a worker without Redis holds its messages and says so."""
        return now_s - self.beat_s < STUCK_AFTER_S and self.redis_up

    def ready(self, now_s: float) -> bool:
        return self.healthy(now_s) and self.connected and not self.draining


class _Server(ThreadingMixIn, WSGIServer):
    """A thread for each request: one who connects and says nothing keeps nobody else waiting."""

    daemon_threads = True


class _Quiet(WSGIRequestHandler):
    timeout = SILENCE_S

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - the library's name
        pass


def serve(
    host: str, port: int, health: Health, metrics: Metrics, clock: Clock
) -> Callable[[], None]:
    """Start serving; returns a function that stops it. Raises OSError when the port is taken."""
    exposition = make_wsgi_app(metrics.registry)
    metrics.loop_age_seconds.set_function(lambda: max(0.0, clock.monotonic_s() - health.beat_s))

    def app(environ: dict[str, Any], start: Callable[..., Any]) -> Iterable[bytes]:
        path, now_s = environ.get("PATH_INFO"), clock.monotonic_s()
        if path == "/metrics":
            answer: Iterable[bytes] = exposition(environ, start)
            return answer
        checks = {"/healthz": health.healthy, "/readyz": health.ready}
        check = checks.get(str(path))
        if check is None:
            start("404 Not Found", [("Content-Type", "text/plain")])
            return [b"/metrics, /healthz and /readyz are here\n"]
        status = "200 OK" if check(now_s) else "503 Service Unavailable"
        start(status, [("Content-Type", "application/json")])
        return [json.dumps(health.report(now_s)).encode() + b"\n"]

    server: WSGIServer = make_server(host, port, app, _Server, _Quiet)
    thread = threading.Thread(target=server.serve_forever, name="http", daemon=True)
    thread.start()

    def stop() -> None:
        server.shutdown()
        server.server_close()

    return stop


def place_of(option: str, text: str) -> tuple[str, int]:
    """HOST:PORT to serve at; without a host this machine alone. Raises ValueError in words."""
    host, _, port = text.rpartition(":")
    if not port.isdigit():
        raise ValueError(f"{option} {text!r}: HOST:PORT is expected, such as 127.0.0.1:9100")
    return host.strip("[]") or "127.0.0.1", int(port)
