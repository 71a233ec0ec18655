"""Lines from UDP datagrams and from a UNIX socket (stream or datagram)."""

import contextlib
import selectors
import socket
import stat
from pathlib import Path
from typing import Final

from streamer.agent.sources.base import POLL_S, READ_BYTES, LineCutter, Source, SourceError

_AT_ONCE: Final = 256
_DATAGRAM_BYTES: Final = 65_536
_CLIENTS: Final = 64
_SOCKET_MODE: Final = 0o660


class _DatagramSource(Source):
    """Each datagram holds one or more whole lines."""

    sock: socket.socket | None = None

    def run(self) -> None:
        assert self.sock is not None
        self.sock.settimeout(POLL_S)
        while not self.stopping:
            try:
                first = self.sock.recv(_DATAGRAM_BYTES)
            except TimeoutError:
                continue
            lines = first.split(b"\n")
            self.sock.setblocking(False)
            with contextlib.suppress(BlockingIOError):
                while len(lines) < _AT_ONCE:
                    lines += self.sock.recv(_DATAGRAM_BYTES).split(b"\n")
            self.sock.settimeout(POLL_S)
            self.give(lines)

    def close(self) -> None:
        if self.sock is not None:
            self.sock.close()


class UdpSource(_DatagramSource):
    """Anyone who can send to the address is believed: bind to loopback unless there is a wall."""

    def open(self) -> None:
        host, port = self.settings.host, self.settings.port or 0
        try:
            family, kind, protocol, _, address = socket.getaddrinfo(
                host, port, type=socket.SOCK_DGRAM, flags=socket.AI_PASSIVE
            )[0]
            self.sock = socket.socket(family, kind, protocol)
            self.sock.bind(address)
        except OSError as error:
            self.close()
            raise SourceError(
                f"source {self.settings.label}: udp {host}:{port}: {error}; "
                "is the port in use, and is the host one of this machine?"
            ) from error
        self.port = int(self.sock.getsockname()[1])


class UnixSource(_DatagramSource):
    """A socket file that the agent makes (mode 0660) and takes away again."""

    def open(self) -> None:
        path = self.settings.path
        assert path is not None
        stream = self.settings.mode == "stream"
        kind = socket.SOCK_STREAM if stream else socket.SOCK_DGRAM
        try:
            _remove_stale(path, kind)
            self.sock = socket.socket(socket.AF_UNIX, kind)
            self.sock.bind(str(path))
            path.chmod(_SOCKET_MODE)
            if stream:
                self.sock.listen(_CLIENTS)
        except OSError as error:
            if self.sock is not None:
                self.sock.close()
            raise SourceError(
                f"source {self.settings.label}: unix socket {path}: {error}; "
                "is another agent using it, and may this one write to the folder?"
            ) from error

    def run(self) -> None:
        if self.settings.mode == "datagram":
            super().run()
            return
        assert self.sock is not None
        self.sock.setblocking(False)
        with selectors.DefaultSelector() as selector:
            selector.register(self.sock, selectors.EVENT_READ, None)
            try:
                while not self.stopping:
                    for key, _ in selector.select(POLL_S):
                        if key.data is None:
                            self._accept(selector)
                        else:
                            self._read(selector, key)
            finally:
                for key in list(selector.get_map().values()):
                    if key.data is not None:
                        self._drop(selector, key)

    def _accept(self, selector: selectors.BaseSelector) -> None:
        assert self.sock is not None
        with contextlib.suppress(BlockingIOError):
            client, _ = self.sock.accept()
            if len(selector.get_map()) > _CLIENTS:
                client.close()
                self.log.seldom("too_many_clients", source=self.settings.label, most=_CLIENTS)
                return
            client.setblocking(False)
            cutter = LineCutter(self.settings.max_line_bytes)
            selector.register(client, selectors.EVENT_READ, cutter)

    def _read(self, selector: selectors.BaseSelector, key: selectors.SelectorKey) -> None:
        assert isinstance(key.fileobj, socket.socket)
        try:
            data = key.fileobj.recv(READ_BYTES)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if data:
            self.give(key.data.feed(data))
        else:
            self._drop(selector, key)

    def _drop(self, selector: selectors.BaseSelector, key: selectors.SelectorKey) -> None:
        assert isinstance(key.fileobj, socket.socket)
        selector.unregister(key.fileobj)
        key.fileobj.close()
        self.give(key.data.finish())

    def close(self) -> None:
        if self.sock is not None and self.sock.fileno() >= 0:
            self.sock.close()
            assert self.settings.path is not None
            self.settings.path.unlink(missing_ok=True)


def _remove_stale(path: Path, kind: socket.SocketKind) -> None:
    """Take away the socket file of an agent that was killed; leave a living one's alone."""
    try:
        mode = path.lstat().st_mode
    except FileNotFoundError:
        return
    if not stat.S_ISSOCK(mode):
        raise FileExistsError(17, "a file that is no socket is there")
    with socket.socket(socket.AF_UNIX, kind) as probe:
        try:
            probe.connect(str(path))
        except ConnectionRefusedError:
            path.unlink()
