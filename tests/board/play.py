"""The demo's own world on a rig: its land, cast and story, from a fixed seed, with real agents."""

import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from typing import Final

from streamer.clock import SystemClock
from streamer.contract.topics import fanout_topic
from streamer.demo.fleet import Fleet
from streamer.demo.network import Network
from streamer.demo.picture import filters
from streamer.demo.show import Show
from streamer.demo.world import World
from streamer.mqtt.follower import Follower
from tests.board.rig import Rig

SEED: Final = 1
STATIONS: Final = 40
SPEED: Final = 4.0
"""The story, two minutes long, starts again every half minute."""
_TURN_S: Final = 0.05


class Play:
    """A show that goes on by itself in a thread until it is stopped."""

    def __init__(self, show: Show) -> None:
        self.show = show
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="play")

    def start(self) -> None:
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.is_set():
            self.show.turn(_TURN_S)

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(10)


@contextmanager
def play_on(rig: Rig, speed: float = SPEED, stations: int = STATIONS) -> Iterator[Play]:
    """A show on a rig that was made for the same speed."""
    clock, view, settings = SystemClock(), rig.view, rig.broker_settings
    with ExitStack() as ends:
        world = World(view, SEED, stations, tag=f"{clock.now_ms()}-")
        gateway_of = {receiver.repeater: receiver.gateway for receiver in world.receivers}
        fleet = Fleet(view, settings, rig.folder, clock)
        ends.callback(fleet.close)
        routing = Follower(settings, "play-net", [fanout_topic(view.name, "+")], clock)
        reader = Follower(settings, "play-view", filters(view.name), clock)
        for follower in (routing, reader):
            follower.open()
            ends.callback(follower.close)
        fleet.start()
        network = Network(SEED, gateway_of)
        play = Play(Show(view, world, network, fleet, (routing, reader), clock, speed))
        play.start()
        ends.callback(play.stop)
        yield play
