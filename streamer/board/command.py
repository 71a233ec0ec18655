"""`streamer board`: serves the board and stops it cleanly."""

import argparse
import signal
import ssl
import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType

import structlog
from fastapi import FastAPI

from streamer.board.app import assemble
from streamer.board.metrics import serve_metrics
from streamer.board.server import bind, renew_certificate, serve, tls_context
from streamer.board.settings import (
    DEFAULT_PORT,
    LOOPBACK_HOST,
    PROXY_HERE,
    BoardSettings,
    SettingsRefused,
)
from streamer.clock import SystemClock
from streamer.config import ConfigError, RegionView, load_anew, load_region
from streamer.logs import configure_logs
from streamer.worker.health import place_of

log = structlog.get_logger()


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Serve the board: live pages of a region and their JSON API. Without more it serves this "
        "machine alone, without users. For others it needs --users, and TLS of its own or of a "
        "reverse proxy. SIGHUP reads the region file and the certificate anew, and a changed "
        "file of users is taken over by itself; "
        "broker and Redis may come later."
    )
    parser.add_argument("--region", type=Path, required=True, help="the region file (TOML)")
    parser.add_argument(
        "--bind", metavar="HOST", default=LOOPBACK_HOST, help="IP address (default: %(default)s)"
    )
    parser.add_argument(
        "--port", type=int, default=DEFAULT_PORT, help="0: any free one (default: %(default)s)"
    )
    parser.add_argument(
        "--name",
        action="append",
        default=[],
        metavar="HOST",
        help="a further name by which browsers ask for the board; may be repeated",
    )
    parser.add_argument("--redis", metavar="URL", help="instead of redis_url of the region file")
    parser.add_argument(
        "--users", type=Path, metavar="FILE", help="who may sign in; made by `streamer user add`"
    )
    parser.add_argument("--tls-cert", type=Path, metavar="FILE", help="certificate chain (PEM)")
    parser.add_argument("--tls-key", type=Path, metavar="FILE", help="its key (PEM, no password)")
    parser.add_argument(
        "--behind-proxy",
        metavar="URL",
        help="https://HOST[:PORT] of a reverse proxy, which passes Host, X-Forwarded-For and "
        "X-Forwarded-Proto",
    )
    parser.add_argument(
        "--proxy-from",
        action="append",
        default=[],
        metavar="HOST",
        help="address the proxy comes from (default: this machine); may be repeated",
    )
    parser.add_argument(
        "--public",
        action="store_true",
        help="show a view without call signs and members' positions to everybody",
    )
    parser.add_argument(
        "--metrics", metavar="HOST:PORT", help="serve /metrics there, for Prometheus; without users"
    )
    parser.add_argument(
        "--base-map", type=Path, metavar="FILE", help="GeoJSON (RFC 7946) under the map"
    )


def settings_from(arguments: argparse.Namespace) -> BoardSettings:
    """The settings, checked; raises SettingsRefused."""
    settings = BoardSettings(
        region=arguments.region,
        host=arguments.bind,
        port=arguments.port,
        redis=arguments.redis,
        users=arguments.users,
        tls_cert=arguments.tls_cert,
        tls_key=arguments.tls_key,
        behind_proxy=arguments.behind_proxy,
        proxy_from=tuple(arguments.proxy_from) or PROXY_HERE,
        names=tuple(arguments.name),
        public=arguments.public,
        base_map=arguments.base_map,
        metrics=_metrics_place(arguments.metrics),
    )
    settings.check()
    return settings


def _metrics_place(text: str | None) -> tuple[str, int] | None:
    try:
        return None if text is None else place_of("--metrics", text)
    except ValueError as error:
        raise SettingsRefused([str(error)]) from error


def main(arguments: argparse.Namespace) -> int:
    """Exit codes: 0 stopped as asked, 1 cannot work with what it found, 2 used wrongly."""
    configure_logs()
    try:
        settings = settings_from(arguments)
    except SettingsRefused as error:
        for problem in error.problems:
            print(f"streamer board: {problem}", file=sys.stderr)
        return 2
    try:
        view = load_region(settings.region)
        view.redis_address(settings.redis)
    except (ConfigError, OSError) as error:
        print(error, file=sys.stderr)
        return 1
    except ValueError as error:
        print(f"streamer board: --redis: {error}", file=sys.stderr)
        return 2
    return _run(settings, view)


def _run(settings: BoardSettings, view: RegionView) -> int:
    try:
        tls = _tls(settings)
        listening, settings = bind(settings)
    except OSError as error:
        where = f"--bind {settings.host} --port {settings.port}"
        print(f"streamer board: {where}: {error.strerror}", file=sys.stderr)
        return 1
    except ValueError as error:
        print(f"streamer board: {error}", file=sys.stderr)
        return 1
    with listening:
        try:
            app = assemble(settings, view, SystemClock())
        except (ConfigError, OSError, ValueError) as error:
            print(error, file=sys.stderr)
            return 1
        signal.signal(signal.SIGHUP, _reader_anew(settings, view, app, tls))
        try:
            stop_metrics = _serve_metrics(settings, app)
        except OSError as error:
            print(f"streamer board: --metrics: {error.strerror}", file=sys.stderr)
            return 1
        log.info("board starts", region=view.name, host=settings.host, port=settings.port)
        well = serve(app, settings, listening, tls, _say_ready)
        stop_metrics()
    log.info("board stopped", region=view.name)
    return 0 if well else 1


def _tls(settings: BoardSettings) -> ssl.SSLContext | None:
    if settings.tls_cert is None or settings.tls_key is None:
        return None
    return tls_context(settings.tls_cert, settings.tls_key)


def _serve_metrics(settings: BoardSettings, app: FastAPI) -> Callable[[], None]:
    if settings.metrics is None:
        return lambda: None
    return serve_metrics(app, *settings.metrics)


def _say_ready(address: str) -> None:
    print(f"board at {address}", flush=True)


def _reader_anew(
    settings: BoardSettings, view: RegionView, app: FastAPI, tls: ssl.SSLContext | None
) -> Callable[[int, FrameType | None], None]:
    """What SIGHUP does: what cannot be used is told in the log and not taken over."""

    def read_anew(_number: int, _frame: FrameType | None) -> None:
        try:
            if tls is not None and settings.tls_cert and settings.tls_key:
                renew_certificate(tls, settings.tls_cert, settings.tls_key)
                log.info("certificate read anew")
        except ValueError as error:
            log.error("certificate not taken over", problem=str(error))
        try:
            fresh = load_anew(settings.region, view)
        except ConfigError as error:
            log.error("region file not taken over", problems=error.problems)
            return
        app.state.watch.reload(fresh)
        app.state.view = fresh
        log.info("region file read anew")

    return read_anew
