"""Brings an owner's alerts in Redis up to date and makes the messages about it."""

from collections.abc import Mapping, Sequence

from streamer.alerts.conditions import Condition
from streamer.alerts.lifecycle import Changes, acknowledge, reconcile
from streamer.clock import from_ms
from streamer.contract.duty import DutyMark
from streamer.contract.published import Alert
from streamer.contract.topics import alert_topic
from streamer.state.entries import Act, Entry
from streamer.state.shapes import OutMessage
from streamer.state.store import Store

_TRIES = 5


class AlertConflict(Exception):
    """Others kept changing the same alerts; try again later."""


def _messages(region: str, changes: Changes) -> list[OutMessage]:
    messages = []
    for alert in changes.changed:
        topic = alert_topic(region, alert.id)
        messages.append(OutMessage(topic, str(alert.version), alert.model_dump_json(), True))
    for alert in changes.cleared:
        topic = alert_topic(region, alert.id)
        last = f"{topic}#{alert.version}"
        messages.append(OutMessage(last, str(alert.version), alert.model_dump_json(), False))
        messages.append(OutMessage(topic, str(alert.version), "", True))
    return messages


def _store(
    store: Store, owner: str, rev: int, changes: Changes, now_ms: int, entry: str = ""
) -> list[OutMessage] | None:
    return store.commit_alerts(
        owner,
        rev=rev,
        records={i: a.model_dump_json() for i, a in changes.remaining.items()},
        gone=[a.id for a in changes.cleared],
        changed=[a.id for a in changes.changed],
        messages=_messages(store.view.name, changes),
        now_ms=now_ms,
        entry=entry,
    )


def raise_alerts(
    store: Store,
    owner: str,
    conditions: Sequence[Condition],
    now_ms: int,
    endings: Mapping[str, str] | None = None,
    duties: tuple[DutyMark, ...] = (),
) -> list[OutMessage]:
    """Make an owner's alerts agree with what is wrong now.

    Returns the messages that the caller may send at once. Raises AlertConflict.
    """
    for _ in range(_TRIES):
        rev, texts = store.alerts_of(owner)
        known = {i: Alert.model_validate_json(text) for i, text in texts.items()}
        changes = reconcile(store.view.name, known, conditions, now_ms, endings, duties)
        if changes.nothing:
            return []
        messages = _store(store, owner, rev, changes, now_ms)
        if messages is not None:
            return messages
    raise AlertConflict(f"alerts of {owner}")


def acknowledge_alert(
    store: Store, alert_id: str, by: str, note: str | None, now_ms: int, *, take_over: bool = False
) -> Alert:
    """Take an alert in hand, and log it.

    Raises KeyError if there is no such alert, ValueError if it is in the hands of somebody else,
    AlertConflict.
    """
    entry = Entry(
        at=from_ms(now_ms), by=by, act=Act.ACKNOWLEDGE, subject=alert_id, note=note,
        details={"take_over": True} if take_over else {},
    ).model_dump_json()  # fmt: skip
    for _ in range(_TRIES):
        owner = store.owner_of_alert(alert_id)
        if owner is None:
            raise KeyError(alert_id)
        rev, texts = store.alerts_of(owner)
        if alert_id not in texts:
            raise KeyError(alert_id)
        known = {i: Alert.model_validate_json(text) for i, text in texts.items()}
        taken = acknowledge(known[alert_id], by, note, now_ms, take_over=take_over)
        changes = Changes(remaining={**known, alert_id: taken}, changed=[taken])
        if _store(store, owner, rev, changes, now_ms, entry) is not None:
            # Nobody here sends: it comes up for the workers at once.
            store.offer_again(alert_topic(store.view.name, alert_id), now_ms)
            return taken
    raise AlertConflict(f"alert {alert_id}")
