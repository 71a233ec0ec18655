"""What a repeater's findings mean to people: conditions with the next step, in a keeper's words.

Each names what else it could be: whoever climbs a mast for nothing trusts no second alert.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence

from streamer.alerts.conditions import Condition, alert_id
from streamer.contract.published import AlertKind, Severity
from streamer.domain.repeater_health import Finding, Trouble


def of_repeaters(
    findings: Mapping[str, Iterable[Finding]], behind: Sequence[tuple[str, str]]
) -> tuple[Condition, ...]:
    """Conditions of repeaters that report, by their findings.

    `behind` are (station, repeater) of the members whose place is on one of them.
    """
    return tuple(
        _MAKERS[finding.trouble](
            repeater, finding, tuple(sorted({s for s, where in behind if where == repeater}))
        )
        for repeater, found in sorted(findings.items())
        for finding in found
    )


def _condition(
    kind: AlertKind,
    severity: Severity,
    repeater: str,
    finding: Finding,
    title: str,
    next_step: str,
    more: tuple[str, ...] = (),
    affects: tuple[str, ...] = (),
) -> Condition:
    return Condition(
        alert_id(kind, repeater), kind, severity, repeater, title,
        (*finding.reasons, *more), next_step, finding.since_ms, affects, repeater=repeater,
    )  # fmt: skip


def _deaf(repeater: str, finding: Finding, members: tuple[str, ...]) -> Condition:
    more: tuple[str, ...] = ()
    reach_them = ""
    if members:
        were = "1 member was" if len(members) == 1 else f"{len(members)} members were"
        more = (f"{were} last heard on it: silence there says nothing now",)
        reach_them = " Until then reach the members last heard there by another way."
    return _condition(
        AlertKind.REPEATER_DEAF,
        Severity.CRITICAL if members else Severity.WARNING,
        repeater,
        finding,
        f"Repeater {repeater} seems to hear nothing",
        f"Have somebody near {repeater} key it up; if it does not hear them, ask its keeper to "
        "look at receiver, antenna and feed line. All may also have gone to another repeater."
        + reach_them,
        more,
        members,
    )


def _degraded(repeater: str, finding: Finding, _: tuple[str, ...]) -> Condition:
    return _condition(
        AlertKind.REPEATER_DEGRADED,
        Severity.WARNING,
        repeater,
        finding,
        f"Repeater {repeater} hears its stations worse than usual",
        f"Ask the keeper of {repeater} to look at antenna and feed line; it may also be noise "
        "from something nearby, ice on the antenna, or unusual weather that passes.",
    )


def _stuck(repeater: str, finding: Finding, _: tuple[str, ...]) -> Condition:
    return _condition(
        AlertKind.CARRIER_STUCK,
        Severity.WARNING,
        repeater,
        finding,
        f"An over on {repeater} lasts far too long",
        "Ask that station by another way to let go of its key; if it is not sending, ask the "
        f"keeper of {repeater} to look. The end of the over may also have been lost on the way.",
    )


def _busy(repeater: str, finding: Finding, _: tuple[str, ...]) -> Condition:
    return _condition(
        AlertKind.REPEATER_BUSY,
        Severity.NOTICE,
        repeater,
        finding,
        f"Repeater {repeater} is on the air most of the time",
        "Ask those who can to move to another repeater or to wait; it may also be a net that "
        "ends soon, or one station that does not let go of its key.",
    )


_MAKERS: Mapping[Trouble, Callable[[str, Finding, tuple[str, ...]], Condition]] = {
    Trouble.DEAF: _deaf,
    Trouble.DEGRADED: _degraded,
    Trouble.STUCK: _stuck,
    Trouble.BUSY: _busy,
}
