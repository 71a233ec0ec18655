"""Of everything that a report shows, who was out of reach: see `streamer.report.facts`."""

from pydantic import Field

from streamer.contract.common import Moment
from streamer.contract.published import Standing
from streamer.reading.common import Document


class OutOfReachRow(Document):
    """Somebody who was out of reach in a group of the duty at some time of the report, by a roster
    or by an alert, also who was heard again. Not heard does not mean in danger.

    The silence is the longest of those in which it was out of reach: from the last over before it
    (to anybody) to the next one or, if none came, to the end of the time of the report. It goes on
    through a gap in the record.
    """

    station: str
    on_roster: bool
    name: str
    assignment: str
    groups: tuple[str, ...] = Field(description="groups of the duty in which it was so")
    times: int = Field(description="how often, by the rosters; 0: by an alert alone")
    first_at: Moment
    out_s: float = Field(description="in the recorded time, by the rosters, of all those times")
    last_heard_at: Moment | None = Field(description="before the silence; null: not in the record")
    heard_again_at: Moment | None = Field(description="after the silence; null: not until the end")
    silence_s: float | None = Field(description="null: its begin is not in the record")
    standing: Standing | None = Field(description="at the end, as in the check-in list")
    alerts: int = Field(description="alerts about it that stood in the time of the report")
    taken_at: Moment | None = Field(description="first time that somebody took one in hand")
    taken_by: str | None
