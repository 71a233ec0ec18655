"""What is said of a channel whose messages are not taken. Pure."""

import pytest

from streamer.alert_settings import WebhookSettings
from streamer.alerts.deliveries import channel_conditions, is_about
from streamer.alerts.routing import concerns
from streamer.contract.published import AlertKind
from streamer.state.alerting import Delivery
from tests.alerts.channels.making import alert
from tests.alerts.story import NOW_MS

MINUTE_MS, HOUR_MS = 60_000, 3_600_000
PAUSES_S = {"hook": 30.0, "other": 30.0, "mail": 0.0}


def queue(part: str, **changes: object) -> Delivery:
    made = {
        "part": part, "waiting": 0, "made_ms": None, "why": "", "gave_up": 0,
        "gave_up_first_ms": 0, "gave_up_last_ms": 0, "gave_up_why": "",
    }  # fmt: skip
    return Delivery(**{**made, **changes})  # type: ignore[arg-type]


def stuck(part: str, minutes: float = 3, why: str = "503") -> Delivery:
    made_ms = NOW_MS - round(minutes * MINUTE_MS)
    return queue(part, waiting=2, made_ms=made_ms, why=why)


def not_taken_up(part: str, seconds: float, **changes: object) -> Delivery:
    """Its oldest notice could have been taken up so long ago."""
    return queue(part, waiting=2, head_ms=NOW_MS - round(seconds * 1000), **changes)


def gave_up(part: str, minutes: float) -> Delivery:
    last_ms = NOW_MS - round(minutes * MINUTE_MS)
    return queue(
        part, gave_up=2, gave_up_first_ms=last_ms - MINUTE_MS, gave_up_last_ms=last_ms,
        gave_up_why="410",
    )  # fmt: skip


# NOW_MS is 08:00:00Z; the times are counted back from there by hand.
@pytest.mark.parametrize(
    ("queues", "title"),
    [([queue("hook")], None),
     ([stuck("hook", 2)], None),
     ([stuck("hook", 2.1)], "Channel hook does not deliver since 07:57:54Z"),
     ([gave_up("hook", 59)], "Channel hook gave up 2 messages since 07:00:00Z"),
     ([gave_up("hook", 60)], None),
     ([queue("hook"), stuck("hook#2"), queue("hook#3"), queue("hook#4")],
      "Channel hook fails at 1 of its 3 addresses since 07:57:00Z"),
     ([queue("hook"), stuck("hook#2"), stuck("hook#3", 5)],
      "Channel hook does not deliver since 07:55:00Z"),
     ([queue("hook"), gave_up("hook#2", 1), queue("hook#3")],
      "Channel hook fails at 1 of its 2 addresses since 07:58:00Z"),
     # No worker sends on it.
     ([not_taken_up("hook", 120)], None),
     ([not_taken_up("hook", 120.1)], "Channel hook does not deliver since 07:57:59Z"),
     # A message was told 60 s after the oldest was due; the next may come 30 s after that.
     ([not_taken_up("hook", 180.1, sent_ms=NOW_MS - 120_100)], None),
     ([not_taken_up("hook", 210.1, sent_ms=NOW_MS - 150_100)],
      "Channel hook does not deliver since 07:56:29Z"),
     # A message made by a clock that is ahead keeps nobody waiting.
     ([not_taken_up("hook", 120.1, sent_ms=NOW_MS + HOUR_MS)],
      "Channel hook does not deliver since 07:57:59Z"),
     # One is being sent: what waits behind it is no matter.
     ([queue("hook", waiting=3, made_ms=NOW_MS - 60_000, head_ms=NOW_MS - HOUR_MS)], None),
     ([queue("hook"), not_taken_up("hook#2", 200), queue("hook#3")],
      "Channel hook fails at 1 of its 2 addresses since 07:56:40Z"),
     # Its file cannot be read: nothing goes to any address.
     ([stuck("hook"), queue("hook#2"), queue("hook#3")],
      "Channel hook does not deliver since 07:57:00Z")],
)  # fmt: skip
def test_the_title_says_what_fails_and_since_when(
    queues: list[Delivery], title: str | None
) -> None:
    found = channel_conditions({"hook": queues, "other": [queue("other")]}, PAUSES_S, NOW_MS)
    assert [c.title for c in found] == ([] if title is None else [title])


def test_reasons_name_what_each_said_and_the_next_step_other_means() -> None:
    queues = [stuck("hook"), gave_up("hook#2", 5)]
    (found,) = channel_conditions({"hook": queues}, PAUSES_S, NOW_MS)
    assert found.reasons == (
        "2 notices not taken: 503", "2 messages given up, the last at 07:55:00Z: 410",
    )  # fmt: skip
    assert found.next_step.startswith("Tell those whom hook should reach by radio or telephone")


def test_of_what_no_worker_takes_up_the_reason_says_what_to_do() -> None:
    (found,) = channel_conditions({"hook": [not_taken_up("hook", 200)]}, PAUSES_S, NOW_MS)
    assert found.reasons == (
        "2 notices that no worker takes up: after a channel is added all workers must be started "
        "again",
    )


def test_the_next_step_names_the_lines_that_fail_where_others_do_not() -> None:
    queues = [queue("mail"), stuck("mail#2"), queue("mail#3"), gave_up("mail#5", 1)]
    (found,) = channel_conditions({"mail": queues}, PAUSES_S, NOW_MS)
    assert found.next_step.startswith("Tell those whom mail (line 2, 5 of its file) should reach")


def test_a_channel_is_not_told_of_itself_but_the_others_are() -> None:
    lost = alert(kind=AlertKind.CHANNEL_LOST, subject="hook")
    hook = WebhookSettings(name="hook", type="webhook", url="http://127.0.0.1/")
    other = hook.model_copy(update={"name": "other"})
    assert [concerns(channel, lost) for channel in (hook, other)] == [False, True]
    # A gateway may have a channel's name.
    assert not is_about(alert(subject="hook"), "hook")
    assert concerns(hook, alert(subject="hook"))
