"""Alerts as CAP 1.2 messages: files in a folder with an Atom feed, and or by POST."""

from collections.abc import Mapping, Sequence
from typing import Final

from streamer.alert_settings import CapSettings
from streamer.alerts.cap.atom import CAP_TYPE, FEED, Feed
from streamer.alerts.cap.check import Identity, problems_of
from streamer.alerts.cap.files import CapFolder
from streamer.alerts.cap.message import CapMessage, cap_message
from streamer.alerts.notice import Parcel, Undelivered
from streamer.clock import Clock, from_ms
from streamer.config import RegionView
from streamer.contract.published import Alert, Beat

_REMEMBERED: Final = 1000
_LONGEST_TIMEOUTS: Final = 2
"""After so many timeouts no further message of a parcel is begun: whoever calls lends the parcel
for a time, and another worker would send it beside this one."""


class CapChannel:
    """A `Channel`. Each notice of a parcel is a message of its own, since each refers to others.

    Files and POST are independent: what one of them does not take, the other may. When a parcel is
    tried again, what was taken is not sent again by this object; a worker that died meanwhile sends
    it once more, with the same identifier and the same bytes.
    """

    refresh_s: float | None = None

    def __init__(self, settings: CapSettings, view: RegionView, clock: Clock) -> None:
        self.name = settings.name
        self._settings = settings
        self._view = view
        self._clock = clock
        self._taken: dict[Identity, None] = {}
        self._folder: CapFolder | None = None
        if settings.folder is not None:
            self._folder = CapFolder(settings.folder, settings.keep_days)
            title = f"Alerts of region {view.region.title or view.name}"
            self._feed = Feed(self._folder, settings.sender, title, settings.feed_url)
        self._caller = None
        if settings.url is not None or settings.url_file is not None:
            # Only here: who has files alone needs no library for it.
            from streamer.alerts.channels.http import Caller, address  # noqa: PLC0415

            self._caller = Caller(
                lambda: address(settings.url, settings.url_file),
                settings.timeout_s,
                show_refusal=settings.url_file is None,
            )

    def send(self, parcel: Parcel) -> None:
        """Files first, then the POSTs in the order of the notices. Raises Undelivered: final only
        if nothing is left that a second try could bring."""
        titles = {notice.alert.id: notice.alert.title for notice in parcel.notices}
        made = [cap_message(n, self._settings, self._view, titles) for n in parcel.notices]
        wrong = {m.identity: text for m in made if (text := _wrong(m))}
        good = [message for message in made if message.identity not in wrong]
        troubles = [Undelivered(text, final=True) for text in wrong.values()]
        content = {message.identity: message.content for message in good}
        try:
            content |= self._put(good)
        except Undelivered as trouble:
            troubles.append(trouble)
        troubles += self._post(content)
        if troubles:
            text = "; ".join(dict.fromkeys(map(str, troubles)))
            raise Undelivered(text, final=all(trouble.final for trouble in troubles))

    def send_beat(self, beat: Beat) -> None:
        """CAP has no message for it: the feed's `updated` moves on. Nothing by POST."""
        if self._folder is not None:
            self._folder.sweep(from_ms(self._clock.now_ms()))
            self._feed.write(beat.at)

    def refresh(self, standing: Sequence[Alert]) -> None:
        """Nothing: a message stands until it is cancelled or expires."""

    def way(self) -> list[str]:
        """Where it leads, for people; raises Undelivered."""
        found = [f"CAP 1.2 by {self._settings.sender}"]
        if self._settings.folder is not None:
            found.append(f"files and {FEED} in {str(self._settings.folder)!r}")
        if self._caller is not None:
            found.append(f"POST to {self._caller.place()}")
        return found

    def faults(self) -> list[str]:
        """What is wrong with its folder and address, before anything is sent."""
        found = [] if self._folder is None else self._folder.faults()
        if self._caller is not None:
            try:
                self._caller.place()
            except Undelivered as error:
                found.append(str(error))
        return found

    def _put(self, messages: Sequence[CapMessage]) -> dict[Identity, bytes]:
        if self._folder is None:
            return {}
        content = {message.identity: self._folder.put(message) for message in messages}
        now = from_ms(self._clock.now_ms())
        self._folder.sweep(now)
        self._feed.write(now)
        return content

    def _post(self, messages: Mapping[Identity, bytes]) -> list[Undelivered]:
        """What the other side did not take. After one that it may take later none is sent, so that
        an Update does not come before its Alert."""
        troubles: list[Undelivered] = []
        if self._caller is None:
            return troubles
        end_s = self._clock.monotonic_s() + _LONGEST_TIMEOUTS * self._settings.timeout_s
        for identity, content in messages.items():
            if identity in self._taken:
                continue
            if self._clock.monotonic_s() > end_s:
                troubles.append(Undelivered("the other side is slow; the rest follows"))
                break
            try:
                self._caller.post(content, {"content-type": CAP_TYPE})
            except Undelivered as trouble:
                troubles.append(trouble)
                if not trouble.final:
                    break
            else:
                self._taken[identity] = None
        while len(self._taken) > _REMEMBERED:
            self._taken.pop(next(iter(self._taken)))
        return troubles


def _wrong(message: CapMessage) -> str:
    """What our own check says, which is a fault of ours; '' if it says nothing."""
    problems = problems_of(message.content)
    if not problems:
        return ""
    return f"CAP message {message.identity.identifier} is not as it must be: {'; '.join(problems)}"
