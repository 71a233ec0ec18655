"""`streamer channels`: by which ways alerts reach people, and whether one of them works."""

import argparse
from collections.abc import Callable, Mapping
from pathlib import Path

from streamer.alerts.channels.build import ChannelMissing, channels_of, faults_of
from streamer.alerts.exercise import TEST_ID
from streamer.alerts.notice import Channel, Notice, Parcel, Turn, Undelivered
from streamer.clock import Clock, SystemClock, from_ms
from streamer.config import ConfigError, RegionView, load_region
from streamer.contract.common import Moment
from streamer.contract.published import Alert, AlertKind, AlertState, Severity
from streamer.problems import suggestion
from streamer.reading.channel_queues import Queues, queue_lines, read_queues
from streamer.reading.common import MISUSED, WELL, WRONG, Document, spoken
from streamer.reading.text import age, complain, plural, say, wrap
from streamer.state.store import StoreUnavailable


class ChannelEntry(Document):
    """A channel as it is set. `way` and `faults` are for people; no address is in them but its
    host. `state`: what waits and what was given up; None where Redis does not answer."""

    name: str
    type: str
    step: int
    told_after_s: float
    least: str
    kinds: tuple[str, ...]
    groups: tuple[str, ...]
    gather_s: float
    pause_s: float
    beat: bool
    way: tuple[str, ...]
    faults: tuple[str, ...]
    state: Queues | None


class Channels(Document):
    """In the order of the region file. `unknown`: why it is not known what waits."""

    region: str
    unknown: str | None
    channels: tuple[ChannelEntry, ...]


class Tried(Document):
    """What came of --send. `error` says why it was not taken."""

    region: str
    channel: str
    message: str
    at: Moment
    taken: bool
    error: str | None


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "The channels of a region file: where each leads, what it is told, what is wrong with "
        "its files; if Redis answers, what waits for it, since when and why, and what was given "
        "up; "
        "--send sends one message, marked as a TEST, through one of them. "
        "Exit code 0: well; 1: something is wrong or not delivered, or the message was not taken."
    )
    parser.add_argument("region", type=Path, metavar="REGION.toml", help="the region file")
    parser.add_argument("--send", metavar="NAME", help="send a TEST message by this channel")
    parser.add_argument("--redis", metavar="URL", help="instead of redis_url of the region file")
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def main(arguments: argparse.Namespace, clock: Clock | None = None) -> int:
    clock = clock or SystemClock()
    try:
        view = load_region(arguments.region)
        channels = channels_of(view, clock)
    except (ConfigError, ChannelMissing) as error:
        complain("channels", str(error))
        return WRONG
    if arguments.send is None:
        return _list(arguments, view, channels, clock.now_ms())
    named = {channel.name: channel for channel in channels}
    if arguments.send not in named:
        known = suggestion(arguments.send, sorted(named))
        complain("channels", f"no channel {arguments.send!r} in the region file; {known}")
        return MISUSED
    tried = send_trial(named[arguments.send], view.name, clock)
    say([tried.model_dump_json(indent=2)] if arguments.json else _tried_text(tried))
    return WELL if tried.taken else WRONG


# -- the list ----------------------------------------------------------------------------------


def _list(
    arguments: argparse.Namespace, view: RegionView, channels: list[Channel], now_ms: int
) -> int:
    states: dict[str, Queues] = {}
    unknown = None
    try:
        states = read_queues(view, arguments.redis, now_ms)
    except ValueError as error:
        complain("channels", f"--redis: {error}")
        return MISUSED
    except (StoreUnavailable, OSError) as error:
        unknown = str(error)
    listed = _listed(view, channels, states, unknown)
    say([listed.model_dump_json(indent=2)] if arguments.json else _text(view, listed))
    well = all(not e.faults and (e.state is None or e.state.well) for e in listed.channels)
    return WELL if well else WRONG


def _listed(
    view: RegionView, channels: list[Channel], states: Mapping[str, Queues], unknown: str | None
) -> Channels:
    wrong = faults_of(channels)
    after_s = view.region.alerts.escalate_after_s
    return Channels(
        region=view.name,
        unknown=unknown,
        channels=tuple(
            ChannelEntry(
                name=settings.name,
                type=settings.type,
                step=settings.step,
                told_after_s=settings.step * after_s,
                least=settings.least,
                kinds=settings.kinds,
                groups=settings.groups,
                gather_s=settings.gather_s,
                pause_s=settings.pause_s,
                beat=settings.beat,
                way=tuple(_way(view, channel)),
                faults=tuple(wrong.get(channel.name, ())),
                state=states.get(settings.name),
            )
            for settings, channel in zip(view.region.channel, channels, strict=True)
        ),
    )


def _way(view: RegionView, channel: Channel) -> list[str]:
    settings = next(s for s in view.region.channel if s.name == channel.name)
    if settings.type == "cap":
        posted = settings.url is not None or settings.url_file is not None
        folder = [f"files in {settings.folder}"] if settings.folder else []
        return [*folder, *(["POST of each message"] if posted else [])]
    look: Callable[[], list[str]] | None = getattr(channel, "way", None)
    try:
        return look() if look else []
    except Undelivered:
        return []  # what is wrong with it stands among its faults


def _text(view: RegionView, found: Channels) -> list[str]:
    if not found.channels:
        return wrap("No channel is set: alerts are published by MQTT and shown on the board alone.")
    lines = [f"region {found.region}: {plural(len(found.channels), 'channel')} beside MQTT"]
    for entry in found.channels:
        lines += ["", *_entry_lines(view, entry)]
    if found.unknown is not None:
        lines += ["", *wrap(f"What waits and what was given up is not known: {found.unknown}")]
    return lines


def _entry_lines(view: RegionView, entry: ChannelEntry) -> list[str]:
    when = "told at once"
    if entry.step:
        when = f"told when nobody has taken an alert in hand for {age(entry.told_after_s)}"
    what = f"at least {entry.least}; "
    what += ", ".join(spoken(kind) for kind in entry.kinds) if entry.kinds else "all kinds"
    if entry.groups:
        what += f"; of groups only {', '.join(entry.groups)}"
    pace = f"gathers {age(entry.gather_s)}, {age(entry.pause_s)} between two messages"
    if entry.beat:
        pace += f"; a sign of life every {age(view.region.alerts.beat_s)}"
    lines = wrap(f"{entry.name} ({entry.type}), {when}")
    for text in (*entry.way, what, pace):
        lines += wrap(text, "  ", "    ")
    for fault in entry.faults:
        lines += wrap(f"WRONG: {fault}", "  ", "    ")
    return lines + (queue_lines(entry.state) if entry.state is not None else [])


# -- the test ----------------------------------------------------------------------------------


def send_trial(channel: Channel, region: str, clock: Clock) -> Tried:
    """Send one message that says that it is a test, straight away, without the worker's queue."""
    now_ms = clock.now_ms()
    parcel = trial_parcel(channel.name, region, now_ms)
    error = None
    try:
        channel.send(parcel)
    except Undelivered as trouble:
        error = str(trouble)
    return Tried(
        region=region,
        channel=channel.name,
        message=parcel.id,
        at=from_ms(now_ms),
        taken=error is None,
        error=error,
    )


def trial_parcel(channel: str, region: str, now_ms: int) -> Parcel:
    """What --send sends. Its alert has an id that no other has."""
    at = from_ms(now_ms)
    alert = Alert(
        region=region,
        id=TEST_ID,
        version=now_ms,
        kind=AlertKind.EVENTS_LOST,  # none is named for tests: the mildest
        severity=Severity.NOTICE,
        state=AlertState.OPEN,
        subject=channel,
        title=f"Channel {channel} is tried out; nothing is wrong",
        reasons=("somebody called: streamer channels --send",),
        next_step="Nothing is to be done but to tell whoever tries it that this has arrived.",
        since=at,
        episode=f"{TEST_ID}@{now_ms}",
        opened_at=at,
    )
    notice = Notice(id=f"{TEST_ID}@{now_ms}.opened", turn=Turn.OPENED, at=at, alert=alert)
    return Parcel(
        region=region,
        id=f"{region}-{channel}-test-{now_ms}",
        channel=channel,
        made_at=at,
        notices=(notice,),
    )


def _tried_text(tried: Tried) -> list[str]:
    if tried.taken:
        return wrap(
            f"{tried.channel}: taken, message {tried.message}. That the next program took it does "
            "not show that it reached anybody: look there."
        )
    return wrap(f"{tried.channel}: NOT taken: {tried.error}")
