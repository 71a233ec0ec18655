"""What waits for each channel and what was given up, as `streamer channels` shows it."""

from contextlib import closing
from typing import Final

from pydantic import ValidationError

from streamer.alerts.deliveries import gave_up_lately, stuck_since_ms
from streamer.alerts.notice import Notice
from streamer.alerts.words import headline
from streamer.clock import from_ms
from streamer.config import RegionView
from streamer.contract.common import Moment
from streamer.reading.common import Document
from streamer.reading.text import plural, wrap
from streamer.state.alerting import Delivery, channel_of_part
from streamer.state.store import Store, StoreUnavailable, connect

LETTERS_SHOWN: Final = 3
_HEADLINES_SHOWN: Final = 5


class Queue(Document):
    """What one channel, or one of its addresses (`line` of its file), has not taken. `why`: what
    the last try said. `stuck`: for so long that the way counts as not working."""

    line: int | None
    waiting: int
    not_taken_since: Moment | None
    why: str
    stuck: bool
    given_up_lately: int


class Letter(Document):
    """A message that was given up; `alerts`: the first line of each of its notices."""

    at: Moment
    part: str
    why: str
    tries: int
    alerts: tuple[str, ...]


class Queues(Document):
    """Of one channel; the newest letters first."""

    queues: tuple[Queue, ...]
    letters: tuple[Letter, ...]

    @property
    def well(self) -> bool:
        return not any(queue.stuck or queue.given_up_lately for queue in self.queues)


def read_queues(view: RegionView, instead: str | None, now_ms: int) -> dict[str, Queues]:
    """By channel. `instead`: a Redis other than the region file's. Raises StoreUnavailable, and
    ValueError if `instead` is no address, OSError if the password cannot be read."""
    address = view.redis_address(instead)
    pauses_s = {channel.name: channel.pause_s for channel in view.region.channel}
    names = list(pauses_s)
    if not names:
        return {}
    with closing(connect(address)) as client:
        store = Store(client, view)
        try:
            found = store.deliveries(names)
            letters = {name: store.dead_letters(name, LETTERS_SHOWN) for name in names}
        except StoreUnavailable as error:
            raise StoreUnavailable(f"{address.place}: {error}") from error
    return {
        name: Queues(
            queues=tuple(_queue(delivery, pauses_s[name], now_ms) for delivery in found[name]),
            letters=tuple(map(_letter, letters[name])),
        )
        for name in names
    }


def _queue(delivery: Delivery, pause_s: float, now_ms: int) -> Queue:
    made_ms, stuck_ms = delivery.made_ms, stuck_since_ms(delivery, pause_s, now_ms)
    return Queue(
        line=delivery.line,
        waiting=delivery.waiting,
        not_taken_since=None if made_ms is None else from_ms(made_ms),
        why=delivery.why,
        stuck=stuck_ms is not None,
        given_up_lately=delivery.gave_up if gave_up_lately(delivery, now_ms) else 0,
    )


def _letter(found: dict[str, str]) -> Letter:
    return Letter(
        at=from_ms(int(found["at"])),
        part=found.get("part", ""),
        why=found["why"],
        tries=int(found["tries"]),
        alerts=tuple(_headline(text) for text in found["notices"].split("\n")),
    )


def _headline(text: str) -> str:
    try:
        return headline(Notice.model_validate_json(text))
    except ValidationError:
        return "a notice of another version, or whose station was forgotten"


def queue_lines(found: Queues) -> list[str]:
    """For people."""
    lines: list[str] = []
    for queue in found.queues:
        lines += _queue_lines(queue)
    if not any(queue.waiting for queue in found.queues):
        lines += wrap("nothing waits", "  ", "    ")
    for letter in found.letters:
        of = f" of {letter.part}" if channel_of_part(letter.part) != letter.part else ""
        tries = plural(letter.tries, "try", "tries")
        said = f"given up{of} {letter.at:%Y-%m-%d %H:%M:%S}Z after {tries}: {letter.why}"
        lines += wrap(said, "  ", "    ")
        for alert in letter.alerts[:_HEADLINES_SHOWN]:
            lines += wrap(alert, "    ", "      ")
        more = len(letter.alerts) - _HEADLINES_SHOWN
        lines += wrap(f"and {more} more", "    ") if more > 0 else []
    return lines


def _queue_lines(queue: Queue) -> list[str]:
    if not queue.waiting:
        return []
    where = "" if queue.line is None else f"line {queue.line}: "
    waits = f"{where}{plural(queue.waiting, 'notice waits', 'notices wait')}"
    mark = "NOT DELIVERED: " if queue.stuck else ""
    if queue.not_taken_since is None:
        why = ", and no worker takes them up: start the workers again" if queue.stuck else ""
        return wrap(f"{mark}{waits}{why}", "  ", "    ")
    since = f"not taken since {queue.not_taken_since:%Y-%m-%d %H:%M:%S}Z"
    return wrap(f"{mark}{waits}, {since}: {queue.why or 'being sent'}", "  ", "    ")
