"""Example messages: a short, invented exercise, told by two gateways and answered by a worker.

What gateways say is numbered and can be published by hand in this order; the region file that
knows these gateways stands beside the generated files, in `shared/examples/region.toml`.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, Final
from uuid import UUID

from pydantic import BaseModel

from streamer.contract import published as out
from streamer.contract import topics
from streamer.contract.duty import DutyKind
from streamer.contract.events import (
    Heard,
    Phase,
    Position,
    RepeaterState,
    Route,
    RouteAction,
    State,
)
from streamer.contract.example import (
    COVE,
    DESK,
    GROUP,
    LEADER,
    OTHER,
    REGION,
    RIDGE,
    ROAMER,
    START,
    Example,
    outgoing,
    plain,
)
from streamer.contract.examples_alerts import alerts, beat, maintenance
from streamer.contract.replies import AckReply, TimeReply
from streamer.contract.topics import Kind

_WORKER: Final = "worker-1"
_STORE: Final = "5d0c1b7a9e3f2846"


class _Gateway:
    """Numbers a gateway's events."""

    def __init__(self, name: str, start: datetime, number: int) -> None:
        self.name = name
        self._start = start
        self._seq = 0
        self.boot = boot_id(start - timedelta(minutes=1), number)

    def at(self, seconds: float) -> datetime:
        return self._start + timedelta(seconds=seconds)

    def _event(self, seconds: float) -> dict[str, Any]:
        self._seq += 1
        return {"v": 1, "boot": self.boot, "seq": self._seq, "sent_at": self.at(seconds)}

    def heard(self, seconds: float, repeater: str, station: str, over: str, **more: Any) -> Heard:
        fixed = {"repeater": f"{self.name}/{repeater}", "station": station, "over": over}
        return Heard.model_validate({**self._event(seconds), **fixed, **more})

    def route(self, seconds: float, repeater: str, action: RouteAction, **more: Any) -> Route:
        fixed = {"repeater": f"{self.name}/{repeater}", "group": GROUP, "action": action}
        at = self.at(seconds - 0.02)
        return Route.model_validate({**self._event(seconds), **fixed, **more, "at": at})

    def state(self, seconds: float, *, up: bool, **more: Any) -> State:
        fixed = {"v": 1, "boot": self.boot, "session": 1, "sent_at": self.at(seconds), "up": up}
        return State.model_validate({**fixed, **more})


def boot_id(start: datetime, number: int) -> str:
    """A UUIDv7 (RFC 9562, 5.7) of that millisecond with `number` where others roll dice."""
    milliseconds = int(start.timestamp() * 1000)
    return str(UUID(int=milliseconds << 80 | 0x7 << 76 | 0x2 << 62 | number))


def examples(start: datetime = START) -> list[Example]:
    """All examples, those of gateways first and in the order of their publishing."""
    return [*_inbound(start), *_outbound(start)]


def _inbound(start: datetime) -> list[Example]:
    ridge, cove = _Gateway(RIDGE, start, 1), _Gateway(COVE, start, 2)
    told: list[tuple[_Gateway, Kind, str, str, Sequence[BaseModel]]] = [
        (ridge, Kind.STATE, "up", "The ridge reports with two repeaters.", [_ridge_up(ridge)]),
        (cove, Kind.STATE, "up", "The cove reports with one repeater.", [_cove_up(cove)]),
        *_check_ins(ridge, cove),
        *_moves(ridge, cove),
    ]
    made = []
    for number, (gateway, kind, name, says, messages) in enumerate(told, start=1):
        payloads = [plain(message) for message in messages]
        made.append(
            Example(
                name=f"{number:02d}-{kind}-{gateway.name}-{name}",
                message=kind,
                topic=topics.gateway_topic(REGION, gateway.name, kind),
                retain=kind is Kind.STATE,
                inbound=True,
                says=says,
                payload=payloads[0] if len(payloads) == 1 else payloads,
            )
        )
    return made


_Told = tuple[_Gateway, Kind, str, str, Sequence[BaseModel]]


def _ridge_up(ridge: _Gateway) -> State:
    uhf = RepeaterState(
        id="ridge/uhf", up=True, freq_mhz=439.025, lat=-46.30, lon=20.60, antenna_m=30, range_km=25
    )
    vhf = RepeaterState(
        id="ridge/vhf", up=True, freq_mhz=146.05, lat=-46.30, lon=20.60, antenna_m=30, range_km=35
    )
    return ridge.state(
        0, up=True, seq=1, software="example 1.0", spooled=0, dropped=0, repeaters=(uhf, vhf)
    )


def _cove_up(cove: _Gateway) -> State:
    vhf = RepeaterState(id="cove/vhf", up=True, lat=-46.35, lon=20.75, range_km=30)
    return cove.state(0.5, up=True, seq=1, software="example 1.0", repeaters=(vhf,))


def _check_ins(ridge: _Gateway, cove: _Gateway) -> list[_Told]:
    first = {"to": GROUP, "phase": Phase.START}
    ended = {
        "to": GROUP,
        "phase": Phase.END,
        "started_at": ridge.at(1),
        "duration_s": 3.2,
        "ber_pct": 0.4,
        "rssi_dbm": -97.5,
        "text": "on foot",
        "position": Position(
            lat=-46.31, lon=20.62, at=ridge.at(3), speed_mps=1.4, course_deg=85
        ).model_dump(exclude_unset=True),
    }
    carried = RouteAction.CARRYING
    sent = {"over": "cove-1", "from_gateway": "cove", "latency_s": 0.38}
    return [
        (
            ridge, Kind.HEARD, "check-in", f"{ROAMER} keys to {GROUP} and so checks in.",
            [ridge.heard(1, "uhf", ROAMER, "ridge-1", **first)],
        ),
        (
            ridge, Kind.ROUTE, "carrying", f"ridge/uhf now carries {GROUP}.",
            [ridge.route(1.2, "uhf", carried)],
        ),
        (
            ridge, Kind.HEARD, "key-up", "The over ends; every field is given.",
            [ridge.heard(4.2, "uhf", ROAMER, "ridge-1", **ended)],
        ),
        (
            cove, Kind.HEARD, "check-in", f"{LEADER}, portable, checks in at the cove.",
            [cove.heard(5, "vhf", f"{LEADER}/P", "cove-1", **first)],
        ),
        (
            cove, Kind.ROUTE, "carrying", f"cove/vhf now carries {GROUP}.",
            [cove.route(5.2, "vhf", carried)],
        ),
        (
            ridge, Kind.ROUTE, "sent", "The ridge sends out the over that the cove handed on.",
            [ridge.route(5.4, "uhf", RouteAction.SENT, **sent)],
        ),
    ]  # fmt: skip


def _moves(ridge: _Gateway, cove: _Gateway) -> list[_Told]:
    over = {"to": LEADER, "clock_offset_s": 0.012}
    return [
        (
            cove, Kind.HEARD, "nobody", f"{OTHER} keys to nobody: the fewest fields there can be.",
            [cove.heard(8, "vhf", OTHER, "cove-2", phase=Phase.START)],
        ),
        (
            cove, Kind.HEARD, "moved",
            f"An array: {ROAMER} calls {LEADER} at the cove. Its groups move with it.",
            [
                cove.heard(10, "vhf", ROAMER, "cove-3", phase=Phase.START, **over),
                cove.heard(12, "vhf", ROAMER, "cove-3", phase=Phase.END, duration_s=2.0, **over),
            ],
        ),
        (
            cove, Kind.HEARD, "check-out", f"{LEADER} sends the text OUT to {GROUP}: checks out.",
            [
                cove.heard(
                    14, "vhf", f"{LEADER}/P", "cove-4", to=GROUP, phase=Phase.END,
                    started_at=cove.at(13.2), duration_s=0.8, text="OUT",
                )
            ],
        ),
        (
            cove, Kind.STATE, "heartbeat", "The next heartbeat, with the clock offset now known.",
            [_cove_up(cove).model_copy(
                update={"seq": 2, "sent_at": cove.at(15), "clock_offset_s": 0.012}
            )],
        ),
        (
            ridge, Kind.STATE, "will", "The will that the broker sends if the ridge vanishes.",
            [ridge.state(0, up=False)],
        ),
    ]  # fmt: skip


def _outbound(start: datetime) -> list[Example]:
    return [
        *_groups(start),
        *alerts(start),
        *maintenance(start),
        *beat(start),
        *_duties(start),
        *_replies(start),
        *_worker(start),
    ]


def _groups(start: datetime) -> list[Example]:
    def at(seconds: float) -> datetime:
        return start + timedelta(seconds=seconds)

    moved_s = 10.012  # by the corrected clock of the cove
    ridge = out.FanOutRepeater(
        repeater="ridge/uhf",
        why=(out.Why.LINGER,),
        until=at(moved_s + 120),
        since=at(1),
        carriage=out.Carriage.CARRIED,
        carried_after_s=0.18,
    )
    cove = out.FanOutRepeater(
        repeater="cove/vhf",
        why=(out.Why.MEMBER, out.Why.LINGER),
        members=(ROAMER,),
        since=at(5),  # held by the leader before the roamer came
        carriage=out.Carriage.CARRIED,
        carried_after_s=0.18,
    )
    came = out.FanOutRepeater(
        repeater="ridge/uhf",
        why=(out.Why.MEMBER,),
        members=(ROAMER,),
        since=at(1),
        carriage=out.Carriage.CARRIED,
        carried_after_s=0.18,
    )
    fanout_topic = topics.fanout_topic(REGION, GROUP)
    nobody = out.FanOut(region=REGION, group=GROUP, version=1, at=at(-60), repeaters=())
    carried = out.FanOut(region=REGION, group=GROUP, version=3, at=at(1.3), repeaters=(came,))
    moved = out.FanOut(region=REGION, group=GROUP, version=7, at=at(14.1), repeaters=(cove, ridge))
    roamer = out.Member(
        station=ROAMER,
        standing=out.Standing.IN_REACH,
        standing_since=at(moved_s),
        reasons=(f"heard {at(moved_s):%H:%M:%S}Z on cove/vhf",),
        repeater="cove/vhf",
        last_heard_at=at(moved_s),
        checked_in_at=at(1),
        lat=-46.31,
        lon=20.62,
        position_at=at(3),
    )
    leader = out.Member(
        station=LEADER,
        suffix="P",
        standing=out.Standing.CHECKED_OUT,
        standing_since=at(14),
        reasons=(f"checked out {at(14):%H:%M:%S}Z",),
        repeater="cove/vhf",
        last_heard_at=at(13.2),
        checked_in_at=at(13.2),
        checked_out_at=at(14),
    )
    reach = out.Reach(region=REGION, group=GROUP, version=6, at=at(14.1), members=(roamer, leader))
    return [
        outgoing(
            "fanout-nobody", fanout_topic, "Nobody is in the group and it has no pin.", nobody
        ),
        outgoing("fanout-carried", fanout_topic, "One member, and its repeater carries.", carried),
        outgoing("fanout-moved", fanout_topic, "One member, and a repeater that lingers.", moved),
        outgoing("reach-moved", topics.reach_topic(REGION, GROUP), "Who stands how.", reach),
    ]


def _duties(start: datetime) -> list[Example]:
    runs = out.Duty(
        region=REGION,
        id="duty-20260101-115000-3f9a",
        version=int(start.timestamp() * 1000) - 600_000,
        title="Winter search exercise",
        kind=DutyKind.EXERCISE,
        groups=(GROUP,),
        started_at=start - timedelta(minutes=10),
        started_by=DESK,
        expected=(ROAMER, LEADER, OTHER),
    )
    changes = {"version": runs.version + 1, "ended_at": start, "ended_by": DESK}
    topic = topics.duty_topic(REGION, runs.id)
    ended = runs.model_copy(update=changes)
    return [
        outgoing("duty-runs", topic, "An exercise has begun.", runs),
        outgoing("duty-ended", topic, "It is over; not retained.", ended, retain=False),
    ]


def _replies(start: datetime) -> list[Example]:
    def ack(seconds: float, word: str, station: str, repeater: str, over: str) -> AckReply:
        at = start + timedelta(seconds=seconds)
        text = f"{word} {GROUP}"
        return AckReply(
            station=station, group=GROUP, repeater=repeater, text=text, over=over, at=at
        )

    heartbeat = TimeReply(
        boot=boot_id(start - timedelta(minutes=1), 2),
        session=1,
        seq=2,
        agent_sent_at=start + timedelta(seconds=15),
        received_at=start + timedelta(seconds=15.031),
        replied_at=start + timedelta(seconds=15.033),
        missing=0,
    )
    refused = out.Refusal(
        at=start + timedelta(seconds=17),
        topic=topics.gateway_topic(REGION, COVE, Kind.HEARD),
        gateway=COVE,
        reason=out.RefusalReason.WRONG_GATEWAY,
        detail="repeater ridge/uhf in a message of gateway cove: send your own only",
        index=3,
        size_bytes=1742,
        excerpt='[{"v":1,"boot":"',
    )
    ridge, cove = (topics.reply_topic(REGION, gateway) for gateway in (RIDGE, COVE))
    came = ack(1.1, "IN", ROAMER, "ridge/uhf", "ridge-1")
    went = ack(14.1, "OUT", LEADER, "cove/vhf", "cove-4")
    refused_topic = topics.refused_topic(REGION)
    return [
        outgoing("reply-in", ridge, "A check-in acknowledged.", came, retain=False),
        outgoing("reply-out", cove, "A check-out acknowledged.", went, retain=False),
        outgoing("reply-time", cove, "A heartbeat answered.", heartbeat, retain=False),
        outgoing("refused-element", refused_topic, "An element refused.", refused, retain=False),
    ]


def _worker(start: datetime) -> list[Example]:
    lives = out.WorkerState(
        region=REGION,
        name=_WORKER,
        up=True,
        at=start + timedelta(seconds=18),
        next_within_s=5,
        waiting=0,
        store=_STORE,
    )
    connected = start - timedelta(minutes=2)
    will = out.WorkerState(region=REGION, name=_WORKER, up=False, at=connected, store=_STORE)
    topic = topics.worker_topic(REGION, _WORKER)
    return [
        outgoing("worker-up", topic, "A worker lives, and nothing waits.", lives),
        outgoing(
            "worker-will", topic, "The will that the broker sends if the worker vanishes.", will
        ),
    ]
