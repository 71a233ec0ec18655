"""What a worker does about once a second, connected to the broker or not: says that it lives and
whether it hears, takes up what others have left, looks whether the store is another or was put
back, runs the desk of the alerts."""

from streamer.alerts.desk import Desk, take_back_unknown
from streamer.alerts.ears import LIVES_MS
from streamer.clock import Clock
from streamer.mqtt.connection import Connection
from streamer.state import keys
from streamer.state.alerting import Ears
from streamer.state.store import Store
from streamer.worker.deriver import ToSend
from streamer.worker.figures import RegionFigures
from streamer.worker.metrics import Metrics
from streamer.worker.neighbours import Neighbours
from streamer.worker.put_back import PutBack
from streamer.worker.recording import Recorder
from streamer.worker.region_orders import RegionOrders

EVERY_S = 1.0
UNTOLD_AFTER_MS = 3000
DESK_SHARE = 0.1
"""How much of a worker's time rounds of the desk may take: with 5,000 cases one takes 0.13 s."""


class Upkeep:
    """For one worker. Raises StoreUnavailable; then nothing is lost, call it again."""

    def __init__(
        self,
        name: str,
        store: Store,
        clock: Clock,
        metrics: Metrics,
        orders: RegionOrders,
        recorder: Recorder,
    ) -> None:
        self._name = name
        self.neighbours = Neighbours(store.view.name, name, store.lineage(), clock)
        self.put_back = PutBack(store, clock, self.neighbours)
        self._store = store
        self._clock = clock
        self._metrics = metrics
        self._orders = orders
        self._recorder = recorder
        self._desk = Desk(store)
        self._tidying = store.tidying()
        self._figures = RegionFigures(store, metrics)
        self._hears = False
        self._since_ms = clock.now_ms()
        self._left: Ears | None = None
        self._next_s = self._next_desk_s = 0.0

    def begin(self, now_ms: int) -> None:
        """When the state is prepared."""
        take_back_unknown(self._store, now_ms)
        mine = (e for e in self._store.ears() if e.worker == self._name and e.hears)
        self._left = next(mine, None)

    def hears(self, connection: Connection | None) -> None:
        """The worker's connection to the broker from now on, None without."""
        self.put_back.use(connection)
        hears = connection is not None
        if hears != self._hears:
            now_ms, left = self._clock.now_ms(), self._left
            self._since_ms = now_ms
            if hears and left is not None and now_ms < left.at_ms + LIVES_MS:
                # Started again within moments: what was said meanwhile has waited at the broker.
                self._since_ms = left.since_ms
            self._hears, self._next_s, self._left = hears, 0.0, None

    @property
    def due(self) -> bool:
        return self._clock.monotonic_s() >= self._next_s

    def tick(self) -> bool:
        """To be called when it is due; returns whether people have ordered something else of the
        region."""
        self._next_s = self._clock.monotonic_s() + EVERY_S
        now_ms, store = self._clock.now_ms(), self._store
        self.neighbours.refresh()
        news = self._orders.refresh(now_ms)
        store.note_worker(self._name, now_ms)
        store.note_ears(Ears(self._name, now_ms, self._since_ms, self._hears))
        store.settle_told(now_ms)
        untold = store.untold_stations(now_ms - UNTOLD_AFTER_MS)
        if untold:
            tells = store.apply_stations({name: [] for name in untold}, now_ms)
            store.apply_groups(tells, [], now_ms)
        self.put_back.tick()
        self._recorder.tick()
        self._tidying.tick(now_ms)
        self._metrics.waiting_out.set(store.waiting_out())
        for labels, count in store.alerts_counted().items():
            self._metrics.alerts.labels(*labels).set(count)
        self._metrics.alerts_held.set(self._desk.held)
        self._figures.tick(now_ms)
        return news

    def desk(self) -> list[ToSend]:
        """Run a round of the desk if one is due; returns what may be published at once."""
        begun_s = self._clock.monotonic_s()
        if begun_s < self._next_desk_s:
            return []
        messages = self._desk.turn(self._clock.now_ms())
        took_s = self._clock.monotonic_s() - begun_s
        self._next_desk_s = begun_s + took_s / DESK_SHARE
        return [ToSend(keys.ALERTS, message) for message in messages]

    def leave(self) -> None:
        """This worker is out of service for good."""
        self._store.forget_ears(self._name)
