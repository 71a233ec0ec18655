"""A record played to a board: on, to a time, back; without a thread, a turn at a time.

Nothing outside says what the state at a time should be; here two ways to it are compared, and what
the region's policy says by itself (see `tests.lab.player_record`) is worked out by hand.
"""

import asyncio
import json
from collections.abc import Iterator
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

import pytest
import redis as redis_client

from streamer.board import acting, duty_api
from streamer.board.replaying import AlertTick, words
from streamer.board.tables import Tables
from streamer.clock import ManualClock, from_ms, to_ms
from streamer.contract.published import AlertState, Severity
from streamer.journal import lines as make
from streamer.journal.reader import JournalError, read, settings_text
from streamer.lab import player_scene
from streamer.lab.player import TURN_S, Player
from streamer.lab.player_board import app_of, databases, settings_for
from streamer.lab.player_tape import COLUMNS, Reel, Tape, look_through
from streamer.lab.replay import Replay
from streamer.state.store import Store, connect
from tests.board.desk import Asker
from tests.lab.player_record import END_MS, MOVED_S, alert_line, at_ms, write_record
from tests.servers import Redis
from tests.state.canonical import canonical, without_traces
from tests.state.scene import START_MS, region

pytestmark = pytest.mark.redis


def never(words: str) -> None:
    raise AssertionError(words)


def tape_of(folder: Path) -> Tape:
    return look_through(partial(read, [folder]), never)


@pytest.fixture(scope="module")
def tape(tmp_path_factory: pytest.TempPathFactory) -> Tape:
    return tape_of(write_record(tmp_path_factory.mktemp("record")))


@pytest.fixture
def player(tape: Tape, empty_redis: Redis) -> Player:
    return Player(tape, databases(empty_redis.url), ManualClock())


def state_of(player: Player) -> dict[str, Any]:
    with redis_client.Redis.from_url(player.scene.url, decode_responses=True) as client:
        return canonical(client, "scene")


def go(player: Player, seconds: float) -> None:
    player.ask(to_ms=at_ms(seconds))
    player.turn()
    assert player.status().trouble is None
    assert player.now_ms == at_ms(seconds)


def rows(player: Player, table: str) -> dict[str, Any]:
    return {key: row.model_dump(mode="json") for key, row in player.tables._latest[table].items()}


def standing(player: Player, station: str) -> str:
    return str(rows(player, "roster/RESCUE")[station]["standing"])


# -- the tape ------------------------------------------------------------------------------------


def test_a_tape_knows_its_ends_and_its_region(tape: Tape) -> None:
    assert (tape.begin_ms, tape.end_ms) == (START_MS, END_MS)
    assert tape.view.name == "scene"
    assert tape.given is None


def test_alerts_are_marked_where_they_come_and_go(tmp_path: Path) -> None:
    """Published again while open, in hand, or by a second worker: no other mark."""
    o, a, c = AlertState.OPEN, AlertState.ACKNOWLEDGED, AlertState.CLEARED
    said = [(100, o), (110, o), (120, a), (200, c), (200, c), (300, o)]
    lines = [alert_line(s, state, n + 1) for n, (s, state) in enumerate(said)]
    tape = tape_of(write_record(tmp_path, lines))
    warning = Severity.WARNING
    assert tape.ticks == tuple(
        AlertTick(at=from_ms(at_ms(s)), raised=raised, severity=warning)
        for s, raised in ((100, True), (200, False), (300, True))
    )


def test_of_very_many_alerts_there_is_one_mark_for_each_part(tmp_path: Path) -> None:
    """480 s in 400 parts are 1200 ms each; raised every 400 ms for 30 s: 25 parts of three."""
    lines = [alert_line(120 + n * 0.4, AlertState.OPEN, 1, f"a-{n}") for n in range(75)]
    tape = tape_of(write_record(tmp_path, lines))
    assert COLUMNS == 400
    assert len(tape.ticks) == 25


def test_a_reel_gives_each_line_once() -> None:
    lines = [{"noted_ms": n, "kind": "x"} for n in (1, 2, 2, 5, 9)]
    reel = Reel(iter(lines))
    pieces = [[line["noted_ms"] for line in reel.until(ms)] for ms in (0, 2, 4, 5, 100, 100)]
    assert pieces == [[], [1, 2, 2], [], [5], [9], []]


def test_what_is_no_record_is_refused_in_words() -> None:
    with pytest.raises(JournalError, match="no line that can be read"):
        look_through(lambda _: iter([]), never)
    begin = {"kind": "begin", "noted_ms": 5, "region": "scene"}
    with pytest.raises(JournalError, match="give --region FILE"):
        look_through(lambda _: iter([begin]), never)


@pytest.mark.parametrize(
    ("begin", "end", "now", "said"),
    [
        ("2026-11-28T12:55:09Z", "2026-11-28T13:40:00Z", "2026-11-28T13:02:11Z",
         "of 2026-11-28 12:55 to 13:40, at 13:02:11Z: not live"),
        ("2026-11-28T12:55:09Z", "2026-12-05T01:00:00Z", "2026-12-01T13:02:11Z",
         "of 2026-11-28 12:55 to 2026-12-05 01:00, at 2026-12-01 13:02:11Z: not live"),
    ],
)  # fmt: skip
def test_the_banner_names_record_and_time(begin: str, end: str, now: str, said: str) -> None:
    assert words(*(to_ms(datetime.fromisoformat(text)) for text in (begin, end, now))) == said


# -- going ---------------------------------------------------------------------------------------


def test_it_begins_at_rest_at_the_begin(player: Player) -> None:
    status = player.status()
    assert (status.now, status.playing, status.speed) == (from_ms(START_MS), False, 1.0)
    player.turn()
    assert player.now_ms == START_MS


@pytest.mark.parametrize(
    ("seconds", "expected"),
    [(150, "in_reach"), (170, "overdue"), (230, "out_of_reach"), (350, "expired")],
)
def test_a_time_shows_what_the_policy_says_of_it(
    player: Player, seconds: int, expected: str
) -> None:
    go(player, seconds)
    assert standing(player, "QB2DEF") == expected
    assert standing(player, "QA1ABC") == "in_reach"


def test_back_is_what_it_was(player: Player) -> None:
    """The last over of QA1ABC at ridge/uhf, then at lake/uhf, then before that again."""
    places = []
    for seconds in (260, MOVED_S + 5, 260, 20, 475, 0):
        go(player, seconds)
        places.append(rows(player, "places").get("QA1ABC", {}).get("repeater"))
    assert places == ["ridge/uhf", "lake/uhf", "ridge/uhf", "ridge/uhf", "lake/uhf", "ridge/uhf"]
    assert player.status().moves == 6
    assert rows(player, "places").keys() == {"QA1ABC"}, "QB2DEF first keys at 40 s"


def test_back_and_straight_come_to_the_same_state(player: Player, empty_redis: Redis) -> None:
    """By a player that went beyond it and back; by one that played a turn at a time; by a replay
    that knows of no player."""
    go(player, 475)
    go(player, 251)
    back = state_of(player)
    shown = {t: without_traces(rows(player, t)) for t in sorted(player.tables.names - {"replay"})}
    assert len(back) >= 18

    stepping = Player(player.tape, databases(empty_redis.url), ManualClock(), speed=100.0)
    stepping.ask(playing=True)
    for _ in range(10):
        stepping.turn()
    stepping.ask(speed=4.0)
    stepping.turn()
    assert stepping.now_ms == at_ms(251)
    assert state_of(stepping) == back
    for table, found in shown.items():
        assert without_traces(rows(stepping, table)) == found, table

    with empty_redis.client() as client:
        client.flushall()
    plain = Replay(lambda view: [Store(connect(empty_redis.url), view)], 1000)
    for _ in plain.play(player.tape.wind().until(at_ms(251)), at_ms(251)):
        pass
    with empty_redis.client() as client:
        assert canonical(client, "scene") == back


@pytest.mark.parametrize("speed", [1, 10, 60, 600])
def test_a_turn_is_a_quarter_of_a_second_times_the_speed(player: Player, speed: int) -> None:
    player.ask(speed=speed, playing=True)
    for turn in (1, 2, 3):
        player.turn()
        assert player.now_ms == START_MS + turn * speed * 250
    player.ask(playing=False)
    player.turn()
    assert player.now_ms == START_MS + 3 * speed * 250
    assert TURN_S == 0.25


def test_at_the_end_it_rests(player: Player) -> None:
    player.ask(to_ms=END_MS - 5000, speed=10, playing=True)
    player.turn()
    assert player.status().playing
    for _ in range(4):
        player.turn()
    assert (player.now_ms, player.status().playing) == (END_MS, False)
    assert not player.ask(playing=True).playing
    assert player.ask(to_ms=START_MS, playing=True).playing, "it is to go on from there"
    player.turn()
    player.turn()
    assert player.now_ms == START_MS + 2500


def test_a_move_beyond_the_ends_is_to_the_ends(player: Player) -> None:
    assert player.ask(to_ms=END_MS + 1).moving_to == from_ms(END_MS)
    assert player.ask(to_ms=START_MS - 1).moving_to == from_ms(START_MS)


class Hasty(Player):
    """Somebody changes their mind on the way."""

    elsewhere_ms: int | None = None
    seen: list[int | None]

    def _tell(self) -> None:
        super()._tell()
        if self._moved_pct and self.elsewhere_ms is not None:
            self.seen = [self._moved_pct, self.now_ms]
            to_ms, self.elsewhere_ms = self.elsewhere_ms, None
            self.ask(to_ms=to_ms)


@pytest.mark.parametrize(("first_s", "then_s"), [(100, 200), (450, 330), (450, 120), (100, 50)])
def test_the_newest_order_counts(
    tape: Tape, empty_redis: Redis, monkeypatch: pytest.MonkeyPatch, first_s: int, then_s: int
) -> None:
    """A move that is given up on the way leaves what is shown whole."""
    monkeypatch.setattr(player_scene, "PORTION", 5)
    player = Hasty(tape, databases(empty_redis.url), ManualClock())
    go(player, 300)
    moves = player.status().moves
    player.elsewhere_ms = at_ms(then_s)
    player.ask(to_ms=at_ms(first_s))
    player.turn()
    assert player.status().moving_to == from_ms(at_ms(then_s))
    assert player.status().moves == moves
    assert player.now_ms == at_ms(300) if first_s < 300 else player.now_ms < at_ms(first_s)
    player.turn()
    assert (player.now_ms, player.status().moving_to) == (at_ms(then_s), None)
    given_up = state_of(player)
    straight = Player(tape, databases(empty_redis.url), ManualClock())
    go(straight, then_s)
    assert given_up == state_of(straight)


def test_without_redis_it_stands_still_and_says_so(tape: Tape) -> None:
    redis = Redis()
    redis.start()
    try:
        player = Player(tape, databases(redis.url), ManualClock())
        go(player, 200)
        redis.kill()
        player.ask(playing=True)
        player.turn()
        status = player.status()
        assert not status.playing
        assert "Redis" in str(status.trouble)
        assert rows(player, "replay")["replay"]["trouble"] == status.trouble
        redis.start()
        go(player, 230)  # forwards, and yet from the begin: what was there is gone
        assert standing(player, "QB2DEF") == "out_of_reach"
        redis.kill()
        player.ask(playing=True)
        player.turn()
        redis.start()
        # The clock was on its way when Redis went.
        assert player.ask(playing=True).moving_to == from_ms(at_ms(230) + 250)
        player.turn()
        player.turn()
        assert player.now_ms == at_ms(230) + 500
        assert standing(player, "QA1ABC") == "in_reach"
    finally:
        redis.close()


# -- on the board --------------------------------------------------------------------------------


@pytest.fixture
def asker(player: Player) -> Iterator[Asker]:
    app = app_of(player, settings_for(8750), ManualClock())
    with asyncio.Runner() as runner:
        asker = Asker(app, runner)
        asker.token = asker.get("/api/v1/session").json()["csrf_token"]
        yield asker


def test_the_api_says_where_it_is_and_takes_orders(asker: Asker, player: Player) -> None:
    said = asker.get("/api/replay").json()
    assert said["begin"] == said["now"] == from_ms(START_MS).isoformat().replace("+00:00", "Z")
    assert (said["speed"], said["playing"], said["alerts"]) == (1.0, False, [])
    to = from_ms(at_ms(200)).isoformat()
    said = asker.ask("POST", "/api/replay", {"to": to, "speed": 60, "playing": True}).json()
    assert (said["speed"], said["playing"], said["moved_pct"]) == (60.0, True, 0)
    player.turn()
    assert player.now_ms == at_ms(200)
    player.turn()
    assert player.now_ms == at_ms(215)
    said = asker.get("/api/replay").json()
    assert (said["moving_to"], said["moved_pct"], said["moves"]) == (None, None, 1)


@pytest.mark.parametrize(
    "body",
    [{"to": "yesterday"}, {"to": "2026-11-28T12:00:00"}, {"to": from_ms(END_MS + 1).isoformat()},
     {"to": from_ms(START_MS - 1).isoformat()}, {"speed": 0}, {"speed": 1e9}, {"speed": "NaN"},
     {"playing": "perhaps"}, {"back": True}],
)  # fmt: skip
def test_a_wrong_order_is_refused_in_words(asker: Asker, player: Player, body: Any) -> None:
    before = player.status()
    said = asker.ask("POST", "/api/replay", body)
    assert said.status_code == 422
    assert f"body.{next(iter(body))}" in said.json()["detail"]
    assert player.status() == before


def test_orders_are_guarded_as_every_change(asker: Asker, player: Player) -> None:
    body = {"playing": True}
    other = {"sec-fetch-site": "cross-site"}
    assert asker.ask("POST", "/api/replay", body, headers=other).status_code == 403
    asker.token = "wrong"
    assert asker.ask("POST", "/api/replay", body).status_code == 403
    assert not player.status().playing


def test_nobody_acts_in_a_replay(asker: Asker, player: Player) -> None:
    """Every act that a board has: its address is not there, and the role would not do."""
    go(player, 230)
    before = state_of(player)
    assert asker.get("/api/v1/session").json()["role"] == "view"
    routes = [*acting.router.routes, *duty_api.acts.routes]
    acts = [(m, str(vars(r)["path"])) for r in routes for m in getattr(r, "methods", ())]
    assert len(acts) > 10
    for method, path in acts:
        fields = {"group": "RESCUE", "gateway": "ridge", "port": "uhf", "station": "QA1ABC",
                  "alert_id": "x", "duty_id": "x", "maintenance_id": "x", "call": "QX"}  # fmt: skip
        address = path.replace(":path", "").format(**fields)
        assert asker.ask(method, address, {}).status_code in (404, 405), address
    assert state_of(player) == before


def test_every_page_says_that_it_is_not_live(asker: Asker, player: Player) -> None:
    go(player, 200)
    said = player.status().said
    paths = ("/", "/groups", "/groups/RESCUE", "/groups/RESCUE/members", "/map", "/wall",
             "/quarantine", "/duties", "/repeaters/ridge/uhf", "/stations/QA1ABC",
             "/nowhere")  # fmt: skip
    for path in paths:
        page = asker.get(path).text
        assert said in page, path
        assert "<title>REPLAY, not live: " in page, path


def test_what_is_asked_of_redis_is_of_the_time_shown(asker: Asker, player: Player) -> None:
    def station() -> tuple[str, str]:
        said = asker.get("/api/v1/stations/QA1ABC").json()
        return said["at"], said["path"][0]["repeater"]

    for seconds, repeater in ((300, "lake/uhf"), (200, "ridge/uhf"), (460, "lake/uhf")):
        go(player, seconds)
        at = from_ms(at_ms(seconds)).isoformat().replace("+00:00", "Z")
        assert station() == (at, repeater)
    head = asker.get("/api/v1/head").json()["rows"]["head"]
    assert head["stale_since"] is None
    assert head["notes"] == []
    assert head["air"] is None, "it would tell how the record was played"


def test_a_region_file_that_changed_on_the_way(tmp_path: Path, empty_redis: Redis) -> None:
    """Without the group NET from 240 s on; pages and tables go with it, forwards and back."""
    fewer = region(group=[{"name": "RESCUE", "pins": ["mill/vhf"]}])
    tape = tape_of(write_record(tmp_path, [make.region(at_ms(240), settings_text(fewer))]))
    player = Player(tape, databases(empty_redis.url), ManualClock())
    app = app_of(player, settings_for(8750), ManualClock())
    for seconds, there in ((230, True), (250, False), (230, True), (480, False)):
        go(player, seconds)
        assert ("roster/NET" in player.tables.names) == there
        assert ("NET" in app.state.view.groups) == there
        assert app.state.picture is player.scene.picture
        assert app.state.picture.tables is player.tables
        assert "replay" in player.tables.names


def test_tables_are_taken_over_at_once() -> None:
    """Who follows gets what differs, and keeps what does not."""
    shown, other = Tables(["a", "b", "own"]), Tables(["a", "c", "own"])
    tick = {n: AlertTick(at=from_ms(n), raised=True, severity=Severity.WARNING) for n in range(4)}
    shown.replace("a", {"same": tick[0], "old": tick[1]})
    shown.put("b", "x", tick[1])
    shown.put("own", "x", tick[1])
    shown.settle()
    since = shown.version
    other.replace("a", {"same": tick[0], "new": tick[2]})
    other.put("c", "x", tick[3])
    shown.take_over(other, but=["own"])
    shown.settle()
    changed = {}
    for name in ("a", "b", "c", "own"):
        delta = shown.delta(name, since)
        said = json.loads(delta.json) if delta else {"rows": {}, "gone": []}
        changed[name] = sorted(said["rows"]), said["gone"]
    assert changed == {
        "a": (["new"], ["old"]), "b": ([], ["x"]), "c": (["x"], []), "own": ([], []),
    }  # fmt: skip
    assert shown.names == {"a", "c", "own"}
