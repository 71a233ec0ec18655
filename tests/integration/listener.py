"""Somebody's program that takes what a webhook sends: keeps it, and does what a test wants."""

import json
import threading
from collections.abc import Callable
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


@dataclass(frozen=True)
class Delivery:
    """One request: its id, its content."""

    id: str
    content: dict[str, Any]

    @property
    def notices(self) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = self.content.get("notices", [])
        return found


class Listener:
    """`before_answer` is called with each delivery, when it is read and before it is answered;
    `status` is the answer."""

    def __init__(self) -> None:
        self.deliveries: list[Delivery] = []
        self.status = 204
        self.before_answer: Callable[[Delivery], None] = lambda _: None
        listener = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                delivery = Delivery(self.headers["webhook-id"], json.loads(body))
                listener.deliveries.append(delivery)
                listener.before_answer(delivery)
                self.send_response(listener.status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: Any) -> None:
                """Not into the tests' output."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)
        self._thread.start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self._server.server_address[1]}/alerts"

    def of(self, alert_id: str, turn: str) -> list[tuple[str, str]]:
        """Deliveries of a turn of an alert: the parcel's id and the notice's."""
        return [
            (d.id, n["id"])
            for d in list(self.deliveries)
            for n in d.notices
            if (n["alert"]["id"], n["turn"]) == (alert_id, turn)
        ]

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5)
