"""Alerts, notices and parcels for tests, and programs that listen for them."""

import socket
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from streamer.alerts.notice import Earlier, Notice, Parcel, Turn
from streamer.clock import from_ms
from streamer.contract.duty import DutyKind, DutyMark
from streamer.contract.published import Alert, AlertKind, AlertState, Severity
from tests.servers import program

NOON_MS = 1_767_268_800_000  # 2026-01-01T12:00:00Z: 20454 days of 86,400 s and half a day
PLAYED = DutyMark(id="d1", title="winter search", kind=DutyKind.EXERCISE)
EARNEST = DutyMark(id="d2", title="flood", kind=DutyKind.ACTUAL)


def at(seconds: float) -> datetime:
    """So long after noon."""
    return from_ms(NOON_MS + round(seconds * 1000))


def alert(**changes: Any) -> Alert:
    """A lost gateway, 100 s old."""
    fields: dict[str, Any] = {
        "region": "hill",
        "id": "gateway_lost.ridge",
        "version": 1,
        "kind": AlertKind.GATEWAY_LOST,
        "severity": Severity.CRITICAL,
        "state": AlertState.OPEN,
        "subject": "ridge",
        "title": "Gateway ridge is lost",
        "reasons": ("no heartbeat for more than 90 s", "2 members were last heard behind it"),
        "next_step": "Call the keeper of ridge: power, network, agent, in this order.",
        "affects": ("QA1AA", "QA1AB"),
        "since": at(-100),
        "opened_at": at(0),
        "episode": f"gateway_lost.ridge@{NOON_MS}",
    }
    return Alert(**{**fields, **changes})


def member(**changes: Any) -> Alert:
    """A member out of reach."""
    fields: dict[str, Any] = {
        "id": "member.NET.QA1AA",
        "kind": AlertKind.MEMBER_OUT_OF_REACH,
        "subject": "QA1AA",
        "group": "NET",
        "title": "QA1AA of NET is out of reach",
        "reasons": ("heard 11:20:00Z on ridge/uhf", "silent for 40 min"),
        "next_step": "Try QA1AA by another way; ask members near ridge/uhf if they hear it.",
        "affects": (),
    }
    return alert(**{**fields, **changes})


def in_hand(known: Alert, by: str = "ann", **changes: Any) -> Alert:
    taken = {
        "state": AlertState.ACKNOWLEDGED,
        "acknowledged_by": by,
        "acknowledged_at": at(60),
        "note": "on my way",
    }
    return known.model_copy(update={**taken, **changes})


def cleared(known: Alert, because: str = "it reports again", seconds: float = 300) -> Alert:
    over = {
        "state": AlertState.CLEARED,
        "cleared_at": at(seconds),
        "cleared_because": because,
    }
    return known.model_copy(update=over)


def notice(of: Alert, turn: Turn = Turn.OPENED, seconds: float = 0, **more: Any) -> Notice:
    made = at(seconds)
    return Notice(id=f"{of.id}@{of.version}.{turn}", turn=turn, at=made, alert=of, **more)


def earlier(*seconds: float) -> tuple[Earlier, ...]:
    return tuple(Earlier(id=f"e{s:g}", at=at(s)) for s in seconds)


def parcel(*notices: Notice, number: int = 17) -> Parcel:
    made_at = max(n.at for n in notices)
    return Parcel(
        region="hill", id=f"hill-way-{number}", channel="way", made_at=made_at, notices=notices
    )


# -- who listens -----------------------------------------------------------------------------------


class Listener:
    """A web server that keeps what it is sent. `answers` are the statuses of the next requests,
    then 200 for ever; one of (status, header, value) has a header."""

    def __init__(self, context: ssl.SSLContext | None = None) -> None:
        self.got: list[tuple[str, dict[str, str], bytes]] = []
        self.answers: list[int | tuple[int, str, str]] = []
        self.body = b"well"
        listener = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                data = self.rfile.read(int(self.headers["content-length"]))
                headers = {name.lower(): value for name, value in self.headers.items()}
                listener.got.append((self.path, headers, data))
                answer = listener.answers.pop(0) if listener.answers else 200
                status, *more = answer if isinstance(answer, tuple) else (answer,)
                self.send_response(int(status))
                self.send_header("content-length", str(len(listener.body)))
                if more:
                    self.send_header(*more)
                self.end_headers()
                self.wfile.write(listener.body)

            def do_GET(self) -> None:
                headers = {name.lower(): value for name, value in self.headers.items()}
                listener.got.append((self.path, headers, b""))
                self.send_response(200)
                self.send_header("content-length", str(len(listener.body)))
                self.end_headers()
                self.wfile.write(listener.body)

            def log_message(self, *_: object) -> None:
                """Quiet."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._scheme = "https" if context else "http"
        if context is not None:
            self._server.socket = context.wrap_socket(self._server.socket, server_side=True)
        self._server.daemon_threads = True
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,))

    @property
    def url(self) -> str:
        return f"{self._scheme}://127.0.0.1:{self._server.server_port}"

    def __enter__(self) -> "Listener":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()


@contextmanager
def odd_server(serve: Callable[[socket.socket, threading.Event], None]) -> Iterator[str]:
    """A server that does with each connection what `serve` says, until the event is set."""
    over = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as door:
        door.settimeout(0.05)
        threads: list[threading.Thread] = []

        def accept() -> None:
            while not over.is_set():
                try:
                    connection, _ = door.accept()
                except OSError:
                    continue
                connection.settimeout(5)
                threads.append(threading.Thread(target=serve, args=(connection, over)))
                threads[-1].start()

        keeper = threading.Thread(target=accept)
        keeper.start()
        try:
            yield f"http://127.0.0.1:{door.getsockname()[1]}"
        finally:
            over.set()
            for thread in (keeper, *threads):
                thread.join()


def certificate(folder: Path) -> tuple[Path, ssl.SSLContext]:
    """A certificate for 127.0.0.1 that signs itself, and a server's context with it."""
    cert, key = folder / "cert.pem", folder / "key.pem"
    subprocess.run(
        [program("openssl"), "req", "-x509", "-newkey", "ec", "-pkeyopt",
         "ec_paramgen_curve:prime256v1", "-days", "2", "-nodes", "-subj", "/CN=test",
         "-addext", "subjectAltName=IP:127.0.0.1", "-out", str(cert), "-keyout", str(key)],
        check=True, capture_output=True,
    )  # fmt: skip
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(cert, key)
    return cert, context
