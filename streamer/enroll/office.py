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
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from streamer.clock import Clock, from_ms
from streamer.config import RegionView
from streamer.enroll.authority import (
    Authority,
    AuthorityError,
    Revoked,
    Signed,
    certificate_end,
    listed,
)
from streamer.enroll.book import (
    BOOK,
    Account,
    Book,
    BookError,
    Credential,
    Way,
    read_book,
    write_book,
)
from streamer.enroll.parcel import AGENT, CA, Fresh, parcel
from streamer.enroll.passwords import hashed, new_password
from streamer.enroll.rights import access_list, password_file
from streamer.private_files import locked_folder, write_private

KEEP, BROKER_FOLDER = "keep", "broker"
CA_KEY, SHARE = "ca.key", "share"
SERVER, SERVER_KEY, CRL, PASSWORDS, ACL = "server.pem", "server.key", "crl.pem", "passwords", "acl"
SERVER_LEFT: Final = timedelta(days=90)
"""With less left than this the broker's certificate is made anew."""
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

    def refresh(self) -> list[str]:
        """Bring the broker's files in line with the book; the names of those that changed."""
        self._broker.mkdir(mode=0o700, exist_ok=True)
        changed = self._refresh_server()
        revoked = [
            Revoked(int(one.serial, 16), one.revoked_at)
            for account in self.book.accounts
            for one in account.credentials
            if one.serial is not None and one.revoked_at is not None and _lasts(one, self.now)
        ]
        if self._listed() != {one.serial for one in revoked}:
            number = self.book.revocations + 1
            self.book = self.book.model_copy(update={"revocations": number})
            write_book(self.folder, self.book)
            crl = self.authority.revocations(revoked, number, self.now)
            write_private(self._broker / CRL, crl)
            changed.append(CRL)
        for name, content in (
            (CA, self.authority.certificate),
            (ACL, access_list(self.book).encode()),
            (PASSWORDS, password_file(self.book).encode()),
        ):
            changed += self._write_changed(name, content)
        return changed

    # -- what is known -----------------------------------------------------------------------

    def server_end(self) -> datetime | None:
        """When the broker's certificate ends; None if there is none that can be read."""
        try:
            return certificate_end((self._broker / SERVER).read_bytes())
        except (OSError, ValueError):
            return None

    def place(self, account: Account) -> Path:
        """The folder of an account."""
        return self.folder / account.role / account.name

    # -- inside ------------------------------------------------------------------------------

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
            return (self.place(account) / AGENT).read_bytes()
        except OSError:
            return None

    def _put_in_place(self, aside: Path, account: Account) -> Path:
        place = self.place(account)
        place.parent.mkdir(mode=0o700, exist_ok=True)
        if place.exists():
            place.rename(aside / f".old-{account.name}")
        return (aside / account.name).rename(place)

    def _refresh_server(self) -> list[str]:
        end = self.server_end()
        if (
            end is not None
            and end - self.now > SERVER_LEFT
            and (self._broker / SERVER_KEY).exists()
        ):
            return []
        made = self.authority.server(self.book.hosts, self.now)
        write_private(self._broker / SERVER_KEY, made.key)
        write_private(self._broker / SERVER, made.certificate)
        return [SERVER, SERVER_KEY]

    def _listed(self) -> set[int] | None:
        try:
            return listed((self._broker / CRL).read_bytes())
        except (OSError, ValueError):
            return None

    def _write_changed(self, name: str, content: bytes) -> list[str]:
        path = self._broker / name
        if path.exists() and path.read_bytes() == content:
            return []
        write_private(path, content)
        return [name]


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
