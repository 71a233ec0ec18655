"""The half of the state's face that leads out: messages to publish, refusals, workers."""

from collections.abc import Mapping, Sequence

from streamer.state import keys as k
from streamer.state.alerting import Alerting
from streamer.state.base import LEASE_MS, compact, guarded
from streamer.state.scripts import Script
from streamer.state.shapes import OutMessage


class Outbox(Alerting):
    """Raises StoreUnavailable when Redis does not answer."""

    def offer_again(self, name: str, now_ms: int) -> None:
        """Have an alert's message sent by the next worker that looks."""
        self._write(("ZADD", self.keys.out(k.ALERTS), now_ms, name))

    # -- publishing ----------------------------------------------------------------------------

    def claim_out(self, partition: int | str, now_ms: int, limit: int) -> list[OutMessage]:
        """Take messages that wait to be published."""
        keys = [self.keys.out(partition), self.keys.published(partition)]
        flat = self._run(Script.CLAIM_OUT, keys, [now_ms, LEASE_MS, limit])
        pairs = zip(flat[::2], flat[1::2], strict=True)
        return [OutMessage.from_content(name, content) for name, content in pairs]

    def confirm(self, partition: int | str, messages: Sequence[OutMessage], now_ms: int) -> None:
        """Note that the broker has taken messages over."""
        keys = [self.keys.out(partition), self.keys.published(partition), self.keys.gone(partition)]
        arguments: list[str | int] = [now_ms, k.GONE_KEPT_MS]
        for message in messages:
            arguments += [message.name, message.token, int(message.keep)]
        self._run(Script.CONFIRM, keys, arguments)

    def waiting_out(self) -> int:
        """How many messages are not yet confirmed by the broker."""
        with guarded():
            return sum(
                int(self._client.zcard(self.keys.out(p))) for p in [*self.partitions, k.ALERTS]
            )

    def published(self, partition: int | str, names: Sequence[str]) -> list[OutMessage | None]:
        """The newest content of retained messages, None where there is none."""
        if not names:
            return []
        with guarded():
            contents = self._client.hmget(self.keys.published(partition), list(names))
        pairs = zip(names, contents, strict=True)
        return [OutMessage.from_content(n, str(c)) if c is not None else None for n, c in pairs]

    def offer_all(self, now_ms: int) -> None:
        """Have every message that readers should find at the broker sent once more, and what was
        taken back lately taken back once more."""
        for partition in [*self.partitions, k.ALERTS]:
            key, out = self.keys.published(partition), self.keys.out(partition)
            with guarded():
                names = self._client.hkeys(key)
                since_ms = now_ms - k.GONE_KEPT_MS
                gone = self._client.zrangebyscore(self.keys.gone(partition), since_ms, "+inf")
            empty = [(name, OutMessage(name, str(now_ms), "", True).content()) for name in gone]
            commands: list[tuple[str | int, ...]] = [("HSETNX", key, *pair) for pair in empty]
            if names or gone:
                scored = [part for name in (*names, *gone) for part in (now_ms, str(name))]
                commands.append(("ZADD", out, "NX", *scored))
            self._write(*commands)

    # -- refusals and workers ------------------------------------------------------------------

    def refuse(
        self, refusals: Sequence[tuple[str, str]], counted: Mapping[str, int] | None = None
    ) -> None:
        """Count and keep refusals, each a reason and the JSON of the message; those of `counted`,
        by reason, are counted alone."""
        flat = [compact(dict(counted or {})), *(part for refusal in refusals for part in refusal)]
        keys = [self.keys.refused(), self.keys.refusals()]
        self._run(Script.REFUSE, keys, [self.view.limits.refused_size, *flat])

    def refusals(self) -> dict[str, int]:
        """How many refusals of each reason."""
        with guarded():
            found = self._client.hgetall(self.keys.refusals())
        return {reason: int(count) for reason, count in found.items()}

    def quarantined(self, gateway: str) -> dict[str, tuple[int, int, str]]:
        """Identities that are not call signs: count, last heard in ms, reason."""
        with guarded():
            found = self._client.hgetall(self.keys.quarantine(gateway))
        parts = {call: text.split(" ") for call, text in found.items()}
        return {call: (int(c), int(ms), why) for call, (c, ms, why) in parts.items()}

    def note_worker(self, worker: str, now_ms: int) -> None:
        """Say that a worker lives."""
        with guarded():
            self._client.zadd(self.keys.workers(), {worker: now_ms})

    def ping(self) -> None:
        with guarded():
            self._client.ping()
