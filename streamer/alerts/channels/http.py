"""Requests to other programs by HTTP, as channels need them: one deadline for all of it, no
redirect followed, neither errors nor logs with addresses or secrets."""

import contextlib
import logging
import socket
import ssl
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

import httpx

from streamer.alerts.notice import Undelivered
from streamer.domain.plain_words import printable

LONGEST_ANSWER: Final = 16 * 1024 * 1024
_AGAIN: Final = frozenset({408, 425, 429})
"""Statuses 4xx that do not mean that the request itself is refused: timeout, too early, too many
(RFC 9110, 15.5.9; RFC 8470, 5.2; RFC 6585, 4)."""
_SHOWN: Final = 120
_HEADERS: Final = {"user-agent": "streamer", "accept-encoding": "identity"}

for _name in ("httpx", "httpcore"):  # they log each address, which may hold a secret
    logging.getLogger(_name).setLevel(logging.WARNING)


@dataclass(frozen=True, slots=True)
class Answer:
    """What the other side said; the body is cut at LONGEST_ANSWER."""

    status: int
    body: bytes


def secret_text(path: Path, setting: str) -> str:
    """What a file with a secret holds, without blanks at its end; read anew each time, so that a
    new one counts at once. Raises Undelivered."""
    try:
        text = path.read_text("utf-8").rstrip()
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not UTF-8"
        raise Undelivered(
            f"{setting} {str(path)!r} cannot be read: {reason}; mend its path or rights"
        ) from error
    if not text:
        raise Undelivered(f"{setting} {str(path)!r} is empty; put the value in it")
    return text


def address(url: str | None, url_file: Path | None) -> str:
    """The address of a channel, from the region file or a file of its own; raises Undelivered."""
    if url is not None:
        return url
    if url_file is None:
        raise Undelivered("there is no address: give url or url_file")
    return secret_text(url_file, "url_file").strip()


def place_of(url: str) -> str:
    """Host and port of an address, which is all that may be shown of it; raises Undelivered if it
    is none."""
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as error:
        raise Undelivered(
            "the address is none: http://HOST/PATH or https:// is expected"
        ) from error
    if parts.scheme not in ("http", "https") or not parts.hostname or any(map(str.isspace, url)):
        raise Undelivered("the address is none: http://HOST/PATH or https:// is expected")
    host = f"[{parts.hostname}]" if ":" in parts.hostname else parts.hostname
    return f"{host}:{port}" if port else host


class Caller:
    """Asks one server. `where` gives its address anew for each request; `login` user and password.

    A request takes at most `timeout_s` in all, however slowly the other side answers.
    `show_refusal`: errors tell what the other side says, where that cannot repeat a secret path.
    """

    def __init__(
        self,
        where: Callable[[], str],
        timeout_s: float,
        ca_file: Path | None = None,
        login: Callable[[], tuple[str, str]] | None = None,
        *,
        show_refusal: bool = False,
    ) -> None:
        self._where = where
        self._timeout_s = timeout_s
        self._ca_file = ca_file
        self._login = login
        self._show_refusal = show_refusal

    def place(self) -> str:
        """Host and port, for people; raises Undelivered."""
        return place_of(self._where())

    def post(self, body: bytes, headers: Mapping[str, str], path: str = "") -> Answer:
        """Post a body; returns when the other side has taken it, else raises Undelivered."""
        return self.ask("POST", path, body, headers)

    def ask(
        self,
        method: str,
        path: str = "",
        body: bytes | None = None,
        headers: Mapping[str, str] | None = None,
        query: Mapping[str, str] | None = None,
    ) -> Answer:
        """One request; `path` is put behind that of the address. Raises Undelivered, final where
        the other side would refuse it again."""
        url = self._where()
        place = place_of(url)
        answer = self._exchange(place, method, url.rstrip("/") + path if path else url, {
            "content": body, "headers": {**_HEADERS, **(headers or {})},
            "params": query,
        })  # fmt: skip
        _judge(place, answer, self._show_refusal)
        return answer

    def _exchange(self, place: str, method: str, url: str, parts: dict[str, Any]) -> Answer:
        within = f"within {self._timeout_s:g} s"
        deadline = _Deadline(self._timeout_s)
        try:
            with (
                deadline,
                httpx.Client(
                    verify=self._trust(url), timeout=self._timeout_s, auth=self._auth()
                ) as client,
                client.stream(method, url, extensions={"trace": deadline.seen}, **parts) as answer,
            ):
                return Answer(answer.status_code, _read(answer))
        # `from None`: what httpx says may hold the address, and a log could show it.
        except httpx.ConnectTimeout:
            raise Undelivered(f"{place}: no connection {within}") from None
        except httpx.ConnectError as error:
            raise Undelivered(f"{place}: no connection: {_reason(error)}") from None
        except (httpx.HTTPError, httpx.InvalidURL, ValueError, OSError) as error:
            if deadline.passed or isinstance(error, httpx.TimeoutException):
                raise Undelivered(f"{place}: no answer {within}") from None
            raise Undelivered(f"{place}: {_trouble(error)}") from None

    def _trust(self, url: str) -> ssl.SSLContext:
        if urlsplit(url).scheme != "https":
            # Reading the system's authorities takes longer than the request; this trusts none.
            return ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        try:
            return ssl.create_default_context(cafile=self._ca_file)
        except (OSError, ssl.SSLError) as error:
            raise Undelivered(
                f"ca_file {str(self._ca_file)!r} cannot be used: "
                f"{error.strerror or 'it holds no certificate'}"
            ) from error

    def _auth(self) -> httpx.BasicAuth | None:
        return httpx.BasicAuth(*self._login()) if self._login else None


class _Deadline:
    """Cuts the connection when the time is over: timeouts of sockets count from byte to byte, and
    who sends a byte now and then could hold the way of alerts for ever."""

    def __init__(self, seconds: float) -> None:
        self.passed = False
        self._timer = threading.Timer(seconds, self._cut)
        self._timer.daemon = True
        self._lock = threading.Lock()
        self._socket: socket.socket | None = None

    def __enter__(self) -> "_Deadline":
        self._timer.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._timer.cancel()

    def seen(self, event: str, info: Mapping[str, Any]) -> None:
        """What httpx tells of its work: here it is got hold of the socket."""
        if event in ("connection.connect_tcp.complete", "connection.start_tls.complete"):
            with self._lock:
                self._socket = info["return_value"].get_extra_info("socket")
                late = self.passed
            if late:
                self._cut()

    def _cut(self) -> None:
        with self._lock:
            self.passed = True
            if self._socket is not None:
                with contextlib.suppress(OSError):
                    # Of the plain socket below TLS too: the other thread may be within TLS.
                    socket.socket.shutdown(self._socket, socket.SHUT_RDWR)


def _read(answer: httpx.Response) -> bytes:
    """The body, as far as it comes: the status has told already what became of the request."""
    parts: list[bytes] = []
    left = LONGEST_ANSWER
    with contextlib.suppress(httpx.HTTPError, OSError):
        for part in answer.iter_raw():
            parts.append(part[:left])
            left -= len(part)
            if left <= 0:
                break
    return b"".join(parts)


def _judge(place: str, answer: Answer, show_refusal: bool) -> None:
    status = answer.status
    if 200 <= status < 300:
        return
    if 300 <= status < 400:
        raise Undelivered(
            f"{place}: answers {status}, a redirect, which is not followed: give the final address"
        )
    said = ""
    if show_refusal:
        said = printable(" ".join(answer.body[:_SHOWN].decode("utf-8", "replace").split()))
    final = 400 <= status < 500 and status not in _AGAIN
    refused = "refuses it" if final else "does not take it now"
    raise Undelivered(f"{place}: {refused}: {status}{f': {said}' if said else ''}", final=final)


def _reason(error: BaseException) -> str:
    """What the system said, of the innermost error that has words."""
    inner: BaseException | None = error
    said = ""
    while inner is not None:
        if isinstance(inner, OSError):
            said = getattr(inner, "verify_message", "") or inner.strerror or said
        inner = inner.__cause__ or inner.__context__
    return said or "it could not be made"


def _trouble(error: BaseException) -> str:
    if isinstance(error, httpx.RemoteProtocolError | httpx.ReadError | httpx.WriteError):
        return "the connection was closed without an answer"
    if isinstance(error, httpx.InvalidURL | httpx.UnsupportedProtocol | ValueError):
        return "the address or a header cannot be sent"
    return f"no answer ({type(error).__name__})"
