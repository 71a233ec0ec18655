"""A journal in which one station is named in every kind of line, as a worker writes it."""

import json
from pathlib import Path
from typing import Any

import zstandard

from streamer.clock import from_ms
from streamer.config import RegionView
from streamer.journal import lines as journal
from streamer.journal.lines import Line
from streamer.journal.writer import Writer
from streamer.mqtt.connection import Incoming
from streamer.state.entries import Act, Entry
from tests.forget.story import ALSO, GONE, STAYS
from tests.journal.make import begun, lines_of_messages
from tests.state.scene import START_MS, Teller, moment, region

HOUR_MS = 3_600_000
HOUR = START_MS // HOUR_MS * HOUR_MS
"""The hour in which it is recorded; START_MS is its first moment (1.8e12 is a whole hour)."""
NOW_MS = START_MS + 5 * HOUR_MS


def view(**changes: Any) -> RegionView:
    return region(**changes)


def over(teller: Teller, ms: int, station: str, name: str, **more: Any) -> list[Incoming]:
    end = {"phase": "end", "started_at": moment(ms), "duration_s": 2, **more}
    return [teller.heard(ms, station, name, **more), teller.heard(ms + 2000, station, name, **end)]


def act(
    ms: int, what: Act, subject: str, note: str | None = None, details: dict[str, Any] | None = None
) -> Line:
    entry = Entry(
        at=from_ms(ms), by="desk", act=what, subject=subject, note=note, details=details or {}
    )
    return journal.act(ms + 500, entry.model_dump_json())


def portions(known: RegionView, start_ms: int = START_MS) -> list[tuple[int, list[Line]]]:
    """What is noted, and when."""
    ridge, lake = Teller("ridge"), Teller("lake")
    t = start_ms
    place = {"lat": -46.123, "lon": 20.456, "speed_mps": 1.5, "course_deg": 90.0}
    late = lake.heard(t - 10**8, GONE, "late", position=place, text="private")
    said: list[tuple[int, list[Incoming]]] = [
        (t, [ridge.state(t), lake.state(t)]),
        (t + 1000, over(ridge, t + 1000, f"{GONE}/P", f"{GONE}-1", to="NET", text="private",
                        position=place)),
        (t + 5000, over(ridge, t + 5000, STAYS, "o2", to="NET", text="hello")),
        (t + 6000, over(lake, t + 6000, STAYS, "o3", to=GONE)),
        (t + 9000, over(lake, t + 9000, ALSO, "o4", to="NET")),
        (t + 12_000, [lake.route(t + 12_000, "NET", "sent", over=f"{GONE}-1", from_gateway="ridge"),
                      lake.heard(t + 12_000, f"{GONE}/MUCH/TOO/LONG", "q1")]),
        (t + 15_000, over(lake, t + 15_000, GONE, "o5", to="NET")),
        (t + 20_000, [late, Incoming(late.topic, f'{{"station": "{GONE.lower()}'.encode(), 1,
                                     False, 0)]),
        (t + 40_000, over(lake, t + 40_000, GONE, "o6", to="NET", text="out")),
        (t + 50_000, [ridge.state(t + 50_000), lake.state(t + 50_000)]),
    ]  # fmt: skip
    made = [(ms, lines_of_messages(known, messages, ms)) for ms, messages in said]
    reach = {"members": [{"station": GONE, "lat": -46.123, "lon": 20.456},
                         {"station": STAYS, "lat": -46.2, "lon": 20.2}]}  # fmt: skip
    roster = [{"call": GONE, "name": "Greta Gone", "agency": "Hill team"},
              {"call": STAYS, "name": "Steve Stays"}]  # fmt: skip
    details = {"title": "Search", "kind": "actual", "groups": ["NET"]}
    roster_topic = "net/scene/reach/NET"
    alert = f"net/scene/alert/member.NET.{GONE}"
    made += [
        (t + 21_000, [journal.published(t + 21_000, roster_topic, json.dumps(reach), True)]),
        (t + 22_000, [journal.published(t + 22_000, alert, "", True)]),
        (t + 23_000, [act(t + 22_500, Act.START_DUTY, "duty-1", f"for {GONE}", details),
                      act(t + 22_600, Act.SET_ROSTER, "duty-1", None, {"roster": roster})]),
        (t + 24_000, [act(t + 23_600, Act.CHECK_OUT, f"NET {ALSO}", f"{GONE} said so")]),
    ]  # fmt: skip
    return sorted(made, key=lambda pair: pair[0])


def record(
    folder: Path, known: RegionView, *, worker: str = "worker-1", start_ms: int = START_MS,
    close: bool = True,
) -> Writer:  # fmt: skip
    """One file; closed by the clock, or left as a worker that is at work has it."""
    writer = begun(folder, known, start_ms, worker)
    for ms, lines in portions(known, start_ms):
        writer.write(lines, ms)
        writer.tick(ms)
    if close:
        writer.close(start_ms + 60_000)
    return writer


def raw_lines(path: Path) -> list[bytes]:
    """The lines of a file by the zstd library alone."""
    with path.open("rb") as file:
        reader = zstandard.ZstdDecompressor().stream_reader(file, read_across_frames=True)
        content = reader.read()
    assert content.endswith(b"\n")
    return content.split(b"\n")[:-1]
