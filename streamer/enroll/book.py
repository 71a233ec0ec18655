"""The book of accounts, `accounts.json`: who has which credentials, until when, and who had.

Everything that the broker gets is made from it. It holds no key and no password; the hashes in it
are those of random passwords of 256 bits.
"""

from collections.abc import Iterator
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from streamer.contract.common import Name
from streamer.private_files import write_private

BOOK: Final = "accounts.json"
CERTIFICATE_PORT: Final = 8883
PASSWORD_PORT: Final = 8884
Port = Annotated[int, Field(ge=1, le=65_535)]


class BookError(Exception):
    """The book cannot be used, or does not allow what was asked; the text says what to do."""


class Role(StrEnum):
    """What an account is for; its rights at the broker follow from it (streamer.enroll.rights)."""

    GATEWAY = "gateway"
    WORKER = "worker"
    BOARD = "board"
    READER = "reader"
    BRIDGE = "bridge"


class Way(StrEnum):
    """How an account proves who it is."""

    CERTIFICATE = "certificate"
    PASSWORD = "password"  # nosec B105 # a kind of credential, not one


class _Record(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Credential(_Record):
    """One certificate, or one password. `serial` in hexadecimal digits."""

    way: Way
    made_at: AwareDatetime
    serial: Annotated[str, Field(pattern=r"^[0-9a-f]{1,40}$")] | None = None
    until: AwareDatetime | None = Field(None, description="a password has no end")
    hash: str | None = Field(None, repr=False)
    revoked_at: AwareDatetime | None = None

    def live(self, now: datetime) -> bool:
        """Whether the broker takes it."""
        return self.revoked_at is None and (self.until is None or now < self.until)


class Account(_Record):
    """One name at the broker. The newest credential comes last."""

    name: Name
    role: Role
    host: str
    port: Port
    speaks_for: tuple[Name, ...] = Field((), description="gateways of a bridge; none given: all")
    hosts: tuple[str, ...] = Field((), description="names of the broker at a bridge's site")
    credentials: tuple[Credential, ...] = ()

    @property
    def ended(self) -> bool:
        """Whether it was revoked: nothing may be left of its rights."""
        return all(one.revoked_at is not None for one in self.credentials)

    def password_hash(self) -> str | None:
        """The hash of its password, if it has one that was not revoked."""
        kept = [c.hash for c in self.credentials if c.hash is not None and c.revoked_at is None]
        return kept[-1] if kept else None


class Book(_Record):
    """The whole file."""

    v: Literal[1] = 1
    region: Name
    hosts: Annotated[tuple[str, ...], Field(min_length=1)]
    certificate_port: Port = CERTIFICATE_PORT
    password_port: Port = PASSWORD_PORT
    revocations: Annotated[int, Field(ge=0)] = Field(0, description="number of the newest list")
    accounts: tuple[Account, ...] = ()

    def find(self, name: str) -> Account | None:
        return next((account for account in self.accounts if account.name == name), None)

    @property
    def bridges(self) -> tuple[Account, ...]:
        """The bridges that have not been revoked."""
        return tuple(a for a in self.accounts if a.role is Role.BRIDGE and not a.ended)

    def spoken_for(self, bridge: Account) -> tuple[Account, ...]:
        """The gateways' accounts for which a bridge speaks, those that have ended among them."""
        named = set(bridge.speaks_for)
        gateways = (a for a in self.accounts if a.role is Role.GATEWAY)
        return tuple(a for a in gateways if not named or a.name in named)

    def known(self) -> dict[str, Account]:
        """The accounts by name."""
        return {account.name: account for account in self.accounts}

    def with_accounts(self, changed: Iterator[Account]) -> "Book":
        """The book with these accounts in the place of those of their names, sorted by name."""
        merged = {**self.known(), **{account.name: account for account in changed}}
        accounts = tuple(merged[name] for name in sorted(merged))
        return self.model_copy(update={"accounts": accounts})


def read_book(folder: Path) -> Book:
    """Raises BookError, saying what to do."""
    path = folder / BOOK
    try:
        return Book.model_validate_json(path.read_bytes())
    except FileNotFoundError as error:
        raise BookError(
            f"{folder}: no accounts are kept there; begin with "
            f"streamer enroll --init --host HOST --folder {folder}"
        ) from error
    except OSError as error:
        raise BookError(f"{path}: cannot be read: {error.strerror}; mend its rights") from error
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = ".".join(str(step) for step in first["loc"]) or "file"
        raise BookError(
            f"{path}: {place}: {first['msg']}; it was damaged, or written by a newer streamer: "
            "put its last backup in place"
        ) from error


def write_book(folder: Path, book: Book) -> None:
    """Put the book in place as a whole; raises OSError."""
    write_private(folder / BOOK, book.model_dump_json(indent=1, exclude_none=True).encode())
