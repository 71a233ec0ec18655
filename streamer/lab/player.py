"""Plays a record to a board: on at any speed, to any time, back too.

Turns of a quarter of a second: each moves the clock of the record by so much as the speed says, and
what was noted up to there is taken up. A machine too slow for that plays slower; nothing is left
out. To go forward is to play as fast as it goes. To go back is to play from the begin into another
Redis database, while pages show what they showed, and then to change over.
"""

import threading
from collections.abc import Callable, Sequence
from typing import Final

import structlog

from streamer.board.replaying import REPLAY_TABLE, AlertTick, ReplayRow, words
from streamer.clock import Clock, from_ms
from streamer.journal.reader import JournalError
from streamer.lab.player_scene import Scene
from streamer.lab.player_tape import Tape
from streamer.state.store import StoreMismatch, StoreUnavailable

log = structlog.get_logger()

TURN_S: Final = 0.25
PIECES: Final = 30
"""Of a move, unless they would be shorter than"""
SHORTEST_PIECE_MS: Final = 10_000


class Player:
    """`urls` are two databases of a Redis that this program started and nobody else uses: they are
    emptied. `machine` says how real time passes. `ask` and `status` are for any thread, `turn` for
    one: the thread of `start`, or a test's.

    Raises StoreUnavailable, StoreMismatch, JournalError, OSError.
    """

    def __init__(
        self, tape: Tape, urls: tuple[str, str], machine: Clock, speed: float = 1.0
    ) -> None:
        self.tape = tape
        self._urls = urls
        self._machine = machine
        self._lock = threading.RLock()
        self._speed = speed
        self._playing = False
        self._wanted_ms: int | None = None
        self._orders = 0
        self._moved_pct = 0
        self._moves = 0
        self._trouble: str | None = None
        self._stop = threading.Event()
        self._wake = threading.Event()
        self._before: Scene | None = None
        self.on_scene: Callable[[Scene], None] = lambda scene: None
        """Told when pages are to read another database, picture or region file."""
        self.scene = Scene(tape, urls[0])
        self._go(self.scene, tape.begin_ms, SHORTEST_PIECE_MS, lambda: False)
        self.scene.show()
        self.tables = self.scene.picture.tables
        self._tell()
        self._thread = threading.Thread(target=self._run, name="player", daemon=True)

    # -- from any thread -------------------------------------------------------------------------

    @property
    def ticks(self) -> Sequence[AlertTick]:
        return self.tape.ticks

    @property
    def now_ms(self) -> int:
        """By the clock of the record, what is shown."""
        return self.scene.now_ms

    def status(self) -> ReplayRow:
        with self._lock:
            now_ms, tape = self.now_ms, self.tape
            wanted_ms = self._wanted_ms
            return ReplayRow(
                begin=from_ms(tape.begin_ms),
                end=from_ms(tape.end_ms),
                now=from_ms(now_ms),
                speed=self._speed,
                playing=self._playing,
                moving_to=None if wanted_ms is None else from_ms(wanted_ms),
                moved_pct=None if wanted_ms is None else self._moved_pct,
                missing_from=from_ms(tape.begin_ms + self._lost_after_ms()),
                moves=self._moves,
                trouble=self._trouble,
                said=words(tape.begin_ms, tape.end_ms, now_ms),
            )

    def _lost_after_ms(self) -> int:
        return round(self.scene.picture.view.limits.gateway_lost_after_s * 1000)

    def ask(
        self, *, to_ms: int | None = None, speed: float | None = None, playing: bool | None = None
    ) -> ReplayRow:
        """Answers at once; what was asked last counts. At the end of the record it rests."""
        with self._lock:
            if to_ms is None and playing and self._trouble is not None:
                to_ms = self.now_ms  # what is there may be torn
            if to_ms is not None:
                self._wanted_ms = min(self.tape.end_ms, max(self.tape.begin_ms, to_ms))
                self._moved_pct = 0
                self._orders += 1
            if speed is not None:
                self._speed = speed
            if playing is not None:
                self._playing = playing
            self._rest_at_the_end()
            self._tell()
            if to_ms is not None or playing:
                self._wake.set()
            return self.status()

    def _rest_at_the_end(self) -> None:
        at_ms = self.now_ms if self._wanted_ms is None else self._wanted_ms
        self._playing = self._playing and at_ms < self.tape.end_ms

    def _tell(self) -> None:
        """Have every page know."""
        with self._lock:
            self.tables.put(REPLAY_TABLE, REPLAY_TABLE, self.status())

    # -- its own thread --------------------------------------------------------------------------

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Waits for the thread's end."""
        self._stop.set()
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join()

    @property
    def alive(self) -> bool:
        return self._thread.is_alive()

    def _run(self) -> None:
        while not self._stop.is_set():
            began_s = self._machine.monotonic_s()
            self.turn()
            self._wake.wait(max(0.0, TURN_S - (self._machine.monotonic_s() - began_s)))
            self._wake.clear()

    def turn(self) -> None:
        """Make a move that was asked for, or play on for a turn."""
        with self._lock:
            wanted_ms, order, playing, speed = (
                self._wanted_ms, self._orders, self._playing, self._speed,
            )  # fmt: skip
        if wanted_ms is None and not playing:
            return
        try:
            if wanted_ms is not None:
                self._move(wanted_ms, order)
            else:
                self._step(round(speed * TURN_S * 1000))
        except (StoreUnavailable, StoreMismatch, JournalError, OSError) as error:
            self._fail(str(error))
        except Exception:
            # Better a replay that says that it stands still than a page that waits for ever.
            log.exception("the replay could not go on")
            self._fail("an error that nobody foresaw; the log of this program says more")

    def _step(self, step_ms: int) -> None:
        to_ms = min(self.tape.end_ms, self.now_ms + step_ms)
        self._go(self.scene, to_ms, max(1, step_ms), lambda: self._wanted_ms is not None)
        self._show()
        with self._lock:
            self._rest_at_the_end()
            self._tell()

    def _move(self, to_ms: int, order: int) -> None:
        def given_up() -> bool:
            return self._orders != order

        if to_ms < self.now_ms or self._trouble is not None:
            done = self._begin_anew(to_ms, given_up)
        else:
            piece_ms = _piece_ms(to_ms - self.now_ms)
            done = self._go(self.scene, to_ms, piece_ms, given_up, self._show_on_the_way)
            self._show()
        with self._lock:
            if done:
                self._moves += 1
                self._trouble = None
                if not given_up():
                    self._wanted_ms = None
            self._rest_at_the_end()
            self._tell()

    def _begin_anew(self, to_ms: int, given_up: Callable[[], bool]) -> bool:
        if self._before is not None:
            self._before.close()  # whoever still read there has had all the time since
            self._before = None
        url = next(url for url in self._urls if url != self.scene.url)
        scene = Scene(self.tape, url)
        piece_ms = _piece_ms(to_ms - self.tape.begin_ms)
        if not self._go(scene, to_ms, piece_ms, given_up, self._tell):
            scene.close()
            return False
        scene.show()
        with self._lock:
            scene.picture.move_into(self.tables)
            self._before, self.scene = self.scene, scene
            self.on_scene(scene)
        return True

    def _show(self) -> None:
        scene = self.scene
        before = scene.picture.view
        scene.show()
        if scene.picture.view is not before:  # the region file was changed in the record
            self.on_scene(scene)

    def _show_on_the_way(self) -> None:
        self._show()
        self._tell()

    def _go(
        self,
        scene: Scene,
        to_ms: int,
        piece_ms: int,
        given_up: Callable[[], bool],
        on_the_way: Callable[[], None] = lambda: None,
    ) -> bool:
        """Whether it came there."""
        start_ms = max(scene.played_ms, self.tape.begin_ms)
        for _ in scene.play(to_ms, piece_ms):
            if given_up() or self._stop.is_set():
                return False
            done_ms = max(scene.played_ms, scene.now_ms) - start_ms
            self._moved_pct = 100 * done_ms // max(1, to_ms - start_ms)
            on_the_way()
        return True

    def _fail(self, reason: str) -> None:
        log.error("the replay stands still", reason=reason)
        with self._lock:
            self._trouble = reason
            self._playing, self._wanted_ms = False, None
            self._tell()


def _piece_ms(way_ms: int) -> int:
    return max(SHORTEST_PIECE_MS, way_ms // PIECES)
