"""`streamer worker`: starts one worker and stops it cleanly."""

import argparse
import signal
import sys
from pathlib import Path
from types import FrameType

import structlog

from streamer.alerts.channels.build import ChannelMissing, channels_of
from streamer.clock import Clock, SystemClock
from streamer.config import ConfigError, RegionView, load_anew, load_region
from streamer.journal.names import folder_of_journal
from streamer.logs import configure_logs
from streamer.mqtt.connection import MqttError
from streamer.mqtt.settings import broker_from_url
from streamer.redis_settings import RedisAddress
from streamer.state.store import Store, StoreMismatch, StoreUnavailable, connect
from streamer.worker.health import Health, place_of, serve
from streamer.worker.loop import Worker
from streamer.worker.metrics import Metrics
from streamer.worker.recording import writer_for
from streamer.worker.sending import Sender, Sending
from streamer.worker.share import SHARE, WorkerSettings
from streamer.worker.sign import check_name, default_name

log = structlog.get_logger()


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("region", type=Path, help="the region file (TOML)")
    parser.add_argument(
        "--name",
        default=default_name(),
        help="client id, the same at every start of this worker; each worker needs its own "
        "(default: %(default)s)",
    )
    parser.add_argument("--broker", metavar="URL", help="mqtt:// or mqtts://, instead of [broker]")
    parser.add_argument("--redis", metavar="URL", help="instead of redis_url of the region file")
    parser.add_argument(
        "--share",
        metavar="NAME",
        help="name of the shared subscription where it need not be secret, instead of share_file "
        "of [broker]",
    )
    parser.add_argument(
        "--drain",
        action="store_true",
        help="take this worker out of service for good: work off what the broker still holds for "
        "its name, then give its session up",
    )
    parser.add_argument(
        "--journal",
        type=folder_of_journal,
        metavar="FOLDER",
        help="record there what comes in and goes out, instead of [journal] folder",
    )
    parser.add_argument(
        "--http",
        metavar="HOST:PORT",
        help="serve /metrics, /healthz, /readyz without a password, on this machine unless HOST is "
        "said; they name gateways, repeaters, groups and channels, and no station",
    )


def main(arguments: argparse.Namespace) -> int:
    """Exit codes: 0 stopped as asked, 1 cannot work with what it found, 2 used wrongly."""
    configure_logs()
    clock, metrics, health = SystemClock(), Metrics(), Health()
    try:
        check_name(arguments.name)
        view = load_region(arguments.region)
        broker = broker_from_url(arguments.broker) if arguments.broker else view.region.broker
        host, port = place_of("--http", arguments.http) if arguments.http else ("", 0)
        share = arguments.share or view.region.broker.share() or SHARE
        address = view.redis_address(arguments.redis)
        sender = sender_for(view, arguments.name, address, clock, metrics)
    except (ConfigError, OSError) as error:
        print(error, file=sys.stderr)
        return 1
    except (ValueError, ChannelMissing) as error:
        print(f"streamer worker: {error}", file=sys.stderr)
        return 2
    store = Store(connect(address, clock=clock), view)
    settings = WorkerSettings(arguments.name, broker, share)
    writer = writer_for(view, arguments.name, arguments.journal)
    if writer is not None:
        health.journal = lambda: writer.said
    worker = Worker(settings, view, store, clock, metrics, health, writer)
    try:
        stop_serving = serve(host, port, health, metrics, clock) if arguments.http else None
    except OSError as error:
        print(f"streamer worker: --http {arguments.http}: {error.strerror}", file=sys.stderr)
        return 1
    stopping = _watch_signals(worker, arguments.region, view)
    log.info("worker starts", name=arguments.name, region=view.name)
    try:
        if arguments.drain:
            worker.leave()
        else:
            sender.start()
            worker.run(lambda: bool(stopping))
    except (MqttError, OSError, StoreUnavailable) as error:
        log.error("not drained; try again", error=str(error))
        return 1
    except StoreMismatch as error:
        log.error("cannot work with this Redis", error=str(error))
        return 1
    finally:
        sender.stop()
        if stop_serving is not None:
            stop_serving()
    log.info("worker stopped", name=arguments.name)
    return 0


def sender_for(
    view: RegionView, name: str, address: RedisAddress, clock: Clock, metrics: Metrics
) -> Sender:
    """The channels of the region file, each with its own connection. Raises ChannelMissing."""
    pairs = zip(view.region.channel, channels_of(view, clock), strict=True)
    return Sender(
        [
            Sending(
                settings, channel, name, Store(connect(address, clock=clock), view), clock, metrics
            )
            for settings, channel in pairs
        ]
    )


def _watch_signals(worker: Worker, region: Path, view: RegionView) -> list[int]:
    """SIGTERM and SIGINT fill the returned list; SIGHUP reads the region file again."""
    stopping: list[int] = []

    def stop(number: int, _frame: FrameType | None) -> None:
        stopping.append(number)

    def read_again(_number: int, _frame: FrameType | None) -> None:
        try:
            fresh = load_anew(region, view)
        except ConfigError as error:
            log.error("region file not taken over", problems=error.problems)
            return
        if fresh.region.channel != view.region.channel:
            log.warning("channels of the region file: start the workers again to send on these")
        worker.reload(fresh)

    signal.signal(signal.SIGTERM, stop)
    signal.signal(signal.SIGINT, stop)
    signal.signal(signal.SIGHUP, read_again)
    return stopping


def _host_port(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    if not port.isdigit():
        raise ValueError(f"--http {text!r}: HOST:PORT is expected, such as 127.0.0.1:9100")
    return host.strip("[]") or "127.0.0.1", int(port)
