"""The show itself: world, network and agents driven along the clock, and the picture read back."""

import contextlib
from collections import deque
from collections.abc import Callable

from pydantic import ValidationError

from streamer.clock import Clock
from streamer.config import RegionView
from streamer.contract.events import Phase
from streamer.contract.published import FanOut
from streamer.contract.topics import fanout_topic
from streamer.demo import story
from streamer.demo.fleet import Fleet, heard_event, route_event
from streamer.demo.network import Network, RouteReport
from streamer.demo.picture import Change, Picture
from streamer.demo.screen import Scene
from streamer.demo.story import Beat, Turn
from streamer.demo.world import Cue, Happening, Keyed, Over, World
from streamer.mqtt.follower import Follower

_NEWS = 12


class Show:
    """One run. `turn` is called again and again by one thread; nothing here waits for long."""

    def __init__(
        self,
        view: RegionView,
        world: World,
        network: Network,
        fleet: Fleet,
        followers: tuple[Follower, Follower],
        clock: Clock,
        speed: float,
    ) -> None:
        self._view = view
        self._world = world
        self._network = network
        self._fleet = fleet
        self._routing, self._reader = followers
        self._clock = clock
        self._speed = speed
        self.picture = Picture(view.name)
        self.news: deque[str] = deque(maxlen=_NEWS)
        self.on_change: Callable[[float, Change], None] = lambda _s, _c: None
        self.on_beat: Callable[[Beat], None] = lambda _b: None
        self._began_s = clock.monotonic_s()
        self._began_ms = clock.now_ms()

    @property
    def wall_s(self) -> float:
        return self._clock.monotonic_s() - self._began_s

    @property
    def show_s(self) -> float:
        return self.wall_s * self._speed

    def turn(self, wait_s: float) -> None:
        """Let happen what is due, then read for at most `wait_s`."""
        show_s = self.show_s
        for happening in self._world.advance(show_s):
            self._play(happening)
        for report in self._network.tick(show_s):
            self._report(report)
        self.read(wait_s)

    def read(self, wait_s: float) -> None:
        """Read what was published: the network for its routing, the picture for the view."""
        prefix = fanout_topic(self._view.name, "")
        for message in self._routing.poll(0):
            if message.topic.startswith(prefix):
                with contextlib.suppress(ValidationError):
                    self._follow(FanOut.model_validate_json(message.payload))
        now_ms = self._clock.now_ms()
        for message in self._reader.poll(wait_s):
            for change in self.picture.take(message.topic, message.payload, now_ms):
                self._tell(change)
        for change in self.picture.watch_workers(now_ms):
            self._tell(change)

    def _tell(self, change: Change) -> None:
        self.news.append(f"{change.kind.value}: {change.text}")
        self.on_change(self.show_s, change)

    def _follow(self, fanout: FanOut) -> None:
        wanted = [r.repeater for r in fanout.repeaters]
        self._network.on_fanout(fanout.group, fanout.version, wanted)

    def scene(self, title: str, services: str, titles: dict[str, str], board: str) -> Scene:
        """What the view shows besides the picture."""
        show_s = self.show_s
        reached, coming = story.last_and_next(show_s)
        return Scene(
            title=title,
            show_s=show_s,
            now_ms=self._clock.now_ms(),
            services=services,
            board=board,
            reached=reached,
            coming=coming,
            coming_in_s=(coming.at_s - show_s) / self._speed,
            trouble=self._reader.trouble,
            news=tuple(self.news),
            group_titles=titles,
            starved_after_s={n: p.starved_after_s for n, p in self._view.policies.items()},
        )

    def _wall_ms(self, show_s: float) -> int:
        return self._began_ms + round(show_s * 1000 / self._speed)

    def _play(self, happening: Happening) -> None:
        match happening:
            case Cue(beat=beat):
                self._cue(beat)
            case Keyed(over=over):
                self._network.on_keyed(over)
                self._heard(over, Phase.START)
            case _:
                self._heard(happening.over, Phase.END)

    def _heard(self, over: Over, phase: Phase) -> None:
        for hearing in over.heard:
            started_at = self._fleet.own_time(hearing.gateway, self._wall_ms(over.started_s))
            event = heard_event(over, hearing, phase, started_at)
            if phase is Phase.END:
                event["duration_s"] = round(over.duration_s / self._speed, 3)
            self._fleet.submit(hearing.gateway, event)

    def _report(self, report: RouteReport) -> None:
        gateway = report.repeater.partition("/")[0]
        at = self._fleet.own_time(gateway, self._wall_ms(report.at_s))
        self._fleet.submit(gateway, route_event(report, at, self._speed))

    def _cue(self, beat: Beat) -> None:
        self.on_beat(beat)
        subject = beat.subject
        match beat.turn:
            case Turn.REPEATER_DOWN:
                self._fleet.set_repeater(subject, up=False)
                for report in self._network.repeater_down(subject, beat.at_s):
                    self._report(report)
            case Turn.REPEATER_UP:
                self._fleet.set_repeater(subject, up=True)
                self._network.repeater_up(subject)
            case Turn.GATEWAY_KILLED:
                self._network.gateway_down(subject)
                self._fleet.kill(subject)
            case Turn.GATEWAY_BACK:
                self._fleet.revive(subject)
                self._network.gateway_up(subject)
            case Turn.REFUSE | Turn.OBEY:
                self._network.set_refusing(subject, beat.turn is Turn.REFUSE)
            case Turn.LOOP:
                self._network.loop_once()
            case _:
                pass
