"""What the published topics say, kept by plain reading: the newest version of everything."""

from collections import Counter, deque
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Final

from pydantic import TypeAdapter, ValidationError

from streamer.clock import to_ms
from streamer.contract.decode import decode
from streamer.contract.events import Heard
from streamer.contract.published import (
    Alert,
    AlertState,
    Carriage,
    FanOut,
    FanOutRepeater,
    Reach,
    Refusal,
    WorkerState,
)
from streamer.contract.replies import AckReply, Reply
from streamer.contract.topics import ROOT, parse_inbound
from streamer.domain.workers import Workers

_RATE_OVER_MS: Final = 5_000
_REPLY: Final[TypeAdapter[Any]] = TypeAdapter(Reply)


class ChangeKind(StrEnum):
    FANOUT = "fan-out"
    MOVED = "moved"
    STANDING = "standing"
    ALERT = "alert"
    REPLY = "reply"
    REFUSED = "refused"
    WORKER = "worker"


@dataclass(frozen=True, slots=True)
class Change:
    """One line of news; `loud` marks what a person would want to see at once."""

    at_ms: int
    kind: ChangeKind
    text: str
    loud: bool = False


def filters(region: str) -> list[str]:
    """What a reader of the picture reads: everything published, and what gateways say."""
    kinds = ("fanout", "reach", "alert", "reply", "worker", "gw")
    return [*(f"{ROOT}/{region}/{kind}/#" for kind in kinds), f"{ROOT}/{region}/refused"]


@dataclass
class Picture:
    """Fed with messages in any order; older versions never replace newer ones."""

    region: str
    fanouts: dict[str, FanOut] = field(default_factory=dict)
    reaches: dict[str, Reach] = field(default_factory=dict)
    alerts: dict[str, Alert] = field(default_factory=dict)
    alert_kinds: Counter[str] = field(default_factory=Counter)
    workers: Workers = field(default_factory=Workers)
    not_carried_ms: dict[tuple[str, str], int] = field(default_factory=dict)
    """(group, repeater) -> since when it is wanted there and not carried."""
    stations: set[str] = field(default_factory=set)
    replies: int = 0
    refused: int = 0
    unreadable: int = 0
    events: int = 0
    newest_ms: int | None = None
    _troubled: frozenset[str] = frozenset()
    _alert_versions: dict[str, int] = field(default_factory=dict)
    _arrivals: deque[tuple[int, int]] = field(default_factory=deque)

    def take(self, topic: str, payload: bytes, now_ms: int) -> list[Change]:
        """Read one message; returns what is new in it. Never raises for bad content."""
        inbound = parse_inbound(topic)
        if inbound is not None:
            if inbound.region == self.region:
                self._count_events(inbound.kind, payload, now_ms)
            return []
        kind, _, name = topic.removeprefix(f"{ROOT}/{self.region}/").partition("/")
        if not payload and kind == "worker":
            self.workers.leave(name)
        if not payload:
            return []  # a retained message was removed; alerts say themselves that they cleared
        try:
            return self._published(kind, payload, now_ms)
        except ValidationError:
            self.unreadable += 1
            return []

    def _published(self, kind: str, payload: bytes, now_ms: int) -> list[Change]:
        changes: list[Change] = []
        match kind:
            case "fanout":
                changes = self._fanout(FanOut.model_validate_json(payload), now_ms)
            case "reach":
                changes = self._reach(Reach.model_validate_json(payload), now_ms)
            case "alert":
                changes = self._alert(Alert.model_validate_json(payload), now_ms)
            case "reply":
                changes = self._reply(_REPLY.validate_json(payload), now_ms)
            case "refused":
                changes = self._refusal(Refusal.model_validate_json(payload), now_ms)
            case "worker":
                self.workers.take(WorkerState.model_validate_json(payload), now_ms)
        return changes

    def watch_workers(self, now_ms: int) -> list[Change]:
        """What has begun or ended to be wrong with the workers; silence brings no message."""
        troubles = self.workers.troubles(now_ms)
        begun = [text for name, text in troubles.items() if name not in self._troubled]
        ended = sorted(self._troubled - set(troubles))
        self._troubled = frozenset(troubles)
        return [
            *(Change(now_ms, ChangeKind.WORKER, f"TROUBLE {text}", loud=True) for text in begun),
            *(
                Change(now_ms, ChangeKind.WORKER, f"well again: {name or 'a worker speaks'}")
                for name in ended
            ),
        ]

    def _count_events(self, kind: str, payload: bytes, now_ms: int) -> None:
        if kind == "state":
            return
        events, _ = decode(kind, payload)
        self.events += len(events)
        self._arrivals.append((now_ms, len(events)))
        for event in events:
            self.newest_ms = max(self.newest_ms or 0, to_ms(event.sent_at))
            if isinstance(event, Heard):
                self.stations.add(event.station)

    def events_per_s(self, now_ms: int) -> float:
        """Over the last five seconds."""
        while self._arrivals and self._arrivals[0][0] < now_ms - _RATE_OVER_MS:
            self._arrivals.popleft()
        return sum(count for _, count in self._arrivals) * 1000 / _RATE_OVER_MS

    def _fanout(self, new: FanOut, now_ms: int) -> list[Change]:
        old = self.fanouts.get(new.group)
        if old is not None and new.version <= old.version:
            return []
        self.fanouts[new.group] = new
        self._note_carriage(old, new)
        before = {r.repeater for r in old.repeaters} if old else set()
        after = {r.repeater for r in new.repeaters}
        gained = [
            f"+{r.repeater} ({why_text(r)})" for r in new.repeaters if r.repeater not in before
        ]
        lost = [f"-{name}" for name in sorted(before - after)]
        if not gained and not lost:
            return []
        return [Change(now_ms, ChangeKind.FANOUT, f"{new.group}: {' '.join([*gained, *lost])}")]

    def _note_carriage(self, old: FanOut | None, new: FanOut) -> None:
        """Not carried: since it is wanted or, if it was wanted before, since it is said to be."""
        before = {r.repeater for r in old.repeaters} if old else set()
        missing = {
            (new.group, r.repeater): to_ms(
                new.at if r.repeater in before or r.since is None else r.since
            )
            for r in new.repeaters
            if r.carriage is Carriage.NOT_CARRIED
        }
        kept = {k: ms for k, ms in self.not_carried_ms.items() if k[0] != new.group or k in missing}
        self.not_carried_ms = {**missing, **kept}

    def _reach(self, new: Reach, now_ms: int) -> list[Change]:
        old = self.reaches.get(new.group)
        if old is not None and new.version <= old.version:
            return []
        self.reaches[new.group] = new
        known = {m.station: m for m in old.members} if old else {}
        changes = []
        for member in new.members:
            was = known.get(member.station)
            if was is None:
                continue
            if was.repeater != member.repeater:
                text = f"{member.station} from {was.repeater} to {member.repeater}"
                changes.append(Change(now_ms, ChangeKind.MOVED, text))
            if was.standing != member.standing:
                text = f"{member.station} in {new.group}: {words(member.standing)}"
                changes.append(Change(now_ms, ChangeKind.STANDING, text))
        return changes

    def _alert(self, new: Alert, now_ms: int) -> list[Change]:
        if new.version <= self._alert_versions.get(new.id, 0):
            return []
        known = self.alerts.get(new.id)
        self._alert_versions[new.id] = new.version
        if new.state is AlertState.CLEARED:
            self.alerts.pop(new.id, None)
            return [Change(now_ms, ChangeKind.ALERT, f"cleared: {new.title}", loud=True)]
        self.alerts[new.id] = new
        if known is not None:
            return []
        self.alert_kinds[new.kind.value] += 1
        text = f"{new.severity.value}: {new.title} - {new.next_step}"
        return [Change(now_ms, ChangeKind.ALERT, text, loud=True)]

    def _reply(self, reply: Any, now_ms: int) -> list[Change]:
        if not isinstance(reply, AckReply):
            return []
        self.replies += 1
        text = f"{reply.repeater} to {reply.station}: {reply.text!r}"
        return [Change(now_ms, ChangeKind.REPLY, text)]

    def _refusal(self, refusal: Refusal, now_ms: int) -> list[Change]:
        self.refused += 1
        text = f"{refusal.reason.value}: {refusal.detail}"
        return [Change(now_ms, ChangeKind.REFUSED, text, loud=True)]


def words(name: str) -> str:
    """A name of the contract as people say it: `out_of_reach` is 'out of reach'."""
    return str(name).replace("_", " ")


def why_text(repeater: FanOutRepeater, now_ms: int | None = None) -> str:
    """Why a repeater is wanted: '3 here', 'pin', 'linger 7 s'."""
    parts = []
    for why in repeater.why:
        match why.value:
            case "member":
                parts.append(f"{len(repeater.members)} here")
            case "linger" if len(repeater.why) > 1:
                pass  # something stronger holds it
            case "linger":
                left = ""
                if now_ms is not None and repeater.until is not None:
                    left = f" {max(0, to_ms(repeater.until) - now_ms) // 1000} s"
                parts.append(f"linger{left}")
            case other:
                parts.append(other)
    return ", ".join(parts)
