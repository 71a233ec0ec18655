"""One soak: everything in service, under load, while parts of it are killed."""

import contextlib
import json
import random
import sys
import tempfile
import threading
import time
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from streamer.config import RegionView, load_region
from streamer.state.store import Store, connect
from tests.board.rig import BoardProcess
from tests.integration import rig
from tests.integration.stage import toml
from tests.servers import Mosquitto, Redis, WorkerProcess, wait_until
from tests.soak.gateways import CLOCK, Followed, Played
from tests.soak.memory import Sampler
from tests.soak.shadow import Shadow

PLAYED: Final = ("ridge", "lake", "mill")
FOLLOWED: Final = ("pass", "moor")
STEADY: Final = ("worker-1", "board-1", "agent-pass")
"""Never killed, so that their memory tells something."""
VICTIMS: Final = ("worker-2", "board-2", "agent-moor", "redis", "broker")
STEP_S: Final = 0.1
BETWEEN_S: Final = (15.0, 45.0)
"""From one kill to the next."""
MAY_STAY_AWAY: Final = (["agent-moor"], ["worker-2"])
LONG_AWAY_S: Final = (15.0, 25.0)
"""An agent may be away for so long that its gateway is told as lost; a worker for so long that a
thousand numbers and more are missing of each gateway: the broker holds every second message for
it."""
DAY_S: Final = 86_400
PAGE: Final = "head,alerts,gateways,groups,places,roster/NET,fanout/NET"


@dataclass(frozen=True, slots=True)
class Plan:
    """What is asked for."""

    minutes: float
    events_per_s: int
    seed: int
    kills: bool = True
    between_s: tuple[float, float] = BETWEEN_S


def say(text: str) -> None:
    print(f"[{time.strftime('%H:%M:%S', time.gmtime())}] {text}", file=sys.stderr, flush=True)


def region(folder: Path) -> Path:
    """The region file: like that of the kill tests, but nothing comes about by the clock within a
    day, and stations are always heard. Gateways are told as lost soon: that is no event."""
    policy = {**rig.REGION["policy"], "overdue_after_s": DAY_S, "out_of_reach_after_s": DAY_S,
              "overdue_soonest_s": DAY_S, "out_of_reach_soonest_s": DAY_S,
              "expire_after_s": 2 * DAY_S, "starved_after_s": DAY_S}  # fmt: skip
    limits = {"gateway_lost_after_s": 60, "events_lost_after_s": 600, "refused_size": 300,
              "two_places_hold_s": DAY_S, "loop_hold_s": DAY_S, "quarantine_size": 50}  # fmt: skip
    gateways = [
        {"id": name, "repeater": [{"id": port} for port in rig.PORTS]}
        for name in (*PLAYED, *FOLLOWED)
    ]
    content = {**rig.REGION, "region": "soak", "extra_prefixes": ["Q"], "policy": policy,
               "limits": limits, "gateway": gateways}  # fmt: skip
    file = folder / "region.toml"
    file.write_text(toml(content))
    return file


class Soak:
    """The servers and gateways of one soak. Use as a context."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self._chance = random.Random(f"soak {plan.seed}")
        self._stack = contextlib.ExitStack()
        self.kills: list[tuple[float, str, float]] = []
        """Seconds from the begin, who, how long away."""
        self.page_events = 0
        self._ending = threading.Event()

    def __enter__(self) -> "Soak":
        try:
            self._set_up()
        except BaseException:
            self._stack.close()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._stack.close()

    def _set_up(self) -> None:
        folder = Path(self._stack.enter_context(tempfile.TemporaryDirectory(prefix="soak-")))
        self.file = region(folder)
        self.journal = folder / "journal"
        self.view: RegionView = load_region(self.file)
        self.shadow = Shadow(self.file)
        self._stack.callback(self.shadow.close)
        self.broker, self.redis = Mosquitto(), Redis(aof=True)
        self.servers: dict[str, Any] = {"broker": self.broker, "redis": self.redis}
        for name in ("worker-1", "worker-2"):
            words = ("--journal", str(self.journal))
            self.servers[name] = WorkerProcess(
                self.file, f"soak-{name}", self.broker.url, self.redis.url, *words
            )
        board_file = self._board_file(folder)
        for name in ("board-1", "board-2"):
            self.servers[name] = BoardProcess(board_file, "--redis", self.redis.url)
        for server in self.servers.values():
            self._stack.callback(server.close)
        for server in self.servers.values():
            server.start()
        self.client: Any = connect(self.redis.url)
        self.store = Store(self.client, self.view)
        self._set_up_gateways(folder)
        self._begun_s = time.monotonic()
        self.sampler = Sampler(self.servers, connect(self.redis.url), self._begun_s)
        self.sampler.start()
        self._stack.callback(self.sampler.end)
        for name in ("board-1", "board-2"):
            threading.Thread(target=self._page, args=(name,), daemon=True).start()

    def _board_file(self, folder: Path) -> Path:
        """The same region with the broker in it: the board takes it from there."""
        file = folder / "board.toml"
        file.write_text(f"{self.file.read_text()}[broker]\nport = {self.broker.port}\n")
        return file

    def _set_up_gateways(self, folder: Path) -> None:
        given = (self.view.name, self.broker, self.plan.seed, self.shadow.tell)
        self.played = [Played(name, *given) for name in PLAYED]
        self.followed = [Followed(folder, name, *given) for name in FOLLOWED]
        self.gateways: list[Played | Followed] = [*self.played, *self.followed]
        for gateway in self.gateways:
            self._stack.callback(gateway.end)
        for agent in self.followed:
            agent.start()
            self.servers[f"agent-{agent.name}"] = agent

    # -- what goes on ------------------------------------------------------------------------

    def run(self) -> None:
        """Load and kills for the time planned; then until everything has come to rest."""
        killing = threading.Thread(target=self._kill, daemon=True)
        killing.start()
        end_s = self._begun_s + self.plan.minutes * 60
        each = self.plan.events_per_s * STEP_S / len(self.gateways)
        owed = step = 0.0
        next_word_s = self._begun_s + 60
        while time.monotonic() < end_s:
            owed, step = owed + each, step + 1
            count, owed = int(owed), owed - int(owed)
            for gateway in self.gateways:
                gateway.give(count, CLOCK.now_ms())
            for agent in self.followed:
                if step % 10 == 0:
                    agent.tick()
            if time.monotonic() > next_word_s:
                next_word_s += 60
                self._word()
            time.sleep(max(0.0, self._begun_s + step * STEP_S - time.monotonic()))
        self._ending.set()
        killing.join(120)
        if killing.is_alive():
            raise RuntimeError("a victim has not come back")

    def _kill(self) -> None:
        if not self.plan.kills:
            return
        while not self._ending.wait(self._chance.uniform(*self.plan.between_s)):
            victims = self._chance.sample(VICTIMS, self._chance.choice((1, 1, 1, 1, 2)))
            long = victims in MAY_STAY_AWAY and self._chance.random() < 0.4
            away_s = self._chance.uniform(*(LONG_AWAY_S if long else (0.0, 2.0)))
            self._strike(victims, away_s)

    def _strike(self, victims: list[str], away_s: float) -> None:
        now_s = time.monotonic() - self._begun_s
        for name in victims:
            self.servers[name].kill()
            self.kills.append((now_s, name, away_s))
        say(f"killed {' and '.join(victims)}, away for {away_s:.1f} s")
        time.sleep(away_s)
        for name in victims:
            self.servers[name].launch()
        for name in victims:
            wait_until(self.servers[name].answers, f"{name} to answer again", 60)

    def _page(self, name: str) -> None:
        """An open page: it reads the feed and comes back when the board does."""
        url = f"{self.servers[name].url}/api/v1/feed?tables={PAGE}"
        while not self._ending.is_set():
            try:
                with urllib.request.urlopen(url, timeout=30) as feed:
                    for line in feed:
                        self.page_events += line.startswith(b"event: rows")
                        if self._ending.is_set():
                            break
            except OSError:
                time.sleep(0.5)

    # -- what came of it ---------------------------------------------------------------------

    def sent(self, gateway: Played | Followed) -> int:
        return gateway.made.total()

    def counts(self, gateway: str) -> dict[str, int]:
        """What the state has counted of a gateway, duplicates left out."""
        counted = self.store.gateway(gateway).counts
        return {tally: n for tally, n in counted.items() if tally != "duplicate" and n}

    def settled(self) -> bool:
        return (
            all(gateway.idle for gateway in self.gateways)
            and all(
                sum(self.counts(g.name).values()) >= self.sent(g)
                and not self.store.gateway(g.name).missing
                for g in self.gateways
            )
            and not self.shadow.behind
        )

    def _word(self) -> None:
        sent = sum(map(self.sent, self.gateways))
        counted = "?"
        with contextlib.suppress(Exception):  # Redis may just have been killed
            counted = f"{sum(sum(self.counts(g.name).values()) for g in self.gateways):,}"
        sizes = {
            name: lives[-1].mb[-1] for name, lives in self.sampler.lives.items() if lives[-1].mb
        }
        text = ", ".join(f"{name} {mb:.0f}" for name, mb in sizes.items())
        say(f"{sent:,} events given, {counted} counted, shadow {self.shadow.behind} behind; MB: "
            f"{text}")  # fmt: skip


def journalled(folder: Path) -> dict[tuple[str, str], set[int]]:
    """The sequence numbers in journals by gateway and boot."""
    from streamer.journal.reader import find_files, lines_of

    found: dict[tuple[str, str], set[int]] = {}
    for path in find_files([folder]):
        for portion in lines_of(path, lambda _: None):
            for line in portion:
                if "seq" in line and line["kind"] in ("heard", "route", "quarantined"):
                    found.setdefault((line["gateway"], line["boot"]), set()).add(line["seq"])
    return found


def duplicates(items: list[str]) -> Iterator[str]:
    """Those that are there more than once."""
    seen: set[str] = set()
    for item in items:
        if item in seen:
            yield item
        seen.add(item)


def short(value: Any) -> str:
    text = json.dumps(value, default=str)
    return text if len(text) <= 300 else f"{text[:300]}..."
