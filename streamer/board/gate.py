"""What is judged of every request before anybody asks who sent it: how it was addressed, and
whether a page of another site made the browser send it.

- The Host header must be one of the board's own names: a page elsewhere whose name suddenly points
  here (DNS rebinding) would otherwise count as ours.
- A request that changes something must come from a page of ours, as far as the browser tells
  (Fetch Metadata, Origin: RFC 6454), or from something that is no browser. A token is demanded in
  addition, see `access`.
"""

import re
from dataclasses import dataclass
from ipaddress import ip_address
from typing import Final
from urllib.parse import urlsplit

from starlette.requests import Request

from streamer.board.settings import BoardSettings, host_name, is_loopback

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS", "TRACE"})
"""Those that change nothing (RFC 9110, 9.2.1)."""

HEALTH_PATH: Final = "/healthz"
LARGEST_BODY: Final = 64 * 1024
"""Bytes; an act is a few hundred. Whoever is not signed in must not fill the memory."""
LARGEST_ROSTER: Final = 640 * 1024
"""Bytes of an act that may bring a roster: `domain.roster.LARGEST_BYTES` of it, written in JSON."""
_DIGITS: Final = 12
"""Of a body's size; what is longer is too large, whatever it begins with."""
_WITH_ROSTER: Final = re.compile(r"/api/v1/duties(/[^/]+/roster)?")


@dataclass(frozen=True, slots=True)
class Fault:
    """An answer instead of the one asked for."""

    status: int
    detail: str


class Gate:
    """Judges requests by the board's settings. Neither cookie nor user is looked at."""

    def __init__(self, settings: BoardSettings) -> None:
        self._settings = settings
        self._names = {name.lower() for name in settings.names}
        if settings.behind_proxy is not None:
            self._names.add(host_name(urlsplit(settings.behind_proxy).netloc))
        elif not is_loopback(settings.host):
            self._names.add(settings.host.lower())

    def fault(self, request: Request) -> Fault | None:
        """What is wrong with a request, or None."""
        if request.scope["path"] == HEALTH_PATH:
            return None  # a supervisor asks by whatever address it has, and learns nothing
        hosts = request.headers.getlist("host")
        if len(hosts) != 1 or not self._knows(hosts[0]):
            # 421: RFC 9110, 15.5.20
            return Fault(421, f"the board is not asked by this name; {self._advice()}")
        if self._settings.behind_proxy is not None and request.scope["scheme"] != "https":
            return Fault(
                421,
                "this did not come by TLS through the reverse proxy; it must pass "
                "X-Forwarded-Proto and X-Forwarded-For, and come from an address of --proxy-from",
            )
        if request.method in SAFE_METHODS:
            return None
        if not self._from_ours(request, hosts[0]):
            return Fault(403, "another site's page asked for this; use the board's own pages")
        return _size_fault(request)

    def _knows(self, authority: str) -> bool:
        host = host_name(authority)
        if not host:
            return False
        if host in self._names:
            return True
        if self._settings.behind_proxy is not None:
            return False
        if is_loopback(self._settings.host):
            return is_loopback(host)
        # Bound to all addresses: an address is no name that somebody else could point here.
        return ip_address(self._settings.host).is_unspecified and _is_address(host)

    def _advice(self) -> str:
        if self._settings.behind_proxy is not None:
            return (
                f"use {self._settings.behind_proxy}, and let the proxy pass the Host header on; "
                "further names are given by --name"
            )
        return (
            "use its IP address or the one that it printed at its start; start it with --name HOST "
            "for a name by which browsers are to ask for it"
        )

    def _from_ours(self, request: Request, host: str) -> bool:
        site = request.headers.get("sec-fetch-site")
        if site is not None and site != "same-origin":
            return False
        origins = request.headers.getlist("origin")
        return origins in ([], [self._origin(request, host)])

    def _origin(self, request: Request, host: str) -> str:
        """As a browser writes it: lower case, without the scheme's own port."""
        scheme = request.scope["scheme"]
        text = f"{scheme}://{host.lower()}"
        return text.removesuffix({"https": ":443", "http": ":80"}.get(scheme, ""))


def _is_address(host: str) -> bool:
    try:
        ip_address(host)
    except ValueError:
        return False
    return True


def _size_fault(request: Request) -> Fault | None:
    """A body too large, or one that does not say how large it is."""
    if "transfer-encoding" in request.headers:
        return Fault(411, "give Content-Length instead of sending the body in pieces")
    length = request.headers.get("content-length", "0")
    may_bring = _WITH_ROSTER.fullmatch(request.scope["path"])
    most = LARGEST_ROSTER if may_bring else LARGEST_BODY
    if not length.isdecimal() or len(length) > _DIGITS or int(length) > most:
        return Fault(413, f"the body is larger than {most} bytes")
    return None
