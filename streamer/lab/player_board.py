"""A board on a replay: the real one, on this machine alone, with the clock of the record."""

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Final

from fastapi import FastAPI

from streamer.board.app import create_app
from streamer.board.server import bind, serve
from streamer.board.settings import BoardSettings
from streamer.clock import Clock
from streamer.config import RegionView
from streamer.journal.reader import OnTrouble, read
from streamer.lab.player import Player
from streamer.lab.player_scene import Scene
from streamer.lab.player_tape import Tape, look_through
from streamer.reading.common import Kept

DATABASES: Final = (0, 1)


class RecordClock:
    """What is written and shown is of the record's time; sessions and pauses are of ours."""

    def __init__(self, player: Player, machine: Clock) -> None:
        self._player = player
        self._machine = machine

    def now_ms(self) -> int:
        return self._player.now_ms

    def monotonic_s(self) -> float:
        return self._machine.monotonic_s()

    def sleep_s(self, seconds: float) -> None:
        self._machine.sleep_s(seconds)


def databases(url: str) -> tuple[str, str]:
    """Two databases of a Redis server, given by an address that names none."""
    first, second = (f"{url}?db={number}" for number in DATABASES)
    return first, second


def app_of(player: Player, settings: BoardSettings, machine: Clock) -> FastAPI:
    """The board's app; the player starts and stops with it. Raises what `create_app` raises."""
    scene = player.scene
    app = create_app(
        settings, scene.picture, scene.client, RecordClock(player, machine), player, replay=player
    )

    def changed(scene: Scene) -> None:
        app.state.picture, app.state.redis = scene.picture, scene.client
        app.state.view = scene.picture.view
        app.state.kept = Kept()  # what was worked out later in the record is not known yet

    player.on_scene = changed
    return app


def settings_for(port: int, base_map: Path | None = None) -> BoardSettings:
    """This machine alone, nobody acts. Port 0: any free one. Raises SettingsRefused."""
    settings = BoardSettings(region=Path(), port=port, base_map=base_map, read_only=True)
    settings.check()
    return settings


def serve_replay(
    tape: Tape,
    redis_url: str,
    machine: Clock,
    *,
    settings: BoardSettings,
    ready: Callable[[str], None],
    speed: float = 1.0,
) -> bool:
    """Serve until SIGTERM or SIGINT; call it in the main thread. It begins at rest, at the record's
    begin. False if it could not start.

    `redis_url`: a server that this program started, without a database: two of its databases are
    emptied. Raises OSError where the port is taken, and what `Player` raises.
    """
    listening, settings = bind(settings)
    with listening:
        player = Player(tape, databases(redis_url), machine, speed)
        return serve(app_of(player, settings, machine), settings, listening, None, ready)


def serve_files(
    files: Sequence[Path],
    given: RegionView | None,
    redis_url: str,
    machine: Clock,
    *,
    settings: BoardSettings,
    on_trouble: OnTrouble,
    ready: Callable[[str], None],
    speed: float = 1.0,
) -> bool:
    """The same for files and folders of a journal; `given`: a region file instead of the journal's.
    What cannot be read is told once, before it is served. Raises JournalError too."""
    tape = look_through(partial(read, files), on_trouble, given)
    return serve_replay(tape, redis_url, machine, settings=settings, ready=ready, speed=speed)
