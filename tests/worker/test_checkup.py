"""Repeater health through the whole worker, its clock moved by hand.

The stations are invented. What a keeper should be told of is common practice, no source; that a
loss of 6 dB is found, and how soon, is measured by `tests/bench/health.py`.
"""

import json
import random
from typing import Any

import pytest

from streamer.mqtt.connection import Incoming
from streamer.state.checkup import checkup_from
from tests.servers import Redis
from tests.state.scene import START_MS, Bench, Teller, moment, region

pytestmark = pytest.mark.redis

CALLS = tuple(f"Q{letter}{n}FAR" for n, letter in enumerate("ABCDEFGH"))
LEVELS = dict(zip(CALLS, (-81, -95, -88, -102, -92, -99, -85, -97), strict=True))
POLICY = {
    "overdue_after_s": 86_400,
    "out_of_reach_after_s": 172_800,
    "expire_after_s": 259_200,
    "starved_after_s": 86_400,
}
MINUTE_S, HOUR_S = 60, 3600


class Site:
    """Ridge with its two repeaters, which hear the same stations; workers take turns."""

    def __init__(self, url: str, workers: int = 1, **changes: Any) -> None:
        limits = {"gateway_lost_after_s": 86_400 * 14, "events_lost_after_s": HOUR_S}
        self.bench = Bench(region(policy=POLICY, limits=limits, **changes), url)
        self.workers = [self.bench.worker() for _ in range(workers)]
        self.teller = Teller("ridge")
        self.chance = random.Random(4)
        self.overs = self.turn = 0
        self.store = self.workers[0].store
        self.store.prepare(START_MS)
        states = [Teller(g).state(START_MS) for g in ("ridge", "lake", "mill")]
        self.workers[0].run(states)

    @property
    def now_ms(self) -> int:
        return self.bench.clock.now_ms()

    def alert(self, kind: str, port: str = "uhf") -> Any:
        text = self.bench.retained.get(f"net/scene/alert/{kind}.ridge.{port}")
        return json.loads(text) if text else None

    def pass_s(self, seconds: float) -> None:
        """Time goes by, and a worker looks at what is due."""
        self.bench.clock.advance_s(seconds)
        self.turn += 1
        self.workers[self.turn % len(self.workers)].settle()

    def start(self, station: str, port: str = "uhf", **more: Any) -> Incoming:
        self.overs += 1
        return self.teller.heard(self.now_ms, station, f"o{self.overs}", port, **more)

    def over(self, station: str, level_dbm: float, port: str = "uhf", **more: Any) -> None:
        """Ten seconds on the air, and twenty of pause."""
        messages = [self.start(station, port, **more)]
        self.bench.clock.advance_s(10)
        rssi = round(level_dbm + self.chance.gauss(0, 1.5), 1)
        ms = self.now_ms - 10_000
        end: dict[str, Any] = {"phase": "end", "duration_s": 10.0, "rssi_dbm": rssi}
        end["sent_at"] = moment(self.now_ms)
        messages.append(self.teller.heard(ms, station, f"o{self.overs}", port, **end, **more))
        self.workers[self.turn % len(self.workers)].run(messages)
        self.pass_s(20)

    def rounds(self, many: int, less_db: float = 0.0, whose: str = "", until: str = "") -> int:
        """Visits of all stations, some overs each, an hour apart; how many overs until an alert of
        that kind came."""
        count = 0
        for _ in range(many):
            for call in CALLS:
                for _ in range(2):
                    weak = less_db if whose in ("", call) else 0.0
                    self.over(call, LEVELS[call] - weak)
                    count += 1
                    if until and self.alert(until):
                        return count
            self.pass_s(HOUR_S)
        return count

    @property
    def checkup(self) -> Any:
        return checkup_from(self.store.gateway("ridge").checkup)


@pytest.fixture
def site(empty_redis: Redis) -> Site:
    made = Site(empty_redis.url, workers=2)
    made.rounds(15)
    return made


HEALTH = ("repeater_deaf", "repeater_degraded", "carrier_stuck", "repeater_busy")


def quiet(site: Site) -> bool:
    return not any(site.alert(kind, port) for kind in HEALTH for port in ("uhf", "vhf"))


def test_a_loss_of_6_db_is_told_and_ends(site: Site) -> None:
    assert quiet(site)
    assert not site.bench.passing  # no alert came and went either
    overs = site.rounds(4, less_db=6, until="repeater_degraded")
    assert overs <= 40  # seen: 15
    alert = site.alert("repeater_degraded")
    assert (alert["subject"], alert["severity"]) == ("ridge/uhf", "warning")
    assert "dB weaker than these stations usually do here" in alert["reasons"][0]
    assert site.alert("repeater_degraded", "vhf") is None
    site.rounds(1, less_db=6)
    assert site.alert("repeater_degraded")["since"] == alert["since"]
    site.rounds(4)
    assert quiet(site)
    (cleared,) = [json.loads(p) for t, p in site.bench.passing if "/repeater_degraded." in t]
    assert cleared["state"] == "cleared"
    assert cleared["cleared_because"].startswith("it hears its stations as usual again")


def test_one_weak_station_says_nothing_of_the_repeater(site: Site) -> None:
    site.rounds(5, less_db=20, whose=CALLS[0])
    assert quiet(site)
    assert not [t for t, _ in site.bench.passing if "/alert/" in t]


def test_what_it_is_judged_from(site: Site) -> None:
    checked = site.checkup.repeaters["ridge/uhf"]
    assert (checked.overs, checked.stations) == (8 * 16, 8)
    assert checked.told == ()
    assert set(site.checkup.repeaters) == {"ridge/uhf", "ridge/vhf"}
    assert site.checkup.repeaters["ridge/vhf"].overs == 0


def test_a_new_worker_goes_on_from_it(site: Site) -> None:
    site.rounds(4, less_db=6, until="repeater_degraded")
    site.pass_s(11 * MINUTE_S)
    before = site.alert("repeater_degraded")
    site.workers = [site.bench.worker()]
    for _ in range(9):
        site.pass_s(MINUTE_S)
    assert site.alert("repeater_degraded") == before
    assert site.checkup.ms == site.now_ms


def test_the_words_of_a_lasting_trouble_are_renewed_now_and_then(empty_redis: Redis) -> None:
    site = Site(empty_redis.url, workers=2)
    site.over("QB2DEF", -90)
    site.workers[0].run([site.start("QA1ABC")])
    versions = []
    for _ in range(30):
        site.pass_s(MINUTE_S)
        alert = site.alert("carrier_stuck")
        versions += [(alert["version"], alert["reasons"])] if alert else []
    assert len(versions) == 27
    assert len({version for version, _ in versions}) == 3
    assert versions[-1][1][0].startswith("QA1ABC has been sending for 2")


class TestCarrier:
    def test_told_when_it_has_lasted_too_long_and_ended_by_the_next(
        self, empty_redis: Redis
    ) -> None:
        site = Site(empty_redis.url)
        site.over("QB2DEF", -90)
        site.workers[0].run([site.start("QA1ABC")])
        for _ in range(17):
            site.pass_s(10)
        assert quiet(site)  # 170 s
        for _ in range(3):
            site.pass_s(10)
        alert = site.alert("carrier_stuck")
        assert alert["reasons"][0].startswith("QA1ABC has been sending for 3 min")
        site.over("QB2DEF", -90)
        for _ in range(7):
            site.pass_s(10)
        assert quiet(site)

    def test_nothing_is_judged_where_nothing_is_learned(self, empty_redis: Redis) -> None:
        site = Site(empty_redis.url, learning={"enabled": False})
        site.over("QB2DEF", -90)
        site.workers[0].run([site.start("QA1ABC")])
        for _ in range(20):
            site.pass_s(MINUTE_S)
        assert quiet(site)
        assert site.checkup is None

    def test_a_gateway_that_is_down_has_no_health(self, empty_redis: Redis) -> None:
        site = Site(empty_redis.url)
        site.over("QB2DEF", -90)
        site.workers[0].run([site.start("QA1ABC")])
        for _ in range(5):
            site.pass_s(MINUTE_S)
        assert site.alert("carrier_stuck")
        down = Teller("ridge", boot="0190000000000002").state(site.now_ms, up=False)
        site.workers[0].run([down])
        site.pass_s(1)
        assert quiet(site)
        assert site.checkup is None


class TestDeaf:
    def test_heard_elsewhere_while_it_is_silent(self, site: Site) -> None:
        site.over("QM9MEM", -90, to="NET")
        for _ in range(3):
            for call in CALLS:
                site.over(call, LEVELS[call], "vhf")
            site.pass_s(5 * HOUR_S)
        alert = site.alert("repeater_deaf")
        assert (alert["severity"], alert["affects"]) == ("critical", ["QM9MEM"])
        assert "stations it usually hears were heard elsewhere" in alert["reasons"][0]
        assert "1 member was last heard on it" in alert["reasons"][1]

        # The state forgets after a day who was heard there, and others fall silent.
        self.forget(site)
        for _ in range(3):
            site.pass_s(MINUTE_S)
        assert site.alert("repeater_deaf")["since"] == alert["since"]

        site.over(CALLS[0], -90)
        for _ in range(2):
            site.pass_s(MINUTE_S)
        assert quiet(site)

    @staticmethod
    def forget(site: Site) -> None:
        keys = site.store.keys
        with_client: Any = site.store._client
        for port in ("uhf", "vhf"):
            assert with_client.delete(keys.heard(f"ridge/{port}"))

    def test_silence_alone_says_nothing(self, site: Site) -> None:
        for _ in range(12):
            site.pass_s(HOUR_S)
        assert quiet(site)


def test_busy_and_room_again(empty_redis: Redis) -> None:
    site = Site(empty_redis.url)
    for n in range(60):
        ms = site.now_ms
        site.pass_s(15)
        over: dict[str, Any] = {"phase": "end", "duration_s": 14.0, "sent_at": moment(site.now_ms)}
        site.workers[0].run([site.teller.heard(ms, CALLS[n % 3], f"b{n}", **over)])
    alert = site.alert("repeater_busy")
    assert (alert["severity"], alert["affects"]) == ("notice", [])
    assert "% of the last 15 min" in alert["reasons"][0]
    for _ in range(15):
        site.pass_s(MINUTE_S)
    assert quiet(site)


def test_gateways_are_judged_each_at_its_own_moment(empty_redis: Redis) -> None:
    site = Site(empty_redis.url)
    for _ in range(3):
        site.pass_s(MINUTE_S)
    gateways = [checkup_from(site.store.gateway(g).checkup) for g in ("ridge", "lake", "mill")]
    due = {found.next_ms for found in gateways if found}
    assert len(due) == 3
    assert all(0 < next_ms - site.now_ms <= 60_000 for next_ms in due)
