"""Whom `streamer enroll` shall make, or make anew: what may be asked for, and what may not."""

import argparse
import hashlib
import re
from collections.abc import Sequence

from streamer.config import RegionView
from streamer.contract.common import NAME_PATTERN
from streamer.enroll.arguments import DAYS, EVERY, SPREAD_DAYS
from streamer.enroll.authority import check_host
from streamer.enroll.book import Account, Book, BookError, Role, Way
from streamer.enroll.office import Office, Wanted
from streamer.enroll.parcel import LOOPBACK, LOOPBACK_PORT, by_tls, missing_gateway
from streamer.problems import suggestion


class Misuse(Exception):
    """The command was called wrongly. Exit code 2."""


def hosts(given: Sequence[str], taken: Sequence[str] = ()) -> list[str]:
    """Names of a broker; raises Misuse for what is none, or names another broker (`taken`)."""
    for host in given:
        try:
            check_host(host)
        except ValueError as error:
            raise Misuse(f"--host {error}") from error
        if host in taken and host not in LOOPBACK:
            raise Misuse(
                f"--host {host} is another broker of the region: with one certificate for both, "
                "whoever stole the one could play the other"
            )
    return list(given)


def days_of(name: str, asked: int | None) -> int:
    """How long a new certificate of this name lasts: as asked for, else by its name, always the
    same, so that what was spread stays spread."""
    if asked is not None:
        return asked
    digest = hashlib.sha256(name.encode()).digest()
    return DAYS - int.from_bytes(digest[:4]) % (SPREAD_DAYS + 1)


def distinct(names: Sequence[str]) -> list[str]:
    return list(dict.fromkeys(names))


def new_account(office: Office, name: str, arguments: argparse.Namespace) -> Wanted:
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
    way = Way.PASSWORD if arguments.password else Way.CERTIFICATE
    host, port = _reached(office.book, role, way, arguments.at)
    account = Account(
        name=name,
        role=role,
        host=host,
        port=port,
        credentials=before.credentials if before else (),
    )
    if role is Role.BRIDGE:
        account = _bridge(office, account, arguments, anew=True)
    return _checked(office.book, Wanted(account, way, days_of(name, arguments.days)))


def _bridge(
    office: Office, account: Account, arguments: argparse.Namespace, *, anew: bool = False
) -> Account:
    """With the gateways it speaks for and the names of its site's broker, each as asked for, else
    as it was unless it is made anew; raises Misuse where neither says it."""
    asked = distinct(arguments.speaks_for)
    for gateway in asked:
        if gateway != EVERY:
            _check_gateway(office.view, gateway)
    if EVERY in asked and (len(asked) > 1 or EVERY in office.view.gateways):
        raise Misuse(f"--for {EVERY} stands alone, where no gateway has that name")
    if not asked and anew:
        raise Misuse(
            f"{account.name}: for which gateways? --for NAME for each; --for {EVERY} lets whoever "
            "has its folder speak as every gateway of the region"
        )
    others = [one for one in office.book.bridges if one.name != account.name]
    taken = [*office.book.hosts, *(host for one in others for host in one.hosts)]
    named = hosts(arguments.host, taken) or account.hosts
    if not named:
        raise Misuse(
            f"{account.name}: --host HOST is needed, the name by which gateways call the site's "
            "broker: it has a certificate of its own"
        )
    if len(arguments.names) > 1 and (arguments.host or asked):
        raise Misuse("one bridge at a time: each site has names and gateways of its own")
    speaks_for = tuple(name for name in asked if name != EVERY) if asked else account.speaks_for
    return account.model_copy(update={"speaks_for": speaks_for, "hosts": tuple(named)})


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


def rotated_account(office: Office, name: str, arguments: argparse.Namespace) -> Wanted:
    before = existing(office.book, name)
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
    if account.role is Role.BRIDGE:
        account = _bridge(office, account, arguments)
    return _checked(office.book, Wanted(account, way, days_of(name, arguments.days)))


def existing(book: Book, name: str) -> Account:
    account = book.find(name)
    if account is None:
        there = [one.name for one in book.accounts if not one.ended]
        raise BookError(f"{name}: no such account; {suggestion(name, there)}")
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
        _check_site(book, account)
    if wanted.way is Way.CERTIFICATE and not by_tls(account):
        raise Misuse(f"{account.name}: port {LOOPBACK_PORT} takes passwords only; give --password")
    return wanted


def _check_site(book: Book, account: Account) -> None:
    """Raises Misuse unless a site's broker of that name takes this account."""
    bridge = next((one for one in book.bridges if account.host in one.hosts), None)
    if bridge is None:
        known = [*book.hosts, *(host for one in book.bridges for host in one.hosts)]
        raise Misuse(
            f"--at {account.host}: no broker's certificate names it, so nobody would trust it "
            f"there; {suggestion(account.host, known)}; --refresh --host {account.host} adds it to "
            "the region's broker, --role bridge --host makes one for a site"
        )
    if account.role is not Role.GATEWAY:
        raise Misuse(f"--at {account.host}: that is the broker of {bridge.name}, for gateways only")
    if bridge.speaks_for and account.name not in bridge.speaks_for:
        raise Misuse(
            f"--at {account.host}: {bridge.name} does not speak for {account.name}; "
            f"streamer enroll --rotate {bridge.name} --role bridge with --for for each gateway "
            "there changes that"
        )
