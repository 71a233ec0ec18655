"""Connections that do not finish their requests in time are cut off.

uvicorn waits for ever for the rest of a request's head, so a few hundred connections that each send
a byte now and then would use up what a machine has of them. A request, head and body, must be there
within `REQUEST_WITHIN_S` of its first byte, and a connection's first byte within that time of the
connection. Answers may take as long as they like: streams stay.
"""

import asyncio
from typing import Final

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

REQUEST_WITHIN_S: Final = 20.0
"""The largest request is 640 kB: 32 kB a second."""


class PromptProtocol(H11Protocol):
    """uvicorn's, with a deadline for what is received."""

    _deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._await_request()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self.conn.their_state in (h11.IDLE, h11.SEND_BODY):
            self._await_request()
        else:
            self._call_off()

    def connection_lost(self, exc: Exception | None) -> None:
        self._call_off()
        super().connection_lost(exc)

    def _await_request(self) -> None:
        """One deadline for all of it: each further byte brings no more time."""
        if self._deadline is None:
            self._deadline = self.loop.call_later(REQUEST_WITHIN_S, self._cut_off)

    def _call_off(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None

    def _cut_off(self) -> None:
        self._deadline = None
        if not self.transport.is_closing():
            self.transport.abort()
