"""Whether a channel's messages are taken: a way to people that is dead must be told by the others.
Pure."""

from collections.abc import Mapping, Sequence
from typing import Final

from streamer.alerts.conditions import Condition, alert_id
from streamer.contract.published import Alert, AlertKind, Severity
from streamer.domain.membership import clock_text
from streamer.domain.plain_words import plural
from streamer.state.alerting import GAVE_UP_MS, Delivery

STUCK_MS: Final = 120_000
"""A message that nobody has taken for so long: the way does not work. Common practice, no source;
a program that is started again takes less."""
_NAMED: Final = 3
"""Addresses of which the reasons tell."""


def is_about(alert: Alert, channel: str) -> bool:
    """Whether an alert says that just this channel does not work: it is told on others."""
    return alert.kind is AlertKind.CHANNEL_LOST and alert.subject == channel


def is_stuck(made_ms: int | None, now_ms: int) -> bool:
    """Whether the message that a queue has made at a time, and that nobody has taken, waits for too
    long."""
    return made_ms is not None and made_ms + STUCK_MS < now_ms


def gave_up_lately(delivery: Delivery, now_ms: int) -> bool:
    return delivery.gave_up > 0 and delivery.gave_up_last_ms + GAVE_UP_MS > now_ms


def channel_conditions(found: Mapping[str, Sequence[Delivery]], now_ms: int) -> list[Condition]:
    """What is wrong with channels, from how each of them stands (`Alerting.deliveries`)."""
    said = (_condition(name, queues, now_ms) for name, queues in found.items())
    return [condition for condition in said if condition is not None]


def _condition(name: str, queues: Sequence[Delivery], now_ms: int) -> Condition | None:
    stuck = [q for q in queues if is_stuck(q.made_ms, now_ms)]
    lossy = [q for q in queues if gave_up_lately(q, now_ms)]
    if not stuck and not lossy:
        return None
    since_ms = min(
        [q.made_ms for q in stuck if q.made_ms is not None] + [q.gave_up_first_ms for q in lossy]
    )
    reasons = [f"{plural(q.waiting, 'notice')} not taken: {q.why}" for q in stuck[:_NAMED]]
    reasons += [
        f"{plural(q.gave_up, 'message')} given up, the last at {clock_text(q.gave_up_last_ms)}: "
        f"{q.gave_up_why}"
        for q in lossy[:_NAMED]
    ]
    lines = _some_lines(queues, [*stuck, *lossy])
    numbers = ", ".join(map(str, lines))
    whom = f"{name} (line {numbers} of its file)" if lines else name
    return Condition(
        id=alert_id(AlertKind.CHANNEL_LOST, name),
        kind=AlertKind.CHANNEL_LOST,
        severity=Severity.CRITICAL,
        subject=name,
        title=f"{_title(name, queues, stuck, lossy)} since {clock_text(since_ms)}",
        reasons=tuple(reasons),
        next_step=f"Tell those whom {whom} should reach by radio or telephone what alerts stand. "
        f"Then see why: streamer channels REGION.toml --send {name}. "
        "What waits or was given up: streamer channels REGION.toml.",
        since_ms=since_ms,
    )


def _title(
    name: str, queues: Sequence[Delivery], stuck: Sequence[Delivery], lossy: Sequence[Delivery]
) -> str:
    bad = _some_lines(queues, [*stuck, *lossy])
    if bad:
        return f"Channel {name} fails at {len(bad)} of its {len(queues) - 1} addresses"
    if stuck:
        return f"Channel {name} does not deliver"
    return f"Channel {name} gave up {plural(sum(q.gave_up for q in lossy), 'message')}"


def _some_lines(queues: Sequence[Delivery], bad: Sequence[Delivery]) -> list[int]:
    """The addresses that fail, by line of their file, where others do not."""
    lines = {q.line for q in bad}
    if None in lines or len(lines) >= len(queues) - 1:
        return []
    return sorted(line for line in lines if line is not None)
