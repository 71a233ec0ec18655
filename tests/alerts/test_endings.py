"""Why an alert is over is known to whoever says that nothing is wrong any more, and only then.
common practice, no source; the times are worked out by hand from the settings."""

import pytest

from streamer.contract.published import Alert
from tests.alerts.story import Story, condition
from tests.alerts.test_desk import OWNER, RIDGE, office_of
from tests.servers import Redis

WHY = "taken out of the region file"


@pytest.mark.redis
def test_why_it_is_over_is_kept_for_as_long_as_that_is_waited_for(empty_redis: Redis) -> None:
    """Well for 5 s: the report is taken away in the first round, the alert ends in a later one."""
    office = office_of(empty_redis.url, settle_s=0, clear_s=5)
    office.say(condition())
    office.turn()
    office.say(owner=OWNER, endings={RIDGE: WHY})
    office.turn(1)
    assert office.store.report_of(OWNER) is None
    assert RIDGE in office.alerts
    last, _ = office.turn(5)
    assert Alert.model_validate_json(last.payload).cleared_because == WHY


def test_what_came_back_meanwhile_ends_for_reasons_of_its_own() -> None:
    story = Story().say(condition())
    story.until(6)
    story.endings[RIDGE] = WHY
    story.over(condition()).look(1)
    story.endings.clear()
    story.say(condition()).look(1)
    story.over(condition()).look(1)
    story.look(5)
    assert story.alert(RIDGE).cleared_because == "it reports again"
