"""Which planned work covers which trouble, and what is said when it is over. Pure."""

from collections.abc import Iterable

from streamer.alerts.causes import MEMBERS
from streamer.alerts.conditions import Condition
from streamer.clock import to_ms
from streamer.contract.published import Maintenance
from streamer.contract.topics import maintenance_topic
from streamer.domain.versions import next_version
from streamer.state.shapes import OutMessage

WHOLE_REGION = "*"


def runs(work: Maintenance, now_ms: int) -> bool:
    return work.ended_at is None and to_ms(work.until) > now_ms


def covering(works: Iterable[Maintenance], condition: Condition, now_ms: int) -> Maintenance | None:
    """The work that covers it, the one that lasts longest."""
    found = [w for w in works if runs(w, now_ms) and _covers(w.subject, condition)]
    return max(found, key=lambda w: (w.until, w.id), default=None)


def _covers(subject: str, condition: Condition) -> bool:
    """Work at a gateway covers what is on it. No work covers a member: that somebody is missed is
    never part of a plan."""
    if condition.kind in MEMBERS:
        return False
    if subject == WHOLE_REGION:
        return True
    if condition.group and condition.group == subject:
        return True
    at = condition.subject
    return at == subject or ("/" in at and at.split("/")[0] == subject)


def last_words(ended: Maintenance) -> list[OutMessage]:
    """What is published when it is over: the message once more, and the retained one taken back."""
    topic, version = maintenance_topic(ended.region, ended.id), str(ended.version)
    return [
        OutMessage(f"{topic}#{version}", version, ended.model_dump_json(), False),
        OutMessage(topic, version, "", True),
    ]


def over(work: Maintenance, now_ms: int) -> Maintenance:
    """The same, ended because its time is over."""
    changes = {"ended_at": work.until, "version": next_version(work.version, now_ms)}
    return work.model_copy(update=changes)
