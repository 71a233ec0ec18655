"""One station forgotten, step by step, with the part that workers have in it."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from streamer.clock import Clock, from_ms
from streamer.forget.journals import Found, forget_in_folder
from streamer.forget.name import Name
from streamer.forget.state import StateForgetting
from streamer.reading.common import WORKER_SILENT_MS
from streamer.reading.text import plural
from streamer.state.base import StoreUnavailable, guarded
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


@dataclass(slots=True)
class Outcome:
    """`places` of the state, by what they are; `left` are those that could not be changed,
    `to_take_back` retained messages that wait for a worker."""

    places: Counter[str] = field(default_factory=Counter)
    found: Found = field(default_factory=Found)
    left: Counter[str] = field(default_factory=Counter)
    to_take_back: int = 0

    @property
    def known(self) -> bool:
        """Whether the station was named anywhere."""
        return bool(self.places or self.found.lines or self.left or self.to_take_back)

    @property
    def is_clean(self) -> bool:
        """Whether it was named nowhere, and all that was given could be searched."""
        found = self.found
        astray = found.open or found.troubles or found.failed or found.others or found.empty
        return not (self.known or astray)


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

    def searched(self, folders: Sequence[Path]) -> Outcome:
        """What names it, in the state and in closed files of journals; nothing is changed."""
        outcome = Outcome(self.search())
        for folder in folders:
            outcome.found.add(self.journal(folder, dry=True))
        return outcome

    def forgotten(self, folders: Sequence[Path], by: str) -> Outcome:
        """Forget in the state, then in closed files of journals; the log is told if that changed
        anything. Should Redis fail in between, the error says what is done."""
        outcome = Outcome()
        found = outcome.found
        try:
            outcome.places = self.forget()
            for folder in folders:
                found.add(self.journal(folder, dry=False))
            if outcome.places or found.lines:
                self.log(by, outcome.places, found)
            outcome.left = self.search()
            outcome.to_take_back = self._state.to_take_back()
        except StoreUnavailable as error:
            raise StoreUnavailable(
                "only a part may be done (in Redis some or all; in the journal "
                f"{plural(found.lines, 'line')} of {plural(found.files, 'file')}): do all of it "
                f"again when Redis answers; {error}"
            ) from error
        return outcome

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
        """Forget in a journal's closed files, or count."""
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
