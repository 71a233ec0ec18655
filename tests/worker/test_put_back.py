"""What the broker retains is kept apart from what gateways say."""

from streamer.clock import ManualClock
from streamer.contract import topics
from streamer.mqtt.connection import Incoming
from streamer.state.store import Store, connect
from streamer.worker.put_back import PutBack
from tests.alerts.story import NOW_MS
from tests.state.scene import region

NOBODY = "redis://127.0.0.1:1"


def test_what_comes_after_it_has_stopped_reading_is_still_no_gateways() -> None:
    view = region()
    clock = ManualClock(NOW_MS)
    late = [
        Incoming(make(view.name, "X"), b'{"version": 1}', 0, True, 0)
        for make in (topics.fanout_topic, topics.reach_topic, topics.alert_topic)
    ]
    event = Incoming(
        topics.gateway_topic(view.name, "ridge", topics.Kind.HEARD), b"{}", 1, False, 1
    )
    looking = PutBack(Store(connect(NOBODY), view), clock)
    assert not looking.reads
    assert looking.sift([late[0], event, *late[1:]]) == [event]
