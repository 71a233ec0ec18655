"""The lines of a journal: what each kind says. No I/O.

Times are whole ms since 1970 UTC, corrected by the gateway's clock offset; `noted_ms` is when the
worker noted it. What was not said is left out. A reader skips kinds and fields that it does not
know; a change that it could not skip gets a new `v` in the first line.
"""

from typing import Any, Final

from streamer.contract.published import Refusal
from streamer.state.shapes import Flip, Keying

FORMAT: Final = "streamer-journal"
VERSION: Final = 1

BEGIN: Final = "begin"
"""The first line of a file: format, v, region, worker, software."""
REGION: Final = "region"
"""The region file from then on, without the addresses of broker and Redis: settings (JSON)."""
HEARD: Final = "heard"
QUARANTINED: Final = "quarantined"
ROUTE: Final = "route"
STATE: Final = "state"
AHEAD: Final = "ahead"
"""A heartbeat's time was ahead of the server's: gateway."""
REFUSED: Final = "refused"
PUBLISHED: Final = "published"
"""What the broker took over: topic, payload, retain."""
ACT: Final = "act"
"""What somebody ordered: entry (JSON of the log's entry). Each worker notes it."""
FORGOTTEN: Final = "forgotten"
"""So many lines of this file were changed, so that a station is no longer named in it: lines,
done_ms."""
END: Final = "end"
"""The last line of a file that was closed: lines, this one not counted."""

Line = dict[str, Any]
_OF_A_KEYING: Final = ("to", "suffix", "duration_ms", "rssi_dbm", "ber_pct", "text")
"""In the order of `Keying.info`."""
_OF_A_FIX: Final = ("fix_ms", "lat", "lon", "speed_mps", "course_deg")


def begin(noted_ms: int, region: str, worker: str, software: str) -> Line:
    return {
        "kind": BEGIN, "noted_ms": noted_ms, "format": FORMAT, "v": VERSION, "region": region,
        "worker": worker, "software": software,
    }  # fmt: skip


def heard(noted_ms: int, gateway: str, boot: str, seq: int, ended: bool, keying: Keying) -> Line:
    """The start or the end of an over, by the keying that it was made into."""
    line: Line = {
        "kind": HEARD, "noted_ms": noted_ms, "gateway": gateway, "boot": boot, "seq": seq,
        "repeater": keying.repeater, "station": keying.station, "over": keying.over,
        "phase": "end" if ended else "start", "began_ms": keying.ms, "ended_ms": keying.end_ms,
    }  # fmt: skip
    for name, value in zip(_OF_A_KEYING, keying.info or (), strict=False):
        if value is not None:
            line[name] = value
    if keying.position is not None:
        for name, value in zip(_OF_A_FIX, keying.position, strict=True):
            if value is not None:
                line[name] = value
    return line


def position_of(line: Line) -> tuple[Any, ...] | None:
    """The position in a `heard` line, as in `Keying`."""
    if "fix_ms" not in line:
        return None
    return line["fix_ms"], line["lat"], line["lon"], line.get("speed_mps"), line.get("course_deg")


def quarantined(
    noted_ms: int, gateway: str, boot: str, seq: int, call: str, reason: str, ms: int
) -> Line:
    return {
        "kind": QUARANTINED, "noted_ms": noted_ms, "gateway": gateway, "boot": boot, "seq": seq,
        "call": call, "reason": reason, "began_ms": ms,
    }  # fmt: skip


def route(
    noted_ms: int,
    gateway: str,
    boot: str,
    seq: int,
    *,
    repeater: str,
    group: str,
    action: str,
    ms: int,
    latency_s: float | None,
    over: str | None,
    from_gateway: str | None,
) -> Line:
    line: Line = {
        "kind": ROUTE, "noted_ms": noted_ms, "gateway": gateway, "boot": boot, "seq": seq,
        "repeater": repeater, "group": group, "action": action, "said_ms": ms,
    }  # fmt: skip
    if latency_s is not None:
        line["latency_s"] = latency_s
    if over is not None:
        line["over"] = over
    if from_gateway is not None:
        line["from_gateway"] = from_gateway
    return line


def state(
    noted_ms: int,
    gateway: str,
    boot: str,
    session: int,
    seq: int | None,
    *,
    ms: int,
    content: str,
    up: bool,
    flips: list[Flip],
) -> Line:
    """A heartbeat, or a will (without `seq`); `content` is the message as JSON."""
    line: Line = {
        "kind": STATE, "noted_ms": noted_ms, "gateway": gateway, "boot": boot, "session": session,
        "said_ms": ms, "up": up, "content": content, "flips": flips,
    }  # fmt: skip
    if seq is not None:
        line["seq"] = seq
    return line


def ahead(noted_ms: int, gateway: str) -> Line:
    return {"kind": AHEAD, "noted_ms": noted_ms, "gateway": gateway}


def published(noted_ms: int, topic: str, payload: str, retain: bool) -> Line:
    return {
        "kind": PUBLISHED, "noted_ms": noted_ms, "topic": topic, "payload": payload,
        "retain": retain,
    }  # fmt: skip


def act(noted_ms: int, entry: str) -> Line:
    return {"kind": ACT, "noted_ms": noted_ms, "entry": entry}


def region(noted_ms: int, settings: str) -> Line:
    return {"kind": REGION, "noted_ms": noted_ms, "settings": settings}


def forgotten(noted_ms: int, lines: int, done_ms: int) -> Line:
    return {"kind": FORGOTTEN, "noted_ms": noted_ms, "lines": lines, "done_ms": done_ms}


def end(noted_ms: int, lines: int) -> Line:
    return {"kind": END, "noted_ms": noted_ms, "lines": lines}


def refused(
    noted_ms: int, refusal: Refusal, counted: tuple[str, int, str] | None, content: str | None
) -> Line:
    """`counted` are boot, seq and tally; `content` is the whole event where it was read and is
    only too late."""
    line = {"kind": REFUSED, "noted_ms": noted_ms}
    line |= refusal.model_dump(mode="json", exclude={"at", "v"}, exclude_none=True)
    if counted is not None:
        line["boot"], line["seq"], line["tally"] = counted
    if content is not None:
        line["content"] = content
    return line
