"""Acknowledgements handed on to whatever can send them on the air.

A command gets the reply as one JSON line on its standard input; no shell is involved, its run time
and the number of commands at once are bounded. Or a UNIX stream socket gets one line per reply.
Neither ever holds up the sender: replies wait in a short queue, whose oldest gives way.
"""

import os
import queue
import socket
import threading
from typing import Final

from streamer.agent.config import ReplySettings
from streamer.agent.logs import Log
from streamer.contract.replies import AckReply
from streamer.mqtt.settings import PASSWORD_VARIABLE

_WAITING: Final = 64
_IDLE_S: Final = 0.2


class ReplyRunner:
    """Hands replies on, from threads of its own, which start with the first reply."""

    def __init__(self, settings: ReplySettings, log: Log) -> None:
        self._settings = settings
        self._log = log
        self._queue: queue.Queue[AckReply] = queue.Queue(_WAITING)
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []
        self.handed_on = 0
        self.failed = 0

    def put(self, reply: AckReply) -> None:
        """Take a reply; never waits."""
        if len(self._threads) < self._settings.at_once:
            thread = threading.Thread(target=self._run, name="agent-reply", daemon=True)
            self._threads.append(thread)
            thread.start()
        while True:
            try:
                self._queue.put_nowait(reply)
                return
            except queue.Full:
                try:
                    lost = self._queue.get_nowait()
                except queue.Empty:
                    continue
                self.failed += 1
                self._log.seldom("reply_dropped", station=lost.station, why="too many wait")

    def stop(self, timeout_s: float) -> None:
        """End the threads once the queue is empty, within about `timeout_s`."""
        self._stop.set()
        for thread in self._threads:
            thread.join(timeout_s)

    def _run(self) -> None:
        while True:
            try:
                reply = self._queue.get(timeout=_IDLE_S)
            except queue.Empty:
                if self._stop.is_set():
                    return
                continue
            try:
                self._hand_on(reply)
                self.handed_on += 1
            except Exception as error:
                self.failed += 1
                self._log.seldom("reply_failed", station=reply.station, why=str(error)[:200])

    def _hand_on(self, reply: AckReply) -> None:
        line = reply.model_dump_json().encode() + b"\n"
        if self._settings.command is not None:
            _run_command(self._settings.command, line, self._settings.timeout_s)
        else:
            with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as sock:
                sock.settimeout(self._settings.timeout_s)
                sock.connect(str(self._settings.socket))
                sock.sendall(line)


def _run_command(command: tuple[str, ...], line: bytes, timeout_s: float) -> None:
    import subprocess  # noqa: PLC0415 - memory, for those who have no such command

    environment = {k: v for k, v in os.environ.items() if k != PASSWORD_VARIABLE}
    done = subprocess.run(  # nosec B603 # the operator's own command, without a shell
        command,
        input=line,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,  # a pipe would be unbounded, and outlive a killed command
        timeout=timeout_s,
        env=environment,
        check=False,
    )
    if done.returncode:
        raise RuntimeError(f"{command[0]} ended with {done.returncode}")
