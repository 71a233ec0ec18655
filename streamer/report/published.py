"""What workers published, as a journal's lines tell it: fan-outs, rosters, alerts.

Only what changes is kept: a day of rosters would not fit into memory.
"""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from operator import itemgetter
from typing import Any

from pydantic_core import from_json

from streamer.clock import to_ms
from streamer.contract.common import VERSION
from streamer.contract.published import Alert, Standing
from streamer.contract.topics import ROOT


@dataclass(frozen=True, slots=True)
class Stood:
    """From `at_ms` on a group's roster showed a station so; `standing` None: no longer shown."""

    at_ms: int
    standing: Standing | None
    since_ms: int | None = None
    checked_in_ms: int | None = None
    repeater: str = ""

    @property
    def shown(self) -> tuple[Standing | None, int | None, int | None, str]:
        """All but the time of telling."""
        return self.standing, self.since_ms, self.checked_in_ms, self.repeater


@dataclass(frozen=True, slots=True)
class SaidAlert:
    """One message about an alert; `noted_ms` is when the broker had taken it over."""

    noted_ms: int
    alert: Alert


@dataclass(slots=True)
class Published:
    """Takes `published` lines in the order in which they were noted. Of a topic an older version
    never replaces a newer one (several workers may have noted them in another order)."""

    fanouts: dict[str, list[tuple[int, frozenset[str]]]] = field(
        default_factory=lambda: defaultdict(list)
    )
    """By group: from when on these repeaters were wanted."""
    standings: dict[tuple[str, str], list[Stood]] = field(default_factory=lambda: defaultdict(list))
    """By group and station."""
    alerts: dict[tuple[str, int], SaidAlert] = field(default_factory=dict)
    """By id and version."""
    _versions: dict[str, int] = field(default_factory=dict)
    _at_ms: dict[str, int] = field(default_factory=dict)
    _shown: dict[str, set[str]] = field(default_factory=lambda: defaultdict(set))

    def take(self, line: Mapping[str, Any]) -> None:
        """One line; other topics are passed over. Raises KeyError, TypeError, ValueError,
        AttributeError for one that does not say what its topic says."""
        parts = line["topic"].split("/")
        if len(parts) != 4 or parts[0] != ROOT or not line["payload"]:
            return  # an empty payload only removes what is retained
        if parts[2] == "alert":
            alert = Alert.model_validate_json(line["payload"])
            self.alerts.setdefault((alert.id, alert.version), SaidAlert(line["noted_ms"], alert))
        elif parts[2] in ("fanout", "reach"):
            said = from_json(line["payload"])
            if said["v"] != VERSION:
                raise ValueError(f"v is {said['v']}")
            topic, version = line["topic"], int(said["version"])
            if version <= self._versions.get(topic, 0):
                return
            self._versions[topic] = version
            # A newer version counts from no earlier on than an older one, whatever two clocks said.
            at_ms = max(to_ms(datetime.fromisoformat(said["at"])), self._at_ms.get(topic, 0))
            self._at_ms[topic] = at_ms
            take = self._fanout if parts[2] == "fanout" else self._reach
            take(said, at_ms)

    def _fanout(self, said: Mapping[str, Any], at_ms: int) -> None:
        wanted = frozenset(str(one["repeater"]) for one in said["repeaters"])
        known = self.fanouts[said["group"]]
        if not known or known[-1][1] != wanted:
            known.append((at_ms, wanted))

    def _reach(self, said: Mapping[str, Any], at_ms: int) -> None:
        group, shown = said["group"], set()
        for member in said["members"]:
            station = str(member["station"])
            shown.add(station)
            self._stood(group, station, _stood(member, at_ms))
        for gone in self._shown[group] - shown:
            self._stood(group, gone, Stood(at_ms, None))
        self._shown[group] = shown

    def _stood(self, group: str, station: str, stood: Stood) -> None:
        known = self.standings[group, station]
        if not known or known[-1].shown != stood.shown:
            known.append(stood)

    def standing_at(self, group: str, station: str, ms: int) -> Stood | None:
        """What the group's roster showed of a station at a time; None if nothing."""
        stood = self.standings.get((group, station), [])
        number = bisect_right(stood, ms, key=lambda one: one.at_ms)
        found = stood[number - 1] if number else None
        return found if found is not None and found.standing is not None else None

    def wanted_at(self, group: str, ms: int) -> frozenset[str] | None:
        """The repeaters of the group's fan-out at a time; None before the first was published."""
        told = self.fanouts.get(group, [])
        number = bisect_right(told, ms, key=itemgetter(0))
        return told[number - 1][1] if number else None


def _stood(member: Mapping[str, Any], at_ms: int) -> Stood:
    return Stood(
        at_ms, Standing(member["standing"]), _ms(member.get("standing_since")),
        _ms(member["checked_in_at"]), str(member["repeater"]),
    )  # fmt: skip


def _ms(text: str | None) -> int | None:
    return None if text is None else to_ms(datetime.fromisoformat(text))
