"""A picture of what workers without a broker publish, under a clock that the test moves."""

import json
import random
from typing import Any

from streamer.acts.acts import Acts
from streamer.board.picture import Picture
from streamer.board.watch import air_of_day
from streamer.config import RegionView
from streamer.mqtt.connection import Incoming
from streamer.reading.common import Desk, open_desk
from streamer.state import lookups
from streamer.state.lookups import Reader
from streamer.state.store import connect
from tests.state.scene import GATEWAYS, PORTS, STATIONS, Bench, Teller, region


class Seen:
    """Real Redis, the workers' own steps, and a picture fed with what a broker would keep."""

    def __init__(self, url: str, view: RegionView | None = None) -> None:
        self.view = view or region()
        self.bench = Bench(self.view, url)
        self.worker = self.bench.worker()
        self.worker.store.prepare(self.now_ms)
        self.client = connect(url)
        self.acts = Acts(self.worker.store, self.bench.clock)
        self.tellers = {name: Teller(name) for name in GATEWAYS}
        self.picture = Picture(self.view, self.now_ms)
        self.picture.connected()
        self._given: dict[str, str] = {}

    @property
    def now_ms(self) -> int:
        return self.bench.clock.now_ms()

    def say(self, *messages: Incoming) -> None:
        """Have the worker take messages over and do all that follows."""
        self.worker.run(list(messages))
        self.settle()

    def settle(self) -> None:
        self.worker.settle()
        self.worker.store.note_worker("worker-1", self.now_ms)

    def pass_s(self, seconds: float) -> None:
        self.bench.clock.advance_s(seconds)
        self.settle()

    def hand_over(self) -> None:
        """Give the picture the topics that have changed, those removed by an empty payload."""
        now = self.bench.retained
        for topic in [t for t in self._given if t not in now]:
            self.picture.take(topic, b"", self.now_ms)
        for topic, payload in now.items():
            if self._given.get(topic) != payload:
                self.picture.take(topic, payload.encode(), self.now_ms)
        self._given = dict(now)

    def look(self) -> None:
        store = self.worker.store
        said = lookups.carrying(Reader(self.client, store), self.picture.starved())
        air = air_of_day(store, self.now_ms)
        self.picture.look(lookups.sights(store, self.now_ms), said, air, self.now_ms)

    def show(self) -> None:
        """What the picture's thread does in its turns."""
        self.hand_over()
        self.look()
        self.picture.make(self.now_ms)
        self.picture.tables.settle()

    def rows(self, table: str) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.picture.tables.document(table))["rows"]
        return found

    def desk(self) -> Desk:
        """As the commands that read see it."""
        return open_desk(self.client, self.view, self.now_ms)

    def something(self, dice: random.Random) -> None:
        """One random thing happens in the region."""
        teller = self.tellers[dice.choice(GATEWAYS)]
        port, group = dice.choice(PORTS), dice.choice(list(self.view.groups))
        match dice.randrange(10):
            case 0 | 1 | 2 | 3:
                text = dice.choice([{}, {}, {}, {"text": "OUT"}])
                over = f"o{self.now_ms}-{dice.random()}"
                lat = {"position": {"lat": round(dice.uniform(-49, -45), 3), "lon": 20.0}}
                more = {"to": group, **text, **dice.choice([{}, lat])}
                self.say(teller.heard(self.now_ms, dice.choice(STATIONS), over, port, **more))
            case 4 | 5:
                action = dice.choice(["carrying", "carrying", "released"])
                self.say(teller.route(self.now_ms, group, action, port))
            case 6:
                up = dice.random() < 0.8
                ports = [{"id": f"{teller.gateway}/{p}", "up": dice.random() < 0.8} for p in PORTS]
                self.say(teller.state(self.now_ms, up=up, repeaters=ports if up else []))
            case _:
                self.pass_s(dice.choice([0.5, 3, 20, 70]))
