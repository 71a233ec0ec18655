"""How a board is set up, and which set-ups are refused.

On this machine alone (loopback) no users are needed: whoever sits here is `local` and may do all.
As soon as anybody else can reach the board it needs users and TLS, its own or a reverse proxy's.
"""

import re
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from typing import Final

from streamer.scrub import scrub

DEFAULT_PORT: Final = 8750
LOOPBACK_HOST: Final = "127.0.0.1"
_AUTHORITY: Final = re.compile(
    r"(?:\[(?P<address>[0-9A-Fa-f:.]+)\]|(?P<name>[A-Za-z0-9_][A-Za-z0-9_.-]*))(?::(?P<port>\d{0,5}))?",
    re.ASCII,
)
"""Host and port of a URI (RFC 3986, 3.2), for the letters that host names are made of."""
PROXY_HERE: Final = ("127.0.0.1", "::1")


class SettingsRefused(ValueError):
    """A set-up that is not safe or contradicts itself; one line for each fault."""

    def __init__(self, problems: list[str]) -> None:
        self.problems = problems
        super().__init__("\n".join(problems))


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardSettings:
    """One board. Check it with `check` before use."""

    region: Path
    """The region file."""
    host: str = LOOPBACK_HOST
    """Address to listen at: an IP address or `localhost`."""
    port: int = DEFAULT_PORT
    """0: a free one is chosen; `create_app` gets the number that it became."""
    redis: str | None = None
    """Instead of redis_url of the region file."""
    users: Path | None = None
    tls_cert: Path | None = None
    tls_key: Path | None = None
    behind_proxy: str | None = None
    """https://HOST[:PORT], under which a reverse proxy is asked for the board."""
    proxy_from: tuple[str, ...] = PROXY_HERE
    """Addresses from which the reverse proxy comes."""
    names: tuple[str, ...] = ()
    """Further names and addresses by which browsers ask for the board."""
    public: bool = False
    """Show a view without call signs and members' positions to those not signed in."""
    base_map: Path | None = None
    """GeoJSON under the map."""
    metrics: tuple[str, int] | None = None
    """Host and port at which Prometheus asks, without users."""
    read_only: bool = False
    """Nobody acts here, also not where nobody signs in."""

    @property
    def local(self) -> bool:
        """Nobody signs in: only this machine can reach the board."""
        return self.users is None and self.behind_proxy is None

    @property
    def tls(self) -> bool:
        return self.tls_cert is not None

    @property
    def secure(self) -> bool:
        """Browsers speak TLS with the board or with the proxy before it."""
        return self.tls or self.behind_proxy is not None

    @property
    def cookie(self) -> str:
        """Name of the session's cookie.

        `__Host-` binds it to this host and to TLS (RFC 6265bis, 4.1.3.2). Cookies know no ports,
        so boards on one machine without TLS keep apart by name.
        """
        return "__Host-board" if self.secure else f"board-{self.port}"

    def check(self) -> None:
        """Raises SettingsRefused saying what to give."""
        problems = [*self._sizes(), *self._pairs(), *self._reachable()]
        if problems:
            raise SettingsRefused(problems)

    def _sizes(self) -> list[str]:
        problems = []
        if not 0 <= self.port <= 65535:
            problems.append(f"--port {self.port}: must be 0 to 65535")
        if not _is_address(self.host) and self.host != "localhost":
            problems.append(
                f"--bind {self.host}: must be an IP address such as 0.0.0.0 or 192.0.2.7, "
                "or localhost; give the name by which it is reached as --name"
            )
        for address in self.proxy_from:
            if not _is_address(address):
                problems.append(f"--proxy-from {address}: must be an IP address")
        for name in self.names:
            if host_name(name) != name.lower():
                problems.append(f"--name {name}: must be a host name alone, such as board.example")
        return problems

    def _pairs(self) -> list[str]:
        problems = []
        if (self.tls_cert is None) != (self.tls_key is None):
            problems.append("--tls-cert and --tls-key go together: give both or neither")
        if self.tls and self.behind_proxy:
            problems.append(
                "--tls-cert and --behind-proxy: TLS ends either here or at the proxy; give one"
            )
        if self.behind_proxy is not None and not _is_https_origin(self.behind_proxy):
            problems.append(
                f"--behind-proxy {scrub(self.behind_proxy)}: must be the address that browsers "
                "use, https://HOST or https://HOST:PORT, and nothing behind it"
            )
        elif self.proxy_from != PROXY_HERE and self.behind_proxy is None:
            problems.append("--proxy-from says where a proxy is: give --behind-proxy too")
        return problems

    def _reachable(self) -> list[str]:
        if is_loopback(self.host) and self.behind_proxy is None:
            return []
        problems = []
        where = "--behind-proxy" if self.behind_proxy else f"--bind {self.host}"
        if self.users is None:
            problems.append(
                f"{where}: others can reach the board, so they must sign in; make a file of users "
                "with `streamer user add NAME --role admin --file users.toml` and give "
                "--users users.toml"
            )
        if not self.secure:
            problems.append(
                f"{where}: passwords would cross the network unprotected; give --tls-cert FILE "
                "and --tls-key FILE, or --behind-proxy https://HOST if a reverse proxy before the "
                f"board has the certificate, or leave --bind at {LOOPBACK_HOST}"
            )
        return problems


def is_loopback(host: str) -> bool:
    """127.0.0.0/8, ::1 (RFC 1122 3.2.1.3, RFC 4291 2.5.3) and localhost (RFC 6761 6.3)."""
    if host.lower() == "localhost":
        return True
    try:
        address = ip_address(host)
    except ValueError:
        return False
    mapped = getattr(address, "ipv4_mapped", None)
    return bool((mapped or address).is_loopback)


def host_name(authority: str) -> str:
    """The host of `HOST`, `HOST:PORT` or `[ADDRESS]:PORT` in lower case; empty if it is none."""
    found = _AUTHORITY.fullmatch(authority)
    if found is None or int(found["port"] or 0) > 65535:
        return ""
    if found["address"]:
        return found["address"].lower() if _is_address(found["address"]) else ""
    return found["name"].lower().removesuffix(".")


def _is_address(text: str) -> bool:
    try:
        ip_address(text)
    except ValueError:
        return False
    return "%" not in text


def _is_https_origin(text: str) -> bool:
    return text.startswith("https://") and bool(host_name(text.removeprefix("https://")))
