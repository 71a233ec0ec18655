"""One gateway's agent, put together. Holds no global state and handles no signals."""

import gc
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from streamer.agent.config import AgentSettings
from streamer.agent.events import RepeaterChange
from streamer.agent.heartbeat import Heartbeat
from streamer.agent.intake import ClockWatch, Intake
from streamer.agent.logs import Log
from streamer.agent.replies import ReplyRunner
from streamer.agent.sender import Sender
from streamer.agent.sources import Source, make_source
from streamer.agent.spool import Spool
from streamer.clock import Clock, from_ms
from streamer.contract.replies import AckReply


@dataclass(frozen=True, slots=True)
class AgentStatus:
    """What an agent has done since its start, and what it holds now."""

    boot: str
    session: int
    connected: bool
    last_seq: int
    waiting: int
    held: int
    dropped: int
    dead: int
    bad_lines: int
    unmatched_lines: int
    lost_lines: int
    refused: int
    unheard: int
    replies: int
    clock_offset_s: float | None
    round_trip_s: float | None


class Agent:
    """Use: `start`, then `submit` from any thread, or let the sources read; `stop` at the end.

    Raises SpoolError (the file is in use or not writable) when made.
    """

    def __init__(
        self,
        settings: AgentSettings,
        clock: Clock,
        *,
        on_reply: Callable[[AckReply], None] | None = None,
        with_sources: bool = True,
        stop: threading.Event | None = None,
    ) -> None:
        self.settings = settings
        self._log = Log(clock, gateway=settings.gateway)
        self._watch = ClockWatch(clock, self._log)
        path = settings.spool.path
        self._spool = Spool(
            path if str(path) != ":memory:" else ":memory:",
            clock.now_ms(),
            max_bytes=int(settings.spool.max_mb * 1024 * 1024),
            sync=settings.spool.sync,
        )
        if (repair := self._spool.repair) is not None:
            self._log.error(
                "spool_damaged",
                set_aside=str(repair.aside),
                events_carried_over=repair.events,
                events_without_room=repair.left,
                why="the spool's file was damaged; a new one was begun with what could be read of "
                "it and had room, the newest first. Look at the disk; the rest stays in the file "
                "set aside, where `sqlite3 FILE .recover` may find more",
            )
        self._heartbeat = Heartbeat(settings, self._spool, self._watch, self._log)
        self._intake = Intake(
            settings, self._spool, self._watch, self._log, self._heartbeat.repeaters_changed
        )
        self._replies = ReplyRunner(settings.reply, self._log) if settings.reply else None
        if on_reply is None and self._replies is not None:
            on_reply = self._replies.put
        self._sender = Sender(
            settings,
            clock,
            self._spool,
            self._heartbeat,
            self._watch,
            self._log,
            on_reply,
            stop or threading.Event(),
        )
        self._sender.before_draining = self._stop_sources
        self._sender.finish_when_empty = self._sources_ended
        self.sources: list[Source] = [
            make_source(one, self._intake, self._spool, self._log)
            for one in (settings.source if with_sources else ())
        ]
        self._thread = threading.Thread(
            target=self._send, name=f"agent-{settings.gateway}", daemon=True
        )
        self.failure: str | None = None

    def start(self) -> None:
        """Begin to read and send, in threads of its own. Raises SourceError."""
        self._start_sources()
        self._thread.start()

    def run(self) -> None:
        """Read and send in this thread until the `stop` event is set, or until the sources have
        ended and all is sent. Raises SourceError."""
        self._start_sources()
        self._send()
        self.stop()

    def _start_sources(self) -> None:
        opened: list[Source] = []
        try:
            for source in self.sources:
                source.open()
                opened.append(source)
        except BaseException:
            for source in opened:
                source.close()
            self._spool.close()
            raise
        self._log.info("started", boot=self._spool.boot, waiting=self._spool.waiting)
        for source in self.sources:
            source.start()

    def submit(self, event: Mapping[str, Any]) -> int | None:
        """Store one event, given as a source would give it in JSON; from any thread.

        Returns its sequence number, None for a repeater's change. When this returns the event is
        on disk. Raises EventError (wrong, nothing stored) or SpoolError.
        """
        numbers = self._intake.objects([dict(event)])
        return numbers[0] if numbers else None

    def submit_many(self, events: Sequence[Mapping[str, Any]]) -> list[int]:
        """Like `submit`, for several events in one write, all or none."""
        return self._intake.objects([dict(event) for event in events])

    def set_repeater(self, port: str, *, up: bool) -> bool:
        """Report a repeater's state with a heartbeat at once; False if the port is unknown."""
        now_ms, _ = self._watch.now()
        change = RepeaterChange(port, up, from_ms(now_ms))
        return not self._heartbeat.repeaters_changed([change], self._spool.keep)

    def stop(self, *, abrupt: bool = False, timeout_s: float | None = None) -> None:
        """Read no more, send what is left (at most `drain_s`), say goodbye.

        With `abrupt` nothing of that: the connection just ends, as in a power cut, and the broker
        sends the will. What was not sent stays in the spool. Safe to call twice.
        """
        self._stop_sources()
        self._sender.stop(abrupt=abrupt)
        if self._thread.is_alive():
            self._thread.join(timeout_s if timeout_s is not None else self.settings.drain_s + 15)
        if self._replies is not None:
            self._replies.stop(1.0)
        self._spool.close()

    def _stop_sources(self) -> None:
        for source in self.sources:
            source.stop()

    def _sources_ended(self) -> bool:
        """Whether there were sources and none will give anything more."""
        return bool(self.sources) and all(source.ended for source in self.sources)

    @property
    def connected(self) -> bool:
        return self._sender.connected

    def status(self) -> AgentStatus:
        """Counts and the state of things now; not after `stop`."""
        best = self._watch.best
        counts = self._intake.counts
        return AgentStatus(
            boot=self._spool.boot,
            session=self._heartbeat.session,
            connected=self._sender.connected,
            last_seq=self._spool.last_seq,
            waiting=self._spool.waiting,
            held=self._spool.held,
            dropped=self._spool.dropped,
            dead=self._spool.dead,
            bad_lines=counts["bad"],
            unmatched_lines=counts["unmatched"],
            lost_lines=counts["lost"],
            refused=self._sender.outgoing.refused,
            unheard=self._sender.outgoing.unheard,
            replies=self._sender.replies,
            clock_offset_s=None if best is None else best.offset_s,
            round_trip_s=None if best is None else best.delay_s,
        )

    def _send(self) -> None:
        try:
            self._sender.run()
        except Exception as error:
            # A fault of the agent's own or of its disk: the program ends, its supervisor restarts.
            self.failure = f"{type(error).__name__}: {error}"
            self._log.error("sender_failed", why=self.failure)


def run_agent(settings: AgentSettings, clock: Clock, stop: threading.Event) -> int:
    """Run an agent until `stop` is set, or until its sources have ended and all is sent.

    Returns 0, or 1 if the agent failed. Raises SpoolError and SourceError when it cannot begin.
    """
    agent = Agent(settings, clock, stop=stop)
    gc.collect()  # building the models has left much behind: let the events use its place
    agent.run()
    return 1 if agent.failure else 0
