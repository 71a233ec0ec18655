"""What a channel is sent, and what becomes of what it does not take: real Redis, made-up ways."""

import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import pytest

from streamer.alert_settings import AlertSettings, WebhookSettings
from streamer.alerts.desk import Desk, report
from streamer.alerts.notice import Parcel, Turn, Undelivered
from streamer.clock import ManualClock
from streamer.config import RegionView
from streamer.contract.published import Alert, Beat, Severity
from streamer.state.keys import ALERTS
from streamer.state.store import Store, connect
from streamer.worker.metrics import Metrics
from streamer.worker.sending import GIVEN_UP_MS, Sender, Sending
from tests.alerts.story import NOW_MS, condition, member
from tests.servers import Redis, wait_until
from tests.state.scene import region

pytestmark = pytest.mark.redis
HOOK = WebhookSettings(
    name="hook", type="webhook", url="http://127.0.0.1/", gather_s=0, pause_s=0, beat=True,
    least=Severity.WARNING,
)  # fmt: skip


@dataclass
class Told:
    """Takes everything, or fails as a test wants."""

    name: str = "hook"
    refresh_s: float | None = 10.0
    fails: Exception | None = None
    parcels: list[Parcel] = field(default_factory=list)
    beats: list[Beat] = field(default_factory=list)
    standing: list[list[str]] = field(default_factory=list)
    clock: ManualClock | None = None
    tried_ms: list[int] = field(default_factory=list)

    def _maybe(self) -> None:
        if self.fails is not None:
            raise self.fails

    def send(self, parcel: Parcel) -> None:
        if self.clock is not None:
            self.tried_ms.append(self.clock.now_ms())
        self._maybe()
        self.parcels.append(parcel)

    def send_beat(self, beat: Beat) -> None:
        self._maybe()
        self.beats.append(beat)

    def refresh(self, standing: Sequence[Alert]) -> None:
        self._maybe()
        self.standing.append(sorted(alert.id for alert in standing))


@dataclass
class Office:
    view: RegionView
    url: str
    clock: ManualClock = field(default_factory=lambda: ManualClock(NOW_MS))
    metrics: Metrics = field(default_factory=Metrics)

    def __post_init__(self) -> None:
        self.store = Store(connect(self.url), self.view)
        self.desk = Desk(self.store)
        self.store.wake_desk(self.clock.now_ms())

    def sending(self, channel: Told, owner: str = "w1") -> Sending:
        store = Store(connect(self.url), self.view)
        return Sending(HOOK, channel, owner, store, self.clock, self.metrics)

    def round(self) -> None:
        """The desk's, and the broker takes what follows."""
        messages = self.desk.turn(self.clock.now_ms())
        self.store.confirm(ALERTS, messages, self.clock.now_ms())

    def lose(self, *gateways: str) -> None:
        for name in gateways:
            report(self.store, f"w/{name}", [condition(name)], self.clock.now_ms())
        self.round()


@pytest.fixture
def office(empty_redis: Redis) -> Office:
    alerts = AlertSettings(settle_s=0, clear_s=0).model_dump()
    channel = HOOK.model_dump(mode="json", exclude_none=True)
    return Office(region(alerts=alerts, channel=[channel]), empty_redis.url)


def test_a_parcel_is_sent_once_under_an_id_of_the_region_and_channel(office: Office) -> None:
    told = Told()
    sending, other = office.sending(told), office.sending(told, "w2")
    office.lose("ridge")
    for _ in range(3):
        sending.round()
        other.round()
    (parcel,) = told.parcels
    assert parcel.id.startswith("scene-hook-")
    assert [(n.turn, n.alert.subject) for n in parcel.notices] == [(Turn.OPENED, "ridge")]
    assert "not authenticated" in parcel.caution


def test_what_is_not_taken_is_tried_again_ever_more_seldom_and_then_kept(office: Office) -> None:
    told = Told(fails=Undelivered("503"), clock=office.clock)
    sending = office.sending(told)
    office.lose("ridge")
    while not office.store.dead_letters("hook"):
        sending.round()
        office.clock.advance_s(30)
    assert office.clock.now_ms() - NOW_MS >= GIVEN_UP_MS
    assert office.store.dead_letters("hook")[0]["why"] == "503"
    tries = [at for at in told.tried_ms if at > NOW_MS + 3_600_000]
    pauses_s = [(after - before) / 1000 for before, after in pairwise(tries)]
    assert (
        150 <= min(pauses_s) <= max(pauses_s) <= 330
    )  # 300 s, spread down to half, in steps of 30
    told.fails = None
    office.lose("lake")
    sending.round()
    assert "lake" in [n.alert.subject for p in told.parcels for n in p.notices]


def test_what_is_refused_for_good_is_kept_at_once(office: Office) -> None:
    sending = office.sending(Told(fails=Undelivered("410 gone", final=True)))
    office.lose("ridge")
    sending.round()
    (letter,) = office.store.dead_letters("hook")
    assert (letter["why"], letter["tries"]) == ("410 gone", "1")
    assert office.metrics.delivery_well.labels("hook")._value.get() == 0


def test_what_happens_while_it_fails_goes_together_afterwards(office: Office) -> None:
    told = Told(fails=Undelivered("away"))
    sending = office.sending(told)
    office.lose("ridge")
    sending.round()
    for n in range(5):
        office.clock.advance_s(1)
        there = [member(f"QA{n}ABC", repeater="lake/uhf")] if n % 2 else []
        report(office.store, "g/NET", there, office.clock.now_ms())
        office.round()
    told.fails = None
    office.clock.advance_s(60)
    sending.round()
    sending.round()
    assert [len(p.notices) for p in told.parcels] == [1, 4]


def test_a_beat_is_sent_by_one_worker_and_each_once(office: Office) -> None:
    told = Told()
    sendings = [office.sending(told), office.sending(told, "w2")]
    for _ in range(4):
        office.round()
        for sending in sendings * 2:
            sending.round()
        office.clock.advance_s(61)
    assert len(told.beats) == 4
    assert len({beat.at for beat in told.beats}) == 4


def test_a_refresh_names_what_the_channel_should_show_by_one_worker(office: Office) -> None:
    told = Told()
    sendings = [office.sending(told), office.sending(told, "w2")]
    office.lose("ridge")
    report(
        office.store, "w/lake", [condition("lake", severity=Severity.NOTICE)], NOW_MS
    )  # less than it wants
    office.round()
    for _ in range(3):
        for sending in sendings * 2:
            sending.round()
        office.clock.advance_s(10)
    assert told.standing == [["gateway_lost.ridge"]] * 3


def test_a_fault_of_ours_ends_no_thread(office: Office) -> None:
    told = Told(fails=RuntimeError("a fault"), refresh_s=None)
    sender = Sender([office.sending(told)])
    office.lose("ridge")
    sender.start()
    try:
        office.clock.advance_s(60)  # the lease of whoever failed is over
        told.fails = None
        office.clock.advance_s(60)
        wait_until(lambda: told.parcels, "it to be told after all")
    finally:
        sender.stop()
    assert not [t for t in threading.enumerate() if t.name == "channel hook"]


def test_a_worker_that_only_drains_never_sends(office: Office) -> None:
    told = Told()
    office.lose("ridge")
    Sender([office.sending(told)]).stop()
    assert told.parcels == []
