"""The retained state of a gateway: heartbeats, the will, and the offset from their answers."""

import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Final

from pydantic import ValidationError

from streamer.agent.clock_offset import Exchange
from streamer.agent.config import AgentSettings
from streamer.agent.events import RepeaterChange
from streamer.agent.intake import ClockWatch
from streamer.agent.logs import Log
from streamer.agent.spool import Spool
from streamer.clock import from_ms, to_ms
from streamer.contract.events import RepeaterState, State
from streamer.contract.replies import TimeReply

QUICK: Final = 3  # heartbeats in quick order after a connection, so that the offset is soon known
QUICK_S: Final = 1.0
_OPEN: Final = 16


class Heartbeat:
    """Makes the gateway's State messages and reads their answers.

    The sender's thread calls everything but `repeaters_changed`.
    """

    def __init__(self, settings: AgentSettings, spool: Spool, watch: ClockWatch, log: Log) -> None:
        self._settings = settings
        self._log = log
        self._spool = spool
        self._watch = watch
        self._repeaters = {
            port: self._remembered(port, state) for port, state in settings.states().items()
        }
        self._lock = threading.Lock()
        self._changed = False
        self._session = 0
        self._seq = 0
        self._sent: OrderedDict[tuple[int, int], datetime] = OrderedDict()
        self._due_s = 0.0
        self._quick = 0
        self._steps = 0

    def repeaters_changed(
        self,
        changes: Sequence[RepeaterChange],
        store: Callable[[Sequence[tuple[str, str]]], object],
    ) -> list[RepeaterChange]:
        """Note changes for the next heartbeat, which is then due at once; returns those of ports
        that are unknown.

        `store` keeps in the spool what it is given, together with the events that came with the
        changes: what it raises goes on, and no change has happened then.
        """
        with self._lock:
            states, unknown = dict(self._repeaters), []
            for change in changes:
                known = states.get(change.port)
                if known is None:
                    unknown.append(change)
                elif known.up != change.up:
                    now = {"up": change.up, "changed_at": change.at}
                    states[change.port] = known.model_copy(update=now)
            notes = [
                (f"repeater:{port}", state.model_dump_json())
                for port, state in states.items()
                if state is not self._repeaters[port]
            ]
            store(notes)
            self._repeaters = states
            self._changed = self._changed or bool(notes)
            return unknown

    def _remembered(self, port: str, state: RepeaterState) -> RepeaterState:
        """As it was last known: a source that is read on will not say again that it is down."""
        text = self._spool.place(f"repeater:{port}")
        if text is None:
            return state
        try:
            then = RepeaterState.model_validate_json(text)
        except ValidationError:
            self._log.warning(
                "repeater_unreadable",
                port=port,
                place=text[:100],
                why="the spool's word on it is spoilt: it is as the agent's file has it until a "
                "source tells otherwise. Look at the disk",
            )
            return state
        return state.model_copy(update={"up": then.up, "changed_at": then.changed_at})

    @property
    def session(self) -> int:
        return self._session

    def new_session(self) -> bytes:
        """Begin the session of another connection; returns its will."""
        self._session += 1
        self._seq = 0
        self._sent.clear()
        self._quick = QUICK
        self._due_s = 0.0
        now_ms, offset_s = self._watch.now()
        return _bytes(
            State(
                v=1,
                boot=self._spool.boot,
                session=self._session,
                sent_at=from_ms(now_ms),
                clock_offset_s=offset_s,
                round_trip_s=self._round_trip_s(),
                up=False,
            )
        )

    def due(self, monotonic_s: float) -> bool:
        """Whether a heartbeat should go out now."""
        if self._watch.steps != self._steps:
            self._steps, self._quick = self._watch.steps, QUICK
            self._sent.clear()
            return True
        return self._changed or monotonic_s >= self._due_s

    def beat(self, monotonic_s: float, *, up: bool = True) -> bytes:
        """The next heartbeat, or with `up` false the last word of a clean stop."""
        with self._lock:
            self._changed = False
            repeaters = tuple(self._repeaters.values())
        self._quick -= self._quick > 0
        wait_s = self._settings.heartbeat_s
        self._due_s = monotonic_s + (min(QUICK_S, wait_s) if self._quick else wait_s)
        self._seq += 1
        now_ms, offset_s = self._watch.now()
        state = State(
            v=1,
            boot=self._spool.boot,
            session=self._session,
            seq=self._seq,
            sent_at=from_ms(now_ms),
            clock_offset_s=None if offset_s is None else round(offset_s, 4),
            round_trip_s=self._round_trip_s(),
            up=up,
            software=self._settings.software,
            spooled=self._spool.waiting,
            dropped=self._spool.dropped,
            repeaters=repeaters,
        )
        self._sent[(self._session, self._seq)] = state.sent_at
        while len(self._sent) > _OPEN:
            self._sent.popitem(last=False)
        return _bytes(state)

    def _round_trip_s(self) -> float | None:
        best = self._watch.best
        return None if best is None else round(best.delay_s, 4)

    def answered(self, reply: TimeReply) -> bool:
        """Learn from the answer to one of our heartbeats; False if it answers none of them."""
        received_ms, _ = self._watch.now()
        sent_at = self._sent.get((reply.session, reply.seq))
        if reply.boot != self._spool.boot or sent_at is None or reply.agent_sent_at != sent_at:
            return False
        if self._watch.steps != self._steps:
            return False  # sent before the clock was set
        del self._sent[(reply.session, reply.seq)]
        return self._watch.add(
            Exchange(
                t1_ms=to_ms(sent_at),
                t2_ms=to_ms(reply.received_at),
                t3_ms=to_ms(reply.replied_at),
                t4_ms=received_ms,
            )
        )


def _bytes(state: State) -> bytes:
    return state.model_dump_json(exclude_none=True, exclude_unset=True).encode()
