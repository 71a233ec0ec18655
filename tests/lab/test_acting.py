"""What people ordered, done again from its entries on another Redis."""

import pytest

from streamer.acts.acts import Acts
from streamer.clock import ManualClock
from streamer.lab.acting import KNOWN, do_again
from streamer.state.entries import Act
from streamer.state.store import Store, connect
from tests.servers import Redis
from tests.state.scene import START_MS, region


def test_every_act_can_be_done_again() -> None:
    assert set(KNOWN) == set(Act)


@pytest.mark.redis
def test_planned_work_is_the_same_work_again(empty_redis: Redis) -> None:
    store, clock = Store(connect(empty_redis.url), region()), ManualClock(START_MS)
    acts = Acts(store, clock)
    work = acts.start_maintenance("ridge", 3600, "ann", "new antenna")
    acts.start_maintenance("lake", 60, "bob")
    clock.advance_s(10)
    acts.end_maintenance(work.id, "bob", "done early")
    entries, works = acts.log()[::-1], store.works()
    empty_redis.client().flushall()
    assert [do_again(store, entry) for entry in entries] == [None, None, None]
    assert store.works() == works
