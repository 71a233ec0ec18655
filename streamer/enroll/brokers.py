"""What a broker is given: its own certificate, the list of the revoked, passwords, access list.

The region's broker has the folder `broker`. One at a bridge's site has the bridge's folder, with a
certificate and key of its own, which names that site alone: whoever steals the site's computer
cannot play the region's broker, and finds no password of anybody elsewhere.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from streamer.enroll.authority import Authority, certificate_end
from streamer.enroll.book import Account, Book
from streamer.enroll.parcel import CA
from streamer.enroll.rights import access_list, password_file, site_access_list, site_passwords
from streamer.private_files import write_private

SERVER, SERVER_KEY, CRL, PASSWORDS, ACL = "server.pem", "server.key", "crl.pem", "passwords", "acl"
SERVER_LEFT: Final = timedelta(days=90)
"""With less left than this a broker's certificate is made anew."""


def server_end(folder: Path) -> datetime | None:
    """When a broker's certificate ends; None if there is none that can be read."""
    try:
        return certificate_end((folder / SERVER).read_bytes())
    except (OSError, ValueError):
        return None


def refresh_region(
    folder: Path, book: Book, authority: Authority, crl: bytes, now: datetime
) -> list[str]:
    """The region's broker; the names of the files that changed. `crl` is the newest list, PEM."""
    texts = {ACL: access_list(book), PASSWORDS: password_file(book.accounts)}
    return _refresh(folder, book.hosts, texts, authority, crl, now)


def refresh_site(
    folder: Path, book: Book, bridge: Account, authority: Authority, crl: bytes, now: datetime
) -> list[str]:
    """The same for the broker at a bridge's site."""
    texts = {ACL: site_access_list(book, bridge), PASSWORDS: site_passwords(book, bridge)}
    return _refresh(folder, bridge.hosts, texts, authority, crl, now)


def _refresh(
    folder: Path,
    hosts: Sequence[str],
    texts: dict[str, str],
    authority: Authority,
    crl: bytes,
    now: datetime,
) -> list[str]:
    changed = _refresh_server(folder, hosts, authority, now)
    files = {CRL: crl, CA: authority.certificate}
    files |= {name: text.encode() for name, text in texts.items()}
    for name, content in files.items():
        path = folder / name
        if not path.exists() or path.read_bytes() != content:
            write_private(path, content)
            changed.append(name)
    return changed


def _refresh_server(
    folder: Path, hosts: Sequence[str], authority: Authority, now: datetime
) -> list[str]:
    end = server_end(folder)
    if end is not None and end - now > SERVER_LEFT and (folder / SERVER_KEY).exists():
        return []
    made = authority.server(hosts, now)
    write_private(folder / SERVER_KEY, made.key)
    write_private(folder / SERVER, made.certificate)
    return [SERVER, SERVER_KEY]
