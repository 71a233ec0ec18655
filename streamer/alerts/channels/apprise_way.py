"""Mail, SMS and chat by the Apprise library: one address a line in a file of its own."""

import logging
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import apprise

from streamer.alert_settings import AppriseSettings
from streamer.alerts.channels.http import secret_text
from streamer.alerts.notice import Parcel, Undelivered
from streamer.alerts.words import CAUTION_LINE, QUIET, body, outcomes, short, subject
from streamer.contract.published import Alert, Beat, Severity
from streamer.domain.plain_words import plural

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


class AppriseChannel:
    """Implements `Channel`, and `Addressed` of the sender: each address is a channel of its own. A
    line with several recipients is one address: those who must not get a message twice, when
    another of them was to be tried again, get a line each."""

    refresh_s: float | None = None

    def __init__(self, settings: AppriseSettings) -> None:
        load_services()
        self.name = settings.name
        self._settings = settings

    def lines(self) -> list[int]:
        """The lines of the file that hold an address; raises Undelivered."""
        return [line.number for line in self._lines()]

    def line(self, number: int) -> "AppriseLine":
        """One address, which need not be there: the file is read when something is sent."""
        return AppriseLine(self, number)

    def send(self, parcel: Parcel) -> None:
        """To every address. Raises Undelivered if one does not take it, which names each that does
        not; final where that is because Apprise knows no such address."""
        self._to_all(lambda line: line.send(parcel))

    def send_beat(self, beat: Beat) -> None:
        """To every address, as `send`."""
        self._to_all(lambda line: line.send_beat(beat))

    def _to_all(self, send: Callable[["AppriseLine"], None]) -> None:
        errors = []
        for number in self.lines():
            try:
                send(self.line(number))
            except Undelivered as error:
                errors.append(error)
        if errors:
            raise Undelivered("; ".join(map(str, errors)), final=all(e.final for e in errors))

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

    def tell(self, number: int, title: str, text: str, how: apprise.NotifyType) -> None:
        """Send to the address of a line; `title` is left out where messages are short."""
        line = next((line for line in self._lines() if line.number == number), None)
        if line is None:
            raise Undelivered(f"line {number} of urls_file holds an address no more")
        service = self._service(line)
        if service is None:
            raise Undelivered(self._unknown(line), final=True)
        if not _notify(service, "" if self._settings.short else title, text, how):
            raise Undelivered(
                f"line {number} ({line.scheme}) did not take it; "
                "to see why: apprise -vv -b test ADDRESS"
            )

    @property
    def short(self) -> bool:
        return self._settings.short


class AppriseLine:
    """Implements `Channel` for one address. What it has taken it is not sent again while this
    object lives: when the worker could not note that."""

    refresh_s: float | None = None

    def __init__(self, channel: AppriseChannel, number: int) -> None:
        self.name = channel.name
        self._channel = channel
        self._number = number
        self._took = ""

    def send(self, parcel: Parcel) -> None:
        """Raises Undelivered: final where Apprise knows no such address."""
        if parcel.id == self._took:
            return
        text = short(parcel) if self._channel.short else body(parcel)
        self._channel.tell(self._number, subject(parcel), text, _how_bad(parcel))
        self._took = parcel.id

    def send_beat(self, beat: Beat) -> None:
        """Raises Undelivered."""
        counts = f"{plural(beat.open, 'alert')} in nobody's hand, {beat.acknowledged} in hand"
        text = (
            f"The way of alerts of region {beat.region} works: {beat.at:%Y-%m-%d %H:%M:%S}Z. "
            f"{counts}. When this is not heard for three times {beat.next_within_s:g} s, alerts "
            f"may not arrive."
        )
        text = text if self._channel.short else f"{text}\n{CAUTION_LINE}\n"
        title = f"Alerts of {beat.region} work"
        self._channel.tell(self._number, title, text, apprise.NotifyType.INFO)

    def refresh(self, standing: Sequence[Alert]) -> None:
        """Nothing: a mail is not brought up to date."""


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
