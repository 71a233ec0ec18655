"""`streamer enroll`: accounts at the broker for gateways, workers, boards and readers."""

import argparse
import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

from streamer.clock import Clock, SystemClock
from streamer.config import ConfigError, RegionView, load_region
from streamer.enroll.arguments import FOLDER_VARIABLE
from streamer.enroll.authority import AuthorityError
from streamer.enroll.book import Account, BookError, Credential, Role, Way
from streamer.enroll.listing import SERIAL_DIGITS, lines, listing
from streamer.enroll.office import BROKER_FOLDER, REVOKED, SHARE, Office, Wanted, found, opened
from streamer.enroll.passwords import PASSPHRASE_VARIABLE
from streamer.enroll.whom import (
    Misuse,
    distinct,
    existing,
    hosts,
    new_account,
    rotated_account,
)
from streamer.reading.text import complain, plural, say
from streamer.region_option import NO_REGION

WELL, WRONG, MISUSED = 0, 1, 2
MOST_DAYS: Final = 3660
_NAMED: Final = 6
_TO: Final = {
    Role.GATEWAY: "to its keeper",
    Role.BRIDGE: "to the broker at that site",
    Role.READER: "to whoever reads with it",
}


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
    except BrokenPipeError:
        raise  # nobody reads on; that is the command's own business
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
            shown = listing(office, arguments.within)
            say([shown.model_dump_json(indent=2)] if arguments.json else lines(shown))
            return WELL if shown.well else WRONG
        if arguments.refresh:
            office.add_hosts(
                hosts(arguments.host, [h for b in office.book.bridges for h in b.hosts])
            )
        elif arguments.new_share:
            say(_new_share(office))
        elif arguments.revoke or arguments.revoke_old:
            say(_revoke(office, arguments))
        elif not arguments.init:
            say(_issue(office, arguments))
        say(_broker_lines(office, arguments.folder))
    return WELL


def _check(arguments: argparse.Namespace) -> None:
    if arguments.region is None:
        raise Misuse(NO_REGION)
    if arguments.folder is None:
        raise Misuse(f"which folder? Give --folder FOLDER or set ${FOLDER_VARIABLE}")
    arguments.region, arguments.folder = Path(arguments.region), Path(arguments.folder)
    acts = ("init", "all", "list", "refresh", "new_share")
    alone = next((act for act in acts if getattr(arguments, act)), None)
    if alone and arguments.names:
        raise Misuse(f"--{alone.replace('_', '-')} takes no names")
    if not alone and not arguments.names:
        raise Misuse("whom? Give names, or one of --init, --all, --list, --refresh, --new-share")
    bridge = arguments.role == Role.BRIDGE and not (arguments.revoke or arguments.revoke_old)
    for option, given, fits in (
        ("--host", arguments.host, arguments.init or arguments.refresh or bridge),
        ("--port", arguments.port, arguments.init),
        ("--password-port", arguments.password_port, arguments.init),
        ("--for", arguments.speaks_for, bridge),
        ("--json", arguments.json, arguments.list),
        ("--within", arguments.within is not None, arguments.list),
        ("--certificate", arguments.certificate, arguments.rotate),
    ):
        if given and not fits:
            raise Misuse(f"{option} does not go with this; see streamer enroll --help")
    if arguments.init and not arguments.host:
        raise Misuse("--init needs --host: the broker's name as gateways will call it")
    if arguments.password and arguments.certificate:
        raise Misuse("--password or --certificate, one of the two")
    for option, days in (("--days", arguments.days), ("--within", arguments.within)):
        if days is not None and not 1 <= days <= MOST_DAYS:
            raise Misuse(f"{option}: 1 to {MOST_DAYS} are expected")


def _passphrase() -> str | None:
    return os.environ.get(PASSPHRASE_VARIABLE) or None


def _found(arguments: argparse.Namespace, view: RegionView, clock: Clock) -> None:
    given = {"certificate_port": arguments.port, "password_port": arguments.password_port}
    ports = {name: port for name, port in given.items() if port is not None}
    if any(not 0 < port < 65_536 for port in ports.values()):
        raise Misuse("--port, --password-port: 1 to 65535 are expected")
    found(arguments.folder, view, hosts(arguments.host), clock, _passphrase(), ports)
    say([f"{arguments.folder}: begun for region {view.name}. Keep keep/ secret, and back all up."])


def _broker_lines(office: Office, folder: Path) -> Iterator[str]:
    changed = office.refresh()
    if not changed:
        yield "The broker's files are as they were."
    for place, names in changed.items():
        whose = "the broker" if place == BROKER_FOLDER else "the broker at that site"
        yield (
            f"Changed in {folder / place}: {', '.join(sorted(names))}. Copy that folder to "
            f"{whose} and reload it (SIGHUP)."
        )


# -- changes ---------------------------------------------------------------------------------------


def _issue(office: Office, arguments: argparse.Namespace) -> Iterator[str]:
    if arguments.rotate:
        wanted = [rotated_account(office, name, arguments) for name in distinct(arguments.names)]
    else:
        names = arguments.names
        if arguments.all:
            known = office.book.known()
            names = [g for g in office.view.gateways if g not in known]
            if out := [g for g in office.view.gateways if g in known and known[g].ended]:
                yield f"Left out, as revoked: {', '.join(out)}. Each is enrolled anew by its name."
            if not names:
                yield f"Every {'other ' if out else ''}gateway of the region file has an account."
                return
        wanted = [new_account(office, name, arguments) for name in distinct(names)]
    folders = office.issue(wanted)
    for one, folder in list(zip(wanted, folders, strict=True))[:_NAMED]:
        whom = _TO.get(one.account.role, "to where its program runs")
        yield f"{folder}: to be copied {whom}, by a way that nobody else can read."
    if len(folders) > _NAMED:
        yield f"... and {plural(len(folders) - _NAMED, 'folder')} more."
    if arguments.rotate:
        yield from _old_ones(wanted)
        yield from _share_is_known([one.account for one in wanted])


def _old_ones(wanted: Sequence[Wanted]) -> Iterator[str]:
    """What becomes of the credentials that accounts had before."""
    changes = {(one.account.credentials[-1].way, one.way) for one in wanted}
    if (Way.PASSWORD, Way.PASSWORD) in changes:
        yield "An old password in whose place there is a new one ends when the broker is reloaded."
    for way in sorted({old for old, new in changes if (old, new) != (Way.PASSWORD, Way.PASSWORD)}):
        yield f"An old {way} stays valid until `streamer enroll --revoke-old NAME`."


def _revoke(office: Office, arguments: argparse.Namespace) -> Iterator[str]:
    accounts = [existing(office.book, name) for name in distinct(arguments.names)]
    older = [one for one in accounts if any(c.revoked_at is None for c in one.credentials[:-1])]
    ended = office.revoke(accounts, newest_too=arguments.revoke)
    yield f"{plural(ended, 'credential')} of {plural(len(accounts), 'account')} ended."
    if not ended:
        return
    if arguments.revoke:
        yield from _drain_first(accounts)
        yield f"What lay in {plural(len(accounts), 'folder')} is in {office.folder / REVOKED} now."
    yield (
        "It holds once the broker has been reloaded. A connection that is there stays: a "
        "revoked account can do nothing on it; of a changed account it ends when the new "
        "credentials connect, or when the broker is started again."
    )
    if arguments.revoke_old:
        yield from map(_left, older)
        return
    yield from _share_is_known(accounts)
    for account in accounts:
        if account.hosts:
            yield (
                f"Whoever has {account.name}'s folder can still play the broker of that site "
                f"({', '.join(account.hosts)}) towards gateways: none asks for a list of the "
                "revoked. Send them elsewhere: --rotate GATEWAY --at HOST."
            )


def _left(account: Account) -> str:
    """Nobody here can see what it connects with."""
    newest = account.credentials[-1]
    what = "the password" if newest.way is Way.PASSWORD else f"the certificate ..{_tail(newest)}"
    return (
        f"{account.name}: {what} of {newest.made_at:%Y-%m-%d %H:%M} UTC is left. Unless it has "
        "changed over to it, it is off the network after the reload: ask its keeper first."
    )


def _tail(credential: Credential) -> str:
    return (credential.serial or "")[-SERIAL_DIGITS:]


def _share_is_known(accounts: Sequence[Account]) -> Iterator[str]:
    names = [account.name for account in accounts if account.role is Role.WORKER]
    if names:
        yield (
            f"Whoever has the old folder of {', '.join(names)} knows the name of the workers' "
            "share, and with any other account could take events from the workers. If it may be "
            "in wrong hands: streamer enroll --new-share."
        )


def _drain_first(accounts: Sequence[Account]) -> Iterator[str]:
    """The broker deals an absent worker its turn, a revoked one too, whose share of it is lost."""
    for account in accounts:
        if account.role is Role.WORKER:
            yield (
                f"Drain {account.name} first, before the broker has the new files: stop it, then "
                f"streamer worker REGION.toml --name {account.name} --drain with the files that it "
                "has. What the broker holds for it, and deals it later, is lost otherwise; if it "
                "cannot be drained, --new-share ends its turn."
            )


def _new_share(office: Office) -> Iterator[str]:
    places = office.new_share()
    yield f"The workers' share has a new name, also in {plural(len(places), 'folder')}:"
    yield from (f"  {place / SHARE}" for place in places)
    yield (
        "Now each worker, one after the other, so that events always have somewhere to go: stop "
        "it, empty the old share by `streamer worker ... --drain`, copy the new file, start it. "
        "One worker alone: enrol a second one first. Only when the last one has changed does the "
        "old name mean nothing."
    )
