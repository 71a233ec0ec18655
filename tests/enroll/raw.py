"""A few packets of MQTT 5, written and read by hand: what a client library would not send, and the
answers as they come.

Source: MQTT Version 5.0 (OASIS Standard, 7 March 2019), sections 2.1, 3.1 to 3.4, 3.8, 3.9, 3.14.
"""

import contextlib
import socket
import ssl
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import ClassVar

NOT_AUTHORIZED = 0x87
ENDED = -1
"""The broker ended the connection instead of an answer."""
_TIMEOUT_S = 10.0


@dataclass(frozen=True)
class Credentials:
    """How to connect: a port, and what there is of certificate and password."""

    port: int
    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None
    username: str | None = None
    password: str | None = None

    def with_files(self, certificate: Path, key: Path) -> "Credentials":
        """The same with another certificate."""
        return replace(self, certificate=certificate, key=key)

    def context(self) -> ssl.SSLContext | None:
        if self.ca is None:
            return None
        context = ssl.create_default_context(cafile=self.ca)
        if self.certificate is not None:
            context.load_cert_chain(self.certificate, self.key)
        return context


def _text(text: str) -> bytes:
    data = text.encode()
    return len(data).to_bytes(2, "big") + data


def _packet(head: int, body: bytes) -> bytes:
    """Fixed header with the length as a variable byte integer (1.5.5)."""
    length, encoded = len(body), b""
    while True:
        length, digit = divmod(length, 128)
        encoded += bytes([digit | (0x80 if length else 0)])
        if not length:
            return bytes([head]) + encoded + body


class Raw:
    """One connection. `code` is the answer to CONNECT: 0 is success, ENDED no answer at all."""

    opened: ClassVar[list["Raw"]] = []
    """All of a test, which its end closes."""

    def __init__(
        self,
        credentials: Credentials,
        client_id: str = "some-client",
        *,
        will: tuple[str, bytes] | None = None,
        session: ssl.SSLSession | None = None,
        context: ssl.SSLContext | None = None,
    ) -> None:
        self.came: list[tuple[str, bytes]] = []
        self.why = ""
        self._mid = 0
        self.opened.append(self)
        plain = socket.create_connection(("127.0.0.1", credentials.port), _TIMEOUT_S)
        self.socket: socket.socket = plain
        try:
            context = context or credentials.context()
            if context is not None:
                self.socket = context.wrap_socket(
                    plain, server_hostname="localhost", session=session
                )
            self.socket.settimeout(_TIMEOUT_S)
            self.socket.sendall(self._connect(credentials, client_id, will))
            self.code = self._answer(0x20)[1]
        except OSError as error:
            self.socket.close()
            self.why, self.code = str(error), ENDED

    @staticmethod
    def _connect(credentials: Credentials, client_id: str, will: tuple[str, bytes] | None) -> bytes:
        flags = 0x02  # clean start
        tail = _text(client_id)
        if will is not None:
            flags |= 0x04 | 0x08 | 0x20  # a will, QoS 1, retained
            tail += b"\0" + _text(will[0]) + len(will[1]).to_bytes(2, "big") + will[1]
        if credentials.username is not None:
            flags |= 0x80
            tail += _text(credentials.username)
        if credentials.password is not None:
            flags |= 0x40
            tail += _text(credentials.password)
        head = _text("MQTT") + bytes([5, flags]) + (60).to_bytes(2, "big") + b"\0"
        return _packet(0x10, head + tail)

    def publish(self, topic: str, payload: bytes = b"x", *, qos: int = 1, retain: int = 0) -> int:
        """The reason code of the answer; ENDED if the broker hung up, 0 with QoS 0."""
        self._mid += 1
        mid = self._mid.to_bytes(2, "big") if qos else b""
        packet = _packet(0x30 | qos << 1 | retain, _text(topic) + mid + b"\0" + payload)
        if self.code == ENDED:
            return ENDED
        try:
            self.socket.sendall(packet)
            if not qos:
                return 0
            answer = self._answer(0x40 if qos == 1 else 0x50)
        except OSError:
            self.code = ENDED
            return ENDED
        return answer[2] if len(answer) > 2 else 0

    def subscribe(self, topic_filter: str) -> int:
        """The reason code of the grant, at QoS 0."""
        self._mid += 1
        body = self._mid.to_bytes(2, "big") + b"\0" + _text(topic_filter) + b"\0"
        try:
            self.socket.sendall(_packet(0x82, body))
            return self._answer(0x90)[-1]
        except OSError:
            self.code = ENDED
            return ENDED

    def ping(self) -> None:
        """All that the broker has sent before has come when this returns."""
        self.socket.sendall(b"\xc0\0")
        self._answer(0xD0)

    def _answer(self, kind: int) -> bytes:
        """The body of the next packet of a kind; messages on the way are kept."""
        while True:
            head, body = self._read()
            if head & 0xF0 == 0x30:
                end = 2 + int.from_bytes(body[:2], "big")
                assert not head & 0x06, "QoS 0 was asked for"
                self.came.append((body[2:end].decode(), body[end + 1 :]))
            elif head & 0xF0 == kind:
                return body
            elif head == 0xE0:
                raise ConnectionError("DISCONNECT came")

    def _read(self) -> tuple[int, bytes]:
        head = self._bytes(1)[0]
        length, shift = 0, 0
        while True:
            digit = self._bytes(1)[0]
            length |= (digit & 0x7F) << shift
            shift += 7
            if not digit & 0x80:
                return head, self._bytes(length)

    def _bytes(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            more = self.socket.recv(count - len(data))
            if not more:
                raise ConnectionError("the broker hung up")
            data += more
        return data

    def drop(self) -> None:
        """Without a word, so that the broker sends the will."""
        self.socket.close()

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self.socket.sendall(b"\xe0\0")
        self.socket.close()


def tried(credentials: Credentials, topics: Sequence[str]) -> dict[str, int]:
    """The answer to a publish (QoS 1, retained) to each topic; with a new connection where the
    broker has hung up."""
    answers = {}
    client = Raw(credentials)
    for topic in topics:
        if client.code != 0:
            client.close()
            client = Raw(credentials)
        answers[topic] = client.publish(topic, retain=1)
    client.close()
    return answers
