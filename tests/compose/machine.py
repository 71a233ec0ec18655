"""A whole machine's systemd, as the first process of namespaces of its own.

It sees this machine's root through a layer that is thrown away: accounts, units and files that a
manual's commands make are made there. Networks, processes, mounts and cgroups are its own. What
would reach beyond (kernel settings, modules, devices) is masked.
"""

import os
import shlex
import signal
import subprocess
import sys
from pathlib import Path

from tests.compose.boxes import HERE, layered_root, need_boxes
from tests.compose.manual import without_docker
from tests.servers import program, wait_until

MASKED = (
    "systemd-sysctl", "systemd-modules-load", "systemd-binfmt", "systemd-udevd",
    "systemd-udev-trigger", "systemd-update-utmp", "systemd-remount-fs", "systemd-logind",
    "systemd-tmpfiles-setup-dev", "systemd-random-seed", "console-getty", "getty@tty1",
    "systemd-timesyncd",
)  # fmt: skip
PLACES = {
    HERE: "/opt/sources",
    Path(sys.base_prefix): "/opt/python",
    Path(sys.prefix): "/opt/venv-here",
}
PROGRAM = f"""
mkdir -p /opt/streamer/bin
ln -s /opt/venv-here/lib /opt/streamer/lib
ln -s /opt/python/bin/python{sys.version_info[0]}.{sys.version_info[1]} /opt/streamer/bin/python
echo 'home = /opt/python/bin' > /opt/streamer/pyvenv.cfg
cat > /opt/streamer/bin/streamer <<'END'
#!/opt/streamer/bin/python
import sys
sys.path.insert(0, "/opt/sources")
from streamer.cli import main
sys.exit(main())
END
chmod 0755 /opt/streamer/bin/streamer
echo /opt/python/lib > /etc/ld.so.conf.d/0-python.conf
ldconfig
"""
"""Instead of a new venv and pip: what is installed here, as if it were installed there."""


class Machine:
    """Boots at once; `close` ends all that runs in it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._log = folder / "boot.log"
        enter = ["unshare", "--mount", "--propagation", "private", "--pid", "--fork",
                 "--kill-child", "--net", "--uts", "--ipc", "--cgroup"]  # fmt: skip
        with self._log.open("wb") as log:
            self._starter = subprocess.Popen(
                [*enter, "sh", "-ec", self._script()],
                stdin=subprocess.DEVNULL, stdout=log, stderr=log,
            )  # fmt: skip
        wait_until(self._up, f"systemd to be up: {self._log.read_text()}", 30)

    def _script(self) -> str:
        root, layered = layered_root(self.folder)
        systemd = program("/lib/systemd/systemd")
        units = f"{root}/etc/systemd/system"
        return "\n".join([
            *layered,
            f"mount -t proc proc {root}/proc",
            f"mount -t sysfs sysfs {root}/sys",
            f"mount -t tmpfs tmpfs {root}/sys/fs/cgroup && mount -t cgroup2 cgroup2 "
            f"{root}/sys/fs/cgroup",
            f"mount --rbind /dev {root}/dev",
            *(f"mount -t tmpfs tmpfs {root}/{name}" for name in ("run", "tmp")),
            # Not where they are: units may not look into anybody's home.
            *(f"mkdir -p {root}{there} && mount --rbind {here} {root}{there}"
              for here, there in PLACES.items()),
            f"rm -rf {units}/*.wants",
            f"ln -sf /lib/systemd/system/multi-user.target {units}/default.target",
            *(f"ln -sf /dev/null {units}/{name}.service" for name in MASKED),
            "ip link set lo up",
            f"cd {root}",
            "mkdir -p former && pivot_root . former && umount -l /former",
            "mount --make-rshared /",  # as systemd finds it; credentials reach their units so
            "container=box exec " + shlex.join([systemd, "--system", "--log-target=journal"]),
        ])  # fmt: skip

    @property
    def pid(self) -> int:
        """Of its first process, as seen from outside; 0 before it is there."""
        children = Path(f"/proc/{self._starter.pid}/task/{self._starter.pid}/children")
        return int((children.read_text().split() or ["0"])[0])

    def _up(self) -> bool:
        assert self._starter.poll() is None, self._log.read_text()
        if not self.pid:
            return False
        return self.run("systemctl is-system-running").stdout.strip() in ("running", "degraded")

    def run(self, script: str) -> "subprocess.CompletedProcess[str]":
        """What root types there, in the folder of the sources."""
        return subprocess.run(
            ["nsenter", f"--target={self.pid}", "--all", "--wdns=/opt/sources", "env", "-i",
             "PATH=/usr/sbin:/usr/bin:/sbin:/bin", "HOME=/root", "LANG=C.UTF-8",
             "bash", "-euo", "pipefail", "-c", without_docker(script)],
            capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL,
        )  # fmt: skip

    def well(self, script: str) -> str:
        """What it prints; it must end well."""
        done = self.run(script)
        assert done.returncode == 0, (script, done.stdout, done.stderr)
        return done.stdout

    def close(self) -> None:
        os.kill(self.pid, signal.SIGKILL)  # and with it all that runs there
        self._starter.wait()


def need_machine() -> None:
    """Skips, or fails in CI, where there is no systemd."""
    program("/lib/systemd/systemd")
    program("systemctl")
    need_boxes()
