"""The part of the state's face that alerts go through: what is said to be wrong, cases, standing
alerts, and the parcels of each channel."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from streamer.contract.published import AlertKind, Severity
from streamer.state import keys as k
from streamer.state.base import LEASE_MS, compact, flat, guarded, to_send
from streamer.state.ledger import Ledger
from streamer.state.running import Argument
from streamer.state.scripts import Script
from streamer.state.shapes import OutMessage

NOTICES_AT_ONCE: Final = 500
AHEAD_MS: Final = 60_000
"""A notice whose time is farther ahead than it may be gathered, by so much, has it from a clock
that was wrong."""
OTHER: Final = "other"
"""Among counts of alerts, the kinds that this program does not know."""


@dataclass(frozen=True, slots=True)
class Ears:
    """Whether a worker hears the broker: when it last said so, and since when that is so."""

    worker: str
    at_ms: int
    since_ms: int
    hears: bool


@dataclass(frozen=True, slots=True)
class Book:
    """What a round starts from, as JSON: cases by id, reports by owner, maintenance by id."""

    cases: Mapping[str, str]
    found: Mapping[str, str]
    works: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Waiting:
    """A notice for a channel, to be told from `ms` on."""

    channel: str
    ms: int
    text: str


@dataclass(slots=True)
class Decided:
    """What a round or somebody's act has decided; see `commit_cases.lua`. `claimed_ms` is None
    where the desk was not claimed: then it is woken."""

    expect: Mapping[str, str]
    cases: Mapping[str, str] = field(default_factory=dict)
    gone: Sequence[str] = ()
    standing: Mapping[str, str] = field(default_factory=dict)
    fallen: Sequence[str] = ()
    done: Mapping[str, str] = field(default_factory=dict)
    works: Sequence[tuple[str, str, str]] = ()
    messages: Sequence[OutMessage] = ()
    waiting: Sequence[Waiting] = ()
    claimed_ms: int | None = None
    next_ms: int = 0
    entry: str = ""


@dataclass(frozen=True, slots=True)
class TakenParcel:
    """A parcel that this sender has under lease. `tries` counts this one."""

    id: str
    made_ms: int
    tries: int
    notices: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Delivery:
    """How one queue of a channel stands. `part`: the channel's name, or that of one of its
    addresses as `part_name` makes it. `waiting`: notices, those of the parcel too. `made_ms`: since
    when the parcel has not been taken; `why`: what the last try said. `gave_up`: parcels given up,
    none more than an hour after the one before, the first and the newest when and why. `head_ms`:
    from when on the oldest notice that is in no parcel may be told; `sent_ms`: when the last parcel
    that is settled was made."""

    part: str
    waiting: int
    made_ms: int | None
    why: str
    gave_up: int
    gave_up_first_ms: int
    gave_up_last_ms: int
    gave_up_why: str
    head_ms: int | None = None
    sent_ms: int = 0

    @property
    def line(self) -> int | None:
        """Of an address in the channel's file."""
        return number_of(self.part) if channel_of_part(self.part) != self.part else None


_PART: Final = "part:"
GAVE_UP_MS: Final = 3_600_000
"""Parcels given up within so long of each other count together."""


def part_name(channel: str, number: int) -> str:
    """The queue of one of a channel's addresses, by its line in the file. No channel's name holds
    the mark."""
    return f"{channel}#{number}"


def number_of(part: str) -> int:
    return int(part.partition("#")[2])


def channel_of_part(part: str) -> str:
    return part.partition("#")[0]


class Alerting(Ledger):
    """Raises StoreUnavailable when Redis does not answer."""

    # -- what is said to be wrong ----------------------------------------------------------------

    def report_of(self, owner: str) -> str | None:
        """What an owner last said, as JSON."""
        with guarded():
            text = self._client.hget(self.keys.found(), owner)
        return None if text is None else str(text)

    def report(self, owner: str, text: str | None, now_ms: int, mark: str = "") -> None:
        """Keep what an owner says (None: nothing is wrong, and nothing was), and wake the desk.

        `mark` stands with the owner until what was worked out of it is committed: a commit that
        expects another fails. Should this end before its own, the owner is looked at once more,
        and says anew what is wrong with it."""
        found = self.keys.found()
        said: list[Sequence[Argument]] = []
        if mark:
            due = self.keys.due(self.keys.partition_of(owner[2:]))
            said.append(("HSET", self._subject_key(owner), "#conditions", mark))
            said.append(("ZADD", due, "LT", now_ms + LEASE_MS, owner))
        said.append(("HDEL", found, owner) if text is None else ("HSET", found, owner, text))
        # Should it end in between, the owner says it again.
        self._write(*said, ("ZADD", self.keys.due(k.ALERTS), "LT", now_ms, k.DESK))

    def alert_owners(self) -> list[str]:
        """The subjects that something is wrong with."""
        with guarded():
            return [str(owner) for owner in self._client.hkeys(self.keys.found())]

    # -- the desk --------------------------------------------------------------------------------

    def claim_desk(self, now_ms: int) -> int | None:
        """Take the desk up if its time has come; returns the mark of this claim."""
        taken = self._run(Script.CLAIM_DUE, [self.keys.due(k.ALERTS)], [now_ms, LEASE_MS, 1])
        return now_ms + LEASE_MS if taken else None

    def book(self) -> Book:
        """All that a round judges."""
        with guarded():
            pipe = self._client.pipeline(transaction=True)
            pipe.hgetall(self.keys.cases())
            pipe.hgetall(self.keys.found())
            pipe.hgetall(self.keys.maintenance())
            cases, found, works = pipe.execute()
        return Book(cases, found, works)

    def case(self, alert_id: str) -> str | None:
        with guarded():
            text = self._client.hget(self.keys.cases(), alert_id)
        return None if text is None else str(text)

    def commit_cases(self, decided: Decided, now_ms: int) -> list[OutMessage] | None:
        """Store what was decided; returns the messages to send at once, None if somebody else has
        changed one of the cases."""
        channels = list(dict.fromkeys(w.channel for w in decided.waiting))
        settings = {
            "expect": list(decided.expect.items()),
            "cases": list(decided.cases.items()),
            "gone": list(decided.gone),
            "standing": list(decided.standing.items()),
            "fallen": list(decided.fallen),
            "done": list(decided.done.items()),
            "works": list(decided.works),
            "desk": k.DESK,
            "claimed": -1 if decided.claimed_ms is None else decided.claimed_ms,
            "next": decided.next_ms,
            "now": now_ms,
            "lease": LEASE_MS,
            "entry": decided.entry,
            "kept": k.LOG_KEPT,
            "messages": len(decided.messages),
        }
        keys = [self.keys.cases(), self.keys.alerts(), self.keys.found()]
        keys += [self.keys.out(k.ALERTS), self.keys.published(k.ALERTS), self.keys.due(k.ALERTS)]
        keys += [self.keys.log(k.ALERTS), self.keys.maintenance()]
        keys += map(self.keys.waiting, channels)
        arguments: list[str | int] = [compact(settings), *flat(decided.messages)]
        for waiting in decided.waiting:
            arguments += [channels.index(waiting.channel) + 1, waiting.ms, waiting.text]
        return to_send(decided.messages, self._run(Script.COMMIT_CASES, keys, arguments))

    # -- standing alerts -------------------------------------------------------------------------

    def alert(self, alert_id: str) -> str | None:
        with guarded():
            text = self._client.hget(self.keys.alerts(), alert_id)
        return None if text is None else str(text)

    def all_alerts(self) -> dict[str, str]:
        """Those that are open or in somebody's hands, as JSON by id."""
        with guarded():
            return dict(self._client.hgetall(self.keys.alerts()))

    def alerts_without_case(self) -> list[str]:
        """Standing alerts that nothing is remembered of: an older version's."""
        with guarded():
            pipe = self._client.pipeline(transaction=True)
            pipe.hkeys(self.keys.alerts())
            pipe.hkeys(self.keys.cases())
            standing, cases = pipe.execute()
        return sorted(map(str, set(standing) - set(cases)))

    def alerts_counted(self) -> dict[tuple[str, str], int]:
        """How many alerts are open or acknowledged, by kind and severity; every pair is there. What
        a newer program has stored counts as kind `other`, an unknown severity as the highest."""
        kinds = [*AlertKind, OTHER]
        counts = {(str(kind), step.value): 0 for kind in kinds for step in Severity}
        for text in self.all_alerts().values():
            try:
                alert = json.loads(text)
                kind, step = alert["kind"], alert["severity"]
            except (ValueError, TypeError, KeyError):
                kind = step = ""
            kind = kind if kind in kinds else OTHER
            counts[kind, step if step in list(Severity) else Severity.CRITICAL.value] += 1
        return counts

    # -- our own ears ----------------------------------------------------------------------------

    def note_ears(self, ears: Ears) -> None:
        """Say that a worker lives, and whether it hears the broker."""
        text = f"{ears.at_ms} {ears.since_ms} {int(ears.hears)}"
        with guarded():
            self._client.hset(self.keys.ears(), ears.worker, text)

    def forget_ears(self, worker: str) -> None:
        """It has left for good."""
        with guarded():
            self._client.hdel(self.keys.ears(), worker)

    def ears(self) -> list[Ears]:
        with guarded():
            found = self._client.hgetall(self.keys.ears())
        said = {name: [int(part) for part in str(text).split(" ")] for name, text in found.items()}
        return [Ears(n, at, since, bool(hears)) for n, (at, since, hears) in sorted(said.items())]

    def gateways_heard(self) -> list[str]:
        """Gateways that ever sent a state."""
        with guarded():
            pipe = self._client.pipeline(transaction=False)
            for partition in self.partitions:
                pipe.hkeys(self.keys.live(partition))
            answers = pipe.execute()
        return [str(name) for names in answers for name in names if str(name)[0] not in "@!"]

    # -- parcels of a channel --------------------------------------------------------------------

    def take_parcel(
        self, channel: str, owner: str, *, now_ms: int, lease_ms: int, pause_ms: int, begin: bool,
        gather_ms: int = 0,
    ) -> TakenParcel | None:  # fmt: skip
        """Take up what is to be sent on a channel, under a lease; see `take_parcel.lua`."""
        settings = {
            "now": now_ms, "lease": lease_ms, "owner": owner, "pause": pause_ms,
            "most": NOTICES_AT_ONCE, "begin": "1" if begin else "0", "soon": gather_ms + AHEAD_MS,
        }  # fmt: skip
        keys = [self.keys.waiting(channel), self.keys.parcel(channel)]
        found = self._run(Script.TAKE_PARCEL, keys, [compact(settings)])
        if not found:
            return None
        parcel_id, made, tries, notices = found
        return TakenParcel(str(parcel_id), int(made), int(tries), tuple(notices.split("\n")))

    def _settle_parcel(
        self, channel: str, parcel: TakenParcel, now_ms: int, how: str, *,
        due_ms: int = 0, why: str = "", parts: Sequence[str] = (),
    ) -> bool:  # fmt: skip
        settings = {
            "id": parcel.id, "now": now_ms, "how": how, "due": due_ms, "why": why,
            "kept": k.DEAD_LETTERS_KEPT, "together": GAVE_UP_MS, "part": channel,
            "fields": [_PART + part for part in parts],
        }  # fmt: skip
        letters = self.keys.dead_letters(channel_of_part(channel))
        keys = [self.keys.parcel(channel), letters, self.keys.senders()]
        keys += map(self.keys.waiting, parts)
        return bool(self._run(Script.SETTLE_PARCEL, keys, [compact(settings)]))

    def parcel_delivered(self, channel: str, parcel: TakenParcel, now_ms: int) -> bool:
        return self._settle_parcel(channel, parcel, now_ms, "delivered")

    def parcel_shared(
        self, channel: str, parcel: TakenParcel, now_ms: int, parts: Sequence[str]
    ) -> bool:
        """Put its notices into the queue of each of the channel's addresses instead."""
        return self._settle_parcel(channel, parcel, now_ms, "shared", parts=parts)

    def parcel_later(
        self, channel: str, parcel: TakenParcel, now_ms: int, due_ms: int, why: str
    ) -> bool:
        """It was not taken; to be tried again at `due_ms`."""
        return self._settle_parcel(channel, parcel, now_ms, "later", due_ms=due_ms, why=why)

    def parcel_dead(self, channel: str, parcel: TakenParcel, now_ms: int, why: str) -> bool:
        """Give it up, and keep it with the reason."""
        return self._settle_parcel(channel, parcel, now_ms, "dead", why=why)

    def dead_letters(self, channel: str, most: int = 0) -> list[dict[str, str]]:
        """Parcels that were given up, also by one address alone, the newest first: id, made, tries,
        notices, why, at, part. `most` 0: all."""
        with guarded():
            texts = self._client.lrange(self.keys.dead_letters(channel), 0, most - 1)
        return [json.loads(text) for text in texts]

    def undelivered(self, channel: str) -> tuple[int, int | None, str]:
        """Of one queue: notices that wait, since when the oldest parcel has not been taken (ms),
        and why."""
        (found,) = self._deliveries([channel])
        return found.waiting, found.made_ms, found.why

    def deliveries(self, channels: Sequence[str]) -> dict[str, list[Delivery]]:
        """How each channel stands: its own queue first, then that of each of its addresses."""
        with guarded():
            fields = self._client.hkeys(self.keys.senders())
        named = [str(f).removeprefix(_PART) for f in fields if str(f).startswith(_PART)]
        parts = sorted(named, key=lambda part: (len(part), part))
        wanted = [[c, *(p for p in parts if channel_of_part(p) == c)] for c in channels]
        found = iter(self._deliveries([part for names in wanted for part in names]))
        return {names[0]: [next(found) for _ in names] for names in wanted}

    def _deliveries(self, parts: Sequence[str]) -> list[Delivery]:
        with guarded():
            pipe = self._client.pipeline(transaction=False)
            for part in parts:
                pipe.llen(self.keys.waiting(part))
                pipe.lindex(self.keys.waiting(part), 0)
                pipe.hmget(
                    self.keys.parcel(part), "made", "size", "why",
                    "gave_up", "gave_first", "gave_last", "gave_why", "sent",
                )  # fmt: skip
            answers = pipe.execute()
        found = []
        each = zip(parts, answers[::3], answers[1::3], answers[2::3], strict=True)
        for part, waiting, head, fields in each:
            made, size, why, gave_up, first, last, gave_why, sent = fields
            one = Delivery(
                part=part,
                waiting=int(waiting) + int(size or 0),
                made_ms=int(made) if made else None,
                why=str(why or ""),
                gave_up=int(gave_up or 0),
                gave_up_first_ms=int(first or 0),
                gave_up_last_ms=int(last or 0),
                gave_up_why=str(gave_why or ""),
                head_ms=int(head.partition(" ")[0]) if head else None,
                sent_ms=int(sent or 0),
            )
            found.append(one)
        return found

    def forget_part(self, part: str) -> None:
        """The channel has no such address any more, and nothing waits for it."""
        with guarded():
            self._client.hdel(self.keys.senders(), _PART + part)
            gave_up = ("gave_up", "gave_first", "gave_last", "gave_why")
            self._client.hdel(self.keys.parcel(part), *gave_up)

    def first_to(self, channel: str, what: str, mark: int) -> bool:
        """Whether nobody has done something of a channel for this mark, a rising number, yet; the
        first that asks is to do it."""
        field_name = f"{what}:{channel}"
        with guarded():
            known = self._client.hget(self.keys.senders(), field_name)
            if known is not None and int(str(known)) >= mark:
                return False
            if known is None:
                return bool(self._client.hsetnx(self.keys.senders(), field_name, mark))
            return bool(self._run(Script.RAISE, [self.keys.senders()], [field_name, known, mark]))
