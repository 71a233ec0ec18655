"""HTTP as from the containers' host: a thread of this process enters the hub's network."""

import ctypes
import http.client
import json
import os
import ssl
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

CLONE_NEWNET = 0x40000000  # setns(2)
T = TypeVar("T")


def within(pid: int, what: Callable[[], T]) -> T:
    """Calls `what` in the network namespace of a process. The thread that went there ends there."""

    def there() -> T:
        libc = ctypes.CDLL(None, use_errno=True)
        with Path(f"/proc/{pid}/ns/net").open() as file:
            if libc.setns(file.fileno(), CLONE_NEWNET) != 0:
                raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))
        return what()

    with ThreadPoolExecutor(1) as pool:
        return pool.submit(there).result()


@dataclass
class Site:
    """A web server of a box. With `ca` by TLS, under `name`."""

    pid: int
    address: str
    port: int
    name: str = ""
    ca: Path | None = None
    headers: dict[str, str] = field(default_factory=dict)

    def ask(
        self, method: str, path: str, body: Mapping[str, Any] | None = None
    ) -> tuple[int, Any, Mapping[str, str]]:
        """Status, JSON and headers; (0, None, {}) if nobody answers."""
        try:
            return within(self.pid, lambda: self._ask(method, path, body))
        except OSError:
            return 0, None, {}

    def get(self, path: str) -> Any:
        status, answer, _ = self.ask("GET", path)
        return answer if status == 200 else None

    def _ask(
        self, method: str, path: str, body: Mapping[str, Any] | None
    ) -> tuple[int, Any, Mapping[str, str]]:
        connection = self._connection()
        try:
            text = None if body is None else json.dumps(body)
            headers = {**self.headers, "Content-Type": "application/json"}
            if self.name:
                headers["Host"] = f"{self.name}:{self.port}"
            connection.request(method, path, text, headers)
            answer = connection.getresponse()
            said = answer.read()
            return answer.status, json.loads(said) if said else None, dict(answer.headers)
        finally:
            connection.close()

    def _connection(self) -> http.client.HTTPConnection:
        if self.ca is None:
            return http.client.HTTPConnection(self.address, self.port, timeout=5)
        return _Named(self.name, self.address, self.port, self.ca)


class _Named(http.client.HTTPSConnection):
    """Goes to an address and judges the certificate by the name that a browser would have typed."""

    def __init__(self, name: str, address: str, port: int, ca: Path) -> None:
        self._address, self._named = address, ssl.create_default_context(cafile=ca)
        super().__init__(name, port, timeout=5, context=self._named)

    def connect(self) -> None:
        plain = http.client.HTTPConnection(self._address, self.port, timeout=5)
        plain.connect()
        self.sock = self._named.wrap_socket(plain.sock, server_hostname=self.host)
