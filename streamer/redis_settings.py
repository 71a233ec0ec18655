"""How to reach Redis: the forms of its address, and the `[redis]` table of a region file.

Passwords come from a file or the environment, never from arguments; nothing here prints one.
"""

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, Final
from urllib.parse import quote, unquote, urlsplit, urlunsplit

from pydantic import Field, SecretStr, model_validator

from streamer.config_types import Table
from streamer.file_faults import cannot_read

REDIS_PASSWORD_VARIABLE: Final = "STREAMER_REDIS_PASSWORD"
SENTINEL_PASSWORD_VARIABLE: Final = "STREAMER_SENTINEL_PASSWORD"
REDIS_PORT: Final = 6379
SENTINEL_PORT: Final = 26379
FORMS: Final = (
    "must be redis://HOST:PORT/NUMBER, unix:///PATH, redis+cluster://HOST:PORT,HOST:PORT or "
    "redis+sentinel://HOST:PORT,HOST:PORT/SERVICE/NUMBER; by TLS rediss://, rediss+cluster:// "
    "and rediss+sentinel://; a user goes before the first host: USER@HOST"
)
_PASSWORD_ELSEWHERE: Final = (
    f"leave the password out of it: put it in ${REDIS_PASSWORD_VARIABLE} or in redis_password_file "
    "of the region file"
)
_MANY: Final = re.compile(
    r"(?P<scheme>rediss?)\+(?P<kind>cluster|sentinel)://(?P<place>[^/?#]*)(?P<path>/[^?#]*)?"
)
_SERVICE: Final = re.compile(r"/(?P<service>[\w.-]+)(?:/(?P<number>[0-9]{1,5}))?/?")

FILES: Final = ("ca_file", "cert_file", "key_file", "sentinel_password_file")
"""The fields of `RedisSettings` that name a file."""

_File = Annotated[Path | None, Field(strict=False)]


class RedisSettings(Table):
    """The `[redis]` table of a region file; the address stands in `redis_url`."""

    ca_file: _File = Field(None, description="else the authorities that the system trusts")
    cert_file: _File = Field(None, description="with key_file, where Redis asks for a certificate")
    key_file: _File = None
    sentinel_user: str | None = Field(None, description="where the sentinels ask for one")
    sentinel_password_file: _File = Field(
        None, description=f"the password alone; else ${SENTINEL_PASSWORD_VARIABLE} is read"
    )
    replicas: Annotated[int, Field(ge=0, le=5)] = Field(
        0, description="what is acknowledged or published stands in so many replicas too"
    )
    replicas_wait_s: Annotated[float, Field(ge=0.05, le=3)] = Field(
        1, description="how long a write waits for its replicas before it is tried again"
    )
    replicas_grace_s: Annotated[float, Field(ge=1, le=366 * 86_400)] = Field(
        20, description="without its replicas for so long: a node is written to without them"
    )

    @model_validator(mode="after")
    def _pair(self) -> "RedisSettings":
        if (self.cert_file is None) != (self.key_file is None):
            raise ValueError("cert_file and key_file go together: give both or neither")
        return self


class Kind(StrEnum):
    """What stands behind an address."""

    ONE = "one server"
    CLUSTER = "cluster"
    SENTINEL = "sentinel"


@dataclass(frozen=True, slots=True)
class RedisAddress:
    """An address with all that is needed to connect. `url` and the passwords are secrets: none of
    them is shown by its repr.

    `hosts`: of one server that one (none with a UNIX socket), else nodes or sentinels. `url`: of
    one server, with its password.
    """

    kind: Kind
    place: str
    tls: bool = False
    hosts: tuple[tuple[str, int], ...] = ()
    service: str = ""
    number: int = 0
    user: str | None = None
    password: SecretStr | None = None
    sentinel_password: SecretStr | None = None
    url: str = field(default="", repr=False)
    settings: RedisSettings = field(default_factory=RedisSettings)

    @property
    def has_password(self) -> bool:
        """Whether the address itself holds one."""
        if self.kind is Kind.ONE:
            return urlsplit(self.url).password is not None or "password=" in self.url
        return self.password is not None


def parse_redis_url(url: str, settings: RedisSettings | None = None) -> RedisAddress:
    """What an address says by itself. Raises ValueError saying what is allowed, never the
    address."""
    given = settings or RedisSettings()
    try:
        many = _MANY.fullmatch(url)
        return _one(url, given) if many is None else _several(many, given)
    except ValueError as error:
        if str(error).startswith("must "):
            raise
    raise ValueError(FORMS)


def check_redis_url(url: str) -> str:
    """The address as it was; raises ValueError as `parse_redis_url`."""
    parse_redis_url(url)
    return url


def _one(url: str, settings: RedisSettings) -> RedisAddress:
    parts = urlsplit(url)
    if parts.scheme == "unix":
        if not parts.path:
            raise ValueError
        return RedisAddress(Kind.ONE, parts.path, url=url, settings=settings)
    if parts.scheme not in ("redis", "rediss") or not parts.hostname or parts.port == 0:
        raise ValueError
    if re.fullmatch(r"/?|/[0-9]{1,5}/?", parts.path) is None:
        raise ValueError
    host = (parts.hostname, parts.port or REDIS_PORT)
    place = _shown(host)
    tls = parts.scheme == "rediss"
    return RedisAddress(Kind.ONE, place, tls, (host,), url=url, settings=settings)


def _several(many: "re.Match[str]", settings: RedisSettings) -> RedisAddress:
    kind = Kind.CLUSTER if many["kind"] == "cluster" else Kind.SENTINEL
    before, at, listed = many["place"].rpartition("@")
    user, colon, password = before.partition(":")
    port = REDIS_PORT if kind is Kind.CLUSTER else SENTINEL_PORT
    hosts = tuple(_host(text, port) for text in listed.split(","))
    if at and not before:
        raise ValueError
    path, service, number = many["path"] or "", "", 0
    if kind is Kind.SENTINEL:
        found = _SERVICE.fullmatch(path)
        if found is None:
            raise ValueError(
                "must say the name under which the sentinels watch the master: "
                "redis+sentinel://HOST:PORT,HOST:PORT/SERVICE"
            )
        service, number = found["service"], int(found["number"] or 0)
    elif path not in ("", "/", "/0"):
        raise ValueError("must have no database number: a cluster has only 0")
    place = f"{kind} {','.join(map(_shown, hosts))}"
    return RedisAddress(
        kind, f"{place}/{service}" if service else place, many["scheme"] == "rediss", hosts,
        service, number, unquote(user) or None,
        SecretStr(unquote(password)) if colon else None, settings=settings,
    )  # fmt: skip


def _host(text: str, port: int) -> tuple[str, int]:
    """Raises ValueError."""
    parts = urlsplit(f"//{text}")
    if not parts.hostname or parts.port == 0 or parts.path or "@" in text:
        raise ValueError
    return parts.hostname, parts.port or port


def _shown(host: tuple[str, int]) -> str:
    name, port = host
    return f"[{name}]:{port}" if ":" in name else f"{name}:{port}"


def redis_address(
    url: str, password_file: Path | None, settings: RedisSettings, instead: str | None = None
) -> RedisAddress:
    """The address to connect to, with the passwords from their files or the environment.

    `instead` is an address given as an argument. Raises ValueError if that is none, or holds a
    password (arguments can be read by every user of the machine), or if it cannot go with the
    settings; OSError if a password file cannot be read.
    """
    address = parse_redis_url(url if instead is None else instead, settings)
    if instead is not None and address.has_password:
        raise ValueError(_PASSWORD_ELSEWHERE)
    for problem in problems_of(address):
        raise ValueError(problem)
    changes: dict[str, Any] = {}
    password = None
    if not address.has_password:
        password = _secret("redis_password_file", password_file, REDIS_PASSWORD_VARIABLE)
    if password and address.kind is Kind.ONE:
        parts = urlsplit(address.url)
        user, _, place = parts.netloc.rpartition("@")
        netloc = f"{user}:{quote(password, safe='')}@{place}"
        changes["url"] = urlunsplit(parts._replace(netloc=netloc))
    elif password:
        changes["password"] = SecretStr(password)
    if address.kind is Kind.SENTINEL:
        name = "sentinel_password_file"
        found = _secret(name, settings.sentinel_password_file, SENTINEL_PASSWORD_VARIABLE)
        changes["sentinel_password"] = SecretStr(found) if found else None
    return replace(address, **changes)


def _secret(setting: str, file: Path | None, variable: str) -> str | None:
    """Raises OSError, with what to do."""
    if file is None:
        return os.environ.get(variable)
    try:
        return file.read_text("utf-8").strip()
    except OSError as error:
        raise OSError(cannot_read(setting, file, error)) from error


def problems_of(address: RedisAddress) -> Iterator[str]:
    """What does not go together in an address and its settings."""
    settings = address.settings
    for name in ("ca_file", "cert_file"):
        if getattr(settings, name) is not None and not address.tls:
            yield (
                f"redis.{name}: is of no use, as the address of Redis is not by TLS: begin it with "
                "rediss:// (rediss+cluster://, rediss+sentinel://), or leave the file out"
            )
    if settings.replicas_wait_s > settings.replicas_grace_s:
        yield "redis.replicas_wait_s: must not be longer than replicas_grace_s"


def holds_password(url: str) -> bool:
    """Whether a well-formed address has its password in it."""
    return parse_redis_url(url).has_password
