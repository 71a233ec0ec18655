"""What people ordered: pins and bars, roll calls, duties, accepted identities, and the log of it.

Each is written in one step with its entry in the log. People act one at a time and at once, so the
last word is simply the one that Redis had last; `expect` refuses a word about something that has
changed meanwhile.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from streamer.state import keys as k
from streamer.state.base import Base, compact, flat, guarded
from streamer.state.scripts import Script
from streamer.state.shapes import OutMessage


@dataclass(frozen=True, slots=True)
class Writing:
    """Fields of a hash to set and to drop, if those of `expect` are as they should be ('': not
    there), and the entry for the log. `beside` are fields of a second hash, whose other fields of
    the names in `drop` go as well; `then` is a further entry, of what is done in the same step."""

    entry: str
    fields: Mapping[str, str] = field(default_factory=dict)
    drop: Sequence[str] = ()
    drop_prefix: str = ""
    expect: Mapping[str, str] = field(default_factory=dict)
    beside: Mapping[str, str] = field(default_factory=dict)
    then: str = ""

    def settings(self, now_ms: int, subject: str = "") -> str:
        return compact(
            {
                "expect": list(self.expect.items()),
                "fields": list(self.fields.items()),
                "drop": list(self.drop),
                "drop_prefix": self.drop_prefix,
                "beside": list(self.beside.items()),
                "entries": [self.entry, self.then] if self.then else [self.entry],
                "kept": k.LOG_KEPT,
                "subject": subject,
                "now": now_ms,
            }
        )


class Ledger(Base):
    """Raises StoreUnavailable when Redis does not answer."""

    def write_of_group(self, group: str, writing: Writing, now_ms: int) -> bool:
        """Order something of a group and have it looked at; False if it was not as expected."""
        partition = self.keys.partition_of(group)
        keys = [self.keys.group(group), self.keys.log(partition), self.keys.due(partition)]
        return bool(self._run(Script.WRITE, keys, [writing.settings(now_ms, f"g/{group}")]))

    def write_duty(self, writing: Writing, messages: Sequence[OutMessage], now_ms: int) -> bool:
        """Keep a duty, and beside it its roster, and have its messages sent by the next worker
        that looks."""
        keys = [self.keys.duties(), self.keys.log(k.ALERTS)]
        keys += [self.keys.out(k.ALERTS), self.keys.published(k.ALERTS), self.keys.rosters()]
        arguments = [writing.settings(now_ms), *flat(messages)]
        return bool(self._run(Script.WRITE, keys, arguments))

    def write_maintenance(
        self, writing: Writing, messages: Sequence[OutMessage], now_ms: int
    ) -> bool:
        """Keep planned work, have its messages sent, and the alerts looked at."""
        keys = [self.keys.maintenance(), self.keys.log(k.ALERTS)]
        keys += [self.keys.out(k.ALERTS), self.keys.published(k.ALERTS)]
        arguments = [writing.settings(now_ms), *flat(messages)]
        done = bool(self._run(Script.WRITE, keys, arguments))
        self.wake_desk(now_ms)
        return done

    def works(self) -> dict[str, str]:
        """Planned work that is kept, as JSON, by id."""
        with guarded():
            return dict(self._client.hgetall(self.keys.maintenance()))

    def wake_desk(self, now_ms: int) -> None:
        """Have the alerts looked at."""
        self._write(("ZADD", self.keys.due(k.ALERTS), "LT", now_ms, k.DESK))

    def write_call(self, writing: Writing, now_ms: int) -> bool:
        """Accept an identity, or take that back."""
        keys = [self.keys.calls(), self.keys.log(k.REGION)]
        return bool(self._run(Script.WRITE, keys, [writing.settings(now_ms)]))

    def duties(self) -> dict[str, str]:
        """The duties that are kept, as JSON, by id."""
        with guarded():
            return dict(self._client.hgetall(self.keys.duties()))

    def roster(self, duty_id: str) -> str | None:
        """Who is expected at a duty, as JSON; None if nobody ever said."""
        with guarded():
            text = self._client.hget(self.keys.rosters(), duty_id)
        return None if text is None else str(text)

    def accepted(self) -> dict[str, str]:
        """Who accepted which identity, as JSON."""
        with guarded():
            return dict(self._client.hgetall(self.keys.calls()))

    def logged(self, limit: int) -> list[str]:
        """The newest entries of the log as JSON, by their own text; the caller orders them."""
        with guarded():
            pipe = self._client.pipeline(transaction=False)
            for partition in [*self.partitions, k.ALERTS, k.REGION]:
                pipe.lrange(self.keys.log(partition), 0, limit - 1)
            answers = pipe.execute()
        return [text for answer in answers for text in answer]

    def log_heads(self) -> dict[int | str, str]:
        """The newest entry of each part of the log that has one."""
        parts = [*self.partitions, k.ALERTS, k.REGION]
        with guarded():
            pipe = self._client.pipeline(transaction=False)
            for partition in parts:
                pipe.lindex(self.keys.log(partition), 0)
            heads = pipe.execute()
        return {part: str(head) for part, head in zip(parts, heads, strict=True) if head}

    def log_of(self, partition: int | str, portion: int = 100) -> Iterator[str]:
        """The entries of one part, newest first."""
        for start in range(0, k.LOG_KEPT, portion):
            with guarded():
                found = self._client.lrange(self.keys.log(partition), start, start + portion - 1)
            yield from (str(text) for text in found)
            if len(found) < portion:
                return
