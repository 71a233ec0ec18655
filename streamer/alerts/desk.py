"""The desk: takes what is said to be wrong, lets the lifecycle decide, and stores what it decided
together with every message that follows, in one step.

One round runs at a time, under a lease; one that runs twice changes nothing the second time.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Final

from streamer.alert_settings import AlertSettings, ChannelSettings
from streamer.alerts import lifecycle
from streamer.alerts.case import Case, Phase, Report
from streamer.alerts.causes import REWORDED_MS, Ground
from streamer.alerts.conditions import Condition
from streamer.alerts.deliveries import channel_conditions
from streamer.alerts.ears import listening_ms, own_conditions
from streamer.alerts.maintenance import last_words, over, runs
from streamer.alerts.routing import notices_of
from streamer.alerts.stored import case_from, read_book, report_from
from streamer.alerts.turns import Changes, acknowledge, cleared
from streamer.clock import from_ms
from streamer.contract.duty import DutyMark
from streamer.contract.published import Alert, AlertState, Beat
from streamer.contract.topics import alert_topic, beat_topic
from streamer.domain.versions import next_version
from streamer.state.alerting import Book, Decided, Waiting
from streamer.state.entries import Act, Entry
from streamer.state.ordered import works_from
from streamer.state.shapes import OutMessage
from streamer.state.store import Store

_TRIES: Final = 5
_ROUND_MS: Final = 10_000
"""A round is run so often at least: that a worker is silent, no event tells."""
_BEAT: Final = "#beat"
"""The field beside the cases that holds when the last beat was."""


class AlertConflict(Exception):
    """Others kept changing the same alerts; try again later."""


def report(
    store: Store,
    owner: str,
    conditions: Sequence[Condition],
    now_ms: int,
    endings: Mapping[str, str] | None = None,
    duties: tuple[DutyMark, ...] = (),
    mark: str = "",
) -> None:
    """Say what is wrong with an owner now; `endings` tell, by alert id, why something no longer
    is. The desk works out what that means to people: what is said to open an alert stays so until
    it is gone, as the desk may not have looked in between."""
    known = last_report(store, owner)
    ids = {c.id for c in conditions}
    was = {c.id for c in known.conditions}
    over = {i: t for i, t in known.endings.items() if i not in ids}
    over |= {i: t for i, t in (endings or {}).items() if i in was and i not in ids}
    opened = {c.id for c in known.conditions if c.opens}
    kept = tuple(replace(c, opens=c.opens or c.id in opened) for c in conditions)
    said = Report(conditions=kept, endings=over, duties=duties)
    nothing = not said.conditions and not said.endings
    store.report(owner, None if nothing else said.model_dump_json(), now_ms, mark)


def last_report(store: Store, owner: str) -> Report:
    """What an owner last said."""
    text = store.report_of(owner)
    return report_from(owner, text) if text is not None else Report()


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
        text = store.case(alert_id)
        if text is None or store.alert(alert_id) is None:
            raise KeyError(alert_id)
        case = case_from(alert_id, text)
        if case is None:
            raise ValueError(f"alert {alert_id} is of another version of this program")
        turned = acknowledge(case, by, note, now_ms, take_over=take_over)
        changes = Changes(cases={alert_id: turned.case}, turned=[turned])
        channels = store.view.region.channel
        decided = _decided(store, changes, {alert_id: text}, now_ms, channels)
        decided.entry = entry
        if store.commit_cases(decided, now_ms) is not None:
            # Nobody here sends: it comes up for the workers at once.
            store.offer_again(alert_topic(store.view.name, alert_id), now_ms)
            return turned.alert
    raise AlertConflict(f"alert {alert_id}")


def take_back_unknown(store: Store, now_ms: int) -> None:
    """Alerts that an older version of this program left standing, which nobody would ever clear,
    are taken back; what is still wrong is said anew. To be called when a worker begins."""
    unknown = store.alerts_without_case()
    if not unknown:
        return
    topics = [alert_topic(store.view.name, alert_id) for alert_id in unknown]
    gone = [OutMessage(topic, str(now_ms), "", True) for topic in topics]
    _commit(store, Decided(expect={}, fallen=unknown, messages=gone), now_ms)
    store.have_retold(now_ms)


def _commit(store: Store, decided: Decided, now_ms: int) -> None:
    """Store it for any worker to publish at once: nobody here sends it. Left under the lease of a
    maker who sends, it would wait for that to end, and what is published next with it."""
    for message in store.commit_cases(decided, now_ms) or ():
        store.offer_again(message.name, now_ms)


def say_alerts_anew(store: Store, now_ms: int) -> None:
    """Publish every standing alert under a higher version: readers may have seen one that is known
    here no more. One that somebody changes meanwhile is published by them."""
    for case_id, text in store.book().cases.items():
        case = case_from(case_id, text) if case_id != _BEAT else None
        if case is None or case.alert is None or case.phase is not Phase.STANDING:
            continue
        version = next_version(case.alert.version, now_ms)
        alert = case.alert.model_copy(update={"version": version})
        changes = Changes(cases={case_id: case.but(alert=alert)}, published=[alert])
        _commit(store, _decided(store, changes, {case_id: text}, now_ms, ()), now_ms)


def last_word_of_unknown(store: Store, topic: str, payload: bytes, now_ms: int) -> None:
    """Clear an alert at its readers that stood at the broker and of which nothing is known here:
    it was opened after the backup that this store comes from. What is still wrong opens again."""
    try:
        alert = Alert.model_validate_json(payload)
    except ValueError:
        return  # no alert
    over = cleared(alert, "the store was put back to what it was before this alert", now_ms)
    last = OutMessage(f"{topic}#{over.version}", str(over.version), over.model_dump_json(), False)
    _commit(store, Decided(expect={}, messages=[last]), now_ms)


_AT_ONCE: Final = AlertSettings(settle_s=0, clear_s=0, reopen_s=0, unsteady_times=100)


class Desk:
    """For one worker. Raises StoreUnavailable; then nothing is lost, the round comes up again.

    `at_once`: nothing waits, no channel is told and no beat sent, as for a record: what stands then
    is what is wrong just now.
    """

    def __init__(self, store: Store, *, at_once: bool = False) -> None:
        self._store = store
        self._at_once = at_once
        self.held = 0
        """Cases that others explain, as of the last round of this worker."""

    def turn(self, now_ms: int) -> list[OutMessage]:
        """Run a round if one is due; returns the messages that the caller may send at once."""
        claimed_ms = self._store.claim_desk(now_ms)
        if claimed_ms is None:
            return []
        return self._round(claimed_ms, now_ms)

    def _round(self, claimed_ms: int, now_ms: int) -> list[OutMessage]:
        store = self._store
        book = store.book()
        read = read_book({i: t for i, t in book.cases.items() if i != _BEAT}, book.found)
        known, reports = read.cases, read.reports
        kept = works_from(book.works)
        works = [work for work in kept if runs(work, now_ms)]
        channels = () if self._at_once else store.view.region.channel
        steps = [channel.step for channel in channels]
        ground = self._ground(now_ms)
        changes = lifecycle.look(known, reports, ground, works, steps, now_ms)
        decided = _decided(store, changes, book.cases, now_ms, channels)
        decided.claimed_ms = claimed_ms
        # What has been said of what is over is said; an owner without trouble needs no report.
        over_with = {owner for owner, r in reports.items() if not r.conditions} - read.partly
        decided.done = {owner: book.found[owner] for owner in over_with}
        ended = [over(w, now_ms) for w in kept if w.ended_at is None and not runs(w, now_ms)]
        decided.works = [(w.id, book.works[w.id], w.model_dump_json()) for w in ended]
        decided.messages = [*decided.messages, *(m for w in ended for m in last_words(w))]
        if not self._at_once:
            self._beat(decided, book, _standing(known, changes), now_ms)
        due_ms = [ms for ms in (changes.next_ms, decided.next_ms) if ms]
        decided.next_ms = max(min([*due_ms, now_ms + _ROUND_MS]), now_ms + 1)
        messages = store.commit_cases(decided, now_ms)
        after = {**known, **changes.cases}
        self.held = sum(case.phase is Phase.HELD for case in after.values())
        return messages or []

    def _ground(self, now_ms: int) -> Ground:
        store, view = self._store, self._store.view
        ears = store.ears()
        own = own_conditions(view.name, ears, now_ms)
        if not self._at_once and view.region.channel:
            pauses_s = {channel.name: channel.pause_s for channel in view.region.channel}
            own += channel_conditions(store.deliveries(list(pauses_s)), pauses_s, now_ms)
        return Ground(
            region=view.name,
            gateways=sum(view.knows_gateway(name) for name in store.gateways_heard()),
            listening_ms=listening_ms(ears, now_ms),
            lost_after_ms=round(view.limits.gateway_lost_after_s * 1000),
            settings=_AT_ONCE if self._at_once else view.region.alerts,
            own=tuple(own),
            reworded_ms=0 if self._at_once else REWORDED_MS,
        )

    def _beat(self, decided: Decided, book: Book, standing: Iterable[Alert], now_ms: int) -> None:
        """The sign that the way of alerts works takes that way."""
        every_ms = round(self._store.view.region.alerts.beat_s * 1000)
        last = book.cases.get(_BEAT, "")
        last_ms = int(last or 0)
        if now_ms < last_ms + every_ms:
            decided.next_ms = last_ms + every_ms
            return
        region, states = self._store.view.name, Counter(a.state for a in standing)
        beat = Beat(
            region=region,
            version=now_ms,
            at=from_ms(now_ms),
            next_within_s=every_ms / 1000,
            open=states[AlertState.OPEN],
            acknowledged=states[AlertState.ACKNOWLEDGED],
        )
        message = OutMessage(beat_topic(region), str(now_ms), beat.model_dump_json(), True)
        decided.messages = [*decided.messages, message]
        decided.expect = {**decided.expect, _BEAT: last}
        decided.cases = {**decided.cases, _BEAT: str(now_ms)}
        decided.next_ms = now_ms + every_ms


def _standing(known: Mapping[str, Case], changes: Changes) -> list[Alert]:
    """The alerts that stand after a round."""
    after = {**known, **changes.cases}
    for case_id in changes.gone:
        after.pop(case_id, None)
    cases = (case for case in after.values() if case.phase is Phase.STANDING)
    return [case.alert for case in cases if case.alert is not None]


def _decided(
    store: Store,
    changes: Changes,
    texts: Mapping[str, str],
    now_ms: int,
    channels: Sequence[ChannelSettings],
) -> Decided:
    told, noted = notices_of(changes.turned, channels, now_ms)
    cases = {**changes.cases, **noted}
    newest = {t.alert.id: t.alert for t in changes.turned}
    newest |= {alert.id: alert for alert in changes.published}
    stands = {
        i: case.alert for i, case in cases.items()
        if case.phase is Phase.STANDING and case.alert is not None
    }  # fmt: skip
    touched = [*cases, *changes.gone]
    return Decided(
        expect={i: texts.get(i, "") for i in touched},
        cases={i: case.model_dump_json() for i, case in cases.items()},
        gone=changes.gone,
        standing={i: alert.model_dump_json() for i, alert in stands.items()},
        fallen=[i for i in touched if i not in stands],
        messages=[m for alert in newest.values() for m in _messages(store.view.name, alert)],
        waiting=[Waiting(t.channel, t.ms, t.notice.model_dump_json()) for t in told],
    )


def _messages(region: str, alert: Alert) -> list[OutMessage]:
    """What is published of an alert: retained while it stands; then a last word."""
    topic, text = alert_topic(region, alert.id), alert.model_dump_json()
    if alert.state is not AlertState.CLEARED:
        return [OutMessage(topic, str(alert.version), text, True)]
    return [
        OutMessage(f"{topic}#{alert.version}", str(alert.version), text, False),
        OutMessage(topic, str(alert.version), "", True),
    ]
