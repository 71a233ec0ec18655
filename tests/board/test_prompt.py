"""Who sends a request by the byte is cut off; answers may take their time. Real sockets."""

import asyncio
import socket
import threading
from collections.abc import AsyncIterator, Iterator

import pytest
import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, StreamingResponse
from starlette.routing import Route

from streamer.board import prompt
from streamer.board.prompt import PromptProtocol
from tests.servers import wait_until

WITHIN_S = 0.3


async def echo(request: Request) -> PlainTextResponse:
    return PlainTextResponse(await request.body())


async def stream(_request: Request) -> StreamingResponse:
    async def parts() -> AsyncIterator[bytes]:
        for n in range(4):
            await asyncio.sleep(WITHIN_S)
            yield b"%d" % n

    return StreamingResponse(parts())


@pytest.fixture
def place(monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[str, int]]:
    monkeypatch.setattr(prompt, "REQUEST_WITHIN_S", WITHIN_S)
    app = Starlette(routes=[Route("/", echo, methods=["POST"]), Route("/stream", stream)])
    listening = socket.create_server(("127.0.0.1", 0))
    config = uvicorn.Config(app, http=PromptProtocol, ws="none", log_config=None)
    server = uvicorn.Server(config)
    thread = threading.Thread(target=lambda: server.run(sockets=[listening]))
    thread.start()
    wait_until(lambda: server.started, "the server")
    yield listening.getsockname()
    server.should_exit = True
    thread.join()
    listening.close()


def connect(place: tuple[str, int]) -> socket.socket:
    return socket.create_connection(place, timeout=20)


def everything(sock: socket.socket) -> bytes:
    """All that comes until the other side ends the connection."""
    said = b""
    try:
        while part := sock.recv(4096):
            said += part
    except ConnectionResetError:
        pass
    return said


@pytest.mark.parametrize(
    "said",
    [
        b"",
        b"GET /stream HTTP/1.1\r\nHost: a",
        b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: 9\r\n\r\nabc",
    ],
    ids=["nothing", "half a head", "half a body"],
)
def test_who_does_not_finish_is_cut_off(place: tuple[str, int], said: bytes) -> None:
    with connect(place) as sock:
        sock.sendall(said)
        assert everything(sock) == b""


def test_byte_by_byte_brings_no_more_time(place: tuple[str, int]) -> None:
    ended = threading.Event()
    with connect(place) as sock:

        def drip() -> None:
            try:
                sock.sendall(b"GET /stream HTTP/1.1\r\nHost: a\r\nX-Long: ")
                while not ended.wait(WITHIN_S / 10):
                    sock.sendall(b"x")
            except OSError:
                pass

        thread = threading.Thread(target=drip)
        thread.start()
        said = everything(sock)  # comes back only because it was cut off
        ended.set()
        thread.join()
    assert said == b""


def test_a_long_answer_and_the_next_request_stay(place: tuple[str, int]) -> None:
    whole = b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: 3\r\n\r\nabc"
    with connect(place) as sock:
        for _ in range(2):  # the same connection twice
            sock.sendall(whole)
            said = b""
            while not said.endswith(b"abc"):
                part = sock.recv(4096)
                assert part
                said += part
        sock.sendall(b"GET /stream HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n")
        said = everything(sock)  # it lasts four times as long as a request may
    assert said.startswith(b"HTTP/1.1 200")
    assert said.endswith(b"1\r\n3\r\n0\r\n\r\n")
