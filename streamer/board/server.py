"""Serving an app by uvicorn: the socket, TLS, the log, and an end that streams do not hold up."""

import logging
import signal
import socket
import ssl
from collections.abc import Callable
from dataclasses import replace
from ipaddress import ip_address
from pathlib import Path
from types import FrameType
from typing import Final

import structlog
import uvicorn
from starlette.types import ASGIApp

from streamer.board.headers import HeadersMiddleware
from streamer.board.prompt import PromptProtocol
from streamer.board.settings import BoardSettings

log = structlog.get_logger()

END_WITHIN_S: Final = 3
"""Whole seconds that answers under way have at the end; streams never finish by themselves."""
_BACKLOG: Final = 512
_SIGNALS: Final = (signal.SIGTERM, signal.SIGINT)


def bind(settings: BoardSettings) -> tuple[socket.socket, BoardSettings]:
    """A listening socket, and the settings with the port that it got; raises OSError."""
    host = "127.0.0.1" if settings.host == "localhost" else settings.host
    family = socket.AF_INET6 if ip_address(host).version == 6 else socket.AF_INET
    listening = socket.create_server((host, settings.port), family=family, backlog=_BACKLOG)
    # asyncio does it only for sockets that say TCP: else each answer's body waits 40 ms for an ACK.
    listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return listening, replace(settings, port=listening.getsockname()[1])


def tls_context(cert: Path, key: Path) -> ssl.SSLContext:
    """TLS 1.2 or later (RFC 9325, 3.1.1); raises ValueError in words."""
    for option, file in (("--tls-cert", cert), ("--tls-key", key)):
        try:
            file.open("rb").close()
        except OSError as error:
            raise ValueError(f"{option} {file}: cannot be read: {error.strerror}") from error
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(cert, key, password=_no_password)
    except (ssl.SSLError, ValueError) as error:
        raise ValueError(
            f"--tls-cert {cert}, --tls-key {key}: must be a PEM certificate (its chain after it) "
            f"and the key that belongs to it, without a password: {_reason(error)}"
        ) from error
    return context


def renew_certificate(context: ssl.SSLContext, cert: Path, key: Path) -> None:
    """New connections get the certificate that is in the files now; raises ValueError."""
    tls_context(cert, key)  # on trial: half a change would leave certificate and key apart
    context.load_cert_chain(cert, key, password=_no_password)


def _no_password() -> str:
    """Else OpenSSL would ask at the terminal."""
    raise ValueError("the key has a password")


def _reason(error: Exception) -> str:
    reason = getattr(error, "reason", None)
    return str(reason).replace("_", " ").lower() if reason else str(error)


def address_of(settings: BoardSettings) -> str:
    """What to type into a browser."""
    if settings.behind_proxy is not None:
        return settings.behind_proxy
    host = settings.names[0] if settings.names else settings.host
    shown = f"[{host}]" if ":" in host else host
    return f"{'https' if settings.tls else 'http'}://{shown}:{settings.port}"


def serve(
    app: ASGIApp,
    settings: BoardSettings,
    listening: socket.socket,
    tls: ssl.SSLContext | None,
    ready: Callable[[str], None],
) -> bool:
    """Serve until SIGTERM or SIGINT; False if the app could not start.

    Call it in the main thread. `ready` is called with the address once requests are answered.
    """
    config = uvicorn.Config(
        # Once more around the app: what answers an unforeseen error is outside of its middleware.
        HeadersMiddleware(app, tls=settings.secure),
        http=PromptProtocol,
        ws="none",
        loop="asyncio",
        lifespan="on",
        log_config=None,
        access_log=False,  # it would hold what people search for
        server_header=False,
        proxy_headers=settings.behind_proxy is not None,
        forwarded_allow_ips=list(settings.proxy_from),
        timeout_graceful_shutdown=END_WITHIN_S,
    )
    config.load()
    config.ssl = tls  # a context of ours, whose certificate can be read anew
    _pass_log_on()
    before = {number: signal.signal(number, _stay) for number in _SIGNALS}
    try:
        _Server(config, lambda: ready(address_of(settings))).run(sockets=[listening])
    except SystemExit:  # uvicorn's way to say that the app did not start; it has logged why
        return False
    finally:
        listening.close()
        for number, handler in before.items():
            signal.signal(number, handler)
    return True


class _Server(uvicorn.Server):
    def __init__(self, config: uvicorn.Config, ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._ready = ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        if self.started:
            self._ready()


def _stay(_number: int, _frame: FrameType | None) -> None:
    """uvicorn ends by a signal and then raises it again for whoever was there before: nobody."""


class _Passed(logging.Handler):
    """uvicorn's lines as lines of ours."""

    def emit(self, record: logging.LogRecord) -> None:
        log.log(
            record.levelno,
            record.getMessage(),
            logger=record.name,
            **({"exc_info": record.exc_info} if record.exc_info else {}),
        )


def _pass_log_on() -> None:
    for name in ("uvicorn", "asyncio"):
        logger = logging.getLogger(name)
        logger.handlers = [_Passed()]
        logger.propagate = False
        logger.setLevel(logging.INFO if name == "uvicorn" else logging.WARNING)
