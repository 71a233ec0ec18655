"""Alerts after a restore: in whose hands they are, by what was published since. What happened is
played by the desk of a real store, which is then put back to the backup."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest
import redis

from streamer.acts.acts import Acts
from streamer.alerts.conditions import Condition
from streamer.alerts.desk import Desk
from streamer.alerts.notice import Notice, Turn
from streamer.clock import ManualClock
from streamer.contract.published import Alert, AlertState, Severity
from streamer.journal import lines as make
from streamer.journal.lines import Line
from streamer.lab.catch_up import CatchUp, CaughtUp
from streamer.state.keys import ALERTS
from streamer.state.store import Store, connect
from tests.alerts.story import NOW_MS, condition, member
from tests.alerts.test_desk import HOOK, RIDGE, Office
from tests.servers import Redis
from tests.state.scene import region

pytestmark = pytest.mark.redis
MISSING = "member.NET.QA1ABC"


@dataclass
class Night:
    """What a worker notes of alerts while things happen, until the store is restored."""

    office: Office
    server: Redis
    lines: list[Line] = field(default_factory=list)
    backup: dict[bytes, Any] = field(default_factory=dict)
    since_ms: int = 0
    alert_id: str = MISSING

    def wrong(self, *conditions: Condition, after_min: float = 0) -> None:
        """What is wrong from now on; the desk looks at it and a worker publishes what follows."""
        self.office.now_ms += round(after_min * 60_000)
        self.office.say(*conditions, owner="g/NET")
        noted_ms = self.office.now_ms
        self.lines += [
            make.published(noted_ms, m.topic, m.payload, m.retain) for m in self.office.turn()
        ]

    def taken(self, by: str, after_min: float = 5, *, over: bool = False, ahead_s: int = 0) -> None:
        """`ahead_s`: so much the clock is wrong where they act."""
        self.office.now_ms += round(after_min * 60_000)
        acts = Acts(self.office.store, ManualClock(self.office.now_ms + ahead_s * 1000))
        acts.acknowledge(self.alert_id, by, None, over)
        entry = next(iter(self.office.store.log_of(ALERTS)))
        self.lines.append(make.act(self.office.now_ms + 400, entry))

    def back_up(self) -> None:
        client = redis.Redis.from_url(self.server.url)
        self.backup = {key: client.dump(key) for key in client.scan_iter()}
        self.since_ms = self.office.now_ms
        self.lines.clear()

    def restored(self, lines: list[Line] | None = None) -> tuple[CaughtUp, Alert]:
        """The one alert after a restore and `catch-up`."""
        client = redis.Redis.from_url(self.server.url)
        client.flushall()
        for key, content in self.backup.items():
            client.restore(key, 0, content)
        return self.caught_up(lines)

    def caught_up(self, lines: list[Line] | None = None) -> tuple[CaughtUp, Alert]:
        clock = ManualClock(self.office.now_ms + 600_000)
        taken_in = CatchUp(self.office.store, clock).play(lines or self.lines, self.since_ms)
        return taken_in, self.office.alerts[self.alert_id]


def night_of(server: Redis, **channels: Any) -> Night:
    """Quiet so far."""
    view = region(alerts={"settle_s": 0, "clear_s": 0}, **channels)
    store = Store(connect(server.url), view)
    store.wake_desk(NOW_MS)
    return Night(Office(store, Desk(store)), server)


@pytest.fixture
def night(empty_redis: Redis) -> Night:
    """QA1ABC is out of reach, and a backup is made."""
    made = night_of(empty_redis)
    made.wrong(member())
    made.back_up()
    return made


def test_what_is_in_hand_stays_so(night: Night) -> None:
    night.taken("ann")
    night.wrong(member(), after_min=1)
    done, alert = night.restored()
    assert (done.acts, done.troubles) == (1, [])
    assert (alert.state, alert.acknowledged_by) == (AlertState.ACKNOWLEDGED, "ann")


def test_who_had_it_before_it_cleared_has_not_what_opened_later(night: Night) -> None:
    night.taken("ann")
    night.wrong(after_min=20)
    night.wrong(member(), after_min=320)
    done, alert = night.restored()
    assert (alert.state, alert.acknowledged_by) == (AlertState.OPEN, None)
    assert done.acts == 0
    (told,) = done.troubles
    assert told == (
        "08:05:00Z acknowledge member.NET.QA1ABC by ann: it cleared, or was in nobody's hand, "
        "later (13:45:00Z): left out; see whether somebody has it in hand"
    )
    again, alert = night.caught_up()
    assert (again.troubles, alert.state) == ([told], AlertState.OPEN)


def test_who_took_it_the_second_time_has_it(night: Night) -> None:
    night.taken("ann")
    night.wrong(after_min=20)
    night.wrong(member(), after_min=60)
    night.taken("bob")
    done, alert = night.restored()
    assert (done.acts, len(done.troubles)) == (1, 1)
    assert alert.acknowledged_by == "bob"


def test_the_last_of_two_has_it(night: Night) -> None:
    night.taken("ann")
    night.taken("bob", over=True)
    done, alert = night.restored()
    assert (done.acts, done.troubles, alert.acknowledged_by) == (2, [], "bob")


def test_what_got_worse_is_in_nobodys_hand(empty_redis: Redis) -> None:
    """An alert that nobody ever saw clear, and which the lifecycle let go."""
    night = night_of(empty_redis)
    night.alert_id = RIDGE
    night.wrong(condition())
    night.back_up()
    night.taken("ann")
    night.wrong(condition(severity=Severity.CRITICAL), after_min=1)
    assert [a.acknowledged_by for a in night.office.alerts.values()] == [None]
    done, alert = night.restored()
    assert (done.acts, len(done.troubles), alert.acknowledged_by) == (0, 1, None)


def late_act(lines: list[Line]) -> list[Line]:
    """Noted behind all that followed, as by a worker whose connection was slow."""
    acts = [line for line in lines if line["kind"] == make.ACT]
    last_ms = lines[-1]["noted_ms"] + 1
    return [x for x in lines if x not in acts] + [a | {"noted_ms": last_ms} for a in acts]


def without_last_word(lines: list[Line]) -> list[Line]:
    """Only that the retained message was taken back, as where nothing was known of it."""
    return [x for x in lines if '"cleared"' not in x.get("payload", "") and x.get("retain", True)]


@pytest.mark.parametrize("noted", [late_act, without_last_word, lambda lines: 2 * lines])
def test_it_is_noticed_however_it_was_noted(
    night: Night, noted: Callable[[list[Line]], list[Line]]
) -> None:
    night.taken("ann")
    night.wrong(after_min=20)
    done, alert = night.restored(noted(night.lines))
    assert alert.state is AlertState.OPEN  # as in the backup; a worker clears it
    assert (done.acts, len(done.troubles)) == (0, 1)


def test_an_opening_that_was_published_late_lets_nothing_go(night: Night) -> None:
    opened = make.published(
        night.office.now_ms + 600_000, f"net/scene/alert/{MISSING}",
        night.office.store.all_alerts()[MISSING], True,
    )  # fmt: skip
    night.taken("ann")
    done, alert = night.restored([*night.lines, opened])
    assert (done.acts, done.troubles, alert.acknowledged_by) == (1, [], "ann")


def test_hands_of_the_backup_are_told_where_it_opened_anew(night: Night) -> None:
    """Nobody acknowledged anything since, so no act tells of it."""
    night.taken("ann")
    night.back_up()
    night.wrong(after_min=20)
    cleared = list(night.lines)
    night.wrong(member(), after_min=300)
    assert night.restored(cleared)[0].troubles == []  # a worker clears it
    done, alert = night.restored()
    assert alert.acknowledged_by == "ann"
    assert done.troubles == [
        "alert member.NET.QA1ABC is in the hands of ann by the backup, but stands open in nobody's "
        "since 13:25:00Z: ask them, or have somebody take it over"
    ]


def test_a_clock_that_is_ahead_makes_no_later_hand(night: Night) -> None:
    night.taken("ann", ahead_s=300)
    night.wrong(after_min=1)
    done, alert = night.restored()
    assert (done.acts, len(done.troubles), alert.acknowledged_by) == (0, 1, None)


def test_a_clearing_that_was_published_late_is_of_its_own_time(night: Night) -> None:
    """The last word waits for a broker that is away; it opens and is taken in hand meanwhile."""
    night.wrong(after_min=20)
    (last, _taken_back) = night.lines
    night.lines.clear()
    night.wrong(member(), after_min=1)
    night.taken("bob")
    last["noted_ms"] = night.office.now_ms + 60_000
    done, alert = night.restored([*night.lines, last])
    assert (done.acts, done.troubles, alert.acknowledged_by) == (1, [], "bob")


def test_what_is_in_nobodys_hand_is_told_on_the_channels_again(empty_redis: Redis) -> None:
    hook = HOOK.model_dump(mode="json", exclude_none=True)
    night = night_of(empty_redis, channel=[hook])
    night.wrong(member())
    night.back_up()
    night.taken("ann")
    night.wrong(after_min=20)
    night.wrong(member(), after_min=320)
    night.restored()
    night.office.turn(60)
    notices = [Notice.model_validate_json(text) for text in night.office.parcel(begin=True).notices]
    ours = [notice for notice in notices if notice.alert.id == MISSING]
    assert [notice.turn for notice in ours] == [Turn.OPENED, Turn.REMINDED]
    assert ours[-1].alert.acknowledged_by is None


def test_what_cannot_be_read_of_an_alert_is_told(night: Night) -> None:
    spoilt = make.published(night.office.now_ms, f"net/scene/alert/{MISSING}", "{}", True)
    done, _ = night.restored([spoilt])
    (told,) = done.troubles
    assert "left out" in told
