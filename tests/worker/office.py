"""A desk and senders on a real Redis, and ways that take everything or fail as a test wants."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from streamer.alert_settings import AlertSettings, ChannelSettings, WebhookSettings
from streamer.alerts.desk import Desk, report
from streamer.alerts.notice import Channel, Notice, Parcel
from streamer.clock import ManualClock
from streamer.config import RegionView
from streamer.contract.published import Alert, Beat, Severity
from streamer.state.keys import ALERTS
from streamer.state.store import Store, connect
from streamer.worker.metrics import Metrics
from streamer.worker.sending import Sending
from tests.alerts.story import NOW_MS, condition
from tests.state.scene import region

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
    fails_beat: bool = True
    parcels: list[Parcel] = field(default_factory=list)
    beats: list[Beat] = field(default_factory=list)
    standing: list[list[str]] = field(default_factory=list)
    clock: ManualClock | None = None
    tried_ms: list[int] = field(default_factory=list)

    @property
    def notices(self) -> list[Notice]:
        return [notice for parcel in self.parcels for notice in parcel.notices]

    def _maybe(self) -> None:
        if self.fails is not None:
            raise self.fails

    def send(self, parcel: Parcel) -> None:
        if self.clock is not None:
            self.tried_ms.append(self.clock.now_ms())
        self._maybe()
        self.parcels.append(parcel)

    def send_beat(self, beat: Beat) -> None:
        if self.fails_beat:
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

    def sending(
        self, channel: Channel, owner: str = "w1", settings: ChannelSettings = HOOK
    ) -> Sending:
        store = Store(connect(self.url), self.view)
        return Sending(settings, channel, owner, store, self.clock, self.metrics)

    def pass_s(self, seconds: float, sendings: Sequence[Sending], step_s: float = 1.0) -> None:
        """So much time, step by step: the desk's rounds and the senders'."""
        for _ in range(round(seconds / step_s)):
            self.clock.advance_s(step_s)
            self.round()
            for sending in sendings:
                for one in [sending, *sending.parts]:
                    one.round()

    def round(self) -> None:
        """The desk's, and the broker takes what follows."""
        messages = self.desk.turn(self.clock.now_ms())
        self.store.confirm(ALERTS, messages, self.clock.now_ms())

    def lose(self, *gateways: str) -> None:
        for name in gateways:
            report(self.store, f"w/{name}", [condition(name)], self.clock.now_ms())
        self.round()


def office_of(url: str, *channels: ChannelSettings) -> Office:
    alerts = AlertSettings(settle_s=0, clear_s=0).model_dump()
    tables = [c.model_dump(mode="json", exclude_none=True) for c in channels]
    return Office(region(alerts=alerts, channel=tables), url)
