"""One run of the demo: start everything, play, end everything, and say what came of it."""

import logging
import secrets
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rich.console import Console

from streamer.clock import Clock
from streamer.config import RegionView
from streamer.contract.published import CAUTION, Carriage
from streamer.contract.topics import fanout_topic
from streamer.demo.board_process import BoardProcess
from streamer.demo.counts import Counting
from streamer.demo.drill import Drill
from streamer.demo.fleet import Fleet
from streamer.demo.interrupt import Stop, signals
from streamer.demo.lines import Lines
from streamer.demo.network import Network
from streamer.demo.options import Options
from streamer.demo.picture import filters
from streamer.demo.screen import Screen
from streamer.demo.services import Service, ServiceFailed, start_broker, start_redis
from streamer.demo.setting import write_region
from streamer.demo.show import Show
from streamer.demo.summary import GroupSummary, Summary
from streamer.demo.tidy import tidy
from streamer.demo.worker_process import WorkerProcess
from streamer.demo.world import World
from streamer.domain.callsign import Accepted, CallSignRules
from streamer.mqtt.connection import MqttError
from streamer.mqtt.follower import Follower
from streamer.state.store import StoreUnavailable

_TURN_S: Final = 0.05
_LOOK_S: Final = 0.3
_SETTLE_S: Final = 8.0
_LAST_WORD_S: Final = 1.5
"""So long the workers have to notice what was ordered last."""
_WORKER: Final = "streamer-demo"  # always the same: a broker keeps a session for each name
_AGENT_LOGGER: Final = "streamer.agent"


@contextmanager
def _agents_log(folder: Path) -> Iterator[None]:
    """The agents of this process write to a file, not over the view."""
    logger = logging.getLogger(_AGENT_LOGGER)
    handler = logging.FileHandler(folder / "agents.log")
    propagated, logger.propagate = logger.propagate, False
    logger.addHandler(handler)
    try:
        yield
    finally:
        logger.removeHandler(handler)
        logger.propagate = propagated
        handler.close()


@dataclass(frozen=True, slots=True)
class _Stage:
    """All that a show needs, running."""

    view: RegionView
    broker: Service
    redis: Service
    workers: list[WorkerProcess]
    board: BoardProcess | None
    counting: Counting
    fleet: Fleet
    show: Show
    drill: Drill | None

    def troubles(self) -> list[str]:
        """What should not be: programs that ended, agents that failed."""
        board = self.board.child if self.board is not None else None
        workers = [worker.child for worker in self.workers]
        children = (self.broker.child, self.redis.child, *workers, board)
        ended = [child.failure() for child in children if child is not None]
        return [*(text for text in ended if text is not None), *self.fleet.failures]


def _set_stage(options: Options, clock: Clock, folder: Path, ends: ExitStack) -> _Stage:
    """Start everything; each thing's end is pushed on `ends` as soon as it runs."""
    tag = secrets.token_hex(4)
    broker, redis = _services(options, clock, folder, ends)
    settings = broker.broker_settings()
    region_file, view = write_region(folder, options.speed, settings, redis.url, options.alerts)
    world = World(view, options.seed, options.stations, tag=f"{tag}-")
    counting = Counting(redis.url, view)
    ends.callback(counting.close)
    workers = []
    journal = ["--journal", str(options.record.absolute())] if options.record else []
    for number in range(options.workers):
        name = f"{_WORKER}-{number + 1}" if number else _WORKER
        port = next(iter(options.metrics_ports[number:]), 0)
        if options.broker:
            ends.callback(tidy, settings, view.name, name, clock)
        workers.append(WorkerProcess(region_file, name, _WORKER, folder, clock, port, *journal))
        ends.callback(workers[-1].stop)
    board = None
    if options.board:
        board = BoardProcess(region_file, options.board_port, folder, clock)
        ends.callback(board.stop)
    fleet = Fleet(view, settings, folder, clock)
    ends.callback(fleet.close)
    routing = Follower(settings, f"demo-net-{tag}", [fanout_topic(view.name, "+")], clock)
    reader = Follower(settings, f"demo-view-{tag}", filters(view.name), clock)
    for follower in (routing, reader):
        follower.open()
        ends.callback(follower.close)
    fleet.start()
    gateway_of = {receiver.repeater: receiver.gateway for receiver in world.receivers}
    network = Network(options.seed, gateway_of)
    show = Show(view, world, network, fleet, (routing, reader), clock, options.speed)
    drill = None
    if options.drill:
        drill = Drill(redis.url, view, clock, world.cast)
        ends.callback(drill.close)
    return _Stage(view, broker, redis, workers, board, counting, fleet, show, drill)


def _services(
    options: Options, clock: Clock, folder: Path, ends: ExitStack
) -> tuple[Service, Service]:
    broker = (
        Service(options.broker, "yours")
        if options.broker
        else start_broker(folder, clock, embedded=options.embedded)
    )
    if broker.child is not None:
        ends.callback(broker.child.stop)
    redis = (
        Service(options.redis, "yours")
        if options.redis
        else start_redis(folder, clock, embedded=options.embedded)
    )
    if redis.child is not None:
        ends.callback(redis.child.stop)
    return broker, redis


def run(options: Options, clock: Clock) -> Summary:
    """Play until the time is over, Ctrl-C or SIGTERM; leaves nothing running and no files.

    Raises ServiceMissing when there is neither a server nor a package that brings one.
    """
    summary = Summary(seed=options.seed)
    with (
        signals() as stop,
        tempfile.TemporaryDirectory(prefix="streamer-demo-", ignore_cleanup_errors=True) as name,
    ):
        folder = Path(name)
        try:
            with _agents_log(folder), ExitStack() as ends:
                stage = _set_stage(options, clock, folder, ends)
                stop.playing = True
                _play(options, stage, stop)
                _settle(stage, clock)
                if stage.drill is not None:
                    stage.drill.end()
                    clock.sleep_s(_LAST_WORD_S)
                _fill(summary, stage)
                if options.record:
                    # Before the gateways sign off: else a record ends with all of them lost.
                    for worker in stage.workers:
                        worker.stop()
        except KeyboardInterrupt:
            pass  # before the show began; what had been started has ended
        except (ServiceFailed, MqttError, StoreUnavailable) as error:
            summary.errors.append(str(error))
    return summary


def _play(options: Options, stage: _Stage, stop: Stop) -> None:
    console = Console()
    if options.as_json:
        _turns(options, stage, stop, lambda: None)
    elif console.is_terminal:
        services = f"{_first_word(stage.broker.what)}, {_first_word(stage.redis.what)}"
        board = stage.board.url if stage.board is not None else ""
        titles = {name: group.title for name, group in stage.view.groups.items()}
        title = stage.view.region.title
        with Screen(console) as screen:
            _turns(
                options,
                stage,
                stop,
                lambda: screen.show(
                    stage.show.picture, stage.show.scene(title, services, titles, board)
                ),
            )
    else:
        lines = Lines(sys.stdout)
        lines.say(0, "broker", f"{stage.broker.what} at {stage.broker.url}")
        lines.say(0, "redis", stage.redis.what)
        if stage.board is not None:
            lines.say(0, "board", f"open {stage.board.url} in a browser")
        lines.say(0, "caution", CAUTION)
        stage.show.on_change, stage.show.on_beat = lines.change, lines.beat
        _turns(options, stage, stop, lambda: None)


def _first_word(what: str) -> str:
    return what.split(maxsplit=1)[0]


def _turns(options: Options, stage: _Stage, stop: Stop, look: Callable[[], None]) -> None:
    """The loop of the show; ends early when something that it stands on has ended."""
    show, look_s = stage.show, 0.0
    while not stop.wanted and not (options.for_s and show.wall_s >= options.for_s):
        show.turn(_TURN_S)
        if stage.drill is not None:
            stage.drill.turn(show.show_s)
        if show.wall_s >= look_s:
            look_s = show.wall_s + _LOOK_S
            look()
            if stage.troubles():
                return


def _settle(stage: _Stage, clock: Clock) -> None:
    """Nobody keys any more; wait until the worker has counted what the agents recorded."""
    deadline_s = clock.monotonic_s() + _SETTLE_S
    while clock.monotonic_s() < deadline_s and not stage.troubles():
        stage.show.read(_TURN_S)
        counts = stage.counting.counts()
        if counts is None:
            return
        if not stage.fleet.waiting and counts.counted >= stage.fleet.recorded:
            return


def _fill(summary: Summary, stage: _Stage) -> None:
    show, picture = stage.show, stage.show.picture
    summary.seconds = round(show.wall_s, 1)
    summary.show_seconds = round(show.show_s, 1)
    summary.services = {"broker": stage.broker.what, "redis": stage.redis.what}
    if stage.board is not None:
        summary.services["board"] = stage.board.url
    summary.events = stage.fleet.recorded
    summary.waiting = stage.fleet.waiting
    summary.killed = stage.fleet.killed
    rules = CallSignRules(stage.view.region.extra_prefixes)
    judged = [rules.judge(call) for call in picture.stations]
    summary.stations = len({v.call for v in judged if isinstance(v, Accepted)})
    summary.replies = picture.replies
    summary.refused = picture.refused
    summary.alerts = dict(sorted(picture.alert_kinds.items()))
    for name, fanout in sorted(picture.fanouts.items()):
        carried = [r.repeater for r in fanout.repeaters if r.carriage is Carriage.CARRIED]
        members = picture.reaches[name].members if name in picture.reaches else ()
        standings = Counter(member.standing.value for member in members)
        wanted = [r.repeater for r in fanout.repeaters]
        summary.groups[name] = GroupSummary(fanout.version, wanted, carried, dict(standings))
    counts = stage.counting.counts()
    if counts is not None:
        summary.counted = counts.counted
        summary.duplicates = counts.duplicates
        summary.tallies = counts.by_tally
        summary.lost = max(0, summary.events - summary.counted - summary.waiting)
    summary.errors += _faults(summary, stage)


def _faults(summary: Summary, stage: _Stage) -> list[str]:
    """What makes a run a bad one."""
    faults = stage.troubles()
    if summary.counted is None:
        faults.append("the counts could not be read")
    if summary.lost:
        faults.append(f"{summary.lost} of {summary.events} events were lost")
    if summary.refused:
        faults.append(f"{summary.refused} messages were refused")
    if stage.show.picture.unreadable:
        faults.append(f"{stage.show.picture.unreadable} published messages could not be read")
    return faults
