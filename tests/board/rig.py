"""A board in service: real broker, Redis and worker, the board's own process, the demo's region.

`Rig` holds the processes, each of which can be killed and started again at the same place;
`Client` acts through the board's API as a page does. What the gateways say comes from
`tests.board.gateways`, by hand, or from `tests.board.play`, the demo's own world.
"""

import contextlib
import http.client
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final, Self

import httpx

from streamer.clock import SystemClock
from streamer.config import RegionView, load_region
from streamer.demo.setting import region_text
from streamer.mqtt.settings import BrokerSettings, broker_from_url
from tests.board.asking import PASSWORD, write_people
from tests.integration.stage import Peer
from tests.servers import Mosquitto, Redis, Server, WorkerProcess, free_port

TIMES: Final = {
    "overdue_after_s": 3.0,
    "out_of_reach_after_s": 6.0,
    "expire_after_s": 900.0,
    "linger_s": 2.0,
    "starved_after_s": 1.0,
    "gateway_lost_after_s": 4.0,
    "roster_refresh_s": 1.0,
    "two_places_hold_s": 900.0,
    "loop_hold_s": 900.0,
}
"""Of the demo's region, short enough to wait for, and long where something is to stay."""


class BoardProcess(Server):
    """`streamer board` on the loopback address; `more` are further options."""

    def __init__(self, region: Path, *more: str) -> None:
        super().__init__()
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self._words = ["--region", str(region), "--port", str(self.port), *more]

    def command(self) -> list[str]:
        return [sys.executable, "-m", "streamer", "board", *self._words]

    def answers(self) -> bool:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=5)
        try:
            connection.request("GET", "/healthz")
            return connection.getresponse().status == 200
        except OSError:
            return False
        finally:
            connection.close()


class Client:
    """Asks the board's API as one of its pages would: keeps its cookie, sends its token."""

    def __init__(self, base: str) -> None:
        self.http = httpx.Client(base_url=base, timeout=20)
        self.csrf_token = ""

    def enter(self, name: str | None = None, password: str = PASSWORD) -> Self:
        """Sign in; without a name take the session that a board for this machine alone gives."""
        given = {"name": name, "password": password}
        said = self.http.post("/api/v1/session", json=given) if name else self.session()
        said.raise_for_status()
        self.csrf_token = str(said.json()["csrf_token"])
        return self

    def session(self) -> httpx.Response:
        return self.http.get("/api/v1/session")

    @property
    def headers(self) -> dict[str, str]:
        return {"X-CSRF-Token": self.csrf_token} if self.csrf_token else {}

    def ask(self, method: str, path: str, body: Any = None) -> httpx.Response:
        return self.http.request(method, path, json=body, headers=self.headers)

    def act(self, method: str, path: str, body: Any = None) -> Any:
        """Do something that must succeed; the answer's document, if there is one."""
        said = self.ask(method, path, {} if body is None else body)
        assert said.is_success, (method, path, said.status_code, said.text)
        return said.json() if said.content else None

    def rows(self, table: str) -> dict[str, Any]:
        """The rows of a table as the API gives it, such as `alerts` or `groups/SHORE/roster`."""
        said = self.http.get(f"/api/v1/{table}")
        assert said.is_success, (table, said.status_code, said.text)
        found: dict[str, Any] = said.json()["rows"]
        return found

    def close(self) -> None:
        self.http.close()


class Ear(Peer):
    """Reads topics and notes when each message came, in milliseconds of the system's clock."""

    def __init__(self, port: int, name: str, topic_filter: str) -> None:
        self.times: list[tuple[int, str, bytes]] = []
        super().__init__(port, name, [topic_filter])

    def _keep(self, client: Any, user: Any, message: Any) -> None:
        self.times.append((SystemClock().now_ms(), message.topic, bytes(message.payload)))
        super()._keep(client, user, message)


class Rig:
    """Everything that one board stands on. Ports and sockets stay the same over a restart."""

    def __init__(self, folder: Path, speed: float | None = None) -> None:
        """`speed`: the demo's own times, for a show so many times as fast; else `TIMES`."""
        self.folder = folder
        self.broker = Mosquitto()
        self.redis = Redis(aof=True)  # what was written before a kill is there after it
        self.region = folder / "region.toml"
        text = region_text(speed or 1.0, self.broker_settings, self.redis.url)
        self.region.write_text(text if speed else _with_times(text))
        self.view: RegionView = load_region(self.region)
        self.users = folder / "users.toml"
        write_people(self.users)
        self.worker = WorkerProcess(self.region, "worker-1", None, self.redis.url)
        self.boards: list[BoardProcess] = []
        self._clients: list[Client] = []
        self._ears: list[Ear] = []

    @property
    def broker_settings(self) -> BrokerSettings:
        return broker_from_url(self.broker.url)

    def start(self) -> None:
        self.broker.start()
        self.redis.start()
        self.worker.start()

    def board(self, *more: str) -> BoardProcess:
        """A board in service; several may stand on one state."""
        board = BoardProcess(self.region, *more)
        self.boards.append(board)
        board.start()
        return board

    def client(self, board: BoardProcess, name: str | None = None) -> Client:
        client = Client(board.url)
        self._clients.append(client)
        return client.enter(name)

    def stranger(self, board: BoardProcess) -> Client:
        """Somebody who has not signed in."""
        client = Client(board.url)
        self._clients.append(client)
        return client

    def ear(self, topic: str) -> Ear:
        """Hears what is published on `net/{region}/TOPIC`, which may be a filter."""
        ear = Ear(self.broker.port, f"ear-{len(self._ears)}", f"net/{self.view.name}/{topic}")
        self._ears.append(ear)
        return ear

    def close(self) -> None:
        for client in self._clients:
            client.close()
        for ear in self._ears:
            ear.close()
        for server in (*self.boards, self.worker, self.redis, self.broker):
            server.close()

    def logs(self) -> str:
        """The last of what board and worker said, for a failure's text."""
        return "\n".join(server.log()[-2000:] for server in (*self.boards, self.worker))


def _with_times(text: str) -> str:
    for name, seconds in TIMES.items():
        text, found = re.subn(rf"^{name} = [0-9.]+$", f"{name} = {seconds}", text, flags=re.M)
        assert found == 1, f"{name} stands {found} times in the demo's region file"
    return text


@contextlib.contextmanager
def rig_in(folder: Path, speed: float | None = None) -> Iterator[Rig]:
    """A rig in service, ended afterwards whatever happens."""
    rig = Rig(folder, speed)
    try:
        rig.start()
        yield rig
    finally:
        rig.close()
