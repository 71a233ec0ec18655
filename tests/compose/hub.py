"""The networks of docker-compose.yml: a bridge for each, and a cable to it from each service."""

import contextlib
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.servers import wait_until


def run(*words: str, text: str | None = None) -> str:
    """What a command that must do well prints."""
    done = subprocess.run(words, input=text, capture_output=True, text=True, check=False)
    assert done.returncode == 0, (words, done.stdout, done.stderr)
    return done.stdout


def net_of(pid: int) -> str:
    """Which network namespace a process is in."""
    return str(Path(f"/proc/{pid}/ns/net").readlink())


class Hub:
    """A namespace with a bridge for each network of the file; published ports are asked from it."""

    def __init__(self, config: dict[str, Any]) -> None:
        self._sleeper = subprocess.Popen(["unshare", "--net", "sleep", "600"])
        self.pid = self._sleeper.pid
        wait_until(lambda: net_of(self.pid) != net_of(os.getpid()), "a network namespace")
        self.networks = {name: number for number, name in enumerate(config["networks"], 1)}
        self.members = {name: number for number, name in enumerate(config["services"], 2)}
        for number in self.networks.values():
            self._ip(f"link add br{number} type bridge", f"addr add 10.77.{number}.1/24 dev "
                     f"br{number}", f"link set br{number} up")  # fmt: skip
        self._ip("link set lo up")

    def _ip(self, *lines: str) -> None:
        run("nsenter", f"--net=/proc/{self.pid}/ns/net", "ip", "-batch", "-", text="\n".join(lines))

    def address(self, service: str, network: str) -> str:
        return f"10.77.{self.networks[network]}.{self.members[service]}"

    def plug(self, service: str, networks: list[str], pid: int) -> None:
        """Gives the namespace of `pid` an end in each of these networks."""
        inside = ["link set lo up"]
        for network in networks:
            number = f"{self.members[service]}n{self.networks[network]}"
            ours, theirs = f"h{number}", f"c{number}"
            self._ip(
                f"link add {ours} type veth peer name {theirs}",
                f"link set {theirs} netns {pid}",
                f"link set {ours} master br{self.networks[network]}",
                f"link set {ours} up",
            )
            inside += [f"addr add {self.address(service, network)}/24 dev {theirs}",
                       f"link set {theirs} up"]  # fmt: skip
        enter = ["nsenter", f"--net=/proc/{pid}/ns/net"]
        run(*enter, "ip", "-batch", "-", text="\n".join(inside))

    def ask(self, *words: str) -> "subprocess.CompletedProcess[str]":
        """A command of this machine, as if on the containers' host."""
        enter = ["nsenter", f"--net=/proc/{self.pid}/ns/net"]
        return subprocess.run([*enter, *words], capture_output=True, text=True, check=False)

    def close(self) -> None:
        self._sleeper.kill()
        self._sleeper.wait()


@contextlib.contextmanager
def hub_for(config: dict[str, Any]) -> Iterator[Hub]:
    hub = Hub(config)
    try:
        yield hub
    finally:
        hub.close()
