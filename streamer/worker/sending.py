"""Sends parcels of notices on the channels, a thread for each, so that a slow one holds up neither
the worker nor another channel.

A parcel is fixed in Redis before it is sent and leaves it when the other side has it. A worker that
dies in between sends it again when it is back, another one when the lease ends: the same parcel
under the same id. Several workers share the channels without knowing of each other.

A channel of several addresses (Apprise) has a queue and a thread for each beside its own, whose
parcels are only shared out among them: an address that is dead keeps nobody else waiting.
"""

import threading
from collections.abc import Iterable, Sequence
from contextlib import suppress
from typing import Final, Protocol, TypeVar, runtime_checkable

import structlog
from pydantic import ValidationError

from streamer.alert_settings import ChannelSettings
from streamer.alerts.deliveries import is_stuck
from streamer.alerts.notice import Channel, Notice, Parcel, Undelivered
from streamer.alerts.routing import stands_on
from streamer.backoff import backoff_s
from streamer.clock import Clock, from_ms
from streamer.contract.common import Message
from streamer.contract.published import Alert, Beat
from streamer.contract.topics import beat_topic
from streamer.domain.plain_words import plural
from streamer.state import keys
from streamer.state.alerting import TakenParcel, number_of, part_name
from streamer.state.store import Store, StoreUnavailable
from streamer.worker.metrics import OUTCOMES, Metrics

log = structlog.get_logger()

ROUND_S: Final = 0.25
PART_ROUND_S: Final = 1.0
GIVEN_UP_MS: Final = 24 * 3_600_000
"""A parcel that nobody has taken for so long is kept as a dead letter: what it says is no news."""
FAULT_GIVEN_UP_MS: Final = 3_600_000
"""One that a fault of ours keeps from being sent: that nobody mends by waiting, and all behind it
waits too. Common practice, no source."""
UNREAD_MS: Final = 30_000
"""So long a parcel with notices that this program cannot read is left to a newer one beside it."""
LONGEST_PAUSE_S: Final = 60.0
"""Between two tries: what waits may be about somebody missing."""
LOOK_MS: Final = 10_000
"""How often a channel's addresses are looked at."""
_STOPS_WITHIN_S: Final = 3.0

Read = TypeVar("Read", bound=Message)


@runtime_checkable
class Addressed(Protocol):
    """A channel of several addresses, each of which is a channel."""

    def lines(self) -> list[int]:
        """The addresses that there are now, by line of their file; raises Undelivered."""

    def line(self, number: int) -> Channel:
        """One of them; it may be there no more."""


class Sending:
    """One channel of one worker, or (`part`) one address of it. `store` must be its own: it is used
    from other threads."""

    def __init__(
        self,
        settings: ChannelSettings,
        channel: Channel,
        owner: str,
        store: Store,
        clock: Clock,
        metrics: Metrics,
        *,
        part: str | None = None,
        wells: dict[str, bool] | None = None,
    ) -> None:
        self._settings = settings
        self._channel = channel
        self._owner = owner
        self._store = store
        self._clock = clock
        self._metrics = metrics
        self._begun = False
        self._is_part = part is not None
        self.name = part or settings.name
        """Of its queue."""
        self._wells: dict[str, bool] = {} if wells is None else wells
        """Which queues of the channel are well: one that is not makes the channel so."""
        self._refresh_ms = 0
        self._lease_ms = round((settings.timeout_s * 4 + 20) * 1000)
        """Longer than a channel may take with a retry within."""
        self._parts: dict[int, Sending] = {}
        self._missed: set[int] = set()
        self._look_ms = 0
        self._leaving = False
        """Its address has left the file: what it does not take now is given up."""
        self.over = False
        """Its address has left, and nothing waits for it."""
        self._well(True)
        for outcome in OUTCOMES:
            metrics.parcels.labels(settings.name, outcome)  # a first one must not go unseen

    @property
    def parts(self) -> list["Sending"]:
        """Of a channel of several addresses those that are sent to; each wants rounds of its own,
        from any thread."""
        return list(self._parts.values())

    def round(self) -> None:
        """Send what is due. Raises StoreUnavailable; then nothing is lost, call it again."""
        now_ms = self._clock.now_ms()
        pause_s = 0.0 if self._is_part else self._settings.pause_s
        taken = self._store.take_parcel(
            self.name, self._owner, now_ms=now_ms, lease_ms=self._lease_ms,
            pause_ms=round(pause_s * 1000), begin=not self._begun,
            gather_ms=round(self._settings.gather_s * 1000),
        )  # fmt: skip
        self._begun = True
        addressed = self._channel if isinstance(self._channel, Addressed) else None
        if taken is not None:
            if addressed is not None:
                self._share(taken, addressed)
            else:
                self._send(taken)
        if addressed is not None and now_ms >= self._look_ms:
            self._look_ms = now_ms + LOOK_MS
            self._look(addressed)
        if self._settings.beat and addressed is None:
            self._beat()
        if self._channel.refresh_s is not None:
            self._refresh(self._channel.refresh_s)
        if not self._is_part:
            found = self._store.deliveries([self.name])[self.name]
            if not any(q.why or q.gave_up for q in found):
                self._healed()
            self._metrics.notices_waiting.labels(self.name).set(sum(q.waiting for q in found))

    # -- several addresses -----------------------------------------------------------------------

    def _share(self, taken: TakenParcel, addressed: Addressed) -> None:
        try:
            names = [part_name(self.name, number) for number in addressed.lines()]
        except Undelivered as error:
            self._failed(taken, error)
            return
        self._store.parcel_shared(self.name, taken, self._clock.now_ms(), names)
        self._well(True)
        self._look_ms = 0

    def _look(self, addressed: Addressed) -> None:
        """Have a part for each address: those of the file, and those that have left it while
        something waits for them. Two looks must miss one: it may be just being written."""
        try:
            there = set(addressed.lines())
        except Undelivered:
            return  # said when something is to be sent
        queues = self._store.deliveries([self.name])[self.name][1:]
        waiting = {number_of(q.part): q.waiting for q in queues}
        for number in sorted((there | waiting.keys()) - self._parts.keys()):
            self._parts[number] = Sending(
                self._settings, addressed.line(number), self._owner, self._store, self._clock,
                self._metrics, part=part_name(self.name, number), wells=self._wells,
            )  # fmt: skip
        for number, part in list(self._parts.items()):
            part._leaving = number not in there and number in self._missed
            if part._leaving and not waiting.get(number):
                self._drop(number)
        self._missed = self._parts.keys() - there

    def _drop(self, number: int) -> None:
        part = self._parts.pop(number)
        part.over = True
        self._store.forget_part(part.name)
        del self._wells[part.name]
        self._well(self._wells[self.name])

    # -- one address -----------------------------------------------------------------------------

    def _well(self, well: bool) -> None:
        if not self.over:
            self._wells[self.name] = well
        all_well = all(list(self._wells.values()))
        self._metrics.delivery_well.labels(self._settings.name).set(int(all_well))

    def _healed(self) -> None:
        """Another worker may have sent what this one could not."""
        self._wells.update(dict.fromkeys(list(self._wells), True))
        self._metrics.delivery_well.labels(self._settings.name).set(1)

    def _send(self, taken: TakenParcel) -> None:
        notices = readable(Notice, taken.notices)
        number = len(taken.notices) - len(notices)
        unread = (
            f"{number} of {plural(len(taken.notices), 'notice')} cannot be read: "
            "another version of this program stored them"
        )
        if number and self._clock.now_ms() < taken.made_ms + UNREAD_MS:
            self._failed(taken, Undelivered(unread))
            return
        try:
            if notices:
                self._channel.send(self._parcel(taken, notices))
        except Undelivered as error:
            self._failed(taken, error)
            return
        except Exception as error:
            # Its own words may hold an address with a password; the log is scrubbed.
            log.exception("a channel failed", channel=self.name, parcel=taken.id)
            fault = f"a fault of this program ({type(error).__name__})"
            said = Undelivered(f"{fault}; the log of worker {self._owner} tells more")
            self._failed(taken, said, FAULT_GIVEN_UP_MS)
            return
        if number:
            self._failed(taken, Undelivered(unread, final=True))
            return
        self._store.parcel_delivered(self.name, taken, self._clock.now_ms())
        self._metrics.parcels.labels(self._settings.name, "delivered").inc()
        self._well(True)
        log.info("told", channel=self.name, parcel=self._id(taken), notices=len(notices))

    def _id(self, taken: TakenParcel) -> str:
        return f"{self._store.view.name}-{self.name}-{taken.id}"

    def _parcel(self, taken: TakenParcel, notices: Sequence[Notice]) -> Parcel:
        return Parcel(
            region=self._store.view.name,
            id=self._id(taken),
            channel=self._settings.name,
            made_at=from_ms(taken.made_ms),
            notices=tuple(notices),
        )

    def _failed(
        self, taken: TakenParcel, error: Undelivered, given_up_ms: int = GIVEN_UP_MS
    ) -> None:
        now_ms, why = self._clock.now_ms(), str(error)[:300]
        self._well(False)
        if error.final or self._leaving or now_ms > taken.made_ms + given_up_ms:
            self._store.parcel_dead(self.name, taken, now_ms, why)
            self._metrics.parcels.labels(self._settings.name, "dead").inc()
            log.error("a parcel was given up", channel=self.name, parcel=taken.id, error=why)
            return
        pause_s = backoff_s(taken.tries, 0.5, LONGEST_PAUSE_S)
        self._store.parcel_later(self.name, taken, now_ms, now_ms + round(pause_s * 1000), why)
        self._metrics.parcels.labels(self._settings.name, "retried").inc()
        log.warning(
            "a channel did not take a parcel", channel=self.name, parcel=taken.id,
            tries=taken.tries, again_in_s=round(pause_s, 1), error=why,
        )  # fmt: skip

    def _beat(self) -> None:
        """The newest beat, by whichever worker sees it first. None while a message is not taken:
        that a beat arrives says that alerts do."""
        names = [beat_topic(self._store.view.name)]
        (message,) = self._store.published(keys.ALERTS, names)
        if message is None or self._leaving:
            return
        _, made_ms, _ = self._store.undelivered(self.name)
        if is_stuck(made_ms, self._clock.now_ms()):
            return
        if not self._store.first_to(self.name, "beat", int(message.token)):
            return
        try:
            self._channel.send_beat(Beat.model_validate_json(message.payload))
        except Undelivered as error:
            log.warning(
                "a channel did not take the beat", channel=self.name, error=str(error)[:300]
            )

    def _refresh(self, every_s: float) -> None:
        every_ms = round(every_s * 1000)
        turn = self._clock.now_ms() // every_ms
        if turn <= self._refresh_ms or not self._store.first_to(self.name, "refresh", turn):
            self._refresh_ms = max(self._refresh_ms, turn)
            return
        try:
            self._channel.refresh(self._standing())
            self._refresh_ms = turn
        except Undelivered as error:
            log.warning("a channel was not refreshed", channel=self.name, error=str(error)[:300])

    def _standing(self) -> Sequence[Alert]:
        alerts = readable(Alert, self._store.all_alerts().values())
        return [alert for alert in alerts if stands_on(self._settings, alert)]


def readable(model: type[Read], texts: Iterable[str]) -> list[Read]:
    """Of what is stored as JSON that which this program can read; a newer one may store more."""
    found: list[Read] = []
    for text in texts:
        with suppress(ValidationError):
            found.append(model.model_validate_json(text))
    return found


class Sender:
    """The threads of a worker."""

    def __init__(self, sendings: Sequence[Sending]) -> None:
        self._stop = threading.Event()
        self._threads = {s: self._thread(s, ROUND_S) for s in sendings}

    def _thread(self, sending: Sending, every_s: float) -> threading.Thread:
        name = f"channel {sending.name}"
        return threading.Thread(target=self._run, args=(sending, every_s), name=name, daemon=True)

    def start(self) -> None:
        for thread in list(self._threads.values()):
            thread.start()

    def stop(self) -> None:
        """Let each finish what it is sending, for a moment; what it does not finish comes again."""
        self._stop.set()
        # A worker that only drains never started them.
        alive = [thread for thread in list(self._threads.values()) if thread.is_alive()]
        for thread in alive:
            thread.join(_STOPS_WITHIN_S / len(alive))

    def _begin_parts(self, sending: Sending) -> None:
        for part in sending.parts:
            if part not in self._threads and not self._stop.is_set():
                self._threads[part] = self._thread(part, PART_ROUND_S)
                self._threads[part].start()

    def _run(self, sending: Sending, every_s: float) -> None:
        failures = 0
        while not self._stop.is_set() and not sending.over:
            try:
                sending.round()
                self._begin_parts(sending)
                failures = 0
            except StoreUnavailable:
                failures += 1  # the worker itself tells of it
            except Exception:
                # Nothing here may end the thread: what it did not send would be told to nobody.
                failures += 1
                log.exception("a channel failed", channel=sending.name)
            self._stop.wait(backoff_s(failures) if failures else every_s)
        if sending.over:
            self._threads.pop(sending, None)
