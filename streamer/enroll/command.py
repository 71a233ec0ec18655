"""`streamer enroll`: accounts at the broker for gateways, workers, boards and readers."""

import argparse
import os
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

from streamer.clock import Clock, SystemClock
from streamer.config import ConfigError, RegionView, load_region
from streamer.config_types import REGION_VARIABLE
from streamer.contract.common import NAME_PATTERN
from streamer.enroll.authority import AuthorityError, check_host
from streamer.enroll.book import Account, Book, BookError, Role, Way
from streamer.enroll.listing import lines, listing
from streamer.enroll.office import BROKER_FOLDER, Office, Wanted, found, opened
from streamer.enroll.parcel import LOOPBACK, LOOPBACK_PORT, by_tls, missing_gateway
from streamer.problems import suggestion
from streamer.reading.text import complain, plural, say

WELL, WRONG, MISUSED = 0, 1, 2
FOLDER_VARIABLE: Final = "STREAMER_ACCOUNTS"
PASSPHRASE_VARIABLE: Final = "STREAMER_CA_PASSPHRASE"
DAYS: Final = 400
_NAMED: Final = 6


class Misuse(Exception):
    """The command was called wrongly. Exit code 2."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Make, change and end accounts at the broker. For each account there is one folder to "
        "copy; for the broker there is one folder, to be copied after each change."
    )
    parser.epilog = (
        f"The authority's key is encrypted if ${PASSPHRASE_VARIABLE} is set at --init, and then "
        "needed with every command."
    )
    parser.add_argument("names", nargs="*", metavar="NAME", help="gateways, or accounts of --role")
    parser.add_argument(
        "--region",
        type=Path,
        metavar="REGION.toml",
        default=os.environ.get(REGION_VARIABLE),
        help=f"the region file of the workers; else ${REGION_VARIABLE} names it",
    )
    parser.add_argument(
        "--folder",
        type=Path,
        default=os.environ.get(FOLDER_VARIABLE),
        help=f"where all accounts are kept; else ${FOLDER_VARIABLE} names it",
    )
    act = parser.add_mutually_exclusive_group()
    act.add_argument(
        "--init", action="store_true", help="begin a folder: authority, broker's files"
    )
    act.add_argument("--all", action="store_true", help="every gateway that has no account yet")
    act.add_argument("--rotate", action="store_true", help="new credentials; old ones stay valid")
    act.add_argument("--revoke-old", action="store_true", help="end all but the newest")
    act.add_argument("--revoke", action="store_true", help="end an account")
    act.add_argument("--list", action="store_true", help="who, until when; 1 if some end soon")
    act.add_argument("--refresh", action="store_true", help="make the broker's files anew")
    roles = [str(role) for role in Role]
    parser.add_argument("--role", choices=roles, help="what the account is for (default: gateway)")
    parser.add_argument("--password", action="store_true", help="a password, no certificate")
    parser.add_argument("--certificate", action="store_true", help="with --rotate: no password")
    parser.add_argument("--days", type=int, help=f"how long a certificate lasts (default: {DAYS})")
    parser.add_argument(
        "--host",
        action="append",
        default=[],
        help="with --init or --refresh: a name or address of the broker, the usual one first",
    )
    parser.add_argument("--port", type=int, help="with --init: for certificates (default: 8883)")
    parser.add_argument(
        "--password-port", type=int, help="with --init: for passwords (default: 8884)"
    )
    parser.add_argument("--at", metavar="HOST[:PORT]", help="how this account reaches the broker")
    parser.add_argument(
        "--for",
        dest="speaks_for",
        action="append",
        default=[],
        metavar="GATEWAY",
        help="with --role bridge: a gateway that it speaks for (default: all)",
    )
    parser.add_argument("--json", action="store_true", help="with --list: print JSON")


def main(arguments: argparse.Namespace, clock: Clock | None = None) -> int:
    """Exit codes: 0 done, 1 found wrong (or something ends soon), 2 used wrongly."""
    try:
        return _run(arguments, clock or SystemClock())
    except Misuse as error:
        complain("enroll", str(error))
        return MISUSED
    except (ConfigError, BookError, AuthorityError) as error:
        complain("enroll", str(error))
        return WRONG
    except OSError as error:
        complain("enroll", f"{error.filename}: {error.strerror}; is the folder there and yours?")
        return WRONG


def _run(arguments: argparse.Namespace, clock: Clock) -> int:
    _check(arguments)
    view = load_region(arguments.region)
    if arguments.init:
        _found(arguments, view, clock)
    with opened(arguments.folder, view, clock, _passphrase) as office:
        if arguments.list:
            shown = listing(office)
            say([shown.model_dump_json(indent=2)] if arguments.json else lines(shown))
            return WELL if shown.well else WRONG
        if arguments.refresh:
            office.add_hosts(_hosts(arguments.host))
        elif arguments.revoke or arguments.revoke_old:
            say(_revoke(office, arguments))
        elif not arguments.init:
            say(_issue(office, arguments))
        say(_broker_lines(office, arguments.folder))
    return WELL


def _check(arguments: argparse.Namespace) -> None:
    if arguments.region is None:
        raise Misuse(f"which region? Give --region REGION.toml or set ${REGION_VARIABLE}")
    if arguments.folder is None:
        raise Misuse(f"which folder? Give --folder FOLDER or set ${FOLDER_VARIABLE}")
    arguments.region, arguments.folder = Path(arguments.region), Path(arguments.folder)
    alone = next((w for w in ("init", "all", "list", "refresh") if getattr(arguments, w)), None)
    if alone and arguments.names:
        raise Misuse(f"--{alone} takes no names")
    if not alone and not arguments.names:
        raise Misuse("whom? Give names, or one of --init, --all, --list, --refresh")
    for option, given, fits in (
        ("--host", arguments.host, arguments.init or arguments.refresh),
        ("--port", arguments.port, arguments.init),
        ("--password-port", arguments.password_port, arguments.init),
        ("--for", arguments.speaks_for, arguments.role == Role.BRIDGE),
        ("--json", arguments.json, arguments.list),
        ("--certificate", arguments.certificate, arguments.rotate),
    ):
        if given and not fits:
            raise Misuse(f"{option} does not go with this; see streamer enroll --help")
    if arguments.init and not arguments.host:
        raise Misuse("--init needs --host: the broker's name as gateways will call it")
    if arguments.password and arguments.certificate:
        raise Misuse("--password or --certificate, one of the two")
    if arguments.days is not None and not 1 <= arguments.days <= 3660:
        raise Misuse("--days: 1 to 3660 are expected")


def _hosts(hosts: Sequence[str]) -> list[str]:
    try:
        return [check_host(host) for host in hosts]
    except ValueError as error:
        raise Misuse(f"--host {error}") from error


def _passphrase() -> str | None:
    return os.environ.get(PASSPHRASE_VARIABLE) or None


def _found(arguments: argparse.Namespace, view: RegionView, clock: Clock) -> None:
    given = {"certificate_port": arguments.port, "password_port": arguments.password_port}
    ports = {name: port for name, port in given.items() if port is not None}
    if any(not 0 < port < 65_536 for port in ports.values()):
        raise Misuse("--port, --password-port: 1 to 65535 are expected")
    found(arguments.folder, view, _hosts(arguments.host), clock, _passphrase(), ports)
    say([f"{arguments.folder}: begun for region {view.name}. Keep keep/ secret, and back all up."])


def _broker_lines(office: Office, folder: Path) -> Iterator[str]:
    changed = office.refresh()
    if not changed:
        yield "The broker's files are as they were."
        return
    yield (
        f"Changed in {folder / BROKER_FOLDER}: {', '.join(sorted(changed))}. Copy that folder to "
        "the broker and reload it (SIGHUP)."
    )


# -- whom ------------------------------------------------------------------------------------------


def _issue(office: Office, arguments: argparse.Namespace) -> Iterator[str]:
    if arguments.rotate:
        wanted = [_rotated(office, name, arguments) for name in _distinct(arguments.names)]
    else:
        names = arguments.names
        if arguments.all:
            known = office.book.known()
            names = [g for g in office.view.gateways if g not in known or known[g].ended]
            if not names:
                yield "Every gateway of the region file has an account."
                return
        wanted = [_new(office, name, arguments) for name in _distinct(names)]
    folders = office.issue(wanted)
    for folder in folders[:_NAMED]:
        yield f"{folder}: to be copied to its keeper, by a way that nobody else can read."
    if len(folders) > _NAMED:
        yield f"... and {plural(len(folders) - _NAMED, 'folder')} more."
    if arguments.rotate:
        yield (
            "Old certificates stay valid until `streamer enroll --revoke-old NAME`; an old "
            "password ends when the broker is reloaded."
        )


def _distinct(names: Sequence[str]) -> list[str]:
    return list(dict.fromkeys(names))


def _new(office: Office, name: str, arguments: argparse.Namespace) -> Wanted:
    role = Role(arguments.role or Role.GATEWAY)
    before = office.book.find(name)
    if before is not None and not before.ended:
        raise BookError(
            f"{name} is enrolled already, as {before.role}; --rotate makes new credentials, "
            "--revoke ends the account"
        )
    if role is Role.GATEWAY:
        _check_gateway(office.view, name)
    else:
        if re.fullmatch(NAME_PATTERN, name) is None:
            raise Misuse(
                f"{name!r}: must be 1 to 32 of a-z, 0-9, _ and -, a letter or digit first: it is "
                "a level of topics"
            )
        if name in office.view.gateways:
            raise Misuse(f"{name} is a gateway of the region file: a {role} needs another name")
        for gateway in arguments.speaks_for:
            _check_gateway(office.view, gateway)
    way = Way.PASSWORD if arguments.password else Way.CERTIFICATE
    host, port = _reached(office.book, role, way, arguments.at)
    account = Account(
        name=name,
        role=role,
        host=host,
        port=port,
        speaks_for=tuple(_distinct(arguments.speaks_for)),
        credentials=before.credentials if before else (),
    )
    return _checked(office.book, Wanted(account, way, arguments.days or DAYS))


def _check_gateway(view: RegionView, name: str) -> None:
    if name in view.gateways:
        return
    if re.fullmatch(NAME_PATTERN, name) is None:
        raise Misuse(
            f"{name!r} cannot be a gateway's name; {suggestion(name, list(view.gateways))}"
        )
    raise BookError(
        f"{name}: no such gateway in the region file; {suggestion(name, list(view.gateways))}. "
        f"A new one is added to it as\n{missing_gateway(name)}"
    )


def _rotated(office: Office, name: str, arguments: argparse.Namespace) -> Wanted:
    before = _existing(office.book, name)
    if before.ended:
        raise BookError(f"{name} was revoked: enrol it again without --rotate")
    if arguments.role is not None and arguments.role != before.role:
        raise Misuse(f"{name} has the role {before.role}; revoke it and enrol it again")
    way = before.credentials[-1].way
    if arguments.password or arguments.certificate:
        way = Way.PASSWORD if arguments.password else Way.CERTIFICATE
    host, port = before.host, before.port
    if arguments.at is not None or way is not before.credentials[-1].way:
        host, port = _reached(office.book, before.role, way, arguments.at)
    account = before.model_copy(update={"host": host, "port": port})
    return _checked(office.book, Wanted(account, way, arguments.days or DAYS))


def _existing(book: Book, name: str) -> Account:
    account = book.find(name)
    if account is None:
        raise BookError(f"{name}: no such account; {suggestion(name, list(book.known()))}")
    return account


def _reached(book: Book, role: Role, way: Way, at: str | None) -> tuple[str, int]:
    """How an account reaches the broker. Passwords of programs are for its own machine."""
    beside = way is Way.PASSWORD and role in (Role.WORKER, Role.BOARD, Role.READER)
    usual = book.certificate_port if way is Way.CERTIFICATE else book.password_port
    if at is None:
        return (LOOPBACK[0], LOOPBACK_PORT) if beside else (book.hosts[0], usual)
    host, colon, port = at.rpartition(":")
    if not colon or "]" in port or (host.count(":") > 0 and not host.startswith("[")):
        return at.strip("[]"), usual
    if not port.isdigit() or not 0 < int(port) < 65_536:
        raise Misuse(f"--at {at!r}: HOST or HOST:PORT is expected")
    return host.strip("[]"), int(port)


def _checked(book: Book, wanted: Wanted) -> Wanted:
    """Raises Misuse for a way that cannot work."""
    account = wanted.account
    if by_tls(account) and account.host not in book.hosts:
        raise Misuse(
            f"--at {account.host}: the broker's certificate does not name it, so nobody would "
            f"trust it there; {suggestion(account.host, book.hosts)}; --refresh --host "
            f"{account.host} adds it"
        )
    if wanted.way is Way.CERTIFICATE and not by_tls(account):
        raise Misuse(f"{account.name}: port {LOOPBACK_PORT} takes passwords only; give --password")
    return wanted


def _revoke(office: Office, arguments: argparse.Namespace) -> Iterator[str]:
    accounts = [_existing(office.book, name) for name in _distinct(arguments.names)]
    ended = office.revoke(accounts, newest_too=arguments.revoke)
    yield f"{plural(ended, 'credential')} of {plural(len(accounts), 'account')} ended."
    if ended:
        yield (
            "It holds once the broker has been reloaded. A connection that is there stays: a "
            "revoked account can do nothing on it; of a changed account it ends when the new "
            "credentials connect, or when the broker is started again."
        )
