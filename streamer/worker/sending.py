"""Sends parcels of notices on the channels, a thread for each, so that a slow one holds up neither
the worker nor another channel.

A parcel is fixed in Redis before it is sent and leaves it when the other side has it. A worker that
dies in between sends it again when it is back, another one when the lease ends: the same parcel
under the same id. Several workers share the channels without knowing of each other.
"""

import threading
from collections.abc import Sequence
from typing import Final

import structlog

from streamer.alert_settings import ChannelSettings
from streamer.alerts.notice import Channel, Notice, Parcel, Undelivered
from streamer.alerts.routing import stands_on
from streamer.clock import Clock, from_ms
from streamer.contract.published import Alert, Beat
from streamer.contract.topics import beat_topic
from streamer.state import keys
from streamer.state.alerting import TakenParcel
from streamer.state.store import Store, StoreUnavailable
from streamer.worker.backoff import backoff_s
from streamer.worker.metrics import Metrics

log = structlog.get_logger()

ROUND_S: Final = 0.25
GIVEN_UP_MS: Final = 24 * 3_600_000
"""A parcel that nobody has taken for so long is kept as a dead letter: what it says is no news."""
LONGEST_PAUSE_S: Final = 300.0
_STOPS_WITHIN_S: Final = 3.0


class Sending:
    """One channel of one worker. `store` must be its own: it is used from another thread."""

    def __init__(
        self,
        settings: ChannelSettings,
        channel: Channel,
        owner: str,
        store: Store,
        clock: Clock,
        metrics: Metrics,
    ) -> None:
        self._settings = settings
        self._channel = channel
        self._owner = owner
        self._store = store
        self._clock = clock
        self._metrics = metrics
        self._begun = False
        metrics.delivery_well.labels(settings.name).set(1)
        self._refresh_ms = 0
        self._lease_ms = round((settings.timeout_s * 4 + 20) * 1000)
        """Longer than a channel may take with several addresses and a retry within."""

    @property
    def name(self) -> str:
        return self._settings.name

    def round(self) -> None:
        """Send what is due. Raises StoreUnavailable; then nothing is lost, call it again."""
        now_ms = self._clock.now_ms()
        taken = self._store.take_parcel(
            self.name, self._owner, now_ms=now_ms, lease_ms=self._lease_ms,
            pause_ms=round(self._settings.pause_s * 1000), begin=not self._begun,
        )  # fmt: skip
        self._begun = True
        if taken is not None:
            self._send(taken)
        if self._settings.beat:
            self._beat()
        if self._channel.refresh_s is not None:
            self._refresh(self._channel.refresh_s)
        waiting, _, _ = self._store.undelivered(self.name)
        self._metrics.notices_waiting.labels(self.name).set(waiting)

    def _send(self, taken: TakenParcel) -> None:
        parcel = Parcel(
            region=self._store.view.name,
            id=f"{self._store.view.name}-{self.name}-{taken.id}",
            channel=self.name,
            made_at=from_ms(taken.made_ms),
            notices=tuple(Notice.model_validate_json(text) for text in taken.notices),
        )
        try:
            self._channel.send(parcel)
        except Undelivered as error:
            self._failed(taken, error)
            return
        now_ms = self._clock.now_ms()
        self._store.parcel_delivered(self.name, taken, now_ms)
        self._metrics.parcels.labels(self.name, "delivered").inc()
        self._metrics.delivery_well.labels(self.name).set(1)
        log.info("told", channel=self.name, parcel=parcel.id, notices=len(parcel.notices))

    def _failed(self, taken: TakenParcel, error: Undelivered) -> None:
        now_ms, why = self._clock.now_ms(), str(error)[:300]
        self._metrics.delivery_well.labels(self.name).set(0)
        if error.final or now_ms > taken.made_ms + GIVEN_UP_MS:
            self._store.parcel_dead(self.name, taken, now_ms, why)
            self._metrics.parcels.labels(self.name, "dead").inc()
            log.error("a parcel was given up", channel=self.name, parcel=taken.id, error=why)
            return
        pause_s = backoff_s(taken.tries, 0.5, LONGEST_PAUSE_S)
        self._store.parcel_later(self.name, taken, now_ms, now_ms + round(pause_s * 1000), why)
        self._metrics.parcels.labels(self.name, "retried").inc()
        log.warning(
            "a channel did not take a parcel", channel=self.name, parcel=taken.id,
            tries=taken.tries, again_in_s=round(pause_s, 1), error=why,
        )  # fmt: skip

    def _beat(self) -> None:
        """The newest beat, by whichever worker sees it first."""
        names = [beat_topic(self._store.view.name)]
        (message,) = self._store.published(keys.ALERTS, names)
        if message is None or not self._store.first_to(self.name, "beat", int(message.token)):
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
        alerts = map(Alert.model_validate_json, self._store.all_alerts().values())
        return [alert for alert in alerts if stands_on(self._settings, alert)]


class Sender:
    """The threads of a worker."""

    def __init__(self, sendings: Sequence[Sending]) -> None:
        self._stop = threading.Event()
        self._threads = [
            threading.Thread(target=self._run, args=(s,), name=f"channel {s.name}", daemon=True)
            for s in sendings
        ]

    def start(self) -> None:
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Let each finish what it is sending, for a moment; what it does not finish comes again."""
        self._stop.set()
        for thread in self._threads:
            if thread.is_alive():  # a worker that only drains never started them
                thread.join(_STOPS_WITHIN_S)

    def _run(self, sending: Sending) -> None:
        failures = 0
        while not self._stop.is_set():
            try:
                sending.round()
                failures = 0
            except StoreUnavailable:
                failures += 1  # the worker itself tells of it
            except Exception:
                # Nothing here may end the thread: what it did not send would be told to nobody.
                failures += 1
                log.exception("a channel failed", channel=sending.name)
            self._stop.wait(backoff_s(failures) if failures else ROUND_S)
