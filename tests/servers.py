"""Real servers for the tests: started on free ports, ended by process id."""

import contextlib
import http.client
import os
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import redis

REQUIRED = "STREAMER_TESTS_NEED_ALL"
"""Set in CI: a test whose server is missing fails instead of being skipped."""
PORTS = range(10_000, 32_000)
"""Below those that a system gives to outgoing connections (Linux: from 32768; RFC 6335, 6: from
49152), so none of them can sit on a server's port before it listens, or while it is down."""


def program(*names: str) -> str:
    """The path of the first program found; skips the test, or fails it in CI."""
    places = os.environ.get("PATH", "") + os.pathsep + "/usr/sbin"
    for name in names:
        found = shutil.which(name, path=places)
        if found:
            return found
    reason = f"needs {' or '.join(names)} (a package of the system; .ci/run installs it)"
    if os.environ.get(REQUIRED):
        pytest.fail(reason)
    pytest.skip(reason)


def _own_ports() -> Iterator[int]:
    """Ports in turn, none twice. Processes of one run (pytest-xdist) have shares that do not
    overlap; where each begins is random, so that two runs on one machine seldom meet."""
    number = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw"))
    own = PORTS[number :: int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1"))]
    begin = secrets.randbelow(len(own))
    yield from own[begin:]
    yield from own[:begin]


_ports = _own_ports()


def free_port() -> int:
    """A port on which nobody listens, and that no other test is given."""
    for port in _ports:
        with contextlib.suppress(OSError), socket.socket() as probe:
            probe.bind(("127.0.0.1", port))
            return port
    pytest.fail(f"no port between {PORTS.start} and {PORTS.stop} is left")


def wait_until(check: Callable[[], object], what: str, seconds: float = 20.0) -> None:
    """Poll until `check()` is true; fails the test after `seconds`."""
    end = time.monotonic() + seconds
    while not check():
        if time.monotonic() > end:
            pytest.fail(f"waited {seconds:g} s in vain for {what}")
        time.sleep(0.01)


class Server:
    """A child process that can be ended gently, killed and started again on the same data."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="streamer-test-"))
        self.process: subprocess.Popen[bytes] | None = None
        self._log_start = 0

    def command(self) -> list[str]:
        raise NotImplementedError

    def answers(self) -> bool:
        raise NotImplementedError

    def start(self) -> None:
        self.launch()
        wait_until(lambda: self._alive() and self.answers(), f"{self.command()[0]} to answer")

    def launch(self) -> None:
        """Start it and do not wait until it answers."""
        with (self.folder / "log").open("ab") as log:
            self._log_start = log.tell()
            self.process = subprocess.Popen(
                self.command(), stdout=log, stderr=log, cwd=self.folder, env=self.environment()
            )

    def environment(self) -> dict[str, str]:
        return dict(os.environ)

    def _alive(self) -> bool:
        assert self.process is not None
        if self.process.poll() is not None:
            pytest.fail(f"{self.command()[0]} ended: {self.log()[-2000:]}")
        return True

    def log(self, *, whole: bool = False) -> str:
        """What it has said since it was started last, or ever."""
        said = (self.folder / "log").read_bytes()
        return said[0 if whole else self._log_start :].decode(errors="replace")

    def kill(self) -> None:
        """As by kill -9."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def stop(self, seconds: float = 15.0) -> int:
        """As by SIGTERM; the exit code."""
        if self.process is None:
            return 0
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        try:
            return self.process.wait(seconds)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
            raise

    def close(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        shutil.rmtree(self.folder, ignore_errors=True)


class Mosquitto(Server):
    """Persistent, with queues large enough to lose nothing; `extra` adds lines."""

    def __init__(self, extra: str = "", *, anonymous: bool = True) -> None:
        super().__init__()
        self._program = program("mosquitto")
        self.port = free_port()
        data = self.folder / "data"
        data.mkdir()
        if os.geteuid() == 0:  # the broker gives up root's rights and must still write there
            self.folder.chmod(0o755)
            data.chmod(0o777)
        text = (
            f"listener {self.port} 127.0.0.1\nallow_anonymous {str(anonymous).lower()}\n"
            "persistence true\n"
            f"persistence_location {data}/\nautosave_interval 1\n"
            "max_queued_messages 1000000\nmax_inflight_messages 1000\n" + extra
        )
        (self.folder / "mosquitto.conf").write_text(text)

    def command(self) -> list[str]:
        return [self._program, "-c", str(self.folder / "mosquitto.conf")]

    def answers(self) -> bool:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1):
            return True
        return False

    @property
    def url(self) -> str:
        return f"mqtt://127.0.0.1:{self.port}"


class Redis(Server):
    """On a unix socket; `aof` keeps every write on disk before it is answered."""

    def __init__(self, *, aof: bool = False) -> None:
        super().__init__()
        self._program = program("redis-server", "valkey-server")
        self._aof = aof

    @property
    def url(self) -> str:
        return f"unix://{self.folder}/redis.sock"

    def command(self) -> list[str]:
        return [
            self._program, "--port", "0", "--unixsocket", "redis.sock", "--save", "",
            "--dir", str(self.folder), "--appendonly", "yes" if self._aof else "no",
            "--appendfsync", "always", "--maxmemory-policy", "noeviction",
        ]  # fmt: skip

    def client(self) -> "redis.Redis":
        return redis.Redis.from_url(self.url, decode_responses=True)

    def answers(self) -> bool:
        with contextlib.suppress(redis.RedisError), self.client() as client:
            return bool(client.ping())
        return False


class WorkerProcess(Server):
    """`streamer worker` on a region file; without `broker` that of the file is used."""

    def __init__(self, region: Path, name: str, broker: str | None, store: str, *more: str) -> None:
        super().__init__()
        self.port = free_port()
        self._words = [str(region), "--name", name, "--redis", store, *more]
        if broker is not None:
            self._words += ["--broker", broker]

    def get(self, path: str) -> tuple[int, str]:
        """Status and body of one of its pages; (0, '') while it does not listen."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=5)
        try:
            connection.request("GET", path)
            answer = connection.getresponse()
            return answer.status, answer.read().decode()
        except OSError:
            return 0, ""
        finally:
            connection.close()

    def says(self, event: str) -> bool:
        """Whether it has logged that event since its start."""
        return f'"event": "{event}"' in self.log()

    def command(self) -> list[str]:
        http = ["--http", f"127.0.0.1:{self.port}"]
        return [sys.executable, "-m", "streamer", "worker", *self._words, *http]

    def answers(self) -> bool:
        return self.says("connected")
