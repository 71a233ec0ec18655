"""One station forgotten, step by step, with the part that workers have in it."""

from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Final

from streamer.clock import Clock, from_ms
from streamer.forget.journals import Found, forget_in_folder
from streamer.forget.name import Name
from streamer.forget.state import StateForgetting
from streamer.reading.common import WORKER_SILENT_MS
from streamer.state.base import guarded
from streamer.state.entries import Act, Entry
from streamer.state.ledger import Writing
from streamer.state.lookups import Reader

TELL_S: Final = 60.0
"""So long workers get to clear the alerts about it and to have channels told of that."""
SETTLE_S: Final = 3.5
"""What a worker had in hand when it was searched first is stored by then: longer than its lease."""
TAKE_BACK_S: Final = 15.0
_PAUSE_S: Final = 0.5
_PASSES: Final = 50


class Task:
    """Raises StoreUnavailable when Redis does not answer."""

    def __init__(self, reader: Reader, name: Name, clock: Clock) -> None:
        self._reader = reader
        self._view = reader.store.view
        self._name = name
        self._clock = clock
        self._state = StateForgetting(reader.client, self._view, name)

    def search(self) -> Counter[str]:
        """How many places in the state name it, by what they are."""
        return self._state.search()

    def to_take_back(self) -> int:
        """Retained messages about it that wait for a worker."""
        return self._state.to_take_back()

    def forget(self) -> Counter[str]:
        """First what alerts follow from, so that channels are told of their end; then all else,
        until nothing is found any more."""
        state, clock = self._state, self._clock
        settled_s = clock.monotonic_s() + SETTLE_S
        places = state.forget_but_alerts(clock.now_ms())
        state.wake(clock.now_ms())
        self._wait(lambda: not state.told_of(), TELL_S)
        for _ in range(_PASSES):
            done = state.forget(clock.now_ms())
            places += done
            if done:
                state.wake(clock.now_ms())
            elif clock.monotonic_s() >= settled_s or not self._works():
                break
            else:
                clock.sleep_s(_PAUSE_S)
        self._wait(lambda: not state.to_take_back(), TAKE_BACK_S)
        return places

    def _wait(self, over: Callable[[], bool], longest_s: float) -> None:
        """For what only a worker can do."""
        until_s = self._clock.monotonic_s() + longest_s
        while not over() and self._works() and self._clock.monotonic_s() < until_s:
            self._clock.sleep_s(_PAUSE_S)

    def _works(self) -> bool:
        seen_ms = max(self._alive().values(), default=0)
        return self._clock.now_ms() - seen_ms <= WORKER_SILENT_MS

    def _alive(self) -> dict[str, int]:
        reader = self._reader
        with guarded():
            found = reader.client.zrange(reader.store.keys.workers(), 0, -1, withscores=True)
        return {str(worker): int(ms) for worker, ms in found}

    def journal(self, folder: Path, *, dry: bool) -> Found:
        """Forget in a journal's closed files, or count. Raises OSError, JournalError."""
        now_ms = self._clock.now_ms()
        return forget_in_folder(folder, self._name, self._view.name, self._alive(), now_ms, dry=dry)

    def log(self, by: str, places: Counter[str], found: Found) -> None:
        """That a station was forgotten, not which."""
        now_ms = self._clock.now_ms()
        details = {"places": places.total(), "lines": found.lines, "files": found.files}
        entry = Entry(
            at=from_ms(now_ms), by=by, act=Act.FORGET, subject="a station", details=details
        )
        self._reader.store.write_call(Writing(entry.model_dump_json()), now_ms)
