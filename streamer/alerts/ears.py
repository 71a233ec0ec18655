"""Whether we hear ourselves: without a worker that is connected to the broker nothing can be said
of any gateway, and that must be told first. Pure."""

from collections.abc import Iterable, Sequence
from typing import Final

from streamer.alerts.causes import broker_id
from streamer.alerts.conditions import Condition, alert_id
from streamer.contract.published import AlertKind, Severity
from streamer.domain.membership import clock_text
from streamer.state.alerting import Ears

LIVES_MS: Final = 15_000
"""A worker says every second that it lives; after so long without, it does not."""
LOST_MS: Final = 60_000
"""After so long its absence is an alert: a restart takes less."""
_WAITS: Final = (
    "what the broker keeps for it waits until it is back",
    "until then overs, check-ins and check-outs among it are not known: silences may be judged "
    "wrongly",
)
"""A broker that keeps its share for a worker gives it to no other, so part of what all gateways
say is missing."""


def _living(ears: Iterable[Ears], now_ms: int) -> list[Ears]:
    return [e for e in ears if e.at_ms + LIVES_MS > now_ms]


def listening_ms(ears: Iterable[Ears], now_ms: int) -> int | None:
    """Since when a worker has heard the broker without a break; None while none does."""
    return min((e.since_ms for e in _living(ears, now_ms) if e.hears), default=None)


def own_conditions(region: str, ears: Sequence[Ears], now_ms: int) -> list[Condition]:
    """What is wrong with our own ears."""
    living = _living(ears, now_ms)
    found = [_silent(e) for e in ears if e.at_ms + LOST_MS <= now_ms]
    deaf = [e for e in living if not e.hears]
    if deaf and len(deaf) == len(living):
        found.append(_broker_lost(region, deaf))
    else:
        found += [_cut_off(e) for e in deaf]
    return found


def _broker_lost(region: str, deaf: Sequence[Ears]) -> Condition:
    since_ms = max(e.since_ms for e in deaf)
    names = ", ".join(e.worker for e in deaf)
    return Condition(
        broker_id(region),
        AlertKind.BROKER_LOST,
        Severity.CRITICAL,
        region,
        f"No worker of {region} reaches the broker: no gateway is heard",
        (
            f"not connected since {clock_text(since_ms)}: {names}",
            "rosters and fan-outs stand still; agents keep what they hear and send it later",
        ),
        "Look at the broker and the way to it. Until it is back, keep track of members by the "
        "radio and on paper.",
        since_ms,
    )


def _cut_off(worker: Ears) -> Condition:
    return Condition(
        alert_id(AlertKind.WORKER_LOST, worker.worker),
        AlertKind.WORKER_LOST,
        Severity.WARNING,
        worker.worker,
        f"Worker {worker.worker} has no connection to the broker",
        (f"since {clock_text(worker.since_ms)}; others work on", *_WAITS),
        f"Look at the log of {worker.worker}: address, account, network.",
        worker.since_ms,
    )


def _silent(worker: Ears) -> Condition:
    return Condition(
        alert_id(AlertKind.WORKER_LOST, worker.worker),
        AlertKind.WORKER_LOST,
        Severity.WARNING,
        worker.worker,
        f"Worker {worker.worker} is silent",
        (
            f"it last said at {clock_text(worker.at_ms)} that it lives",
            *_WAITS,
        ),
        f"Start {worker.worker} again under the same name, or, if it is gone for good, run "
        f"`streamer worker REGION.toml --name {worker.worker} --drain` (configs/README.md).",
        worker.at_ms,
    )
