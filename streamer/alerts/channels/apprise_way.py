"""Mail, SMS and chat by the Apprise library: one address a line in a file of its own."""

import hashlib
import logging
import warnings
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import apprise

from streamer.alert_settings import AppriseSettings
from streamer.alerts.channels.http import secret_text
from streamer.alerts.notice import Parcel, Undelivered
from streamer.alerts.words import CAUTION_LINE, QUIET, body, outcomes, short, subject
from streamer.clock import Clock
from streamer.contract.published import Alert, Beat, Severity
from streamer.domain.plain_words import plural

_REMEMBERED: Final = 200
"""Parcels of which it is known who took them."""
_BUDGET: Final = 2
"""No further address is begun after so many times `timeout_s`: the worker's lease of a parcel ends,
and then another would send it as well."""

# What it logs, and what it uses, may hold an address with its secrets; its failures are told by us.
for _name in ("apprise", "urllib3"):
    logging.getLogger(_name).setLevel(logging.CRITICAL + 1)


def load_services() -> None:
    """Import what the library knows of services, a second's work, before the first alert needs it.
    It asks for modules that Python will drop, which is the library's own business."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        apprise.Apprise.instantiate("json://localhost")


@dataclass(frozen=True, slots=True)
class Line:
    """An address of the file. `scheme` may be shown (mailto, json ...), the address never."""

    number: int
    scheme: str
    url: str

    @property
    def digest(self) -> bytes:
        return hashlib.sha256(self.url.encode()).digest()


class AppriseChannel:
    """Implements `Channel`. Each address is sent to by itself, and what has taken a parcel is not
    sent it again while this object lives, when another of them was to be tried again. A line with
    several recipients is one address: those who must not get a message twice get a line each."""

    refresh_s: float | None = None

    def __init__(self, settings: AppriseSettings, clock: Clock) -> None:
        load_services()
        self.name = settings.name
        self._clock = clock
        self._settings = settings
        self._took: OrderedDict[str, set[bytes]] = OrderedDict()
        self._failing: set[bytes] = set()

    def send(self, parcel: Parcel) -> None:
        """To every address that has not taken it yet. Raises Undelivered if one does not: final
        where that is because Apprise knows no such address."""
        if self._settings.short:
            self._tell(parcel.id, "", short(parcel), _how_bad(parcel))
        else:
            self._tell(parcel.id, subject(parcel), body(parcel), _how_bad(parcel))

    def send_beat(self, beat: Beat) -> None:
        counts = f"{plural(beat.open, 'alert')} in nobody's hand, {beat.acknowledged} in hand"
        text = (
            f"The way of alerts of region {beat.region} works: {beat.at:%Y-%m-%d %H:%M:%S}Z. "
            f"{counts}. When this is not heard for three times {beat.next_within_s:g} s, alerts "
            f"may not arrive."
        )
        title = "" if self._settings.short else f"Alerts of {beat.region} work"
        text = text if self._settings.short else f"{text}\n{CAUTION_LINE}\n"
        self._tell(f"beat-{beat.version}", title, text, apprise.NotifyType.INFO)

    def refresh(self, standing: Sequence[Alert]) -> None:
        """Nothing: a mail is not brought up to date."""

    def faults(self) -> list[str]:
        """What is wrong with its file, before anything is sent."""
        try:
            lines = self._lines()
        except Undelivered as error:
            return [str(error)]
        return [self._unknown(line) for line in lines if self._service(line) is None]

    def way(self) -> list[str]:
        """Where it leads, for people: `line 2: mailto`; raises Undelivered."""
        return [f"line {line.number}: {line.scheme}" for line in self._lines()]

    def _lines(self) -> list[Line]:
        path = self._settings.urls_file
        text = secret_text(path, "urls_file")
        found = [
            Line(number, url.partition(":")[0][:20] if ":" in url else "?", url)
            for number, line in enumerate(text.split("\n"), 1)
            if (url := line.strip()) and not url.startswith("#")
        ]
        if not found:
            raise Undelivered(f"urls_file {str(path)!r} holds no address: put one a line")
        return found

    def _service(self, line: Line) -> apprise.NotifyBase | None:
        asset = apprise.AppriseAsset(
            async_mode=False, secure_logging=True, http_redirects=False, pem_autogen=False,
            pgp_autogen=False, storage_mode=apprise.PersistentStoreMode.MEMORY,
        )  # fmt: skip
        service: apprise.NotifyBase | None = apprise.Apprise.instantiate(line.url, asset=asset)
        if service is not None:
            for name, given in (
                ("socket_connect_timeout", "cto="),
                ("socket_read_timeout", "rto="),
            ):
                if given not in line.url:
                    setattr(service, name, self._settings.timeout_s)
        return service

    def _unknown(self, line: Line) -> str:
        return (
            f"urls_file {str(self._settings.urls_file)!r}, line {line.number}: Apprise knows no "
            f"such address ({line.scheme}://...); its documents say how it is written"
        )

    def _tell(self, parcel_id: str, title: str, text: str, how: apprise.NotifyType) -> None:
        took = self._took.setdefault(parcel_id, set())
        self._took.move_to_end(parcel_id)
        while len(self._took) > _REMEMBERED:
            self._took.popitem(last=False)
        later, never = [], []
        ends_s = self._clock.monotonic_s() + self._settings.timeout_s * _BUDGET
        # Those that failed last come last: they must not use up the time of the others.
        for line in sorted(self._lines(), key=lambda line: line.digest in self._failing):
            if line.digest in took:
                continue
            service = self._service(line)
            if service is None:
                never.append(self._unknown(line))
            elif self._clock.monotonic_s() > ends_s:
                later.append(f"line {line.number} ({line.scheme}) was not tried, for want of time")
            elif _notify(service, title, text, how):
                took.add(line.digest)
                self._failing.discard(line.digest)
            else:
                self._failing.add(line.digest)
                later.append(
                    f"line {line.number} ({line.scheme}) did not take it; "
                    "to see why: apprise -vv -b test ADDRESS"
                )
        if later or never:
            raise Undelivered("; ".join([*later, *never]), final=not later)


def _notify(service: apprise.NotifyBase, title: str, text: str, how: apprise.NotifyType) -> bool:
    try:
        return bool(
            service.notify(
                body=text, title=title, notify_type=how, body_format=apprise.NotifyFormat.TEXT
            )
        )
    except Exception:  # a plugin's; it must not stop what goes to the others
        return False


def _how_bad(parcel: Parcel) -> apprise.NotifyType:
    """Colour and sign where the service has them. What is cleared is no success: it says nothing of
    anybody's safety."""
    worst = outcomes(parcel)[0]
    if worst.turn in QUIET:
        return apprise.NotifyType.INFO
    if worst.alert.severity is Severity.CRITICAL:
        return apprise.NotifyType.FAILURE
    return apprise.NotifyType.WARNING
