"""One go through a record: a replay on a Redis database of its own, and the picture of it."""

from collections.abc import Iterator, Sequence
from typing import Final

import structlog

from streamer.board.app import REDIS_WITHIN_S
from streamer.board.picture import Picture
from streamer.board.replaying import REPLAY_TABLE
from streamer.board.watch import look
from streamer.clock import from_ms
from streamer.config import RegionView
from streamer.contract.published import WorkerState
from streamer.contract.topics import worker_topic
from streamer.lab.player_tape import Tape
from streamer.lab.replay import Replay
from streamer.state.base import guarded
from streamer.state.lookups import Reader
from streamer.state.shapes import OutMessage
from streamer.state.store import Store, connect

log = structlog.get_logger()

PORTION: Final = 2_000
"""Events merged before it is asked whether somebody wants to go elsewhere."""
_ANY_MS: Final = 1_000
"""`play` says how often it is looked."""
WORKER: Final = "replay"
_NEXT_WITHIN_S: Final = 5.0


class Scene:
    """`url` is a Redis database that this program started and that nobody else uses: it is
    emptied. For one thread. Raises StoreUnavailable, StoreMismatch, JournalError, OSError."""

    def __init__(self, tape: Tape, url: str) -> None:
        self.url = url
        self.client = connect(url, REDIS_WITHIN_S)
        self._clients = [self.client]
        with guarded():
            self.client.flushdb()
        self.replay = Replay(
            self._open, _ANY_MS, view=tape.given, publish=self._publish, portion=PORTION
        )
        self._reel = tape.wind()
        self._begin_ms = tape.begin_ms
        self.picture = Picture(tape.view, tape.begin_ms, (REPLAY_TABLE,))
        self.picture.connected()
        self._told = 0
        self._reader = Reader(self.client, Store(self.client, tape.view))

    def _open(self, view: RegionView) -> Sequence[Store]:
        self._clients.append(connect(self.url))
        return [Store(self._clients[-1], view)]

    def close(self) -> None:
        """Give its connections up."""
        for client in self._clients:
            client.close()

    def _publish(self, message: OutMessage) -> None:
        self.picture.take(message.topic, message.payload.encode(), self.now_ms)

    @property
    def now_ms(self) -> int:
        """By the clock of the record."""
        return self.replay.clock.now_ms()

    @property
    def played_ms(self) -> int:
        """When the newest line that was taken up was noted."""
        return self.replay.played.now_ms

    def play(self, to_ms: int, piece_ms: int) -> Iterator[None]:
        """Play on up to a time in pieces, at the end of each of which it is worked out what
        follows; can be given up at every yield, and gone on with. How long the pieces are changes
        nothing of the state that comes of it."""
        self.replay.every_ms = piece_ms
        end_ms = max(self.now_ms, self._begin_ms)
        while True:
            end_ms = min(to_ms, end_ms + piece_ms)
            for _ in self.replay.play(self._reel.until(end_ms), end_ms):
                yield
            if end_ms >= to_ms:
                return

    def show(self) -> None:
        """Bring the picture up to date. The replay is its worker, and it is at work."""
        now_ms, store, picture = self.now_ms, self.replay.store, self.picture
        if store.view is not picture.view:
            picture.reload(store.view)
            self._reader = Reader(self.client, Store(self.client, store.view))
        for words in self.replay.played.troubles[self._told :]:
            log.warning("not all of the record could be played", what=words)
        self._told = len(self.replay.played.troubles)
        store.note_worker(WORKER, now_ms)
        sign = WorkerState(
            region=store.view.name, name=WORKER, up=True, at=from_ms(now_ms),
            next_within_s=_NEXT_WITHIN_S,
        )  # fmt: skip
        topic = worker_topic(store.view.name, WORKER)
        picture.take(topic, sign.model_dump_json().encode(), now_ms)
        look(picture, self._reader, self.replay.clock, counts_air=False)
        picture.make(now_ms)
