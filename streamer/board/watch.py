"""The thread that keeps the picture: reads the broker, asks Redis every second.

One thread for both, so that the picture needs no lock; what it hands to the event loop goes through
`Tables`, which has one.
"""

import threading
from bisect import bisect_left
from typing import TYPE_CHECKING, Final

import structlog

from streamer.alerts.maintenance import runs
from streamer.board.making import air_saved
from streamer.board.picture import Picture, filters
from streamer.board.rows import AirSaved
from streamer.clock import Clock
from streamer.config import RegionView
from streamer.domain.duty import running
from streamer.mqtt.follower import Follower
from streamer.mqtt.settings import BrokerSettings
from streamer.state import lookups, ordered
from streamer.state.air import hours_of_day
from streamer.state.lookups import Reader
from streamer.state.store import Store, StoreUnavailable

if TYPE_CHECKING:
    from redis import Redis

log = structlog.get_logger()

LOOK_S: Final = 1.0
SWEEP_S: Final = 5.0
"""So long after a connection all retained messages have come again."""
_POLL_S: Final = 0.1


class Watch:
    """`client` must answer or fail within about a second, since nothing is read meanwhile."""

    def __init__(
        self,
        picture: Picture,
        broker: BrokerSettings,
        client: "Redis",
        clock: Clock,
        client_id: str,
    ) -> None:
        self.picture = picture
        self._client = client
        self._clock = clock
        self._follower = Follower(broker, client_id, filters(picture.view.name), clock)
        self._reader = Reader(client, Store(client, picture.view))
        self._next: RegionView | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="picture", daemon=True)
        self._look_at_s = 0.0
        self._sweep_at_s: float | None = None
        self._connections = 0
        self._trouble: str | None = None  # as it was last told in the log

    def start(self) -> None:
        self.picture.tables.made_ms = self._clock.now_ms()  # also if no turn ever succeeds
        self._thread.start()

    def stop(self) -> None:
        """Waits for the thread's end."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()

    @property
    def alive(self) -> bool:
        return self._thread.is_alive()

    def reload(self, view: RegionView) -> None:
        """Use another region file of the same region from the next turn on; from any thread."""
        self._next = view

    def _run(self) -> None:
        self._look_at_s = self._clock.monotonic_s()
        while not self._stop.is_set():
            try:
                self.turn()
            except Exception:
                # Better an old picture, which says how old it is, than none.
                log.exception("the picture could not be brought up to date")
                self._stop.wait(LOOK_S)
        self._follower.close()

    def turn(self) -> None:
        """What has come within a tenth of a second, and what has become of it."""
        view, self._next = self._next, None
        if view is not None:
            self.picture.reload(view)
            self._reader = Reader(self._client, Store(self._client, view))
        messages = self._follower.poll(_POLL_S)
        now_ms, now_s = self._clock.now_ms(), self._clock.monotonic_s()
        self._note_connection(now_ms, now_s)
        for message in messages:
            self.picture.take(message.topic, message.payload, now_ms)
        if now_s >= self._look_at_s:
            self._look_at_s = now_s + LOOK_S
            self._look()
        now_ms = self._clock.now_ms()
        self.picture.make(now_ms)
        self.picture.tables.made_ms = now_ms  # last: whatever fails before is seen by its age

    def _note_connection(self, now_ms: int, now_s: float) -> None:
        if self._follower.trouble != self._trouble:
            self._trouble = self._follower.trouble
            if self._trouble is not None:
                log.warning("no connection to the broker", error=self._trouble[:300])
        if self._follower.trouble is not None:
            self.picture.lost(now_ms)
            self._sweep_at_s = None
        elif self._follower.connections != self._connections:
            self._connections = self._follower.connections
            self.picture.connected()
            self.picture.expect_beats(now_ms)
            self._sweep_at_s = now_s + SWEEP_S
        if self._sweep_at_s is not None and now_s >= self._sweep_at_s:
            self._sweep_at_s = None
            try:
                self.picture.sweep(self._standing())
            except StoreUnavailable:
                self._sweep_at_s = now_s + LOOK_S

    def _standing(self) -> set[str]:
        """Alerts, duties and planned work that Redis holds."""
        store, now_ms = self._reader.store, self._clock.now_ms()
        duties = running(ordered.duties_from(store.duties()))
        return {
            *(f"alert/{a}" for a in store.all_alerts()),
            *(f"duty/{duty.id}" for duty in duties),
            *(f"maintenance/{w.id}" for w in ordered.works_from(store.works()) if runs(w, now_ms)),
        }

    def _look(self) -> None:
        try:
            look(self.picture, self._reader, self._clock)
        except StoreUnavailable:
            self.picture.redis_away(self._clock.now_ms())


def look(picture: Picture, reader: Reader, clock: Clock, *, counts_air: bool = True) -> None:
    """Have a picture told what is asked of Redis. `counts_air`: what time on the air is saved is
    counted there, by the fan-outs that stood then. Raises StoreUnavailable."""
    now_ms, store = clock.now_ms(), reader.store
    sights = lookups.sights(store, now_ms)
    said = lookups.carrying(reader, picture.starved())
    air = air_of_day(store, now_ms) if counts_air else None
    picture.look(sights, said, air, clock.now_ms())


def air_of_day(store: Store, now_ms: int) -> AirSaved:
    """What was saved in the day, and since when it was counted. Raises StoreUnavailable."""
    hours = hours_of_day(now_ms)
    sums = store.air_sums(hours)
    if not sums.overs:
        return air_saved(sums, now_ms)

    def counted(number: int) -> bool:
        return store.air_sums(hours[:number]).overs > 0

    # Halved: five questions at most.
    first = bisect_left(range(1, len(hours)), True, key=counted)
    return air_saved(sums, now_ms, hours[first])
