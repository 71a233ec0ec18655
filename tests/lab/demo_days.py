"""Recorded days of the demo's invented region, in no time: what its repeaters would have told, as
the worker's own intake makes journal lines of it."""

import json
from functools import cache
from pathlib import Path

from streamer.clock import from_ms
from streamer.config import RegionView, load_region
from streamer.contract.events import Phase
from streamer.contract.topics import Kind, gateway_topic
from streamer.demo.fleet import heard_event
from streamer.demo.setting import REGION_FILE
from streamer.demo.world import Happening, Hearing, Keyed, Unkeyed, World
from streamer.journal.lines import Line
from streamer.lab.day import Day
from streamer.lab.gather import day_from
from streamer.mqtt.connection import Incoming
from streamer.worker.batch import Batch
from streamer.worker.intake import Intake

BEGIN_MS = 1_800_000_000_000
STATIONS = 40
BOOT = "0190000000000001"


@cache
def demo_region(path: Path = REGION_FILE) -> RegionView:
    return load_region(path)


def demo_lines(seed: int, length_s: float) -> list[Line]:
    """What was heard; nothing is said of routes, and no gateway is ever lost."""
    view = demo_region()
    intake, seq = Intake(view), dict.fromkeys(view.gateways, 0)
    found: list[Line] = []
    for happening in World(view, seed, STATIONS).advance(length_s):
        if not isinstance(happening, Keyed | Unkeyed):
            continue
        for hearing in happening.over.heard:
            seq[hearing.gateway] += 1
            message = _message(view, happening, hearing, seq[hearing.gateway])
            now_ms = _ms(happening.at_s) + 30
            batch = Batch(noted_ms=now_ms, lines=[])
            intake.take(message, now_ms, batch)
            assert batch.lines is not None
            found += batch.lines
    return found


@cache
def demo_day(seed: int, length_s: float) -> Day:
    return day_from(demo_lines(seed, length_s), demo_region())


def _ms(at_s: float) -> int:
    return BEGIN_MS + round(at_s * 1000)


def _moment(at_s: float) -> str:
    return from_ms(_ms(at_s)).isoformat().replace("+00:00", "Z")


def _message(view: RegionView, happening: Happening, hearing: Hearing, seq: int) -> Incoming:
    assert isinstance(happening, Keyed | Unkeyed)
    over = happening.over
    phase = Phase.START if isinstance(happening, Keyed) else Phase.END
    event = heard_event(over, hearing, phase, _moment(over.started_s))
    if phase is Phase.END:
        event["duration_s"] = round(over.duration_s, 3)
    del event["event"]
    event |= {"v": 1, "boot": BOOT, "seq": seq, "sent_at": _moment(happening.at_s)}
    topic = gateway_topic(view.name, hearing.gateway, Kind.HEARD)
    return Incoming(topic, json.dumps(event).encode(), 1, False, 0)
