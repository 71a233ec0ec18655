"""From messages to batches: decode, check, correct the times, resolve names. No I/O."""

from collections.abc import Iterator, Sequence
from functools import lru_cache
from itertools import count
from typing import Any

import structlog

from streamer.clock import from_ms, to_ms
from streamer.config import RegionView
from streamer.contract import topics
from streamer.contract.decode import Problem, decode
from streamer.contract.events import Heard, Phase, Route, State
from streamer.contract.published import Refusal, RefusalReason
from streamer.domain.callsign import Accepted, normalise
from streamer.domain.quarantine import quarantine_name
from streamer.mqtt.connection import Incoming
from streamer.worker.batch import Accepting, Batch
from streamer.worker.crowd import Crowd
from streamer.worker.flood import Restraint, Telling

log = structlog.get_logger()

EXCERPT_LENGTH = 300


class _Refused(Exception):
    """One event is not accepted; `tally` is what its number counts as."""

    def __init__(self, reason: RefusalReason, detail: str, tally: str) -> None:
        super().__init__(detail)
        self.reason = reason
        self.tally = tally


class Intake:
    """Built for one version of the region file. Without `restraint` every refusal is told, without
    `crowd` any number of stations is taken."""

    def __init__(
        self, view: RegionView, restraint: Restraint | None = None, crowd: Crowd | None = None
    ) -> None:
        self._view = view
        self._restraint = restraint
        self._crowd = crowd
        region = view.region
        self.rules = view.call_sign_rules()
        """May be replaced between two messages."""
        self._future_ms = round(view.limits.future_s * 1000)
        self._late_ms = {g: round(p.late_after_s * 1000) for g, p in view.policies.items()}
        self._late_else_ms = round(region.policy.late_after_s * 1000)
        self._accepting = Accepting(view)
        self._inbound = lru_cache(maxsize=8192)(topics.parse_inbound)

    def take(self, message: Incoming, now_ms: int, batch: Batch) -> None:
        """Add a message's events to a batch, and refusals for what is wrong with it. Never raises:
        a fault of ours must not stop everybody else's events."""
        try:
            self._take(message, now_ms, batch)
        except Exception:
            log.exception("a fault of this program", topic=message.topic[:300])
            text = "a fault of this program; its log has the details, please report it"
            self._refuse(batch, message, None, Problem(RefusalReason.INTERNAL, text), now_ms)

    def _take(self, message: Incoming, now_ms: int, batch: Batch) -> None:
        inbound = self._inbound(message.topic)
        if inbound is None or inbound.region != self._view.name:
            text = f"topic: {topics.gateway_topic_form(self._view.name)} is expected"
            self._refuse(batch, message, None, Problem(RefusalReason.TOPIC, text), now_ms)
            return
        gateway = inbound.gateway
        if not self._view.knows_gateway(gateway):
            text = f"gateway {gateway!r} is not in the region file; add it there"
            problem = Problem(RefusalReason.UNKNOWN_GATEWAY, text)
            self._refuse(batch, message, gateway, problem, now_ms)
            return
        if message.flooded:
            self._flooded(batch, message, gateway, now_ms)
        if message.unread:
            return
        if not message.payload and message.retain is False and inbound.kind == topics.Kind.STATE:
            return  # somebody removed a retained state; nothing is said by it
        events, problems = decode(inbound.kind, message.payload)
        for problem in problems:
            counted = None
            if problem.identity is not None and inbound.kind != topics.Kind.STATE:
                counted = (*problem.identity, "refused")
            self._refuse(batch, message, gateway, problem, now_ms, counted)
        bad = {problem.index for problem in problems}
        places = (place for place in count() if place not in bad)
        array = message.payload.lstrip()[:1] == b"["
        for place, event in zip(places, events, strict=False):
            self._event(batch, message, gateway, event, place if array else None, now_ms)

    def _event(
        self,
        batch: Batch,
        message: Incoming,
        gateway: str,
        event: Heard | Route | State,
        index: int | None,
        now_ms: int,
    ) -> None:
        try:
            if isinstance(event, Heard):
                self._heard(batch, gateway, event, now_ms)
            elif isinstance(event, Route):
                self._route(batch, gateway, event, now_ms)
            else:
                self._state(batch, gateway, event, message, now_ms)
        except _Refused as refused:
            problem = Problem(refused.reason, str(refused), index)
            counted = None
            if not isinstance(event, State):
                counted = event.boot, event.seq, refused.tally
            self._refuse(batch, message, gateway, problem, now_ms, counted, event)

    # -- kinds of events ---------------------------------------------------------------------

    def _heard(self, batch: Batch, gateway: str, event: Heard, now_ms: int) -> None:
        self._own(gateway, event.repeater)
        offset_ms = round((event.clock_offset_s or 0.0) * 1000)
        sent_ms = to_ms(event.sent_at) + offset_ms
        duration_ms = None if event.duration_s is None else round(event.duration_s * 1000)
        ended = event.phase is Phase.END
        if event.started_at is not None:
            ms = to_ms(event.started_at) + offset_ms
        else:
            ms = sent_ms - (duration_ms or 0 if ended else 0)
        to = self._addressed(event.to)
        # For an over to no group this is the region's own.
        late_ms = self._late_ms.get(to or "", self._late_else_ms)
        self._in_time(max(ms, sent_ms), ms, now_ms, late_ms)
        verdict = self.rules.judge(event.station)
        if not isinstance(verdict, Accepted):
            call, reason = quarantine_name(verdict.raw), verdict.reason
            self._accepting.quarantined(batch, gateway, event.boot, event.seq, call, reason, ms)
            return
        if self._crowd is not None and not self._crowd.admits(gateway, verdict.call, ms):
            text = (
                f"more than {self._view.limits.stations_per_h} stations within an hour of gateway "
                f"{gateway}: overs of further ones are refused"
            )
            raise _Refused(RefusalReason.TOO_MANY_STATIONS, text, "refused")
        # An over cannot end after its end was recorded; a wrong duration must not rule the future.
        end_ms = max(ms, min(ms + (duration_ms or 0), sent_ms))
        self._accepting.over(
            batch,
            gateway,
            event.boot,
            event.seq,
            ended,
            station=verdict.call,
            suffix=verdict.suffix or None,
            to=to,
            repeater=event.repeater,
            over=event.over,
            ms=ms,
            end_ms=end_ms,
            duration_ms=duration_ms,
            rssi_dbm=event.rssi_dbm,
            ber_pct=event.ber_pct,
            text=event.text,
            position=_position(event, ms, end_ms, offset_ms),
        )

    def _addressed(self, to: str | None) -> str | None:
        """The group or call sign addressed. Groups first: their names may hold a hyphen."""
        if to is None:
            return None
        name = to.strip().upper()
        return name if name in self._view.groups else normalise(to)[0]

    def _route(self, batch: Batch, gateway: str, event: Route, now_ms: int) -> None:
        self._own(gateway, event.repeater)
        if event.group not in self._view.groups:
            text = f"group {event.group!r} is not in the region file; add it there"
            raise _Refused(RefusalReason.UNKNOWN_GROUP, text, "refused")
        offset_ms = round((event.clock_offset_s or 0.0) * 1000)
        ms = to_ms(event.at) + offset_ms
        self._in_time(ms, ms, now_ms, self._late_ms[event.group])
        self._accepting.route(
            batch,
            gateway,
            event.boot,
            event.seq,
            repeater=event.repeater,
            group=event.group,
            action=event.action,
            ms=ms,
            latency_s=event.latency_s,
            over=event.over,
            from_gateway=event.from_gateway,
        )

    def _state(
        self, batch: Batch, gateway: str, event: State, message: Incoming, now_ms: int
    ) -> None:
        for repeater in event.repeaters:
            self._own(gateway, repeater.id)
        offset_ms = round((event.clock_offset_s or 0.0) * 1000)
        ms = to_ms(event.sent_at) + offset_ms
        if ms > now_ms + self._future_ms:
            self._accepting.ahead(batch, gateway, now_ms)
        if event.clock_offset_s is None and not message.retain:
            # Its clock may be years off (a board without a battery, just started): what has just
            # come was just said. The order of states does not go by time.
            ms = now_ms
        ms = max(0, min(ms, now_ms))
        flips = [
            (r.id, max(0, min(to_ms(r.changed_at) + offset_ms, ms)), int(r.up))
            for r in event.repeaters
            if r.changed_at is not None
        ]
        if not message.retain and event.up and event.seq is not None:
            batch.states.append((gateway, len(batch.gateway(gateway).states), event))
        self._accepting.state(
            batch,
            gateway,
            event.boot,
            event.session,
            event.seq,
            ms=ms,
            content=event.model_dump_json(exclude_none=True),
            up=event.up,
            flips=flips,
            taken_ms=now_ms,
        )

    # -- checks ------------------------------------------------------------------------------

    def _flooded(self, batch: Batch, message: Incoming, gateway: str, now_ms: int) -> None:
        limits = self._view.limits
        text = (
            f"more than {limits.flood_messages_per_s:g} messages or {limits.flood_mb_per_s:g} MB a "
            f"second of gateway {gateway}: {message.flooded} refused unread; their numbers are "
            "missing in its sequence"
        )
        problem = Problem(RefusalReason.FLOOD, text)
        self._accepting.refused(batch, _refusal(message, gateway, problem, now_ms), None)

    def _own(self, gateway: str, repeater: str) -> None:
        if repeater.partition("/")[0] != gateway:
            text = f"repeater {repeater} in a message of gateway {gateway}: send your own only"
            raise _Refused(RefusalReason.WRONG_GATEWAY, text, "refused")
        if not self._view.knows_repeater(repeater):
            text = f"repeater {repeater} is not in the region file; add it there"
            raise _Refused(RefusalReason.UNKNOWN_REPEATER, text, "refused")

    def _in_time(self, latest_ms: int, ms: int, now_ms: int, late_ms: int) -> None:
        if latest_ms > now_ms + self._future_ms:
            ahead_s = (latest_ms - now_ms) / 1000
            text = (
                f"its time is {ahead_s:.0f} s ahead of the server's: at most "
                f"{self._future_ms / 1000:g} s; set the gateway's clock"
            )
            raise _Refused(RefusalReason.FUTURE, text, "future")
        if ms < now_ms - late_ms:
            text = f"older than late_after_s = {late_ms / 1000:g}: kept, not applied"
            raise _Refused(RefusalReason.LATE, text, "late")

    def _refuse(
        self,
        batch: Batch,
        message: Incoming,
        gateway: str | None,
        problem: Problem,
        now_ms: int,
        counted: tuple[str, int, str] | None = None,
        event: Heard | Route | State | None = None,
    ) -> None:
        telling = Telling.TOLD if self._restraint is None else self._restraint.judge(gateway)
        told = telling is not Telling.COUNTED
        refusal = _refusal(message, gateway, problem, now_ms, telling)
        late = event is not None and problem.reason is RefusalReason.LATE
        content = event.model_dump_json(exclude_none=True) if late and event is not None else None
        self._accepting.refused(batch, refusal, counted, content, told=told)


def _refusal(
    message: Incoming,
    gateway: str | None,
    problem: Problem,
    now_ms: int,
    telling: Telling = Telling.TOLD,
) -> Refusal:
    """What is told of it; of what is only counted no more than a journal's line needs."""
    detail, start = problem.detail, EXCERPT_LENGTH
    if telling is Telling.LAST:
        detail = f"{detail[:400]}; so many were refused that the next ones are only counted"
    elif telling is Telling.COUNTED or (message.flooded and not message.unread):
        start = 0
    excerpt = message.payload[:start].decode("utf-8", "backslashreplace")
    return Refusal(
        at=from_ms(now_ms),
        topic=message.topic[:300],
        gateway=gateway,
        reason=problem.reason,
        detail=detail[:500],
        index=problem.index,
        times=message.flooded if problem.reason is RefusalReason.FLOOD else 1,
        size_bytes=len(message.payload),
        excerpt=excerpt[:512],
    )


def _position(event: Heard, ms: int, end_ms: int, offset_ms: int) -> tuple[Any, ...] | None:
    where = event.position
    if where is None:
        return None
    at_ms = ms if where.at is None else min(to_ms(where.at) + offset_ms, end_ms)
    return max(0, at_ms), where.lat, where.lon, where.speed_mps, where.course_deg


def parts_of(messages: Sequence[Incoming], events: int) -> Iterator[Sequence[Incoming]]:
    """Runs of messages, in order, that hold about `events` events at most."""
    start, size = 0, 0
    for at, message in enumerate(messages):
        more = count_events([message])
        if size and size + more > events:
            yield messages[start:at]
            start, size = at, 0
        size += more
    if start < len(messages):
        yield messages[start:]


def count_events(messages: Sequence[Incoming]) -> int:
    """A quick guess of how many events messages hold, to size batches by."""
    return sum(1 + m.payload.count(b'"seq"') for m in messages)
