"""The demo where there is no terminal: one plain line for each change."""

from typing import TextIO

from streamer.demo.picture import Change
from streamer.demo.story import Beat


class Lines:
    def __init__(self, out: TextIO) -> None:
        self._out = out

    def say(self, show_s: float, what: str, text: str) -> None:
        print(f"{show_s:7.1f} s  {what:<9} {text}", file=self._out, flush=True)

    def change(self, show_s: float, change: Change) -> None:
        self.say(show_s, change.kind.value, change.text)

    def beat(self, beat: Beat) -> None:
        self.say(beat.at_s, "story", beat.text)
