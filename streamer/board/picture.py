"""The picture that the board shows: what is published and how gateways stand, made into tables.

Used by one thread. `take` and `look` note what they bring and which rows it may change; `make` then
makes those rows, so that a group of which ten messages came at once is worked out once. What the
rules say (who hears, since when a repeater is starved) is asked of `domain`.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from pydantic import ValidationError

from streamer.alerts.maintenance import runs
from streamer.board import making
from streamer.board.head import Doubts, head_row, public_region
from streamer.board.making import GroupParts, Hearing
from streamer.board.rows import (
    FIXED_TABLES,
    PUBLIC_TABLE,
    ROSTER_HEAD,
    AirSaved,
    AlertRow,
    GatewayRow,
    fanout_table,
    roster_table,
)
from streamer.board.tables import Tables
from streamer.clock import to_ms
from streamer.config import RegionView
from streamer.contract.published import (
    Alert,
    AlertState,
    Beat,
    Duty,
    FanOut,
    Maintenance,
    Member,
    Reach,
    WorkerState,
)
from streamer.contract.topics import ROOT, beat_topic
from streamer.domain.duty import marks_of, running
from streamer.domain.fanout import Wanted, not_carried_since_ms
from streamer.domain.liveness import Sights
from streamer.domain.membership import CLOSED
from streamer.domain.model import Carrying
from streamer.domain.workers import Workers
from streamer.reading.alerts import first_opened_at, keeper_of

VERSIONS_KEPT: Final = 5000
"""Versions remembered of alerts, duties and maintenance that are over."""
KINDS: Final = ("fanout", "reach", "alert", "duty", "maintenance", "worker")
_ENDING: Final = ("alert", "duty", "maintenance", "worker")
"""Kinds of topics that vanish; fan-outs and rosters stay as long as their group."""

Said = Mapping[tuple[str, str], Carrying | None]
"""(group, repeater) -> what the repeater last said about carrying the group."""


def filters(region: str) -> list[str]:
    """What the picture is made of."""
    return [*(f"{ROOT}/{region}/{kind}/+" for kind in KINDS), beat_topic(region)]


def table_names(view: RegionView) -> list[str]:
    """Every table of a region."""
    tables = [make(group) for group in view.groups for make in (fanout_table, roster_table)]
    return [*FIXED_TABLES, *tables]


def _titles(view: RegionView) -> dict[str, str]:
    return {
        f"{gateway.id}/{port.id}": port.title
        for gateway in view.gateways.values()
        for port in gateway.repeater
    }


@dataclass(slots=True)
class _Group:
    fanout: FanOut | None = None
    reach: Reach | None = None
    not_yet: frozenset[str] = frozenset()
    shown: dict[str, tuple[Member, Hearing]] = field(default_factory=dict)
    """What the rows of the roster were made of."""


class Picture:
    """`tables` is what browsers follow; `more` are names of tables that somebody else fills."""

    def __init__(self, view: RegionView, now_ms: int, more: Sequence[str] = ()) -> None:
        self.view = view
        self._more = tuple(more)
        self.tables = Tables([*table_names(view), *more])
        self._titles = _titles(view)
        self._groups = {name: _Group() for name in view.groups}
        self._alerts: dict[str, Alert] = {}
        self._duties: dict[str, Duty] = {}
        self._works: dict[str, Maintenance] = {}
        self._versions: dict[str, int] = {}
        self._workers = Workers()
        self._sights: Sights | None = None
        self._said: Said = {}
        self._seen: Mapping[str, object] = {}
        self._gateways: dict[str, GatewayRow] = {}
        self._air: AirSaved | None = None
        self._places: dict[str, dict[str, Member]] = {}
        self._doubts = Doubts(now_ms, now_ms)
        self._unseen: set[str] = set()
        self._dirty: set[str] = set(view.groups)

    # -- what comes in -------------------------------------------------------------------------

    def take(self, topic: str, payload: bytes, now_ms: int) -> None:
        """Read one message. Never raises for bad content; counts it."""
        self._unseen.discard(topic)
        kind, _, name = topic.removeprefix(f"{ROOT}/{self.view.name}/").partition("/")
        if not payload:
            self._removed(kind, name)
            return
        try:
            match kind:
                case "fanout":
                    self._fanout(FanOut.model_validate_json(payload))
                case "reach":
                    self._reach(Reach.model_validate_json(payload))
                case "alert":
                    self._alert(Alert.model_validate_json(payload))
                case "duty":
                    self._duty(Duty.model_validate_json(payload))
                case "maintenance":
                    self._work(Maintenance.model_validate_json(payload))
                case "beat":
                    self._doubts.beats.take(Beat.model_validate_json(payload), now_ms)
                case "worker":
                    self._workers.take(WorkerState.model_validate_json(payload), now_ms)
        except ValidationError:
            self._doubts.unreadable += 1

    def connected(self) -> None:
        """A new connection: retained messages come again, except those that are gone."""
        self._doubts.broker_away_ms = None
        self._doubts.beats.connected()
        names = {
            "alert": self._alerts.keys(),
            "duty": self._duties.keys(),
            "maintenance": self._works.keys(),
            "worker": self._workers.names,
        }
        self._unseen = {
            f"{ROOT}/{self.view.name}/{kind}/{name}" for kind in _ENDING for name in names[kind]
        }

    def expect_beats(self, now_ms: int) -> None:
        """Workers are at work there: that they send no beat is to be told."""
        self._doubts.beats.expect(now_ms, self.view.region.alerts.beat_s)

    def sweep(self, still: Collection[str] = ()) -> None:
        """Some time after `connected`: what has not come again was removed meanwhile, except what
        is still there (`alert/ID`, `duty/ID` and so on): the broker has only forgotten it."""
        gone, self._unseen = self._unseen, set()
        for topic in gone:
            kind, name = topic.split("/")[2:4]
            if f"{kind}/{name}" not in still:
                self._removed(kind, name)
                self._versions.pop(f"{kind}/{name}", None)  # should it only have been late

    def lost(self, now_ms: int) -> None:
        """There is no connection to the broker."""
        if self._doubts.broker_away_ms is None:
            self._doubts.broker_away_ms = now_ms

    def look(self, sights: Sights, said: Said, air: AirSaved | None, now_ms: int) -> None:
        """How gateways stand, what repeaters said where they are starved, what was saved."""
        self._doubts.redis_away_ms, self._doubts.looked_ms = None, now_ms
        self._sights, self._said, self._air = sights, said, air
        self._gateways = making.gateway_rows(self.view, sights)
        self.tables.replace("gateways", self._gateways)
        repeaters = [r for row in self._gateways.values() for r in row.repeaters]
        for repeater in repeaters:
            public = making.public_repeater(repeater)
            self.tables.put(PUBLIC_TABLE, f"repeater:{repeater.repeater}", public)
        seen = {
            r.repeater: (sights.repeater(r.repeater).reason, sights.speaks_of_routes(row.gateway))
            for row in self._gateways.values()
            for r in row.repeaters
        }
        if seen != self._seen:  # reasons of carriage stand in every group's rows
            self._seen = seen
            self._dirty.update(self._groups)

    def redis_away(self, now_ms: int) -> None:
        """Redis did not answer; what it said last stays."""
        if self._doubts.redis_away_ms is None:
            self._doubts.redis_away_ms = self._doubts.looked_ms or now_ms

    @property
    def doubts(self) -> Doubts:
        """What there is to say against what it shows."""
        return self._doubts

    def starved(self) -> list[tuple[str, str]]:
        """(group, repeater) of which `look` should tell what was said."""
        return [
            (name, repeater)
            for name, group in self._groups.items()
            if group.fanout is not None
            for repeater in group.fanout.starved
        ]

    def reload(self, view: RegionView) -> None:
        """Another region file of the same region: groups that it drops go."""
        self.tables.arrange(
            [*table_names(view), *self._more]
        )  # first: whoever asks by the new view finds them
        self.view, self._titles = view, _titles(view)
        for name in set(self._groups) - set(view.groups):
            self._forget(name)
        for name in view.groups:
            self._groups.setdefault(name, _Group())
        self._seen = {}
        self._dirty = set(view.groups)
        for alert in self._alerts.values():
            self._put_alert(alert)

    def move_into(self, tables: Tables) -> None:
        """Be shown, from now on, in tables that browsers follow already."""
        tables.take_over(self.tables, self._more)
        self.tables = tables

    # -- messages ------------------------------------------------------------------------------

    def _fanout(self, new: FanOut) -> None:
        group = self._groups.get(new.group)
        if group is None or (group.fanout is not None and new.version <= group.fanout.version):
            return
        group.fanout = new
        # What is newly starved is given time until `look` has told since when it is.
        group.not_yet |= {r for r in new.starved if (new.group, r) not in self._said}
        self._dirty.add(new.group)

    def _reach(self, new: Reach) -> None:
        group = self._groups.get(new.group)
        if group is None or (group.reach is not None and new.version <= group.reach.version):
            return
        group.reach = new
        self._dirty.add(new.group)

    def _alert(self, new: Alert) -> None:
        if not self._is_newer(f"alert/{new.id}", new.version):
            return
        if new.state is AlertState.CLEARED:
            self._removed("alert", new.id)
        else:
            self._alerts[new.id] = new
            self._put_alert(new)

    def _put_alert(self, alert: Alert) -> None:
        began, keeper = first_opened_at(alert), keeper_of(self.view, alert)
        row = AlertRow(**dict(alert), first_opened_at=began, keeper=keeper)
        self.tables.put("alerts", alert.id, row)

    def _duty(self, new: Duty) -> None:
        if not self._is_newer(f"duty/{new.id}", new.version):
            return
        if new.ended_at is not None:
            self._removed("duty", new.id)
            return
        known = self._duties.get(new.id)
        self._duties[new.id] = new
        groups = {*new.groups, *(known.groups if known else ())}
        self._dirty |= groups & self._groups.keys()

    def _work(self, new: Maintenance) -> None:
        if not self._is_newer(f"maintenance/{new.id}", new.version):
            return
        if new.ended_at is not None:
            self._removed("maintenance", new.id)
            return
        self._works[new.id] = new

    def _is_newer(self, name: str, version: int) -> bool:
        if version <= self._versions.pop(name, 0):
            self._versions[name] = version
            return False
        self._versions[name] = version
        standing = len(self._alerts) + len(self._duties) + len(self._works)
        if len(self._versions) > VERSIONS_KEPT + standing:
            self._versions.pop(next(iter(self._versions)))
        return True

    def _removed(self, kind: str, name: str) -> None:
        """A topic has no message any more, or its last one says that it is over."""
        match kind:
            case "fanout" | "reach" if name in self._groups:
                setattr(self._groups[name], kind, None)
                self._dirty.add(name)
            case "alert":
                self._alerts.pop(name, None)
                self.tables.drop("alerts", name)
            case "duty":
                ended = self._duties.pop(name, None)
                if ended is not None:
                    self._dirty |= set(ended.groups) & self._groups.keys()
            case "maintenance":
                self._works.pop(name, None)
            case "worker":
                self._workers.leave(name)

    # -- what goes out -------------------------------------------------------------------------

    def make(self, now_ms: int) -> None:
        """Bring the tables up to date."""
        self._judge_starved(now_ms)
        dirty, self._dirty = self._dirty, set()
        for name in dirty:
            self._make_group(name)
        works = {name: work for name, work in self._works.items() if runs(work, now_ms)}
        self.tables.replace("maintenance", works)
        duties = running(self._duties.values())
        head = head_row(
            self.view, self._doubts, self._workers, self._gateways.values(),
            self._alerts.values(), duties, self._air, now_ms,
        )  # fmt: skip
        self.tables.put("head", "head", head)
        self.tables.put(PUBLIC_TABLE, "region", public_region(head, self._alerts.values()))

    def _judge_starved(self, now_ms: int) -> None:
        """The rule by which the workers raise an alert; see `reading.group`."""
        if self._sights is None:
            return
        for name, group in self._groups.items():
            fanout = group.fanout
            if fanout is None or not (fanout.starved or group.not_yet):
                continue
            since_ms = now_ms - round(self.view.policies[name].starved_after_s * 1000)
            not_yet = set()
            for entry in fanout.repeaters:
                key = name, entry.repeater
                if entry.repeater not in fanout.starved:
                    continue
                if key not in self._said:
                    if entry.repeater in group.not_yet:
                        not_yet.add(entry.repeater)
                    continue
                wanted = Wanted(
                    entry.repeater, entry.why, entry.members,
                    to_ms(entry.since or fanout.at), None, entry.carriage,
                )  # fmt: skip
                if not_carried_since_ms(wanted, self._said[key], self._sights) > since_ms:
                    not_yet.add(entry.repeater)
            if not_yet != group.not_yet:
                group.not_yet = frozenset(not_yet)
                self._dirty.add(name)

    def _parts(self, name: str) -> GroupParts:
        group = self._groups[name]
        return GroupParts(
            group=name,
            title=self.view.groups[name].title,
            titles=self._titles,
            fanout=group.fanout,
            reach=group.reach,
            duties=marks_of(self._duties.values(), name),
            sights=self._sights,
            not_yet=group.not_yet,
        )

    def _make_group(self, name: str) -> None:
        parts = self._parts(name)
        heard = making.hearings(parts)
        self.tables.replace(fanout_table(name), making.fanout_rows(parts))
        self._make_roster(name, parts, heard)
        row = making.group_row(parts, heard)
        self.tables.put("groups", name, row)
        self.tables.put(PUBLIC_TABLE, f"group:{name}", making.public_group(row))

    def _make_roster(self, name: str, parts: GroupParts, heard: Mapping[str, Hearing]) -> None:
        """Only members of whom something has changed."""
        group, table = self._groups[name], roster_table(name)
        members = parts.reach.members if parts.reach else ()
        now = {m.station: (m, heard[m.station]) for m in members}
        moved = []
        for station in [s for s in group.shown if s not in now]:
            self.tables.drop(table, station)
            moved.append(station)
        for station, (member, hearing) in now.items():
            if group.shown.get(station) != (member, hearing):
                self.tables.put(table, station, making.roster_row(member, hearing))
                moved.append(station)
        group.shown = now
        self.tables.put(table, ROSTER_HEAD, making.roster_head(parts))
        self._move(name, moved)

    def _move(self, name: str, stations: Iterable[str]) -> None:
        shown = self._groups[name].shown
        for station in stations:
            member = shown[station][0] if station in shown else None
            of_groups = self._places.setdefault(station, {})
            if member is None or member.standing in CLOSED:
                of_groups.pop(name, None)
            else:
                of_groups[name] = member
            if of_groups:
                self.tables.put("places", station, making.place_row(station, of_groups))
            else:
                del self._places[station]
                self.tables.drop("places", station)

    def _forget(self, name: str) -> None:
        group = self._groups[name]
        left, group.shown = list(group.shown), {}
        self._move(name, left)
        del self._groups[name]
        self.tables.drop("groups", name)
        self.tables.drop(PUBLIC_TABLE, f"group:{name}")
