"""A recorded duty in the demo's invented region, the same for each seed.

World, network and story are the demo's; what gateways say goes through the worker's own intake,
state, deriver and desk on a real Redis, with a clock that the test moves. Everything that a worker
would note is written by the journal's own writer. What a duty is made of is ordered by `Acts`.
"""

import json
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from streamer.acts.acts import Acts
from streamer.alerts.desk import Desk
from streamer.clock import ManualClock, from_ms
from streamer.config import Region, RegionView
from streamer.contract.duty import DutyKind
from streamer.contract.events import Phase
from streamer.contract.published import FanOut, OrderKind
from streamer.contract.topics import Kind, fanout_topic, gateway_topic
from streamer.demo.fleet import heard_event, route_event
from streamer.demo.network import Network, RouteReport
from streamer.demo.story import Turn
from streamer.demo.world import Cue, Keyed, Unkeyed, World
from streamer.domain.roster import RosterLine
from streamer.journal import lines as make
from streamer.journal.lines import Line
from streamer.journal.reader import settings_text
from streamer.journal.writer import Retention, Writer
from streamer.mqtt.connection import Incoming
from streamer.state.shapes import OutMessage
from streamer.worker.batch import Batch
from streamer.worker.intake import Intake
from streamer.worker.recording import OrdersSeen
from tests.lab.demo_days import BEGIN_MS, STATIONS, demo_region
from tests.servers import Redis
from tests.state.scene import Bench, BenchWorker

LENGTH_S: Final = 70
DUTY_S: Final = (4, 66)
GROUPS: Final = ("SEARCH-1", "SHORE", "SUPPLY")
TITLE: Final = 'Night search, "Far Isle"'
NEVER_HEARD: Final = ("QX9ABS", "QX9ENT")
_HEARTBEAT_S: Final = 3
_FOR_EVER: Final = Retention(10**15, 10**15)


def region() -> RegionView:
    """The demo's, where alerts settle within seconds."""
    content = demo_region().region.model_dump(mode="json", exclude_unset=True)
    content["alerts"] = {"settle_s": 1, "clear_s": 2, "reopen_s": 60, "escalate_after_s": 15}
    return RegionView(Region.model_validate(content, strict=False))


@dataclass
class _Gateway:
    """What one gateway's agent numbers, and which of its repeaters are down since when."""

    name: str
    boot: int = 1
    seq: int = 0
    beats: int = 0
    alive: bool = True
    down: dict[str, str] = field(default_factory=dict)
    up_again: dict[str, str] = field(default_factory=dict)

    @property
    def boot_id(self) -> str:
        return f"019000000000000{self.boot}"


class NotedBench(Bench):
    """Notes what is published, as the broker takes it over."""

    noted: list[Line]

    def publish(self, message: OutMessage) -> None:
        super().publish(message)
        # A last word has its version in the name that the outbox keeps it by.
        topic = message.topic
        self.noted.append(
            make.published(self.clock.now_ms(), topic, message.payload, message.retain)
        )


class DutyDay:
    """Plays the story second by second; `lines` is what was noted."""

    def __init__(self, redis: Redis, seed: int) -> None:
        self.view = region()
        self.made = 0
        self.clock = ManualClock(BEGIN_MS)
        self.bench = NotedBench(self.view, redis.url, self.clock)
        self.lines: list[Line] = []
        self.bench.noted = self.lines
        self.worker = BenchWorker(self.bench)
        self.worker.desk = Desk(self.worker.store)
        self.acts = Acts(self.worker.store, self.clock, new_id=self._new_id)
        self.world = World(self.view, seed, STATIONS)
        owners = {name: name.partition("/")[0] for name in self.view.sites}
        self.network = Network(seed, owners)
        self.gateways = {name: _Gateway(name) for name in self.view.gateways}
        self.seen = OrdersSeen(self.worker.store)
        self.seen.news(lambda _: True)
        self.intake = Intake(self.view)
        self.pending: list[Incoming] = []
        self.duty_id = ""
        self.later: dict[int, list[Incoming]] = defaultdict(list)

    def play(self, orders: dict[int, Callable[["DutyDay"], object]]) -> None:
        self.worker.store.prepare(BEGIN_MS)
        for second in range(LENGTH_S + 1):
            self._second(second)
            if second in orders:
                orders[second](self)
            self._notice()

    def _new_id(self, what: str, ms: int) -> str:
        self.made += 1
        return f"{what}-{ms - BEGIN_MS}-{self.made}"

    # -- a second ---------------------------------------------------------------------------------

    def _second(self, second: int) -> None:
        self.clock.advance_s((BEGIN_MS + second * 1000 - self.clock.now_ms()) / 1000)
        for happening in self.world.advance(second):
            if isinstance(happening, Cue):
                self._cue(happening, second)
            else:
                self._over(happening)
        for report in self.network.tick(second):
            self._route(report)
        if second % _HEARTBEAT_S == 0:
            for gateway in self.gateways.values():
                self._beat(gateway, second)
        self.pending += self.later.pop(second, [])
        messages, self.pending = self.pending, []
        self._take(messages)
        self._follow()

    def _take(self, messages: list[Incoming]) -> None:
        now_ms = self.clock.now_ms()
        batch = Batch(noted_ms=now_ms, lines=self.lines)
        for message in messages:
            self.intake.take(message, now_ms, batch)
        self.worker.run(messages)
        self.worker.settle()

    def _follow(self) -> None:
        for group in self.view.groups:
            payload = self.bench.retained.get(fanout_topic(self.view.name, group))
            if payload:
                said = FanOut.model_validate_json(payload)
                wanted = [one.repeater for one in said.repeaters]
                self.network.on_fanout(group, said.version, wanted)

    def _notice(self) -> None:
        self.worker.settle()
        for text in self.seen.news(lambda _: True):
            self.lines.append(make.act(self.clock.now_ms(), text))

    # -- what gateways say ------------------------------------------------------------------------

    def say(self, gateway: str, kind: Kind, content: dict[str, Any]) -> Incoming | None:
        """A message with the next number; None from a gateway that is down."""
        own = self.gateways[gateway]
        if not own.alive:
            return None
        own.seq += 1
        numbers = {"v": 1, "boot": own.boot_id, "seq": own.seq, "sent_at": self.now()}
        return self.message(gateway, kind, {**content, **numbers})

    def message(self, gateway: str, kind: Kind, content: Any) -> Incoming:
        topic = gateway_topic(self.view.name, gateway, kind)
        return Incoming(topic, json.dumps(content).encode(), 1, False, 0)

    def now(self, shift_ms: int = 0) -> str:
        at = from_ms(self.clock.now_ms() + shift_ms)
        return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")

    def moment(self, at_s: float) -> str:
        at = from_ms(BEGIN_MS + round(at_s * 1000))
        return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")

    def _over(self, happening: Keyed | Unkeyed) -> None:
        over = happening.over
        ended = isinstance(happening, Unkeyed)
        if not ended:
            self.network.on_keyed(over)
        for hearing in over.heard:
            event = heard_event(
                over, hearing, Phase.END if ended else Phase.START, self.moment(over.started_s)
            )
            if ended:
                event["duration_s"] = round(over.duration_s, 3)
            del event["event"]
            self._send(self.say(hearing.gateway, Kind.HEARD, event))

    def _route(self, report: RouteReport) -> None:
        event = route_event(report, self.moment(report.at_s), 1.0)
        del event["event"]
        self._send(self.say(report.repeater.partition("/")[0], Kind.ROUTE, event))

    def _send(self, message: Incoming | None) -> None:
        if message is not None:
            self.pending.append(message)

    def _beat(self, gateway: _Gateway, second: int) -> None:
        if not gateway.alive:
            return
        gateway.beats += 1
        ports = []
        for port in self.view.gateways[gateway.name].repeater:
            name = f"{gateway.name}/{port.id}"
            changed = gateway.down.get(name) or gateway.up_again.get(name)
            state = {"id": name, "up": name not in gateway.down}
            ports.append({**state, "changed_at": changed} if changed else state)
        content = {
            "v": 1, "boot": gateway.boot_id, "session": 0, "seq": gateway.beats,
            "sent_at": self.now(), "clock_offset_s": 0.0, "up": True, "repeaters": ports,
        }  # fmt: skip
        self._send(self.message(gateway.name, Kind.STATE, content))

    def _cue(self, cue: Cue, second: int) -> None:
        beat = cue.beat
        gateway = self.gateways.get(beat.subject.partition("/")[0])
        match beat.turn:
            case Turn.REPEATER_DOWN:
                assert gateway is not None
                gateway.down[beat.subject] = self.moment(beat.at_s)
                for report in self.network.repeater_down(beat.subject, beat.at_s):
                    self._route(report)
            case Turn.REPEATER_UP:
                assert gateway is not None
                del gateway.down[beat.subject]
                gateway.up_again[beat.subject] = self.moment(beat.at_s)
                self.network.repeater_up(beat.subject)
            case Turn.GATEWAY_KILLED:
                assert gateway is not None
                self.network.gateway_down(beat.subject)
                will = {
                    "v": 1, "boot": gateway.boot_id, "session": 0, "sent_at": self.moment(0),
                    "clock_offset_s": 0.0, "up": False,
                }  # fmt: skip
                self._send(self.message(beat.subject, Kind.STATE, will))
                gateway.alive = False
            case Turn.GATEWAY_BACK:
                assert gateway is not None
                self.network.gateway_up(beat.subject)
                self.gateways[beat.subject] = _Gateway(beat.subject, boot=gateway.boot + 1)
                self._beat(self.gateways[beat.subject], second)
            case Turn.REFUSE | Turn.OBEY:
                self.network.set_refusing(beat.subject, beat.turn is Turn.REFUSE)
            case _:
                pass


# -- what is ordered, and what goes wrong --------------------------------------------------------


def _roster(day: DutyDay) -> list[RosterLine]:
    cast = [s.call for s in day.world.cast if s.group in GROUPS]
    expected = [
        RosterLine(
            call=call, name=f"=Name, {n}", agency="Agency A" if n % 2 else "", assignment="Searcher"
        )
        for n, call in enumerate(cast[:-2])
    ]
    return [*expected, *(RosterLine(call=call) for call in NEVER_HEARD)]


def _begin(day: DutyDay) -> None:
    duty = day.acts.start_duty(
        TITLE, DutyKind.EXERCISE, GROUPS, "officer", "try-out", roster=_roster(day)
    )
    day.duty_id = duty.id
    day.acts.start_duty("Another", DutyKind.ACTUAL, ["CONTROL"], "other")


def _wrong_input(day: DutyDay) -> None:
    """Refused: not JSON, another's repeater, an unknown group. A number that never comes."""
    name = next(iter(day.gateways))
    day.pending.append(
        Incoming(gateway_topic(day.view.name, name, Kind.HEARD), b"{", 1, False, 0)
    )  # fmt: skip
    over = {"station": "QA1ABC", "over": "x1", "phase": "start", "started_at": day.now()}
    day._send(day.say(name, Kind.HEARD, {**over, "repeater": "nowhere/vhf"}))
    route = {"repeater": f"{name}/vhf", "group": "NOBODY", "action": "carrying", "at": day.now()}
    day._send(day.say(name, Kind.ROUTE, route))
    day.gateways[name].seq += 3


def _keep_back(day: DutyDay) -> None:
    """An over that is told 44 s after it began."""
    name = next(iter(day.gateways))
    call = [s.call for s in day.world.cast if s.group == "SHORE"][1]  # the first has checked out
    over = {
        "repeater": f"{name}/vhf", "station": call, "to": "SHORE", "over": "late-1", "phase": "end",
        "started_at": day.now(), "duration_s": 2.5,
    }  # fmt: skip
    message = day.say(name, Kind.HEARD, over)
    assert message is not None
    day.later[64] = [message]


def _take_in_hand(day: DutyDay) -> None:
    standing = sorted(day.worker.store.all_alerts())
    for alert_id in [a for a in standing if a.startswith("gateway_lost")][:1]:
        day.acts.acknowledge(alert_id, "officer", "keeper called")


def _mark(day: DutyDay) -> None:
    members = [m.station for m in day.worker.store.groups(["SEARCH-1"])[0].members]
    call = day.worker.store.groups(["SEARCH-1"])[0].roll_call
    assert call is not None
    silent = [m for m in members if m not in call.answers]
    day.acts.answered("SEARCH-1", silent[-1], "officer", "by telephone")


def _check_out(day: DutyDay) -> None:
    members = [m.station for m in day.worker.store.groups(["SUPPLY"])[0].members]
    day.acts.check_out("SUPPLY", members[0], "officer")


ORDERS: Final[dict[int, Callable[[DutyDay], object]]] = {
    4: _begin,
    12: _wrong_input,
    18: lambda day: day.acts.order("SHORE", "coldrane/vhf", OrderKind.PIN, 30, "officer", "hut"),
    20: _keep_back,
    30: lambda day: day.acts.start_roll_call("SEARCH-1", "officer"),
    31: _mark,
    44: lambda day: day.acts.end_roll_call("SEARCH-1", "officer"),
    52: _take_in_hand,
    54: lambda day: day.acts.start_maintenance("coldrane", 20, "officer", "antenna"),
    60: lambda day: day.acts.start_roll_call("SHORE", "officer"),
    46: _check_out,
    66: lambda day: day.acts.end_duty(day.duty_id, "officer", "all back"),
}


def write_duty_day(folder: Path, redis: Redis, seed: int = 7) -> DutyDay:
    """Play it into an empty Redis and write its journal into a folder."""
    day = DutyDay(redis, seed)
    day.play(ORDERS)
    writer = Writer(folder, day.view.name, "w-1", "test", _FOR_EVER)
    writer.settings_are(settings_text(day.view), BEGIN_MS)
    for line in day.lines:
        writer.write([line], line["noted_ms"])
    writer.close(BEGIN_MS + LENGTH_S * 1000)
    return day
