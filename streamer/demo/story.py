"""What the demo tells: a list of beats on the clock of the show, the same for every seed.

Times are seconds of the show at speed 1. The story starts again every `PERIOD_S`.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from streamer.demo.land import Place


class Turn(StrEnum):
    """What a beat does. The comments say who acts on it."""

    TELL = "tell"  # nobody: it only names what the world does anyway
    MADE_UP = "made_up"  # world
    CHECK_OUT = "check_out"  # world
    CHECK_IN = "check_in"  # world
    REPORT = "report"  # world
    FORGE = "forge"  # world
    REPEATER_DOWN = "repeater_down"  # world, agents, network
    REPEATER_UP = "repeater_up"
    GATEWAY_KILLED = "gateway_killed"  # world, agents, network
    GATEWAY_BACK = "gateway_back"
    REFUSE = "refuse"  # network: a repeater stops carrying and will not begin again
    OBEY = "obey"
    LOOP = "loop"  # network


@dataclass(frozen=True, slots=True)
class Beat:
    at_s: float
    turn: Turn
    subject: str
    text: str


PERIOD_S: Final = 120.0

DRIVER: Final = "QD1RVE"
LEAVER: Final = "QL2EAV"
FORGED: Final = "QF3RGD"
BASIN: Final = ("QB4ASA", "QB4ASB", "QB4ASC")
LEADER: Final = "QC5TRL"
MADE_UP: Final = "BASECAMP"

DRIVER_GROUP: Final = "SEARCH-1"
LEAVER_GROUP: Final = "SHORE"
FORGED_GROUP: Final = "SEARCH-2"
BASIN_GROUP: Final = "SUPPLY"
LEADER_GROUP: Final = "CONTROL"

STARVED: Final = "coldrane/vhf"
FAILING: Final = "galvern/vhf"
DYING: Final = "utterfen"
WRONG_CLOCK: Final = "yewdrack"
WRONG_CLOCK_S: Final = -7.0
FORGERY_AT: Final = "coldrane/vhf"

FORGED_HOME: Final = Place(-26, 31)
LEAVER_HOME: Final = Place(2, 30)
BASIN_HOMES: Final = (Place(-46, -20), Place(-50, -29), Place(-40, -26))
LEADER_HOME: Final = Place(14, 8)
# (seconds into the story, place): the drive over the east wall to the dead shore and back.
DRIVE: Final = (
    (0.0, Place(48, -2)),
    (8.0, Place(53, -3)),
    (14.0, Place(58.8, -4)),
    (16.0, Place(60, -5)),
    (76.0, Place(60, -5)),
    (84.0, Place(53, -4)),
    (100.0, Place(47, 0)),
    (PERIOD_S, Place(48, -2)),
)

BEATS: Final = (
    Beat(0, Turn.TELL, "", "stations key to their groups: the fan-outs fill"),
    Beat(1, Turn.TELL, WRONG_CLOCK, f"gateway {WRONG_CLOCK} runs 7 s slow: clock skew"),
    Beat(5, Turn.MADE_UP, MADE_UP, f"{MADE_UP} is no call sign: never a member"),
    Beat(7, Turn.REFUSE, STARVED, f"{STARVED} ceases to carry what it should: starved"),
    Beat(8, Turn.REPORT, DRIVER, f"{DRIVER} reports, then drives over the east wall"),
    Beat(11, Turn.CHECK_OUT, LEAVER, f"{LEAVER} checks out by text and is answered"),
    Beat(13, Turn.FORGE, FORGED, f"someone far away keys as {FORGED}: two places"),
    Beat(16, Turn.LOOP, "", "one over goes out twice by two paths: a loop"),
    Beat(22, Turn.REPEATER_DOWN, FAILING, f"{FAILING} fails: who is on it cannot be judged"),
    Beat(26, Turn.OBEY, STARVED, f"{STARVED} carries again"),
    Beat(33, Turn.TELL, DRIVER, f"{DRIVER} has been silent too long: overdue"),
    Beat(38, Turn.GATEWAY_KILLED, DYING, f"gateway {DYING} dies without goodbye"),
    Beat(50, Turn.REPEATER_UP, FAILING, f"{FAILING} is repaired"),
    Beat(53, Turn.TELL, DRIVER, f"{DRIVER} is now out of reach"),
    Beat(58, Turn.GATEWAY_BACK, DYING, f"gateway {DYING} comes back"),
    Beat(70, Turn.CHECK_IN, LEAVER, f"{LEAVER} checks in again"),
    Beat(84, Turn.TELL, DRIVER, f"{DRIVER} is back on this side of the wall"),
    Beat(100, Turn.TELL, "", "all is mended; soon the story starts again"),
)


def beats_between(after_s: float, until_s: float) -> list[Beat]:
    """The beats of (after_s, until_s], each with its time on the show's clock, in order."""
    found = []
    for round_no in range(max(0, int(after_s // PERIOD_S)), int(until_s // PERIOD_S) + 1):
        for beat in BEATS:
            at_s = beat.at_s + round_no * PERIOD_S
            if after_s < at_s <= until_s:
                found.append(Beat(at_s, beat.turn, beat.subject, beat.text))
    return found


def last_and_next(now_s: float) -> tuple[Beat, Beat]:
    """The beat that was reached last, and the one that comes next."""
    return (
        beats_between(now_s - PERIOD_S - 1, now_s)[-1],
        beats_between(now_s, now_s + PERIOD_S + 1)[0],
    )
