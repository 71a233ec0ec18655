"""What is checked and woken before a worker begins."""

import pytest

from streamer.state.shapes import Claim
from streamer.state.store import Store, StoreMismatch, StoreUnavailable, connect
from tests.servers import Redis
from tests.state.scene import START_MS, region

pytestmark = pytest.mark.redis
FEWER = [{"name": "NET"}]


def woken(store: Store, now_ms: int) -> set[str]:
    claims: list[Claim] = []
    for partition in store.partitions:
        claims += store.claim_due(partition, now_ms)
    return {claim.subject for claim in claims}


ALL = {"g/RESCUE", "g/NET", "g/TALK", "w/ridge", "w/lake", "w/mill"}


def test_every_group_and_gateway_is_looked_at(empty_redis: Redis) -> None:
    with connect(empty_redis.url) as client:
        store = Store(client, region())
        store.prepare(START_MS)
        assert woken(store, START_MS) == ALL


def test_a_dropped_group_is_looked_at_once_more_even_after_a_crash(
    empty_redis: Redis, monkeypatch: pytest.MonkeyPatch
) -> None:
    with connect(empty_redis.url) as client:
        Store(client, region()).prepare(START_MS)
        client.delete(*[Store(client, region()).keys.due(p) for p in range(3)])
        store = Store(client, region(group=FEWER))
        with monkeypatch.context() as broken:
            broken.setattr(Store, "wake", lambda *_: (_ for _ in ()).throw(StoreUnavailable()))
            with pytest.raises(StoreUnavailable):
                store.prepare(START_MS)
        store.prepare(START_MS)
        assert woken(store, START_MS) == ALL
        client.delete(*[store.keys.due(p) for p in range(3)])
        store.prepare(START_MS)
        assert woken(store, START_MS) == ALL - {"g/RESCUE", "g/TALK"}


def test_state_of_another_number_of_partitions_is_not_mixed(empty_redis: Redis) -> None:
    with connect(empty_redis.url) as client:
        Store(client, region()).prepare(START_MS)
        with pytest.raises(StoreMismatch, match="partitions = 3, the region file says 4"):
            Store(client, region(partitions=4)).prepare(START_MS)
        Store(client, region()).prepare(START_MS)


def test_a_redis_that_throws_keys_away_is_not_used(empty_redis: Redis) -> None:
    with connect(empty_redis.url) as client:
        client.config_set("maxmemory-policy", "allkeys-lru")
        try:
            with pytest.raises(StoreMismatch, match="maxmemory-policy allkeys-lru"):
                Store(client, region()).prepare(START_MS)
        finally:
            client.config_set("maxmemory-policy", "noeviction")


def test_a_redis_that_is_away_is_said_to_be(empty_redis: Redis) -> None:
    with connect(f"unix://{empty_redis.folder}/nowhere.sock") as client:
        store = Store(client, region())
        for ask in (store.ping, lambda: store.prepare(START_MS), lambda: store.groups(["NET"])):
            with pytest.raises(StoreUnavailable, match="Redis: ConnectionError"):
                ask()
