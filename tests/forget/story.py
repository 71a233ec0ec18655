"""A region in which one station has left traces of every kind, among others who have too."""

import json
from typing import Any

from redis import Redis as RedisClient

from streamer.acts.acts import Acts
from streamer.alerts.notice import Notice, Turn
from streamer.clock import from_ms
from streamer.contract.duty import DutyKind
from streamer.contract.published import Alert, OrderKind
from streamer.domain.roster import RosterLine
from streamer.state.alerting import Decided, TakenParcel, Waiting
from streamer.state.store import Store
from tests.servers import Redis
from tests.state.scene import Bench, BenchWorker, Teller, region

GONE = "QG7GNE"
"""The station that is to be forgotten. No other name of the scene holds it."""
STAYS, ALSO = "QA1ABC", "QB2DEF"
PSEUDONYM = "FORGOTTEN0TEST0"


class Story:
    """What happened, by a worker's own steps; times are those of the bench's clock."""

    def __init__(self, redis: Redis, **changes: Any) -> None:
        self.redis = redis
        self.bench = Bench(region(**changes), redis.url)
        self.worker: BenchWorker = self.bench.worker()
        self.store: Store = self.worker.store
        self.client: Any = redis.client()
        self.acts = Acts(self.store, self.bench.clock)
        self.ridge, self.lake = Teller("ridge"), Teller("lake")
        self.overs = 0
        self.store.prepare(self.now_ms)

    @property
    def now_ms(self) -> int:
        return self.bench.clock.now_ms()

    def settle(self, seconds: float = 0) -> None:
        self.bench.clock.advance_s(seconds)
        self.worker.settle()

    def key(self, teller: Teller, station: str, to: str | None, **more: Any) -> None:
        """An over, heard from begin to end."""
        self.overs += 1
        over = more.pop("over", f"o{self.overs}")
        said = {"to": to, "rssi_dbm": -90.5, **more}
        start = teller.heard(self.now_ms, station, over, **said)
        end = teller.heard(self.now_ms, station, over, phase="end", duration_s=2, **said)
        self.worker.run([start, end])

    def happen(self) -> None:
        """Everything."""
        self.beats()
        place = {"lat": -46.123, "lon": 20.456, "speed_mps": 1.5}
        self.key(self.ridge, f"{GONE}/P", "NET", position=place, text="private", over=f"{GONE}-1")
        self.key(self.ridge, STAYS, "NET", position={"lat": -46.2, "lon": 20.2})
        self.key(self.lake, ALSO, "NET")
        self.key(self.lake, STAYS, GONE)  # called by another
        sent = {"over": f"{GONE}-1", "from_gateway": "ridge"}
        self.worker.run(
            [
                self.lake.route(self.now_ms, "NET", "carrying"),
                self.lake.route(self.now_ms, "NET", "sent", **sent),
                self.lake.heard(self.now_ms, f"{GONE}/MUCH/TOO/LONG", "q1"),
                self.ridge.heard(self.now_ms, "NOBODY", "q2"),
            ]
        )
        self.refuse()
        self.settle(3)
        self.order()
        self.two_places()
        self.worker.run([self.lake.route(self.now_ms, "NET", "released")])
        self.settle(10)  # wanted there, not carried there: an alert that names the members
        self.settle(65)  # overdue
        self.beats()
        self.settle(1)

    def beats(self) -> None:
        self.worker.run([self.ridge.state(self.now_ms), self.lake.state(self.now_ms)])

    def refuse(self) -> None:
        """Input that was not taken: too late, no JSON, the name written so that it hides."""
        late = self.lake.heard(self.now_ms - 10**8, GONE, "l1", position={"lat": -46, "lon": 20})
        hidden = f"\\u00{ord(GONE[0]):02x}{GONE[1:]}"
        torn = [f'{{"station": "{GONE.lower()}", "te', f'{{"station": "{hidden}", "te', '{"other']
        messages = [late, *(late.__class__(late.topic, t.encode(), 1, False, 0) for t in torn)]
        before = len(self.worker.refusals)
        self.worker.run(messages)
        self.store.refuse(
            [(r.reason.value, r.model_dump_json()) for r in self.worker.refusals[before:]]
        )

    def order(self) -> None:
        lines = [
            RosterLine(call=GONE, name="Greta Gone", agency="Hill team", assignment="lookout"),
            RosterLine(call=STAYS, name="Steve Stays"),
        ]
        duty = self.acts.start_duty(
            "Search", DutyKind.ACTUAL, ["NET"], "desk", f"for {GONE}", roster=lines
        )
        self.acts.start_roll_call("NET", "desk", duty.id)
        self.acts.answered("NET", GONE, "desk", "by telephone")
        self.acts.answered("NET", STAYS, "desk")
        self.acts.order("NET", "mill/uhf", OrderKind.PIN, 3600, "desk", f"asked by {GONE.lower()}")
        self.acts.check_out("NET", ALSO, "desk", f"{GONE} said so")
        self.acts.accept_call("BASECAMP", "desk", f"of {GONE}")

    def two_places(self) -> None:
        """Ridge and lake are 111 km apart, ranges 30 km: nobody is at both within seconds."""
        self.key(self.ridge, GONE, None)
        self.bench.clock.advance_s(3)
        self.key(self.lake, GONE, None)

    def channels(self) -> None:
        """Notices that wait, a parcel under way, one that was given up: each of the station's own
        alert, and of one that names it."""
        notices = [self.notice(text) for text in self.store.all_alerts().values()]
        texts = [n.model_dump_json() for n in notices]
        assert any(n.alert.subject == GONE for n in notices)
        assert any(GONE in n.alert.affects for n in notices)
        decided = Decided(expect={}, waiting=[Waiting("mail", self.now_ms, t) for t in texts])
        for _ in range(3):
            assert self.store.commit_cases(decided, self.now_ms) is not None
            if not self.store.dead_letters("mail"):
                assert self.store.parcel_dead("mail", self.parcel(), self.now_ms, f"no {GONE}")
            elif not self.client.hexists(self.store.keys.parcel("mail"), "id"):
                self.parcel()

    def parcel(self) -> TakenParcel:
        taken = self.store.take_parcel(
            "mail", "w", now_ms=self.now_ms, lease_ms=1000, pause_ms=0, begin=False
        )
        assert taken is not None
        return taken

    def notice(self, text: str) -> Notice:
        alert = Alert.model_validate_json(text)
        return Notice(
            id=f"{alert.id}@{alert.version}.opened", turn=Turn.OPENED, at=from_ms(self.now_ms),
            alert=alert,
        )  # fmt: skip


def everything(client: Any, keys: str = "*") -> dict[str, Any]:
    """All keys of a Redis, each as its own kind of value."""
    read = {
        "hash": client.hgetall, "string": client.get, "set": client.smembers,
        "list": lambda key: client.lrange(key, 0, -1),
        "zset": lambda key: client.zrange(key, 0, -1, withscores=True),
    }  # fmt: skip
    return {str(key): read[client.type(key)](key) for key in client.scan_iter(keys)}


def where_named(client: Any, name: str, keys: str = "*") -> list[str]:
    """Where a name stands in a Redis, as bytes, in whatever case: in names of keys, in what they
    hold, and in how Redis itself writes that down (DUMP)."""
    found = []
    for key, value in everything(client, keys).items():
        text = json.dumps([key, value], default=list)
        if name.lower() in text.lower():
            found.append(f"{key}: {text[:300]}")
    path = client.connection_pool.connection_kwargs["path"]
    with RedisClient(unix_socket_path=path) as plain:  # one that answers in bytes
        for key in plain.scan_iter(keys):
            if name.lower().encode() in (plain.dump(key) or b"").lower():
                found.append(f"dump of {key!r}")
    return found
