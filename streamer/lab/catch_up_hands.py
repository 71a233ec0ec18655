"""In whose hands alerts are, by what was published of them. Pure.

Every trouble of the same subject has the same alert id. What somebody took in hand may have cleared
since, and opened again in nobody's hand: then their acknowledgement is not of what stands now.
"""

from pydantic import BaseModel

from streamer.clock import to_ms
from streamer.contract.common import Moment
from streamer.contract.published import AlertState
from streamer.contract.topics import alert_topic
from streamer.journal import lines as journal
from streamer.journal.lines import Line
from streamer.state.entries import Entry


class _Word(BaseModel):
    """The fields of a published alert that matter here, of any version of this program."""

    state: AlertState
    opened_at: Moment
    unheld_since: Moment | None = None
    cleared_at: Moment | None = None


class _Held(BaseModel):
    acknowledged_by: str | None = None
    acknowledged_at: Moment | None = None


class Hands:
    """Takes a journal's lines, in any order."""

    def __init__(self, region: str) -> None:
        self._begin = alert_topic(region, "")
        self._freed: dict[str, tuple[int, bool]] = {}

    def note(self, line: Line) -> None:
        """Take in a line that says what was published of an alert; others are passed over. Raises
        KeyError, ValueError for one that lacks what it should have."""
        if line["kind"] != journal.PUBLISHED or not str(line["topic"]).startswith(self._begin):
            return
        payload = line["payload"]
        word = _Word.model_validate_json(payload) if payload else None
        if word is None:
            freed = line["noted_ms"], False
        elif word.state is AlertState.CLEARED:
            # Not when it was noted: it may have waited long for the broker.
            freed = to_ms(word.cleared_at) if word.cleared_at else line["noted_ms"], False
        elif word.state is AlertState.OPEN:
            freed = to_ms(word.unheld_since or word.opened_at), True
        else:
            return
        alert_id = line["topic"].removeprefix(self._begin)
        self._freed[alert_id] = max(freed, self._freed.get(alert_id, freed))

    def freed_ms(self, alert_id: str) -> int:
        """When it was last cleared, or in nobody's hand anew; 0 if never."""
        return self._freed.get(alert_id, (0, False))[0]

    def opened_anew(self, alert_id: str, text: str) -> tuple[str, int] | None:
        """Who holds an alert of the store (JSON), and since when it stood open in nobody's hand
        nevertheless; None where it did not, or has only cleared. Raises ValueError."""
        freed_ms, is_open = self._freed.get(alert_id, (0, False))
        held = _Held.model_validate_json(text)
        if not is_open or held.acknowledged_by is None or held.acknowledged_at is None:
            return None
        return (held.acknowledged_by, freed_ms) if freed_ms > to_ms(held.acknowledged_at) else None


def taken_ms(entry: Entry, line: Line) -> int:
    """When an alert was taken in hand. Whose clock is ahead, took it no later than it was noted."""
    noted_ms: int = line["noted_ms"]
    return min(to_ms(entry.at), noted_ms)
