"""Works out what follows from the state: fan-outs, rosters, replies, alerts.

Looks at subjects whose time has come, because an event woke them or because a deadline is due. The
result is committed only if the subject has not changed meanwhile; otherwise it comes up again.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from secrets import token_hex

from streamer.alerts import conditions as found
from streamer.alerts.case import conditions_json
from streamer.alerts.conditions import Condition
from streamer.alerts.desk import last_report, report
from streamer.alerts.gateways import of_dropped, of_gateway
from streamer.alerts.health import of_repeaters
from streamer.clock import Clock
from streamer.contract.duty import DutyMark
from streamer.contract.published import AlertKind, Answered
from streamer.contract.topics import fanout_topic, reach_topic
from streamer.domain.duty import marks_of
from streamer.domain.fanout import FanOutResult
from streamer.domain.group_now import CLOSED_SHOWN_MS, is_shown, look_at_group
from streamer.domain.liveness import GatewayStanding, Sights
from streamer.domain.membership import Judgement
from streamer.domain.memory import Memory
from streamer.domain.model import GroupSnapshot, StationRecord, Summary
from streamer.domain.places import find_two_places
from streamer.domain.repeater_health import Finding
from streamer.domain.versions import next_version
from streamer.state.air import WANTED
from streamer.state.checkup import Checkup, checkup_text
from streamer.state.evidence import Evidence
from streamer.state.lookups import sights as current_sights
from streamer.state.records import ANSWER, CHECKUP, ORDER, SKEW, answer_text
from streamer.state.shapes import Claim, Outcome, OutMessage
from streamer.state.store import Store
from streamer.worker import messages as make
from streamer.worker.checkup import Checkups
from streamer.worker.region_orders import RegionOrders
from streamer.worker.watch import Watch

COMMITTED_AT_ONCE = 32
"""Subjects of one look that are read and committed together."""
ROSTER_PAUSE_MS = 1000
ROSTER_PAUSE_A_MEMBER_MS = 20
"""A roster in which nobody came, went or changed standing is published this often at most: who was
heard where is no matter of milliseconds there, and the fan-out must not wait for it."""
BEHIND_AFTER_MS = 1000
"""How soon after a roster has changed a lost gateway's list of members behind it is renewed."""


@dataclass(frozen=True, slots=True)
class ToSend:
    """A committed message that this worker may publish at once."""

    partition: int | str
    message: OutMessage


@dataclass(frozen=True, slots=True)
class WorkedOut:
    """What to store for a subject, the digest of what its alerts were last told, and what they
    must be told now."""

    outcome: Outcome
    told: str
    conditions: Sequence[Condition]
    endings: Mapping[str, str] = field(default_factory=dict)
    duties: tuple[DutyMark, ...] = ()


def _digest(text: str) -> str:
    return sha256(text.encode()).hexdigest()[:24]


def _standings(places: Mapping[str, str]) -> dict[str, str]:
    return {station: text.split(" ")[0] for station, text in places.items()}


def _answered(snapshot: GroupSnapshot, shown: Sequence[tuple[Summary, Judgement]]) -> str:
    """Who has answered the roll call; empty while there is none."""
    call = snapshot.roll_call
    if call is None:
        return ""
    there = [s.station for s, _ in shown if make.answer_to(call, s)[0] is not None]
    return _digest(json.dumps([call.id, there]))


def _answers_to_note(
    snapshot: GroupSnapshot, shown: Sequence[tuple[Summary, Judgement]]
) -> dict[str, str]:
    """Fields for first answers on the air, or for earlier ones than those noted."""
    call = snapshot.roll_call
    if call is None:
        return {}
    fields = {}
    for summary, _ in shown:
        ms, how, _by = make.answer_to(call, summary)
        noted = call.answers.get(summary.station)
        if ms is not None and how is Answered.AIR and (noted is None or ms < noted[0]):
            fields[f"{ANSWER}{summary.station}"] = answer_text(ms, "")
    return fields


def _conditions_digest(conditions: Sequence[Condition], duties: Sequence[DutyMark]) -> str:
    if not conditions:
        return ""
    marks = json.dumps([mark.model_dump() for mark in duties])
    return _digest(conditions_json(tuple(conditions)).decode() + marks)


def _findings(checkup: Checkup | None, sights: Sights) -> dict[str, list[Finding]]:
    """What is wrong with the repeaters that report; one may have gone since they were judged."""
    if checkup is None:
        return {}
    return {
        repeater: [told.finding for told in checked.told]
        for repeater, checked in checkup.repeaters.items()
        if checked.told and sights.repeater(repeater).reporting
    }


class Deriver:
    """Raises StoreUnavailable; then nothing is lost, the subjects come up again."""

    def __init__(self, store: Store, clock: Clock, watch: Watch, orders: RegionOrders) -> None:
        self._store = store
        self._clock = clock
        self._watch = watch
        self._orders = orders
        self._memory = Memory()
        self._evidence = Evidence(store)
        self._checkups = Checkups(store)

    def look(self, claims: Sequence[Claim]) -> list[ToSend]:
        """Work out the claimed subjects and commit them."""
        now_ms = self._clock.now_ms()
        send: list[ToSend] = []
        # Gateways first: whether they report decides how members are judged.
        for kind, work_out in (("w", self._gateways), ("g", self._groups), ("s", self._stations)):
            ours = [claim for claim in claims if claim.kind == kind]
            for at in range(0, len(ours), COMMITTED_AT_ONCE):
                send += self._settle(work_out(ours[at : at + COMMITTED_AT_ONCE], now_ms), now_ms)
        return send

    # -- groups --------------------------------------------------------------------------------

    def _groups(self, claims: Sequence[Claim], now_ms: int) -> list[WorkedOut]:
        sights = current_sights(self._store, now_ms)
        snapshots = self._store.groups([c.name for c in claims])
        pairs = zip(claims, snapshots, strict=True)
        return [self._group(claim, snapshot, sights, now_ms) for claim, snapshot in pairs]

    def _group(
        self, claim: Claim, snapshot: GroupSnapshot, sights: Sights, now_ms: int
    ) -> WorkedOut:
        view = self._store.view
        if claim.name not in view.groups:
            return self._retire_group(claim, snapshot, now_ms)
        silences = self._evidence.silences(snapshot, self._orders.duties, now_ms)
        now = look_at_group(view, snapshot, sights, now_ms, self._memory, silences)
        judged, fanout = now.judged, now.fanout
        trouble = found.of_group(now, sights, view.policies[claim.name], view.limits, now_ms)
        outcome = Outcome(claim, snapshot.rev, snapshot.ver)
        times = [trouble.next_ms, fanout.next_ms, *(j.next_ms for _, j in judged)]
        shown = []
        for summary, judgement in judged:
            forget_ms = summary.place.ms + self._store.forget_ms
            if is_shown(judgement, now_ms):
                shown.append((summary, judgement))
            if judgement.is_member:
                continue
            if forget_ms <= now_ms:
                outcome.drop_stations.append((summary.station, summary.rev))
            else:
                hidden_ms = judgement.since_ms + CLOSED_SHOWN_MS
                times.append(hidden_ms if hidden_ms > now_ms else forget_ms)
        outcome.next_ms = min((t for t in times if t is not None), default=0)
        duties = marks_of(self._orders.duties, claim.name)
        self._fill(outcome, snapshot, fanout, shown, duties, now_ms)
        self._tell_dark_gateways(snapshot, shown, sights, now_ms)
        outcome.messages += make.replies(
            view.name, snapshot, judged, round(view.limits.reply_within_s * 1000), now_ms, duties
        )
        self._watch.carrying(snapshot, fanout, view.sites)
        return WorkedOut(outcome, snapshot.conditions, trouble.conditions, trouble.endings, duties)

    def _retire_group(self, claim: Claim, snapshot: GroupSnapshot, now_ms: int) -> WorkedOut:
        """The region file has dropped the group: take back what was published about it."""
        region = self._store.view.name
        outcome = Outcome(claim, snapshot.rev, snapshot.ver, forget=True)
        outcome.messages = [
            OutMessage(topic, str(now_ms), "", retain=True)
            for topic in (fanout_topic(region, claim.name), reach_topic(region, claim.name))
        ]
        return WorkedOut(outcome, "to be cleared", ())

    def _fill(
        self,
        outcome: Outcome,
        snapshot: GroupSnapshot,
        fanout: FanOutResult,
        shown: Sequence[tuple[Summary, Judgement]],
        duties: tuple[DutyMark, ...],
        now_ms: int,
    ) -> None:
        """Fields to keep, and the retained messages where their content has changed."""
        region = self._store.view.name
        fields = outcome.fields
        if snapshot.born_ms is None:
            fields["#born"] = str(now_ms)
        places = {s.station: f"{j.standing} {s.place.repeater}" for s, j in shown}
        fields["#previous"] = json.dumps(places)
        fields[WANTED] = " ".join(w.repeater for w in fanout.wanted)
        outcome.drop += [f"{ORDER}{o.repeater}" for o in snapshot.orders if o.until_ms <= now_ms]
        body = make.fanout_body(region, snapshot, fanout, duties)
        digest = _digest(body.model_dump_json())
        if digest != snapshot.fanout_digest:
            version = next_version(snapshot.fanout_version, now_ms)
            fields["#fanout_version"], fields["#fanout_digest"] = str(version), digest
            outcome.messages.append(make.fanout_message(body, version, now_ms))
        pause_ms = max(ROSTER_PAUSE_MS, ROSTER_PAUSE_A_MEMBER_MS * len(shown))
        pause_ends_ms = snapshot.reach_ms + pause_ms
        answered = _answered(snapshot, shown)
        fields |= _answers_to_note(snapshot, shown)
        same = _standings(places) == _standings(snapshot.previous)
        if now_ms < pause_ends_ms and same and answered == snapshot.answered:
            outcome.next_ms = min(outcome.next_ms or pause_ends_ms, pause_ends_ms)
            return
        policy = self._store.view.policies[snapshot.group]
        roster = make.reach_body(region, snapshot, shown, policy, duties)
        digest = _digest(roster.model_dump_json())
        if digest != snapshot.reach_digest:
            version = next_version(snapshot.reach_version, now_ms)
            fields["#reach_version"], fields["#reach_digest"] = str(version), digest
            fields["#reach_ms"] = str(now_ms)
            fields["#answered"] = answered
            outcome.messages.append(make.reach_message(roster, version, now_ms))

    def _tell_dark_gateways(
        self,
        snapshot: GroupSnapshot,
        shown: Sequence[tuple[Summary, Judgement]],
        sights: Sights,
        now_ms: int,
    ) -> None:
        """The alert of a lost gateway or repeater names the members behind it: renew it when
        they have changed. Woken for a little later, when this group will be committed; should
        this worker die before, the group comes up again and so does this."""
        places = {s.station: f"{j.standing} {s.place.repeater}" for s, j in shown}
        changed = set(places.items()) ^ set(snapshot.previous.items())
        repeaters = {text.split(" ")[1] for _, text in changed}
        dark = {r.split("/")[0] for r in repeaters if not sights.repeater(r).reporting}
        if dark:
            self._store.wake([f"w/{name}" for name in sorted(dark)], now_ms + BEHIND_AFTER_MS)

    # -- gateways ------------------------------------------------------------------------------

    def _gateways(self, claims: Sequence[Claim], now_ms: int) -> list[WorkedOut]:
        return [self._gateway(claim, now_ms) for claim in claims]

    def _gateway(self, claim: Claim, now_ms: int) -> WorkedOut:
        view = self._store.view
        snapshot = self._store.gateway(claim.name)
        if not view.knows_gateway(claim.name):
            outcome = Outcome(claim, snapshot.rev, snapshot.ver)
            endings = of_dropped(last_report(self._store, claim.subject)).endings
            return WorkedOut(outcome, "to be cleared", (), endings)
        sights = current_sights(self._store, now_ms)
        sight = sights.gateway(claim.name)
        checkup = self._checkups.look(snapshot, sight, sights, now_ms)
        found_ill = _findings(checkup, sights)
        born_ms = snapshot.born_ms if snapshot.born_ms is not None else now_ms
        lost = sight.standing is not GatewayStanding.UP
        floods = sight.floods_since_ms is not None
        asked = lost or floods or sight.down_repeaters or found_ill
        behind = self._store.places_behind(claim.name) if asked else []
        trouble = of_gateway(snapshot, sight, born_ms, behind, view.limits, now_ms)
        outcome = Outcome(claim, snapshot.rev, snapshot.ver)
        times = (trouble.next_ms, checkup.next_ms if checkup else None)
        outcome.next_ms = min((t for t in times if t is not None), default=0)
        if snapshot.born_ms is None:
            outcome.fields["#born"] = str(born_ms)
        if checkup is not None and checkup.ms == now_ms:
            outcome.fields[CHECKUP] = checkup_text(checkup)
        elif checkup is None and snapshot.checkup:
            outcome.drop.append(CHECKUP)
        if not snapshot.missing and snapshot.hole_ms is not None:
            outcome.drop.append("hole_ms")
        skewed = [c.since_ms for c in trouble.conditions if c.kind is AlertKind.CLOCK_SKEW]
        if skewed and snapshot.skew_ms is None:
            outcome.fields[SKEW] = str(skewed[0])
        elif not skewed and snapshot.skew_ms is not None:
            outcome.drop.append(SKEW)
        routes = "routes" if sights.speaks_of_routes(claim.name) else "-"
        said = [sight.standing, routes, *sorted(sight.down_repeaters)]
        standing = " ".join([*said, "floods"] if floods else said)
        if standing != snapshot.standing:
            outcome.fields["#standing"] = standing
            # Before the commit: should this worker die now, it is done again.
            self._store.wake([f"g/{name}" for name in view.groups], now_ms)
        duties = marks_of(self._orders.duties)
        conditions = (*trouble.conditions, *of_repeaters(found_ill, behind))
        return WorkedOut(outcome, snapshot.conditions, conditions, trouble.endings, duties)

    # -- stations ------------------------------------------------------------------------------

    def _stations(self, claims: Sequence[Claim], now_ms: int) -> list[WorkedOut]:
        records = self._store.stations([c.name for c in claims])
        if self._drop_positions(records, now_ms):
            records = self._store.stations([c.name for c in claims])
        pairs = zip(claims, records, strict=True)
        return [self._station(claim, record, now_ms) for claim, record in pairs]

    def _drop_positions(self, records: Sequence[StationRecord | None], now_ms: int) -> bool:
        """Have positions that are no longer kept dropped, and their groups told of it."""
        keep_ms = self._store.positions_ms
        if keep_ms is None:
            return False
        fixes = [(record.station, record.fix) for record in records if record is not None]
        old = [name for name, fix in fixes if fix is not None and fix.at_ms < now_ms - keep_ms]
        if old:
            tells = self._store.apply_stations({name: [] for name in old}, now_ms)
            self._store.apply_groups(tells, [], now_ms)
        return bool(old)

    def _station(self, claim: Claim, record: StationRecord | None, now_ms: int) -> WorkedOut:
        if record is None:
            # Something may have been said of it while it was forgotten.
            return WorkedOut(Outcome(claim, 0, 0, forget=True), "to be cleared", ())
        view = self._store.view
        evidence = find_two_places(
            record.path, view.sites, view.limits.max_speed_kmh,
            round(view.limits.clock_doubt_s * 1000),
        )  # fmt: skip
        trouble = found.of_station(claim.name, evidence, view.limits, now_ms)
        forget_ms = record.place.ms + self._store.forget_ms
        outcome = Outcome(claim, record.rev, record.ver, forget=forget_ms <= now_ms)
        if not outcome.forget:
            times = [forget_ms, trouble.next_ms or forget_ms]
            if self._store.positions_ms is not None and record.fix is not None:
                times.append(record.fix.at_ms + self._store.positions_ms + 1)
            outcome.next_ms = min(times)
        duties = marks_of(self._orders.duties)
        return WorkedOut(outcome, record.conditions, trouble.conditions, duties=duties)

    # -- committing ----------------------------------------------------------------------------

    def _settle(self, worked_out: Sequence[WorkedOut], now_ms: int) -> list[ToSend]:
        """Say what is wrong, then commit: a crash in between repeats both. A mark of its own says
        who told the alerts last, so that of two who look at once neither trusts what the other has
        said of an older state."""
        send: list[ToSend] = []
        outcomes = []
        for found_out in worked_out:
            outcome = found_out.outcome
            digest = _conditions_digest(found_out.conditions, found_out.duties)
            outcome.told = found_out.told
            if digest != found_out.told:
                outcome.told = f"telling {token_hex(8)}"
                report(
                    self._store, outcome.claim.subject, found_out.conditions, now_ms,
                    found_out.endings, found_out.duties, outcome.told,
                )  # fmt: skip
                outcome.fields["#conditions"] = digest
            outcomes.append(outcome)
        for outcome, messages in self._store.commit(outcomes, now_ms):
            if messages is None:
                self._watch.outdated()
            else:
                send += [ToSend(outcome.claim.partition, message) for message in messages]
        return send
