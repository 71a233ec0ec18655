"""Ctrl-C and SIGTERM, so that whatever was begun is ended in order."""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


class Stop:
    """Ctrl-C, SIGTERM or SIGHUP: breaks off the start, later ends the show in order."""

    def __init__(self) -> None:
        self._event = threading.Event()
        self.playing = False

    def __call__(self, _number: int, _frame: FrameType | None) -> None:
        if not self.playing and not self._event.is_set():
            self._event.set()
            raise KeyboardInterrupt
        self._event.set()

    @property
    def wanted(self) -> bool:
        return self._event.is_set()


@contextmanager
def signals() -> Iterator[Stop]:
    stop = Stop()
    if threading.current_thread() is not threading.main_thread():
        yield stop
        return
    # A terminal that is closed sends SIGHUP; Windows has none.
    names = ("SIGINT", "SIGTERM", "SIGHUP")
    numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
    before = {number: signal.signal(number, stop) for number in numbers}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
