"""A story of trouble told to the lifecycle, look by look; what comes of it is kept."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from streamer.alert_settings import AlertSettings
from streamer.alerts.case import Case, Report
from streamer.alerts.causes import Ground
from streamer.alerts.conditions import Condition, alert_id
from streamer.alerts.lifecycle import look
from streamer.alerts.notice import Turn
from streamer.alerts.turns import Changes, Turned, acknowledge
from streamer.contract.duty import DutyMark
from streamer.contract.published import Alert, AlertKind, Maintenance, Severity

NOW_MS = 1_800_000_000_000
REGION = "scene"


def condition(subject: str = "ridge", **changes: Any) -> Condition:
    """A lost gateway."""
    made = Condition(
        f"gateway_lost.{subject}",
        AlertKind.GATEWAY_LOST,
        Severity.WARNING,
        subject,
        f"Gateway {subject} is lost",
        ("no heartbeat",),
        "Call its keeper.",
        NOW_MS - 90_000,
    )
    return replace(made, **changes)


def member(station: str = "QA1ABC", group: str = "NET", **changes: Any) -> Condition:
    made = Condition(
        alert_id("member", group, station),
        AlertKind.MEMBER_OUT_OF_REACH,
        Severity.CRITICAL,
        station,
        f"{station} of {group} is out of reach",
        ("heard 12:00:00Z on ridge/uhf", "silent longer than 30 min"),
        "Try by another way.",
        NOW_MS - 1_800_000,
        group=group,
        repeater="ridge/uhf",
    )
    return replace(made, **changes)


def starved(group: str, repeater: str = "ridge/uhf") -> Condition:
    return Condition(
        alert_id(AlertKind.REPEATER_STARVED, group, repeater),
        AlertKind.REPEATER_STARVED,
        Severity.WARNING,
        repeater,
        f"{group} is wanted on {repeater} but not carried there",
        ("wanted for QA1ABC",),
        "Ask its keeper.",
        NOW_MS - 15_000,
        ("QA1ABC",),
        group=group,
        repeater=repeater,
    )


@dataclass
class Story:
    """`said` by alert id is what is wrong; `look` after each change of it or of the time."""

    settings: AlertSettings = field(default_factory=AlertSettings)
    gateways: int = 10
    listening_ms: int | None = None
    steps: tuple[int, ...] = (0,)
    now_ms: int = NOW_MS
    said: dict[str, Condition] = field(default_factory=dict)
    own: tuple[Condition, ...] = ()
    duties: tuple[DutyMark, ...] = ()
    endings: dict[str, str] = field(default_factory=dict)
    works: list[Maintenance] = field(default_factory=list)
    cases: dict[str, Case] = field(default_factory=dict)
    turned: list[Turned] = field(default_factory=list)
    published: list[Alert] = field(default_factory=list)
    last: Changes = field(default_factory=Changes)

    def say(self, *conditions: Condition) -> "Story":
        self.said.update((c.id, c) for c in conditions)
        return self

    def over(self, *conditions: Condition) -> "Story":
        for one in conditions:
            del self.said[one.id]
        return self

    def look(self, after_s: float = 0.0) -> list[tuple[str, Turn]]:
        """One look, so much later; returns what turned."""
        self.now_ms += round(after_s * 1000)
        report = Report(
            conditions=tuple(self.said.values()), endings=self.endings, duties=self.duties
        )
        ground = Ground(REGION, self.gateways, self.listening_ms, 90_000, self.settings, self.own)
        reports: Mapping[str, Report] = {"all": report}
        changes = look(self.cases, reports, ground, self.works, self.steps, self.now_ms)
        self.cases |= changes.cases
        for gone in changes.gone:
            del self.cases[gone]
        self.turned += changes.turned
        self.published += changes.published
        self.last = changes
        return [(t.alert.id, t.turn) for t in changes.turned]

    def until(self, seconds: float, step_s: float = 1.0) -> list[tuple[str, Turn]]:
        """Looks, one each `step_s`, until so much later."""
        found = []
        for _ in range(round(seconds / step_s)):
            found += self.look(step_s)
        return found

    def take(self, which: str, by: str = "ann", **more: Any) -> Alert:
        turned = acknowledge(self.cases[which], by, None, self.now_ms, **more)
        self.cases[which] = turned.case
        self.turned.append(turned)
        return turned.alert

    def alert(self, which: str) -> Alert:
        found = self.cases[which].alert
        assert found is not None
        return found

    @property
    def standing(self) -> list[str]:
        return sorted(i for i, c in self.cases.items() if c.phase == "standing")

    @property
    def held(self) -> list[str]:
        return sorted(i for i, c in self.cases.items() if c.phase == "held")
