"""Turns what was worked out into the messages of the contract. No I/O."""

from collections.abc import Sequence

from streamer.clock import from_ms
from streamer.config import Policy
from streamer.contract import topics
from streamer.contract.duty import DutyMark
from streamer.contract.events import State
from streamer.contract.published import (
    Answered,
    Carriage,
    FanOut,
    FanOutRepeater,
    IdleRepeater,
    Member,
    Order,
    OrderKind,
    Reach,
    RollCall,
    Standing,
)
from streamer.contract.replies import AckReply, TimeReply
from streamer.domain.fanout import FanOutResult, Wanted
from streamer.domain.membership import Judgement, checked_in_ms
from streamer.domain.model import Carrying, GroupSnapshot, HeldRollCall, Ordered, Said, Summary
from streamer.state.shapes import OutMessage

_EPOCH = from_ms(0)


def carried_after_s(wanted: Wanted, said: Carrying | None) -> float | None:
    """How long after it was called for the group came to be carried; None if not known."""
    if wanted.carriage is not Carriage.CARRIED or said is None or said.since_ms is None:
        return None
    waited_ms = said.since_ms - wanted.since_ms
    return waited_ms / 1000 if waited_ms >= 0 else None


def fanout_body(
    region: str,
    snapshot: GroupSnapshot,
    result: FanOutResult,
    duties: tuple[DutyMark, ...] = (),
) -> FanOut:
    """The fan-out without its version and time, to compare by."""
    return FanOut(
        region=region,
        group=snapshot.group,
        version=1,
        at=_EPOCH,
        repeaters=tuple(
            FanOutRepeater(
                repeater=w.repeater,
                why=w.why,
                members=w.members,
                until=None if w.until_ms is None else from_ms(w.until_ms),
                since=from_ms(w.since_ms),
                carriage=w.carriage,
                carried_after_s=carried_after_s(w, snapshot.carrying.get(w.repeater)),
            )
            for w in result.wanted
        ),
        starved=tuple(w.repeater for w in result.wanted if w.starved),
        idle=tuple(IdleRepeater(repeater=r, since=from_ms(ms)) for r, ms in result.idle),
        barred=result.barred,
        orders=tuple(order_of(o) for o in result.orders),
        duties=duties,
    )


def order_of(ordered: Ordered) -> Order:
    return Order(
        repeater=ordered.repeater,
        order=OrderKind.PIN if ordered.pin else OrderKind.BAR,
        until=from_ms(ordered.until_ms),
        by=ordered.by,
        at=from_ms(ordered.at_ms),
        note=ordered.note,
    )


def fanout_message(body: FanOut, version: int, now_ms: int) -> OutMessage:
    final = body.model_copy(update={"version": version, "at": from_ms(now_ms)})
    topic = topics.fanout_topic(body.region, body.group)
    return OutMessage(topic, str(version), final.model_dump_json(), True)


def reach_body(
    region: str,
    snapshot: GroupSnapshot,
    shown: Sequence[tuple[Summary, Judgement]],
    policy: Policy,
    duties: tuple[DutyMark, ...] = (),
) -> Reach:
    """The roster without its version and time, to compare by."""
    call = snapshot.roll_call
    return Reach(
        region=region,
        group=snapshot.group,
        version=1,
        at=_EPOCH,
        members=tuple(_member(summary, judgement, policy, call) for summary, judgement in shown),
        roll_call=roll_call_of(call),
        duties=duties,
    )


def roll_call_of(call: HeldRollCall | None) -> RollCall | None:
    if call is None:
        return None
    return RollCall(id=call.id, started_at=from_ms(call.started_ms), started_by=call.started_by)


def answer_to(
    call: HeldRollCall | None, summary: Summary
) -> tuple[int | None, Answered | None, str | None]:
    """When, how, and marked by whom a station answered a roll call; the first answer counts.

    On the air it answers by keying to the group; no name stands with that. What was noted counts
    too: of somebody who keys much, the keying that was the answer is not kept for long.
    """
    if call is None:
        return None, None, None
    noted = call.answers.get(summary.station)
    keyed_ms = min((ms for ms in summary.check_ins_ms if ms >= call.started_ms), default=None)
    if keyed_ms is not None and (noted is None or keyed_ms < noted[0]):
        return keyed_ms, Answered.AIR, None
    if noted is None:
        return None, None, None
    ms, by = noted
    return ms, Answered.DESK if by else Answered.AIR, by or None


def _member(
    summary: Summary, judgement: Judgement, policy: Policy, call: HeldRollCall | None
) -> Member:
    fix = summary.fix
    answered_ms, how, by = answer_to(call, summary)
    closed = judgement.standing is Standing.CHECKED_OUT
    return Member(
        station=summary.station,
        suffix=summary.place.suffix,
        standing=judgement.standing,
        standing_since=from_ms(judgement.since_ms),
        reasons=judgement.reasons,
        phi=judgement.phi,
        repeater=summary.place.repeater,
        last_heard_at=from_ms(summary.place.ms),
        checked_in_at=from_ms(checked_in_ms(summary, policy)),
        checked_out_at=from_ms(judgement.since_ms) if closed else None,
        lat=fix.lat if fix else None,
        lon=fix.lon if fix else None,
        position_at=from_ms(fix.at_ms) if fix else None,
        answered_at=None if answered_ms is None else from_ms(answered_ms),
        answered_how=how,
        answered_by=by,
    )


def reach_message(body: Reach, version: int, now_ms: int) -> OutMessage:
    final = body.model_copy(update={"version": version, "at": from_ms(now_ms)})
    topic = topics.reach_topic(body.region, body.group)
    return OutMessage(topic, str(version), final.model_dump_json(), True)


def time_reply(state: State, received_ms: int, now_ms: int, missing: int | None = None) -> str:
    """The answer to a heartbeat (one with a seq), as JSON. `missing`: events, if it is known."""
    assert state.seq is not None
    return TimeReply(
        boot=state.boot,
        session=state.session,
        seq=state.seq,
        agent_sent_at=state.sent_at,
        received_at=from_ms(received_ms),
        replied_at=from_ms(now_ms),
        missing=missing,
    ).model_dump_json()


def replies(
    region: str,
    snapshot: GroupSnapshot,
    judged: Sequence[tuple[Summary, Judgement]],
    within_ms: int,
    now_ms: int,
    duties: tuple[DutyMark, ...] = (),
) -> list[OutMessage]:
    """Acknowledgements for those who came in or went out just now.

    A check-in or check-out that arrives late mends the state in silence: nobody on the air waits
    for an answer to it any more.
    """
    made = []
    for summary, judgement in judged:
        known = snapshot.previous.get(summary.station, "").split(" ")[0]
        was_member = known not in ("", Standing.EXPIRED, Standing.CHECKED_OUT)
        if judgement.is_member and not was_member:
            said, word = summary.check_in, "IN"
        elif judgement.standing is Standing.CHECKED_OUT and known != Standing.CHECKED_OUT:
            said, word = newest_check_out(summary, judgement), "OUT"
        else:
            continue
        # Checked out by hand: nobody on the air has said anything that could be answered.
        heard = said is not None and said.repeater
        if heard and said is not None and abs(now_ms - said.ms) <= within_ms:
            made.append(_reply(region, snapshot.group, summary.station, said, word, now_ms, duties))
    return made


def newest_check_out(summary: Summary, judgement: Judgement) -> Said | None:
    said = [*summary.words.values(), *([summary.check_out] if summary.check_out else [])]
    return next((s for s in said if s.ms == judgement.since_ms), None)


def _reply(
    region: str,
    group: str,
    station: str,
    said: Said,
    word: str,
    now_ms: int,
    duties: tuple[DutyMark, ...],
) -> OutMessage:
    reply = AckReply(
        station=station,
        group=group,
        repeater=said.repeater,
        text=f"{word} {group}",
        over=said.over,
        at=from_ms(now_ms),
        duties=duties,
    )
    topic = topics.reply_topic(region, said.gateway)
    # The same answer made twice has the same name, and so goes out once.
    name = f"{topic}#{group}.{station}.{word}.{said.ms}"
    return OutMessage(name, str(said.ms), reply.model_dump_json(), False)
