"""A small record of eight minutes, made by the worker's own intake and the journal's writer.

Three gateways send heartbeats every 20 s. QA1ABC keys to RESCUE every 30 s: at ridge/uhf until
250 s, then at lake/uhf. QB2DEF keys to RESCUE at mill/uhf until 100 s and never again: with
`overdue_after_s` 60, `out_of_reach_after_s` 120 and `expire_after_s` 240 it is in reach until
160 s, then overdue, out of reach from 220 s on, and from 340 s on it is expired.
"""

from pathlib import Path
from typing import Final

from streamer.clock import from_ms
from streamer.contract.published import Alert, AlertKind, AlertState, Severity
from streamer.contract.topics import alert_topic
from streamer.journal import lines as make
from streamer.journal.lines import Line
from streamer.journal.reader import settings_text
from streamer.journal.writer import Retention, Writer
from streamer.mqtt.connection import Incoming
from streamer.worker.batch import Batch
from streamer.worker.intake import Intake
from tests.state.scene import GATEWAYS, START_MS, Teller, region

LENGTH_S: Final = 480
END_MS: Final = START_MS + LENGTH_S * 1000
RAISED_S: Final = (161, 221, 341)
MOVED_S: Final = 270
"""QA1ABC's first over at lake/uhf."""


def at_ms(seconds: float) -> int:
    """So many seconds from the begin of the record."""
    return START_MS + round(seconds * 1000)


def messages() -> list[tuple[int, Incoming]]:
    """What the gateways say, and when."""
    tellers = {name: Teller(name) for name in GATEWAYS}
    said = []
    for second in range(0, LENGTH_S + 1, 10):
        ms = at_ms(second)
        if second % 20 == 0:
            said += [(ms, t.state(ms, repeaters=_ports(name))) for name, t in tellers.items()]
        if second % 30 == 0:
            teller = tellers["ridge" if second < 250 else "lake"]
            said.append((ms, teller.heard(ms, "QA1ABC", f"a{second}", to="RESCUE")))
        if second in (40, 70, 100):
            said.append((ms, tellers["mill"].heard(ms, "QB2DEF", f"b{second}", to="RESCUE")))
    return said


def _ports(gateway: str) -> list[dict[str, object]]:
    return [{"id": f"{gateway}/{port}", "up": True} for port in ("uhf", "vhf")]


def alert_line(seconds: float, state: AlertState, version: int, name: str = "a-1") -> Line:
    """That somebody published an alert; nothing else of it counts here."""
    alert = Alert(
        region="scene", id=name, version=version, kind=AlertKind.MEMBER_OVERDUE,
        severity=Severity.WARNING, state=state, subject="QB2DEF", title="late", reasons=("so",),
        next_step="Call.", since=from_ms(START_MS), opened_at=from_ms(START_MS),
    )  # fmt: skip
    topic = alert_topic("scene", name)
    return make.published(at_ms(seconds), topic, alert.model_dump_json(), retain=True)


def write_record(folder: Path, extra: list[Line] | None = None, begin_s: float = 0) -> Path:
    """The folder, with the record in it; `begin_s`: when its first line was noted, the region."""
    view = region()
    intake = Intake(view)
    writer = Writer(folder, view.name, "w-1", "test", Retention(10**15, 10**12))
    writer.settings_are(settings_text(view), at_ms(begin_s))
    found: list[Line] = list(extra or [])
    for ms, message in messages():
        batch = Batch(noted_ms=ms, lines=[])
        intake.take(message, ms, batch)
        assert not batch.refusals, batch.refusals
        found += batch.lines or []
    for line in sorted(found, key=lambda line: int(line["noted_ms"])):
        writer.write([line], line["noted_ms"])
    writer.close(END_MS)
    return folder
