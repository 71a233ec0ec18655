"""Lines from standard input. Its end is the end of the source, not an error."""

import os
import select

from streamer.agent.config import SourceSettings
from streamer.agent.intake import Intake
from streamer.agent.logs import Log
from streamer.agent.sources.base import POLL_S, READ_BYTES, LineCutter, Source


class StdinSource(Source):
    def __init__(
        self, settings: SourceSettings, intake: Intake, log: Log, descriptor: int = 0
    ) -> None:
        super().__init__(settings, intake, log)
        self._descriptor = descriptor

    def run(self) -> None:
        cutter = LineCutter(self.settings.max_line_bytes)
        while not self.stopping:
            readable, _, _ = select.select([self._descriptor], [], [], POLL_S)
            if not readable:
                continue
            data = os.read(self._descriptor, READ_BYTES)
            if not data:
                self.give(cutter.finish())
                self.ended = True
                return
            self.give(cutter.feed(data))
