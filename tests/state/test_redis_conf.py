"""One server as configs/redis.conf and redis.acl set it up."""

import re
from collections.abc import Iterator
from dataclasses import replace
from importlib import resources
from pathlib import Path

import pytest
from redis.exceptions import NoPermissionError

from streamer.redis_settings import RedisAddress, RedisSettings, redis_address
from streamer.state.keys import BOOTS_KEPT
from streamer.state.shapes import GatewayBatch
from streamer.state.store import Store, StoreUnavailable, connect
from tests.redis_secured import WORDS, PlainServer, acl_text
from tests.state.scene import START_MS, Bench, region
from tests.state.test_scripts import live_through

pytestmark = pytest.mark.redis


@pytest.fixture(scope="module")
def server() -> Iterator[PlainServer]:
    made = PlainServer("scene")
    try:
        made.start()
        yield made
    finally:
        made.close()


@pytest.fixture
def address(server: PlainServer, monkeypatch: pytest.MonkeyPatch) -> RedisAddress:
    monkeypatch.setenv("STREAMER_REDIS_PASSWORD", WORDS["streamer"])
    url = f"redis://streamer@{server.address}/0"
    return redis_address(url, None, RedisSettings())


def test_the_account_of_workers_may_do_all_that_they_do(
    server: PlainServer, address: RedisAddress
) -> None:
    bench = Bench(region(), address)
    live_through(bench)
    assert bench.worker().store.gateway("ridge").counts["heard"] > 0
    bench.client.close()
    with server.client() as client:
        assert client.acl_log() == []  # nothing was denied on the way
        said = client.config_get("append*")
        assert (said["appendonly"], said["appendfsync"]) == ("yes", "always")
        assert client.config_get("maxmemory-policy")["maxmemory-policy"] == "noeviction"


def test_the_account_of_workers_may_do_all_that_the_scripts_ask_for() -> None:
    """Seldom ways too: what is refused in a script would be tried again for ever."""
    scripts = Path(str(resources.files("streamer.state"))) / "lua"
    text = "".join(path.read_text() for path in scripts.glob("*.lua"))
    asked = set(re.findall(r"redis\.call\(\s*'(\w+)'", text))
    assert len(asked) > 20
    assert text.count("redis.call(") == len(re.findall(r"redis\.call\(\s*'\w+'", text))
    line = next(ln for ln in acl_text("scene").splitlines() if ln.startswith("user streamer "))
    assert {f"+{name.lower()}" for name in asked} <= set(line.split())


def test_old_holes_are_allowed_too(
    server: PlainServer, address: RedisAddress, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("streamer.state.keys.RANGES_KEPT", 1)
    monkeypatch.setattr("streamer.state.keys.HOLES_KEPT", 2)
    with connect(address) as client:
        store = Store(client, region())
        for n in range(BOOTS_KEPT + 2):
            events = [(f"boot{n:04d}", seq, "heard", "", "", START_MS) for seq in (1, 3, 5, 7, 4)]
            batch = GatewayBatch(list(events))
            assert store.apply_gateways({"ridge": batch}, START_MS)["ridge"][0] == "11111"
    with server.client() as admin:
        assert admin.acl_log() == []


def test_it_reaches_no_other_region(address: RedisAddress) -> None:
    with connect(address) as client:
        other = Store(client, region(region="other"))
        for ask in (lambda: other.prepare(START_MS), other.all_alerts, other.live):
            with pytest.raises(StoreUnavailable, match="NoPermissionError"):
                ask()
        with pytest.raises(NoPermissionError):
            client.flushall()


def test_nobody_else_is_let_in(address: RedisAddress) -> None:
    for url in (f"redis://{address.place}/0", f"redis://streamer:hidden-word@{address.place}/0"):
        with connect(replace(address, url=url)) as client, pytest.raises(StoreUnavailable) as said:
            Store(client, region()).ping()
        assert "hidden-word" not in f"{said.value} {said.value.__cause__!r}"
