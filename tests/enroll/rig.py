"""A region's accounts, made by the command, and a Mosquitto on configs/mosquitto.conf."""

import argparse
import contextlib
import os
import re
import signal
import socket
from pathlib import Path

from streamer.clock import Clock, SystemClock
from streamer.enroll import command
from streamer.enroll.arguments import add_arguments
from tests.enroll.raw import Credentials
from tests.servers import Mosquitto, free_port, wait_until

TOP = Path(__file__).parents[2]
REGION = "hills"
GATEWAYS = ("ridge", "lake", "mill", "pass", "fell", "moor")
TEXT = (
    f'region = "{REGION}"\nextra_prefixes = ["Q"]\n'
    '[[group]]\nname = "SEARCH"\n[[group]]\nname = "NET"\n'
    + "".join(
        f'[[gateway]]\nid = "{name}"\n[[gateway.repeater]]\nid = "uhf"\nlat = -46.1\nlon = 20.4\n'
        "antenna_m = 30\nrange_km = 25\n"
        for name in GATEWAYS
    )
)
WITNESS, WITNESS_PASSWORD = "witness", "sees everything"
"""Not one of ours: an account that may read whatever comes through."""


class Accounts:
    """A folder of accounts and the command that changes it."""

    def __init__(self, folder: Path, text: str = TEXT) -> None:
        self.region = folder / "region.toml"
        self.region.write_text(text)
        self.folder = folder / "accounts"

    def run(self, *words: str, clock: Clock | None = None) -> int:
        """The exit code of `streamer enroll WORDS`."""
        parser = argparse.ArgumentParser()
        add_arguments(parser)
        given = ["--region", str(self.region), "--folder", str(self.folder), *words]
        return command.main(parser.parse_args(given), clock or SystemClock())

    def enrol(self, *words: str, clock: Clock | None = None) -> None:
        assert self.run(*words, clock=clock) == 0

    @property
    def broker(self) -> Path:
        return self.folder / "broker"

    def place(self, name: str, role: str = "gateway") -> Path:
        return self.folder / role / name


class OurMosquitto(Mosquitto):
    """On configs/mosquitto.conf: paths and ports are the test's, the rest is as it stands there."""

    def __init__(self, accounts: Accounts) -> None:
        super().__init__()
        self.accounts = accounts
        self.password_port, self.loopback_port = free_port(), free_port()
        self._write()

    def _write(self) -> None:
        text = (TOP / "configs" / "mosquitto.conf").read_text()
        self.files = self.folder / "streamer"
        for old, new in (
            ("/etc/mosquitto/streamer", str(self.files)),
            ("/var/lib/mosquitto/", f"{self.folder}/data/"),
            ("listener 8883", f"listener {self.port} 127.0.0.1"),
            ("listener 8884", f"listener {self.password_port} 127.0.0.1"),
            ("listener 1883 127.0.0.1", f"listener {self.loopback_port} 127.0.0.1"),
        ):
            assert old in text
            text = re.sub(rf"^([^#\n]*){re.escape(old)}", rf"\g<1>{new}", text, flags=re.MULTILINE)
        if os.geteuid() == 0:  # otherwise it becomes a user who may not read the test's files
            text += "user root\n"
        (self.folder / "mosquitto.conf").write_text(text)
        self.copy()

    def source(self) -> Path:
        """The folder that is the broker's."""
        return self.accounts.broker

    def copy(self) -> None:
        """What the operator does: the folder `broker` to the broker. The witness is ours."""
        self.files.mkdir(exist_ok=True)
        for path in self.source().iterdir():
            (self.files / path.name).write_bytes(path.read_bytes())
        from streamer.enroll.passwords import hashed

        with (self.files / "passwords").open("a") as file:
            file.write(f"{WITNESS}:{hashed(WITNESS_PASSWORD)}\n")
        with (self.files / "acl").open("a") as file:
            file.write(f"\nuser {WITNESS}\ntopic read #\ntopic read $SYS/#\ntopic write to/#\n")

    def answers(self) -> bool:
        """Its listeners come up one after the other, that of the loopback last."""
        with contextlib.suppress(OSError):
            socket.create_connection(("127.0.0.1", self.loopback_port), 1).close()
            return True
        return False

    def reload(self) -> None:
        """Copy, SIGHUP, and wait until it is being taken over: the broker has one thread, so who
        comes next is judged anew."""
        self.copy()
        assert self.process is not None
        before = self.log().count("Reloading config")
        self.process.send_signal(signal.SIGHUP)
        wait_until(lambda: self.log().count("Reloading config") > before, "the broker's reload")

    def certificate(self, name: str, role: str = "gateway") -> Credentials:
        """The credentials of an account with a certificate, as they lie in its folder."""
        place = self.accounts.place(name, role)
        return Credentials(self.port, place / "ca.pem", place / "cert.pem", place / "cert.key")

    def password(self, name: str, role: str) -> Credentials:
        """Those of an account with a password; on the listener that it was made for."""
        place = self.accounts.place(name, role)
        secret = (place / "password").read_text().strip()
        ca = place / "ca.pem"
        if ca.exists():
            return Credentials(self.password_port, ca, username=name, password=secret)
        return Credentials(self.loopback_port, username=name, password=secret)

    @property
    def witness(self) -> Credentials:
        return Credentials(self.loopback_port, username=WITNESS, password=WITNESS_PASSWORD)
