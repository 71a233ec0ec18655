"""Short ways to say what the state knows of a station, a gateway or a group. Times in seconds
after a fixed moment, so that a test reads like a story; results are in milliseconds."""

from collections.abc import Mapping, Sequence
from typing import Any

from streamer.clock import from_ms
from streamer.config import Policy
from streamer.domain.liveness import RepeaterSight, Sights
from streamer.domain.model import (
    Carrying,
    FloodSpan,
    GroupSnapshot,
    LiveState,
    Place,
    Said,
    SessionSpan,
    Stay,
    Summary,
)

T0_MS = 1_800_000_000_000
RIDGE, LAKE, MILL = "ridge/uhf", "lake/uhf", "mill/uhf"
POLICY = Policy(
    overdue_after_s=60,
    out_of_reach_after_s=120,
    expire_after_s=240,
    linger_s=30,
    starved_after_s=5,
    late_after_s=3600,
    check_out_words=("OUT", "Qrt"),
)


def at(seconds: float) -> int:
    return T0_MS + round(seconds * 1000)


def said(seconds: float, repeater: str = RIDGE) -> Said:
    return Said(at(seconds), repeater.split("/", maxsplit=1)[0], repeater, f"o{seconds:g}")


def stay(repeater: str, came: float, left: float | None, last: float | None = None) -> Stay:
    """Without `last` it was heard there once."""
    heard = came if last is None else last
    return Stay(repeater, at(came), at(heard), None if left is None else at(left))


def station(
    name: str = "QA1ABC",
    *,
    heard: float = 0,
    on: str = RIDGE,
    ins: Sequence[float] = (),
    out: float | None = None,
    words: dict[str, float] | None = None,
    stays: Sequence[Stay] | None = None,
    **place: Any,
) -> Summary:
    """What a group knows; without `stays` it never was anywhere but `on`."""
    newest = max(ins, default=None)
    return Summary(
        name,
        "1",
        Place(at(heard), on.split("/", maxsplit=1)[0], on, f"o{heard:g}", **place),
        None,
        None if newest is None else said(newest, on),
        tuple(sorted((at(s) for s in ins), reverse=True)),
        None if out is None else said(out, on),
        {w: said(s, on) for w, s in (words or {}).items()},
        tuple(stays) if stays is not None else (stay(on, min([heard, *ins]), None, heard),),
    )


def sight(
    repeater: str = RIDGE,
    *,
    up: bool = True,
    since: float | None = None,
    dark: Sequence[tuple[float, float]] = (),
) -> RepeaterSight:
    reason = "reporting" if up else f"repeater {repeater} is down"
    spans = tuple((at(a), at(b)) for a, b in dark)
    return RepeaterSight(repeater, up, None if since is None else at(since), reason, dark=spans)


def live(
    gateway: str, *, last: float = 0, began: float = 0, taken: float | None = None, **state: Any
) -> LiveState:
    """A newest state; `down` lists (repeater, since) that the gateway calls down; `earlier` are
    (began, last) of connections that ended with a goodbye; `flips` of repeaters as kept."""
    down = state.pop("down", [])
    flipped = state.pop("flips", {})
    dark_between = [SessionSpan(at(a), at(b), True) for a, b in state.pop("earlier", [])]
    listed = [
        {"id": r, "up": False, "changed_at": None if s is None else from_ms(at(s)).isoformat()}
        for r, s in down
    ]
    content = {
        "v": 1,
        "boot": "boot0001",
        "session": 1,
        "seq": 1,
        "sent_at": from_ms(at(last)).isoformat(),
        "up": True,
        "repeaters": listed,
        **state,
    }
    content = {name: value for name, value in content.items() if value is not None}
    arrived = last if taken is None else taken
    up = bool(content["up"])
    spans = [*dark_between, SessionSpan(at(began), at(last), not up)]
    flips: dict[str, tuple[tuple[int, bool], ...]] = {
        r: ((at(s), False),) for r, s in down if s is not None
    }
    return LiveState(
        gateway, "boot0001", 1, at(last), at(arrived), content, tuple(spans), flips | flipped
    )


def sights(
    now: float,
    *states: LiveState,
    routers: Sequence[str] = (),
    lost_after: float = 90,
    floods: Mapping[str, Sequence[tuple[float, float, int]]] | None = None,
    hold: float = 300,
) -> Sights:
    """`floods` are (since, last, messages) by gateway."""
    known = {s.gateway: s for s in states}
    flooded = {
        gateway: [FloodSpan(at(since), at(last), n) for since, last, n in spans]
        for gateway, spans in (floods or {}).items()
    }
    lost_after_ms, hold_ms = round(lost_after * 1000), round(hold * 1000)
    return Sights(known, frozenset(routers), lost_after_ms, at(now), flooded, hold_ms)


def group(
    *members: Summary,
    carrying: dict[str, tuple[float, bool]] | None = None,
    born: float | None = -1000,
    **more: Any,
) -> GroupSnapshot:
    said_of = {r: Carrying(at(s), yes, None, at(s)) for r, (s, yes) in (carrying or {}).items()}
    born_ms = None if born is None else at(born)
    more.setdefault("forwardings", ())
    return GroupSnapshot("RESCUE", 1, 1, members, said_of, born_ms=born_ms, **more)
