"""The folder of accounts: founding it, and every change of it.

All that counts stands in the book and in `keep/`. A change is made in this order: folders of
accounts are written aside, then the book, then the folders are put in place, then the broker's
files. So no certificate is ever valid that the book does not know, and what a crash leaves undone
is the broker's files, which every command makes anew from the book.
"""

import os
import secrets
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from streamer.clock import Clock, from_ms
from streamer.config import RegionView
from streamer.enroll.authority import (
    Authority,
    AuthorityError,
    Revoked,
    Signed,
    listed,
)
from streamer.enroll.book import (
    BOOK,
    Account,
    Book,
    BookError,
    Credential,
    Role,
    Way,
    read_book,
    write_book,
)
from streamer.enroll.brokers import (
    CRL,
    SERVER,
    refresh_region,
    refresh_site,
    server_end,
)
from streamer.enroll.parcel import AGENT, CA, Fresh, parcel
from streamer.enroll.passwords import hashed, new_password
from streamer.private_files import locked_folder, write_private

KEEP, BROKER_FOLDER, REVOKED = "keep", "broker", "revoked"
CA_KEY, SHARE = "ca.key", "share"
_ASIDE: Final = ".new-"


@dataclass(frozen=True, slots=True)
class Wanted:
    """A credential that shall be made."""

    account: Account
    way: Way
    days: int


class Office:
    """One folder of accounts, opened under its lock. `opened` makes one."""

    def __init__(
        self, folder: Path, view: RegionView, book: Book, authority: Authority, clock: Clock
    ) -> None:
        self.folder = folder
        self.view = view
        self.book = book
        self.authority = authority
        self.now = from_ms(clock.now_ms())
        self._share = (folder / KEEP / SHARE).read_text("utf-8").strip()

    # -- changes -----------------------------------------------------------------------------

    def issue(self, wanted: Sequence[Wanted]) -> list[Path]:
        """Make credentials, and the folders that hold them; the folders are returned."""
        for leftover in self.folder.glob(f"{_ASIDE}*"):
            shutil.rmtree(leftover)
        changed = []
        with tempfile.TemporaryDirectory(prefix=_ASIDE, dir=self.folder) as aside:
            for one in wanted:
                account, fresh = self._made(one)
                changed.append(account)
                self._write_aside(Path(aside) / account.name, account, fresh)
            os.sync()  # once for all: a flush of each file takes minutes for 1,000 gateways
            self._take_over(changed)
            return [self._put_in_place(Path(aside), account) for account in changed]

    def revoke(self, accounts: Iterable[Account], *, newest_too: bool) -> int:
        """End the credentials of accounts, or all but the newest of each; returns how many."""
        changed, ended = [], 0
        for account in accounts:
            kept = None if newest_too else account.credentials[-1]
            credentials = []
            for one in account.credentials:
                ends = one is not kept and one.revoked_at is None
                ended += ends
                stamp = {"revoked_at": self.now}
                credentials.append(one.model_copy(update=stamp) if ends else one)
            changed.append(account.model_copy(update={"credentials": tuple(credentials)}))
        self._take_over(changed)
        return ended

    def add_hosts(self, hosts: Sequence[str]) -> None:
        """More names or addresses of the broker, to be the usual ones from now on; its certificate
        is made anew by `refresh`."""
        merged = tuple(dict.fromkeys((*hosts, *self.book.hosts)))
        if merged != self.book.hosts:
            self.book = self.book.model_copy(update={"hosts": merged})
            write_book(self.folder, self.book)
            (self._broker / SERVER).unlink(missing_ok=True)

    def refresh(self) -> dict[str, list[str]]:
        """Bring the files of all brokers in line with the book; the names of those that changed, by
        the folder they lie in."""
        self._broker.mkdir(mode=0o700, exist_ok=True)
        self._set_aside()
        crl = self._newest_list()
        changed = {
            BROKER_FOLDER: refresh_region(self._broker, self.book, self.authority, crl, self.now)
        }
        for bridge in self.book.bridges:
            # One that was made before sites had certificates of their own has no names for it.
            if bridge.hosts:
                place = self.place(bridge)
                # Deleted here, it comes back with all that the site's broker needs to be told.
                place.mkdir(mode=0o700, parents=True, exist_ok=True)
                changed[f"{bridge.role}/{bridge.name}"] = refresh_site(
                    place, self.book, bridge, self.authority, crl, self.now
                )
        return {folder: names for folder, names in changed.items() if names}

    def new_share(self) -> list[Path]:
        """A new name of the workers' share, for `keep` and every worker's folder; these folders.

        What a crash leaves mixed, the next one puts right: nobody has copied anything yet.
        """
        self._share = secrets.token_hex(16)
        write_private(self.folder / KEEP / SHARE, f"{self._share}\n".encode())
        workers = [a for a in self.book.accounts if a.role is Role.WORKER and not a.ended]
        places = [self.place(account) for account in workers]
        for place in places:
            place.mkdir(mode=0o700, parents=True, exist_ok=True)
            write_private(place / SHARE, f"{self._share}\n".encode())
        return places

    # -- what is known -----------------------------------------------------------------------

    def servers(self) -> Iterator[tuple[str, datetime | None]]:
        """Brokers' certificates: whose, and when it ends; None if it cannot be read."""
        yield "broker", server_end(self._broker)
        for bridge in self.book.bridges:
            if bridge.hosts:
                yield f"{bridge.name}'s broker", server_end(self.place(bridge))

    def place(self, account: Account) -> Path:
        """The folder of an account."""
        moved = self.folder / REVOKED / account.name
        return moved if account.ended and moved.exists() else self._usual(account)

    # -- inside ------------------------------------------------------------------------------

    def _usual(self, account: Account) -> Path:
        return self.folder / account.role / account.name

    def _set_aside(self) -> None:
        """Folders of the revoked go where nobody copies them on: all of a role are often copied
        together."""
        for account in self.book.accounts:
            place, moved = self._usual(account), self.folder / REVOKED / account.name
            if account.ended and place.exists():
                moved.parent.mkdir(mode=0o700, exist_ok=True)
                shutil.rmtree(moved, ignore_errors=True)
                place.rename(moved)

    @property
    def _broker(self) -> Path:
        return self.folder / BROKER_FOLDER

    def _take_over(self, changed: Iterable[Account]) -> None:
        self.book = self.book.with_accounts(iter(changed))
        write_book(self.folder, self.book)

    def _made(self, wanted: Wanted) -> tuple[Account, Fresh]:
        account = wanted.account
        if wanted.way is Way.PASSWORD:
            password = new_password()
            fresh = Fresh(Way.PASSWORD, password=password)
            credential = Credential(way=Way.PASSWORD, made_at=self.now, hash=hashed(password))
            # One name has one password at the broker: the old one ends here.
            before = tuple(
                one.model_copy(update={"revoked_at": one.revoked_at or self.now})
                if one.way is Way.PASSWORD
                else one
                for one in account.credentials
            )
        else:
            signed: Signed = self.authority.client(account.name, self.now, wanted.days)
            fresh = Fresh(Way.CERTIFICATE, signed.certificate, signed.key)
            credential = Credential(
                way=Way.CERTIFICATE,
                made_at=self.now,
                serial=f"{signed.serial:x}",
                until=signed.until,
            )
            before = account.credentials
        return account.model_copy(update={"credentials": (*before, credential)}), fresh

    def _write_aside(self, folder: Path, account: Account, fresh: Fresh) -> None:
        gateway = self.view.gateways.get(account.name)
        files = parcel(
            self.book.region,
            account,
            fresh,
            self.authority.certificate,
            self._share,
            gateway,
            self._filled_in(account),
            next(iter(self.view.groups), "GROUP"),
        )
        folder.mkdir(mode=0o700)
        for name, content in files.items():
            handle = os.open(folder / name, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(handle, "wb") as file:
                file.write(content)

    def _filled_in(self, account: Account) -> bytes | None:
        """The agent.toml that is there, if the new one would connect in the same way."""
        before = self.book.find(account.name)
        ways = {one.way for one in account.credentials[-2:]}
        if before is None or len(account.credentials) < 2 or len(ways) > 1:
            return None
        if (before.host, before.port) != (account.host, account.port):
            return None
        try:
            return (self.place(before) / AGENT).read_bytes()
        except OSError:
            return None

    def _put_in_place(self, aside: Path, account: Account) -> Path:
        place = self.place(account)
        place.parent.mkdir(mode=0o700, exist_ok=True)
        if place.exists():
            place.rename(aside / f".old-{account.name}")
        made = (aside / account.name).rename(place)
        shutil.rmtree(self.folder / REVOKED / account.name, ignore_errors=True)
        return made

    def _newest_list(self) -> bytes:
        """The list of the revoked, PEM; made anew if it is not that of the book."""
        revoked = [
            Revoked(int(one.serial, 16), one.revoked_at)
            for account in self.book.accounts
            for one in account.credentials
            if one.serial is not None and one.revoked_at is not None and _lasts(one, self.now)
        ]
        if self._listed() == {one.serial for one in revoked}:
            return (self._broker / CRL).read_bytes()
        number = self.book.revocations + 1
        self.book = self.book.model_copy(update={"revocations": number})
        write_book(self.folder, self.book)
        return self.authority.revocations(revoked, number, self.now)

    def _listed(self) -> set[int] | None:
        try:
            return listed((self._broker / CRL).read_bytes())
        except (OSError, ValueError):
            return None


def _lasts(credential: Credential, now: datetime) -> bool:
    """Whether a certificate would still be valid if it had not been revoked."""
    return credential.until is not None and now < credential.until


def found(
    folder: Path,
    view: RegionView,
    hosts: Sequence[str],
    clock: Clock,
    passphrase: str | None,
    ports: Mapping[str, int],
) -> None:
    """Begin a folder of accounts: authority and share, then the book, which makes it valid.

    Raises BookError if there is one already.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    folder.chmod(0o700)
    with locked_folder(folder):
        if (folder / BOOK).exists():
            raise BookError(f"{folder}: accounts are kept there already")
        shutil.rmtree(folder / BROKER_FOLDER, ignore_errors=True)  # of an authority that is gone
        authority = Authority.found(view.name, from_ms(clock.now_ms()))
        keep = folder / KEEP
        keep.mkdir(mode=0o700, exist_ok=True)
        write_private(keep / CA_KEY, authority.key(passphrase))
        write_private(keep / CA, authority.certificate)
        # Read by workers alone; who knows it can take part in the share (streamer.enroll.rights).
        write_private(keep / SHARE, f"{secrets.token_hex(16)}\n".encode())
        write_book(folder, Book.model_validate({"region": view.name, "hosts": hosts, **ports}))


@contextmanager
def opened(
    folder: Path, view: RegionView, clock: Clock, passphrase: Callable[[], str | None]
) -> Iterator[Office]:
    """The folder of accounts, for one change; raises BookError, AuthorityError and OSError."""
    if not folder.is_dir():
        read_book(folder)  # says what to do
    with locked_folder(folder):
        book = read_book(folder)
        if book.region != view.name:
            raise BookError(
                f"{folder}: these are the accounts of region {book.region}, not of {view.name}; "
                "give each region a folder of its own"
            )
        keep = folder / KEEP
        try:
            files = [(keep / name).read_bytes() for name in (CA_KEY, CA)]
        except OSError as error:
            raise AuthorityError(
                f"{error.filename}: cannot be read: {error.strerror}; without the authority's key "
                "nothing can be issued or revoked: put it back"
            ) from error
        try:
            authority = Authority.load(files[0], files[1], passphrase())
        except AuthorityError as error:
            raise AuthorityError(f"{keep / CA_KEY}: {error}") from error
        yield Office(folder, view, book, authority, clock)
