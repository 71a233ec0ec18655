"""A service of docker-compose.yml as a process kept as a container keeps it, without Docker.

Nothing of an image is here, so a box sees this machine's own root, with a layer above it that is
thrown away. All else is as the file says: argv, environment, user, mounts, secrets, what is read-
only, capabilities, and networks. A service reaches just those that share a network with it, under
their service names, and 127.0.0.1 is its own. So what would fail in a container for want of a
mount, a right, a name or a route fails here.

Needs root and Linux: namespaces, overlayfs, veth and bridge.
"""

import os
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.compose.hub import Hub, net_of
from tests.servers import REQUIRED, program, wait_until

HERE = Path(__file__).parents[2]
ENTRYPOINTS = {
    # From memory, as the images' own documents give them; none was pulled here.
    "eclipse-mosquitto": [],  # a script that changes owners if it is root, and then runs the argv
    "redis": [],  # likewise
    "prom/prometheus": ["/bin/prometheus"],
    "prom/alertmanager": ["/bin/alertmanager"],
}
ELSEWHERE = {"/bin/alertmanager": "/usr/bin/prometheus-alertmanager"}
"""Where Debian has a program that the image has elsewhere."""
OUR_PATH = "/opt/streamer/bin:/usr/local/bin:/usr/bin:/bin"  # as in the Dockerfile
USUAL_PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"


def need_boxes() -> None:
    """Skips, or fails in CI, where no boxes can be made."""
    for name in ("unshare", "nsenter", "setpriv", "prlimit", "ip"):
        program(name)
    probe = ["unshare", "--net", "--mount", "ip", "link", "add", "br0", "type", "bridge"]
    if subprocess.run(probe, capture_output=True, check=False).returncode:
        missing("needs root and Linux's namespaces, to run services as containers are run")


def need_root() -> None:
    """Likewise: the manual's commands are root's, as they give files to accounts."""
    if os.geteuid() != 0:
        missing("needs root, as the manual's commands do")


def missing(reason: str) -> None:
    if os.environ.get(REQUIRED):
        pytest.fail(reason)
    pytest.skip(reason)


def layered_root(folder: Path) -> tuple[Path, list[str]]:
    """This machine's root below `folder` with a layer above it that is thrown away; and the lines
    of shell that make it, in a namespace of mounts of their own."""
    layer, root = folder / "layer", folder / "layer" / "root"
    upper = f"upperdir={layer}/upper,workdir={layer}/work"
    return root, [
        f"mkdir {layer}",
        f"mount -t tmpfs box {layer}",
        f"mkdir {layer}/upper {layer}/work {root}",
        f"mount -t overlay overlay -o lowerdir=/,{upper} {root}",
    ]


class Box:
    """One service. `config` is what `docker compose config` made of the file."""

    def __init__(self, name: str, config: dict[str, Any], hub: Hub, folder: Path) -> None:
        self.name = name
        self.service = config["services"][name]
        self._config, self._hub = config, hub
        self._folder = folder / name
        self._folder.mkdir()
        self.process: subprocess.Popen[bytes] | None = None

    # -- what runs ---------------------------------------------------------------------------------

    def argv(self) -> list[str]:
        """The image's entrypoint with the file's command."""
        image = self.service["image"].split(":")[0]
        entrypoint = ["streamer"] if "build" in self.service else ENTRYPOINTS[image]
        return [*(self.service.get("entrypoint") or entrypoint), *self.service["command"]]

    def _as_inside(self, argv: list[str]) -> list[str]:
        """With the file's user, without rights, in the file's environment alone."""
        user, _, group = self.service["user"].partition(":")
        dropped = ["--clear-groups", "--no-new-privs", "--bounding-set=-all", "--inh-caps=-all"]
        path = OUR_PATH if "build" in self.service else USUAL_PATH
        values = {"PATH": path, "HOME": "/", **(self.service.get("environment") or {})}
        wd = self.service.get("working_dir", "/")
        return [
            "setpriv", f"--reuid={user}", f"--regid={group}", *dropped,
            "env", "-i", f"--chdir={wd}", *(f"{k}={v}" for k, v in values.items()), *argv,
        ]  # fmt: skip

    def _script(self) -> str:
        """Makes the root and becomes the service."""
        root, layered = layered_root(self._folder)
        lines = [
            "echo 1 > /proc/sys/net/ipv6/conf/all/disable_ipv6",  # as Docker does by itself
            "read -r _",  # until the networks are there
            *layered,
            *(f"mount --rbind {place} {root}{place}" for place in ("/proc", "/dev", "/sys")),
            *(f"mkdir -p {root}{place.split(':')[0]} && mount -t tmpfs -o mode=1777 tmpfs "
              f"{root}{place.split(':')[0]}" for place in self.service.get("tmpfs", ())),
            *self._program_files(root),  # which may lie below /tmp
            *self._hosts(root),
            *(line for mount in self._mounts() for line in _bind(root, *mount)),
        ]  # fmt: skip
        if self.service.get("read_only"):
            lines.append(f"mount -o remount,ro {root}")
        become = ["chroot", str(root), "prlimit", self._open_files(), *self._as_inside(self.argv())]
        return "\n".join([*lines, "exec " + shlex.join(become)])

    def _open_files(self) -> str:
        """The file's limit; else what newer Docker engines give (from memory). Only the soft one:
        this machine may not allow to raise the other."""
        return f"--nofile={self.service.get('ulimits', {}).get('nofile', {}).get('soft', 1024)}:"

    def _program_files(self, root: Path) -> list[str]:
        """The program and its interpreter may lie where the service's user could not look."""
        lines = []
        for place in {HERE, Path(sys.prefix), Path(sys.base_prefix)}:
            lines += [f"mkdir -p {root}{place}", f"mount --rbind {place} {root}{place}"]
            lines += [f"chmod o+x {root}{parent}" for parent in list(place.parents)[:-1]]
        lines += [f"ln -sfn {here} {root}{ours}" for ours, here in ELSEWHERE.items()]
        if "build" in self.service:  # as the Dockerfile lays it
            ours = f"{root}/opt/streamer"
            lines += [
                f"mkdir -p {ours}/bin",
                f"ln -s {sys.prefix}/* {ours} 2>/dev/null || true",  # all but bin
                f"ln -s {sys.prefix}/bin/* {ours}/bin",
                f"install -m 0755 {HERE}/configs/docker/healthy.py {ours}/bin/healthy",
            ]
        return lines

    def _hosts(self, root: Path) -> list[str]:
        """Names of the services that share a network, as Docker's resolver would tell them."""
        hosts = ["127.0.0.1 localhost"]
        for network in self.service["networks"]:
            for other, service in self._config["services"].items():
                if network in service["networks"]:
                    hosts.append(f"{self._hub.address(other, network)} {other}")
        (self._folder / "hosts").write_text("\n".join(hosts) + "\n")
        return _bind(root, str(self._folder / "hosts"), "/etc/hosts", True)

    def _mounts(self) -> Iterator[tuple[str, str, bool]]:
        """Source, target and whether it is read-only, of volumes and secrets."""
        for volume in self.service.get("volumes", ()):
            source = volume["source"]
            if volume["type"] == "volume":
                source = self._config["volumes"][source]["driver_opts"]["device"]
            yield source, volume["target"], bool(volume.get("read_only"))
        for secret in self.service.get("secrets", ()):
            target = secret.get("target") or secret["source"]
            target = target if target.startswith("/") else f"/run/secrets/{target}"
            yield self._config["secrets"][secret["source"]]["file"], target, True

    # -- its life ----------------------------------------------------------------------------------

    def start(self) -> None:
        enter = ["unshare", "--net", "--mount", "--propagation", "private"]
        with (self._folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                [*enter, "sh", "-ec", self._script()],
                stdin=subprocess.PIPE, stdout=log, stderr=log,
            )  # fmt: skip
        pid = self.process.pid
        wait_until(lambda: net_of(pid) != net_of(os.getpid()), "a network namespace")
        self._hub.plug(self.name, list(self.service["networks"]), pid)
        assert self.process.stdin is not None
        self.process.stdin.write(b"\n")
        self.process.stdin.close()

    @property
    def pid(self) -> int:
        assert self.process is not None
        return self.process.pid

    def log(self) -> str:
        return (self._folder / "log").read_text(errors="replace")

    def inside(self, argv: list[str]) -> "subprocess.CompletedProcess[str]":
        """A command in the container, as `docker compose exec` runs it."""
        enter = ["nsenter", f"--target={self.pid}", "--net", "--mount", "--root", "--wd"]
        return subprocess.run(
            [*enter, *self._as_inside(argv)], capture_output=True, text=True, check=False
        )

    def check_command(self) -> list[str]:
        """The health check's argv."""
        how, *words = self.service["healthcheck"]["test"]
        return words if how == "CMD" else ["sh", "-c", *words]

    def healthy(self) -> bool:
        """Whether the file's own health check does well now."""
        assert self.process is not None
        if self.process.poll() is not None:
            pytest.fail(f"{self.name} ended: {self.log()[-3000:]}")
        well = self.inside(self.check_command()).returncode == 0
        if not well:
            time.sleep(0.2)  # a check is a program to start: not without a pause
        return well

    def await_healthy(self, seconds: float = 40.0) -> None:
        try:
            wait_until(self.healthy, f"the health check of {self.name}", seconds)
        except BaseException:
            said = self.inside(self.check_command())
            print(self.name, said.stdout, said.stderr, self.log()[-4000:], sep="\n")
            raise

    def peak_mib(self) -> float:
        """The most memory that its process ever held."""
        lines = Path(f"/proc/{self.pid}/status").read_text().splitlines()
        return int(next(line for line in lines if line.startswith("VmHWM")).split()[1]) / 1024

    def stop(self) -> int:
        """As `docker compose stop`: SIGTERM, and within the file's time it must have ended."""
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(seconds_of(self.service["stop_grace_period"]))

    def close(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait()


def seconds_of(text: str) -> float:
    """A duration of a compose file such as `1m30s`."""
    total, number = 0.0, ""
    for sign in text:
        if sign.isalpha():
            total += float(number) * {"h": 3600, "m": 60, "s": 1}[sign]
            number = ""
        else:
            number += sign
    return total


def _bind(root: Path, source: str, target: str, read_only: bool) -> list[str]:
    kind = "mkdir -p" if Path(source).is_dir() else "touch"
    lines = [
        # A folder of a package of this machine may be closed; an image has none there.
        f"mkdir -p {root}{Path(target).parent} && chmod o+x {root}{Path(target).parent}",
        f"[ -e {root}{target} ] || {kind} {root}{target}",
        f"mount --bind {shlex.quote(source)} {root}{target}",
    ]
    return [*lines, f"mount -o remount,bind,ro {root}{target}"] if read_only else lines
