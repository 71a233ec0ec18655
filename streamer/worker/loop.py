"""The worker: reads a share of what gateways say, merges it, publishes what follows, acknowledges.

One thread does all of it, so there is no queue between receiving and merging, and an
acknowledgement can only go out on the connection that brought the message. A batch is whatever has
arrived while the last one was worked on: small and quick when little comes, large when much does.
While more is waiting, Redis merges one arrival as the next is read. The broker's view of the
in-flight window (Receive Maximum) bounds what is held here.
"""

from collections.abc import Callable, Sequence

import structlog

from streamer.backoff import backoff_s
from streamer.clock import Clock
from streamer.config import RegionView
from streamer.journal.writer import Writer
from streamer.mqtt.connection import (
    BrokerRefused,
    BrokerUnreachable,
    Connection,
    ConnectionLost,
    Incoming,
    MqttError,
)
from streamer.state.store import Store, StoreMismatch, StoreUnavailable
from streamer.worker.air import AirTime
from streamer.worker.answers import Answers
from streamer.worker.broker_said import BrokerSaid
from streamer.worker.crowd import Crowd
from streamer.worker.deriver import Deriver
from streamer.worker.flood import Flood, Restraint
from streamer.worker.health import Health
from streamer.worker.intake import Intake, parts_of
from streamer.worker.merger import Merged, Merger
from streamer.worker.metrics import Metrics
from streamer.worker.neighbours import OtherStore
from streamer.worker.pace import Pace
from streamer.worker.publisher import Publisher
from streamer.worker.recording import Recorder
from streamer.worker.redis_sight import RedisSight
from streamer.worker.region_orders import RegionOrders
from streamer.worker.share import (
    WorkerSettings,
    end_session,
    filters,
    own_session,
    subscribe_to,
    take_up,
)
from streamer.worker.sign import Sign
from streamer.worker.upkeep import Upkeep
from streamer.worker.watch import Watch

log = structlog.get_logger()

EVENTS_PER_BATCH = 4000
"""Larger arrivals are merged in several steps, so that no script runs long."""
BEHIND_AT = 400
"""So many events at once say that more are waiting; then subjects are looked at less often."""
TICK_S = 0.1
LOOKING_SHARE = 0.1
"""How much of the time looking at subjects may take while behind; longest pause: SLOW_TICK_S."""
SLOW_TICK_S = 1.0


class Worker:
    """See the module's text. `run` returns when told to stop, after draining."""

    def __init__(
        self,
        settings: WorkerSettings,
        view: RegionView,
        store: Store,
        clock: Clock,
        metrics: Metrics,
        health: Health,
        writer: Writer | None = None,
    ) -> None:
        self._settings = settings
        self._view = view
        self._store = store
        self._clock = clock
        self._metrics = metrics
        self._health = health
        self._flood = Flood(view, clock)
        self._restraint = Restraint(view, clock)
        self._crowd = Crowd(view, clock)
        self._intake = Intake(view, self._restraint, self._crowd)
        self._answers = Answers(store, clock, metrics)
        self._orders = RegionOrders(store)
        self._redis = RedisSight(store, metrics, health)
        self._watch = Watch(metrics)
        self._broker = BrokerSaid(metrics)
        self._air = AirTime(store, metrics)
        self._deriver = Deriver(store, clock, self._watch, self._orders)
        self._merger = Merger(store)
        self._recorder = Recorder(writer, store, clock, metrics)
        self._upkeep = Upkeep(settings.name, store, clock, metrics, self._orders, self._recorder)
        self._others = self._upkeep.neighbours
        self._sign = Sign(view.name, settings.name, clock, lambda: self._others.store)
        self._pace = Pace()
        self._begun: tuple[int, float] = 0, 0.0  # messages that are being merged, since when
        self._behind = False
        self._next_tick_s = self._next_claim_s = 0.0
        self._last_message_s = clock.monotonic_s()
        self._prepared = False
        self._reload: RegionView | None = None

    def reload(self, view: RegionView) -> None:
        """Use another version of the region file from the next batch on."""
        self._reload = view

    # -- running -----------------------------------------------------------------------------

    def run(self, stopping: Callable[[], bool]) -> None:
        """Work until `stopping()`. Raises StoreMismatch; everything else is tried again, also
        OtherStore: whose Redis is the wrong one is not known here."""
        failures = 0
        while not stopping():
            self._beat()
            try:
                self._prepare()
                connection = self._connect()
            except StoreUnavailable as error:
                self._redis.trouble(error)
            except OtherStore as error:
                self._others.stay_out(str(error), self._health)
            except (MqttError, OSError) as error:
                self._broker_trouble(error)
            else:
                failures = 0
                self._serve(connection, stopping)
                continue
            failures += 1
            self._pause(backoff_s(failures), stopping)
        self._recorder.close()

    def leave(self, quiet_s: float = 3.0) -> None:
        """Go out of service for good: take no new messages, work off what the broker still holds
        for this name until nothing has come for `quiet_s`, then give the session up.

        Raises MqttError, StoreUnavailable or StoreMismatch; then nothing is lost, try again.
        """
        self._prepare()
        connection = self._connect(subscribe=False)
        connection.unsubscribe(filters(self._view.name, self._settings.share, connection.protocol))
        self._last_message_s = self._clock.monotonic_s()
        self._serve(connection, lambda: self._clock.monotonic_s() > self._last_message_s + quiet_s)
        ending = end_session(self._settings, self._clock)
        self._sign.remove(ending)
        self._upkeep.leave()
        ending.close()
        self._recorder.close()
        log.info("session given up", name=self._settings.name)

    def _prepare(self) -> None:
        if not self._prepared:
            now_ms = self._clock.now_ms()
            self._store.prepare(now_ms)
            self._flood.begin(self._settings.name, self._store.ears(), now_ms)
            self._upkeep.begin(now_ms)
            self._recorder.prepared(self._view, now_ms)
            self._redis.prepared()
            self._prepared = True

    def _connect(self, *, subscribe: bool = True) -> Connection:
        session = own_session(self._settings.name, self._sign.will())
        connection = Connection(self._settings.broker, session, self._clock)
        try:
            connection.open()
            self._others.look(connection)
            self._redis.unless_away(lambda: self._upkeep.put_back.compare(connection))
            if subscribe:
                subscribe_to(connection, self._view.name, self._settings.share)
                self._broker.ask(connection)
        except BaseException as error:
            connection.close()
            if isinstance(error, OtherStore) and not connection.session_present:
                end_session(self._settings, self._clock).close()
            raise
        if not connection.session_present:
            self._flood.nothing_waits()
        self._broker.connected(connection)
        self._upkeep.hears(connection)
        self._health.connected = True
        self._health.broker = f"connected, MQTT {connection.protocol}"
        log.info(
            "connected",
            protocol=connection.protocol,
            window=connection.window,
            session_present=connection.session_present,
        )
        return connection

    def _serve(self, connection: Connection, stopping: Callable[[], bool]) -> None:
        publisher = Publisher(
            connection, self._store, self._clock, self._metrics, self._recorder.published
        )
        held: list[Incoming] = []
        failures, fresh = 0, True
        try:
            while not stopping():
                self._beat()
                wait_s = 0.0 if held else self._idle_s()
                take_up(connection, held, wait_s, self._sift)
                try:
                    if self._reload is not None:
                        self._finish(connection, publisher, held)
                        self._take_reload()
                    self._prepare()
                    if fresh:
                        # The broker may have crashed with what it had taken over in memory alone.
                        self._store.offer_all(self._clock.now_ms())
                        fresh = False
                    self._step(connection, publisher, held)
                    failures = 0
                except StoreUnavailable as error:
                    failures += 1
                    self._redis.trouble(error)
                    self._hold(connection, held, backoff_s(failures), stopping)
            self._drain(connection, publisher, held)
        except (BrokerUnreachable, ConnectionLost) as error:
            # What was not acknowledged comes again on the next connection.
            self._broker_trouble(error)
        except BaseException:
            connection.abandon()  # so that the will tells that nobody works here any more
            raise
        finally:
            self._merger.abandon()  # not acknowledged: it comes again
            self._begun = 0, 0.0
            connection.close()
            self._broker.gone()
            self._upkeep.hears(None)
            self._health.connected = False

    def _step(self, connection: Connection, publisher: Publisher, held: list[Incoming]) -> None:
        """One round: merge what was received, acknowledge, publish what follows.

        `held` begins with the messages that are being merged. At most EVENTS_PER_BATCH events are
        begun in a round: a part of an arrival that is larger waits in `held`.
        """
        publisher.collect()
        publisher.settle()
        begun_s = self._clock.monotonic_s()
        news = next(parts_of(held[self._begun[0] :], EVENTS_PER_BATCH), ())
        merged = self._read(news)
        self._finish(connection, publisher, held)
        self._behind = merged.batch.events >= BEHIND_AT
        if not self._behind:
            self._begin(merged, len(news), begun_s)
            self._finish(connection, publisher, held)
        self._tick(publisher, merged=bool(news))
        if self._behind:
            # Only now: while Redis merges it would let the questions of looking wait.
            self._begin(merged, len(news), begun_s)
        self._sign.live(publisher, len(held))
        publisher.pump()
        connection.flush()
        self._flood.worked()

    def _begin(self, merged: Merged, messages: int, begun_s: float) -> None:
        if messages:
            self._merger.begin(merged)
            self._begun = messages, begun_s

    def _finish(self, connection: Connection, publisher: Publisher, held: list[Incoming]) -> None:
        """Wait for what is being merged, tell what came of it, acknowledge.

        What was acknowledged leaves `held` at once: should Redis fail after that, a second
        acknowledgement could name another message that has been given the same identifier.
        """
        (messages, begun_s), self._begun = self._begun, (0, 0.0)
        merged = self._merger.finish()
        if merged is not None:
            self._tell(publisher, merged)
            self._recorder.merged(merged.batch)
        if messages:
            connection.acknowledge(held[:messages])
            del held[:messages]
            self._metrics.messages.inc(messages)
            self._last_message_s = self._clock.monotonic_s()
            self._metrics.batch_seconds.observe(self._last_message_s - begun_s)

    def _hold(
        self,
        connection: Connection,
        held: list[Incoming],
        seconds: float,
        stopping: Callable[[], bool],
    ) -> None:
        """Redis is away: keep the connection alive, keep what comes, acknowledge nothing."""
        until_s = self._clock.monotonic_s() + seconds
        while self._clock.monotonic_s() < until_s and not stopping():
            self._beat()
            if not take_up(connection, held, 0.05, self._sift):
                self._clock.sleep_s(0.05)

    def _drain(self, connection: Connection, publisher: Publisher, held: list[Incoming]) -> None:
        """Before leaving: what was committed goes out. What was not acknowledged waits for us."""
        self._health.draining = True
        until_s = self._clock.monotonic_s() + 5.0
        self._sign.stop(publisher)
        try:
            self._finish(connection, publisher, held)
            while self._look(publisher) and self._clock.monotonic_s() < until_s:
                pass
            while self._clock.monotonic_s() < until_s:
                if publisher.idle:
                    publisher.claim()  # what became newer while it was on its way
                    if publisher.idle:
                        break
                publisher.pump()
                connection.wait_for_answers(0.05)
                publisher.collect()
                publisher.settle()
            self._store.settle_told(self._clock.now_ms())
        except StoreUnavailable as error:
            self._redis.trouble(error)
        log.info("drained", complete=publisher.idle)

    def _sift(self, messages: list[Incoming]) -> list[Incoming]:
        """What gateways say, of all that has come."""
        mine = self._others.sift(self._upkeep.put_back.sift(messages))
        return self._flood.sift(self._broker.sift(mine))

    # -- one batch -----------------------------------------------------------------------------

    def _read(self, messages: Sequence[Incoming]) -> Merged:
        received_ms = self._clock.now_ms()
        batch = self._recorder.batch(received_ms)
        for message in messages:
            self._intake.take(message, received_ms, batch)
        return Merged(batch, received_ms)

    def _tell(self, publisher: Publisher, merged: Merged) -> None:
        """Count, refuse and answer what was merged."""
        batch = merged.batch
        self._watch.events(merged)
        self._air.count(merged)
        self._answers.refuse(publisher, batch)
        self._answers.heartbeats(publisher, merged)
        self._metrics.batch_events.observe(batch.events)
        self._sign.count(batch.events)
        if batch.oldest_ms is not None:
            age_ms = merged.received_ms - batch.oldest_ms
            self._metrics.event_age_seconds.observe(age_ms / 1000)

    # -- what is due -----------------------------------------------------------------------------

    def _tick(self, publisher: Publisher, *, merged: bool) -> None:
        now_s = self._clock.monotonic_s()
        if now_s >= self._next_tick_s or (merged and not self._behind):
            more = self._look(publisher)
            looked_s = self._clock.monotonic_s() - now_s
            if self._behind:
                self._next_tick_s = now_s + max(TICK_S, min(looked_s / LOOKING_SHARE, SLOW_TICK_S))
            else:
                self._next_tick_s = now_s + (0.0 if more else TICK_S)
        if self._upkeep.due:  # before the desk, which must know since when this worker hears
            self._tend()
            self._redis.well()
        if now_s >= self._next_claim_s:  # by a clock of its own: looks may never pause
            self._next_claim_s = now_s + (SLOW_TICK_S / 2 if self._behind else TICK_S)
            publisher.offer(self._upkeep.desk())
            publisher.claim()

    def _look(self, publisher: Publisher) -> bool:
        """Look at what is due; returns whether there may be more of it."""
        now_ms, limit, begun_s = self._clock.now_ms(), self._pace.limit, self._clock.monotonic_s()
        claims = [self._store.claim_due(p, now_ms, limit) for p in self._store.partitions]
        publisher.offer(self._deriver.look([claim for claimed in claims for claim in claimed]))
        self._pace.took(self._clock.monotonic_s() - begun_s)
        return any(len(claimed) == limit for claimed in claims)

    # -- small things ----------------------------------------------------------------------------

    def _take_reload(self) -> None:
        view, self._reload = self._reload, None
        if view is None:
            return
        self._view = self._store.view = view
        self._flood.use(view)
        self._restraint.use(view)
        self._crowd.use(view)
        self._intake = Intake(view, self._restraint, self._crowd)
        self._orders.forget()
        self._prepared = False
        log.info("region file read again", groups=len(view.groups), gateways=len(view.gateways))

    def _tend(self) -> None:
        if self._upkeep.tick():
            self._intake.rules = self._orders.rules
        if self._health.connected:
            self._others.tell(self._health)

    def _idle_s(self) -> float:
        return max(0.0, min(TICK_S, self._next_tick_s - self._clock.monotonic_s()))

    def _beat(self) -> None:
        self._health.beat_s = self._clock.monotonic_s()

    def _broker_trouble(self, error: Exception) -> None:
        self._health.broker = str(error)[:200]
        level = log.error if isinstance(error, BrokerRefused) else log.warning
        level("no connection to the broker", error=str(error)[:300])

    def _pause(self, seconds: float, stopping: Callable[[], bool]) -> None:
        until_s = self._clock.monotonic_s() + seconds
        while self._clock.monotonic_s() < until_s and not stopping():
            self._beat()
            self._tend_alone()
            self._clock.sleep_s(0.05)

    def _tend_alone(self) -> None:
        """Without a broker: alerts reach people by other channels, this one first of all."""
        if self._others.out or not (self._prepared and self._upkeep.due):
            return
        try:
            self._tend()
            self._upkeep.desk()
        except StoreUnavailable as error:
            self._redis.trouble(error)


__all__ = ["StoreMismatch", "Worker"]
