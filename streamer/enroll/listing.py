"""`streamer enroll --list`: who has what until when, what ends soonest first."""

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from typing import Final

from pydantic import BaseModel, ConfigDict

from streamer.contract.common import Moment
from streamer.enroll.arguments import SOON_DAYS
from streamer.enroll.book import Account, Credential, Way
from streamer.enroll.office import Office
from streamer.reading.text import plural, table

SERIAL_DIGITS: Final = 8
"""The last ones are shown."""


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
    summary: str
    rows: tuple[Row, ...]
    notes: tuple[str, ...]

    @property
    def well(self) -> bool:
        """Whether nothing ends soon."""
        return not any(row.soon for row in self.rows)


def listing(office: Office, within_days: int | None = None) -> Listing:
    """All accounts and papers of a folder; or those alone that end within so many days."""
    soon = timedelta(days=SOON_DAYS if within_days is None else within_days)
    rows = [*_papers(office, soon), *_accounts(office, soon)]
    rows.sort(key=lambda row: (row.until is None, row.until or office.now, row.name))
    summary = _summary(office, rows, soon)
    return Listing(
        region=office.book.region,
        at=office.now,
        summary=summary,
        rows=tuple(row for row in rows if row.soon or within_days is None),
        notes=tuple(_notes(office)),
    )


def _summary(office: Office, rows: Sequence[Row], soon: timedelta) -> str:
    accounts = office.book.accounts
    valid = sum(not a.ended and a.credentials[-1].live(office.now) for a in accounts)
    revoked = sum(a.ended for a in accounts)
    return (
        f"{plural(valid, 'account')} valid, {sum(row.soon for row in rows)} end within "
        f"{soon.days} days, {revoked} revoked, {len(_without(office))} of the region file without "
        "account"
    )


def _papers(office: Office, within: timedelta) -> Iterator[Row]:
    servers = [
        (name, end, "streamer enroll --refresh makes it anew") for name, end in office.servers()
    ]
    for name, end, advice in (
        *servers,
        ("authority", office.authority.until, "all must be enrolled anew in another folder"),
    ):
        soon = end is None or end - office.now < within
        state = advice if soon else "valid"
        yield Row(
            name=name, role="-", way="certificate", until=end, serial=None, state=state, soon=soon
        )


def _accounts(office: Office, within: timedelta) -> Iterator[Row]:
    for account in office.book.accounts:
        for one in account.credentials:
            newest = one is account.credentials[-1]
            if not one.live(office.now) and not newest:
                continue
            # The old one of two is meant to end.
            soon = newest and one.revoked_at is None and _ends_soon(one.until, office.now, within)
            yield Row(
                name=account.name,
                role=account.role,
                way=one.way,
                until=one.until,
                serial=one.serial,
                state=_state(account, one, office.now, soon),
                soon=soon,
            )


def _ends_soon(until: datetime | None, now: datetime, within: timedelta) -> bool:
    return until is not None and until - now < within


def _state(account: Account, one: Credential, now: datetime, soon: bool) -> str:
    if one.revoked_at is not None:
        return "revoked"
    if one is not account.credentials[-1]:
        return f"old; --revoke-old {account.name} ends it"
    if one.until is not None and one.until <= now:
        return f"expired; --rotate {account.name} makes a new one"
    if soon:
        return f"ends soon; --rotate {account.name} makes a new one"
    return "valid"


def _without(office: Office) -> list[str]:
    known = office.book.known()
    return [g for g in office.view.gateways if g not in known or known[g].ended]


def _notes(office: Office) -> Iterator[str]:
    without = _without(office)
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
            row.serial[-SERIAL_DIGITS:] if row.serial and row.way == Way.CERTIFICATE else "",
            row.state,
        ]
        for row in found.rows
    ]
    heads = ["NAME", "ROLE", "WAY", "UNTIL", "LEFT", "SERIAL", "STATE"]
    return [found.summary, *table(heads, rows), *(f"Note: {note}" for note in found.notes)]
