"""`streamer enroll --list`: who has what until when, what ends soonest first."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Final

from pydantic import BaseModel, ConfigDict

from streamer.contract.common import Moment
from streamer.enroll.book import Account, Way
from streamer.enroll.office import Office
from streamer.reading.text import plural, table

SOON: Final = timedelta(days=30)
"""What ends within it makes the exit code 1, so that cron can tell."""


class Row(BaseModel):
    """One credential, or one of the authority's own papers. `soon`: it needs somebody now."""

    model_config = ConfigDict(frozen=True)

    name: str
    role: str
    way: str
    until: Moment | None
    serial: str | None
    state: str
    soon: bool


class Listing(BaseModel):
    """What --json prints."""

    model_config = ConfigDict(frozen=True)

    region: str
    at: Moment
    rows: tuple[Row, ...]
    notes: tuple[str, ...]

    @property
    def well(self) -> bool:
        """Whether nothing ends soon."""
        return not any(row.soon for row in self.rows)


def listing(office: Office) -> Listing:
    """All accounts and papers of a folder."""
    rows = [*_papers(office), *_accounts(office)]
    rows.sort(key=lambda row: (row.until is None, row.until or office.now, row.name))
    return Listing(
        region=office.book.region, at=office.now, rows=tuple(rows), notes=tuple(_notes(office))
    )


def _papers(office: Office) -> Iterator[Row]:
    server = office.server_end()
    for name, end, advice in (
        ("broker", server, "streamer enroll --refresh makes it anew"),
        ("authority", office.authority.until, "all must be enrolled anew in another folder"),
    ):
        soon = end is None or end - office.now < SOON
        state = advice if soon else "valid"
        yield Row(
            name=name, role="-", way="certificate", until=end, serial=None, state=state, soon=soon
        )


def _accounts(office: Office) -> Iterator[Row]:
    for account in office.book.accounts:
        for one in account.credentials:
            newest = one is account.credentials[-1]
            if not one.live(office.now) and not newest:
                continue
            # The old one of two is meant to end.
            soon = newest and one.revoked_at is None and _ends_soon(one.until, office.now)
            yield Row(
                name=account.name,
                role=account.role,
                way=one.way,
                until=one.until,
                serial=one.serial,
                state=_state(account, newest, one.revoked_at is not None, one.until, office.now),
                soon=soon,
            )


def _ends_soon(until: datetime | None, now: datetime) -> bool:
    return until is not None and until - now < SOON


def _state(
    account: Account, newest: bool, revoked: bool, until: datetime | None, now: datetime
) -> str:
    if revoked:
        return "revoked"
    if not newest:
        return f"old; --revoke-old {account.name} ends it"
    if until is not None and until <= now:
        return f"expired; --rotate {account.name} makes a new one"
    if _ends_soon(until, now):
        return f"ends soon; --rotate {account.name} makes a new one"
    return "valid"


def _notes(office: Office) -> Iterator[str]:
    known = office.book.known()
    without = [g for g in office.view.gateways if g not in known or known[g].ended]
    if without:
        named = ", ".join(without[:5]) + (" and more" if len(without) > 5 else "")
        yield f"{plural(len(without), 'gateway')} of the region file without an account: {named}"
    strays = [a.name for a in office.book.accounts if a.role == "gateway" and not a.ended]
    strays = [name for name in strays if name not in office.view.gateways]
    if strays:
        yield (
            f"not in the region file any more: {', '.join(strays[:5])}; --revoke ends their access"
        )


def lines(found: Listing) -> list[str]:
    """The listing for people."""
    rows = [
        [
            row.name,
            row.role,
            row.way,
            row.until.strftime("%Y-%m-%d") if row.until else "no end",
            f"{(row.until - found.at).days} d" if row.until else "",
            row.serial[-8:] if row.serial and row.way == Way.CERTIFICATE else "",
            row.state,
        ]
        for row in found.rows
    ]
    heads = ["NAME", "ROLE", "WAY", "UNTIL", "LEFT", "SERIAL", "STATE"]
    return [*table(heads, rows), *(f"Note: {note}" for note in found.notes)]
