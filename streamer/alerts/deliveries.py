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
"""A message that nobody has taken, or made, for so long: the way does not work. Common practice, no
source; a program that is started again takes less."""
_NAMED: Final = 3
"""Addresses of which the reasons tell."""


def is_about(alert: Alert, channel: str) -> bool:
    """Whether an alert says that just this channel does not work: it is told on others."""
    return alert.kind is AlertKind.CHANNEL_LOST and alert.subject == channel


def is_stuck(made_ms: int | None, now_ms: int) -> bool:
    """Whether the message that a queue has made at a time, and that nobody has taken, waits for too
    long."""
    return made_ms is not None and made_ms + STUCK_MS < now_ms


def stuck_since_ms(delivery: Delivery, pause_s: float, now_ms: int) -> int | None:
    """Since when a queue waits for too long: with a message that the other side does not take, or
    with notices of which no worker makes one. None: it does not. `pause_s` between two messages."""
    if delivery.made_ms is not None:
        return delivery.made_ms if is_stuck(delivery.made_ms, now_ms) else None
    if delivery.head_ms is None:
        return None
    paused_ms = delivery.sent_ms if delivery.sent_ms <= now_ms else 0
    could_ms = max(delivery.head_ms, paused_ms + round(pause_s * 1000))
    return delivery.head_ms if is_stuck(could_ms, now_ms) else None


def gave_up_lately(delivery: Delivery, now_ms: int) -> bool:
    return delivery.gave_up > 0 and delivery.gave_up_last_ms + GAVE_UP_MS > now_ms


def channel_conditions(
    found: Mapping[str, Sequence[Delivery]], pauses_s: Mapping[str, float], now_ms: int
) -> list[Condition]:
    """What is wrong with channels, from how each of them stands (`Alerting.deliveries`) and the
    least time between two of its messages."""
    said = (_condition(name, queues, pauses_s[name], now_ms) for name, queues in found.items())
    return [condition for condition in said if condition is not None]


def _condition(
    name: str, queues: Sequence[Delivery], pause_s: float, now_ms: int
) -> Condition | None:
    since = {q.part: stuck_since_ms(q, pause_s, now_ms) for q in queues}
    stuck = [q for q in queues if since[q.part] is not None]
    lossy = [q for q in queues if gave_up_lately(q, now_ms)]
    if not stuck and not lossy:
        return None
    since_ms = min(
        [ms for ms in since.values() if ms is not None] + [q.gave_up_first_ms for q in lossy]
    )
    reasons = [_why_stuck(q) for q in stuck[:_NAMED]]
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


def _why_stuck(queue: Delivery) -> str:
    notices = plural(queue.waiting, "notice")
    if queue.made_ms is not None:
        return f"{notices} not taken: {queue.why}"
    return (
        f"{notices} that no worker takes up: after a channel is added all workers must be started "
        "again"
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
