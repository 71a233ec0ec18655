"""The whole app on a picture that the test feeds: asked without a network, or served."""

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import uvicorn
from fastapi import FastAPI
from httpx_sse import EventSource, ServerSentEvent

from streamer.board.app import create_app
from streamer.board.settings import BoardSettings
from streamer.board.users import Passwords
from tests.board.asking import PASSWORD, QUICK, write_people
from tests.board.seen import Seen
from tests.servers import free_port, wait_until


def settings_in(folder: Path, **changes: Any) -> BoardSettings:
    """With the people of `tests.board.asking`, unless `users` is None."""
    users = folder / "users.toml"
    if not users.exists():
        write_people(users)
    given = {"region": folder / "region.toml", "port": 8750, "users": users, **changes}
    return BoardSettings(**given)


def app_of(seen: Seen, settings: BoardSettings, client: Any = None) -> FastAPI:
    """Passwords are hashed as little as can be."""
    clock = seen.bench.clock
    return create_app(settings, seen.picture, client or seen.client, clock, None, Passwords(QUICK))


class Asker:
    """Somebody who asks the app, with one event loop for all that is asked."""

    def __init__(self, app: FastAPI, runner: asyncio.Runner) -> None:
        self._runner = runner
        transport = httpx.ASGITransport(app, raise_app_exceptions=False)
        self._client = httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8750")
        self.token = ""

    def enter(self, name: str) -> "Asker":
        said = self.ask("POST", "/api/v1/session", {"name": name, "password": PASSWORD})
        assert said.status_code == 200, said.text
        self.token = said.json()["csrf_token"]
        return self

    def ask(self, method: str, path: str, body: Any = None, **more: Any) -> httpx.Response:
        if body is not None:
            more["json"] = body
        headers = {"X-CSRF-Token": self.token, **more.pop("headers", {})}
        request = self._client.request(method, path, headers=headers, **more)
        return self._runner.run(request)

    def get(self, path: str) -> httpx.Response:
        return self.ask("GET", path)


@contextmanager
def served(app: FastAPI) -> Iterator[str]:
    """The app by a real uvicorn in a thread; gives its address."""
    port = free_port()
    config = uvicorn.Config(
        app, host="127.0.0.1", port=port, log_config=None, timeout_graceful_shutdown=1,
        server_header=False, access_log=False, http="h11", ws="none",
    )  # fmt: skip
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        wait_until(lambda: server.started, "uvicorn to start")
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        thread.join(20)
        assert not thread.is_alive()


class Stream:
    """A page's feed, read by the httpx-sse library, kept as the page keeps it."""

    def __init__(self, client: httpx.Client, tables: str) -> None:
        self._response = client.send(
            client.build_request("GET", "/api/v1/feed", params={"tables": tables}), stream=True
        )
        self.status = self._response.status_code
        self.headers = self._response.headers
        self._events = EventSource(self._response).iter_sse()
        self.events: list[ServerSentEvent] = []
        self.rows: dict[str, dict[str, Any]] = {}

    def next(self) -> ServerSentEvent:
        event = next(self._events)
        self.events.append(event)
        if event.event == "rows":
            said = event.json()
            known = {} if said["full"] else self.rows[said["table"]]
            known |= said["rows"]
            for key in said["gone"]:
                known.pop(key, None)
            self.rows[said["table"]] = known
        return event

    def close(self) -> None:
        self._response.close()
