"""The voice network of the invented region: it follows the fan-out and tells what it carries.

Pure like the world: times are handed in, reports come out. The real network of a region does the
same with its own means; this one shows what is expected of it.
"""

import heapq
import random
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

from streamer.contract.events import RouteAction
from streamer.demo.world import Over

_CHANGE_S: Final = (0.25, 1.1)  # a repeater needs so long to begin or cease carrying


@dataclass(frozen=True, slots=True)
class RouteReport:
    """What a repeater's gateway says; `at_s` on the show's clock."""

    at_s: float
    repeater: str
    group: str
    action: RouteAction
    over: str | None = None
    from_gateway: str | None = None
    latency_s: float | None = None


class Network:
    """Which repeaters carry which group, and the overs that they send."""

    def __init__(self, seed: int, gateway_of: dict[str, str]) -> None:
        self._rng = random.Random(seed)  # nosec B311 # chance for a play
        self._gateway_of = gateway_of
        self._base_s = {name: self._rng.uniform(0.05, 0.16) for name in sorted(gateway_of)}
        self._versions: dict[str, int] = {}
        self._wanted: dict[str, frozenset[str]] = {}
        self._carrying: dict[str, set[str]] = {}
        self._due_s: dict[tuple[str, str], float] = {}
        self._down: set[str] = set()
        self._refusing: set[str] = set()
        self._loop_wanted = False
        self._sends: list[tuple[float, int, RouteReport]] = []
        self._sent = 0

    def carrying(self, group: str) -> frozenset[str]:
        return frozenset(self._carrying.get(group, ()))

    def on_fanout(self, group: str, version: int, wanted: Iterable[str]) -> None:
        """The newest version wins; an older one is dropped, as the contract asks."""
        if version > self._versions.get(group, 0):
            self._versions[group] = version
            self._wanted[group] = frozenset(wanted) & self._gateway_of.keys()

    def set_refusing(self, repeater: str, refusing: bool) -> None:
        (self._refusing.add if refusing else self._refusing.discard)(repeater)

    def loop_once(self) -> None:
        """The next over that is carried anywhere reaches one repeater by two paths."""
        self._loop_wanted = True

    def repeater_down(self, repeater: str, now_s: float) -> list[RouteReport]:
        """It carries nothing from now on, and its gateway can say so."""
        self._down.add(repeater)
        return [
            RouteReport(now_s, repeater, group, RouteAction.RELEASED)
            for group in self._drop(repeater)
        ]

    def repeater_up(self, repeater: str) -> None:
        self._down.discard(repeater)

    def gateway_down(self, gateway: str) -> None:
        """Its repeaters carry nothing from now on, and nobody is there to say so."""
        for repeater, owner in self._gateway_of.items():
            if owner == gateway:
                self._down.add(repeater)
                self._drop(repeater)

    def gateway_up(self, gateway: str) -> None:
        self._down -= {r for r, owner in self._gateway_of.items() if owner == gateway}

    def _drop(self, repeater: str) -> list[str]:
        groups = [group for group, there in sorted(self._carrying.items()) if repeater in there]
        for group in groups:
            self._carrying[group].discard(repeater)
        for key in [key for key in self._due_s if key[1] == repeater]:
            del self._due_s[key]
        return groups

    def on_keyed(self, over: Over) -> None:
        """Plan the sending of an over at every repeater that carries its group."""
        if over.to not in self._carrying or not over.heard:
            return
        best = over.heard[0]
        direct = {hearing.repeater for hearing in over.heard}
        for repeater in sorted(self._carrying[over.to] - direct):
            latency_s = round(self._base_s[repeater] + self._rng.expovariate(1 / 0.03), 3)
            report = RouteReport(
                over.started_s + latency_s,
                repeater,
                over.to,
                RouteAction.SENT,
                over.over,
                best.gateway,
                latency_s,
            )
            self._plan(report)
            if self._loop_wanted:
                self._loop_wanted = False
                self._plan(self._second_path(report))

    def _second_path(self, report: RouteReport) -> RouteReport:
        others = sorted(set(self._gateway_of.values()) - {report.from_gateway})
        later_s = (report.latency_s or 0.0) + 0.4
        return replace(
            report,
            at_s=report.at_s + 0.4,
            from_gateway=self._rng.choice(others),
            latency_s=round(later_s, 3),
        )

    def _plan(self, report: RouteReport) -> None:
        self._sent += 1
        heapq.heappush(self._sends, (report.at_s, self._sent, report))

    def tick(self, now_s: float) -> list[RouteReport]:
        """What has happened in the network up to now."""
        reports = self._follow(now_s)
        while self._sends and self._sends[0][0] <= now_s:
            report = heapq.heappop(self._sends)[2]
            if report.repeater not in self._down:
                reports.append(report)
        return reports

    def _follow(self, now_s: float) -> list[RouteReport]:
        reports = []
        for group, wanted in sorted(self._wanted.items()):
            there = self._carrying.setdefault(group, set())
            aim = wanted - self._down - self._refusing
            for repeater in sorted(there ^ aim):
                due_s = self._due_s.setdefault(
                    (group, repeater), now_s + self._rng.uniform(*_CHANGE_S)
                )
                if due_s > now_s:
                    continue
                begins = repeater in aim
                (there.add if begins else there.discard)(repeater)
                action = RouteAction.CARRYING if begins else RouteAction.RELEASED
                reports.append(RouteReport(now_s, repeater, group, action))
            for key in [k for k in self._due_s if k[0] == group and k[1] not in there ^ aim]:
                del self._due_s[key]
        return reports
