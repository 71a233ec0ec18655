"""A region with something going on, so that every page has all that it can show.

Somebody out of reach, somebody overdue before long, a starved repeater, an idle one, a lost
gateway with a member on it, a call sign in two places, a loop, what is no call sign, what is no
JSON, an exercise, a roll call, a pin and a bar, an alert that somebody has in hand, planned work at
a repeater that is down.
"""

import math
import random
from typing import Any, Final

from streamer.contract.topics import Kind
from streamer.demo.land import Place
from tests.board.gateways import Gateways
from tests.board.rig import Client
from tests.servers import wait_until

GROUP: Final = "SEARCH-1"
LOST_MEMBER: Final = "QD1RVE"
LOST_AT: Final = "mirrosk/vhf"
MOVING: Final = "QS2AAA"
STARVED: Final = "thornvask/vhf"
LAST_WORDS: Final = "GOING EAST"
FORGED: Final = "QF3RGD"
DEAD_GATEWAY: Final = "utterfen"
DOWN: Final = "galvern/vhf"
WORK: Final = "The antenna is changed."
IN_HAND: Final = f"gateway_lost.{DEAD_GATEWAY}"
MADE_UP: Final = "BASECAMP"
EXERCISE: Final = "Long hill"

NOT_HEARD: Final = ("QN4AWY", "QN6LAT")
ROSTER: Final = f"""call,name,home unit,assignment,group
{LOST_MEMBER},Imra of the east,Hill club,Driver of the second car,{GROUP}
{MOVING},Odo,Hill club,Search on foot,{GROUP}
QS3BBB,Runa,Boat crew,Search on foot,CONTROL
QC5TRL,Tove,County,Net control,CONTROL
QB4ASA,Wim,Boat crew,Supply,
QF4GHI,,,,
{NOT_HEARD[0]},Ysolt,County,Relay on the ridge,{GROUP}
{NOT_HEARD[1]},Zander,Hill club,Search on foot,{GROUP}
"""
"""Who is expected at the exercise: some are heard elsewhere, two are not heard at all."""

PAGES: Final = {
    "now": "/",
    "groups": "/groups",
    "group": f"/groups/{GROUP}",
    "members": f"/groups/{GROUP}/members",
    "map": f"/map?look={LOST_MEMBER}&coverage=ondrik/vhf",
    "repeater": f"/repeaters/{LOST_AT}",
    "station": f"/stations/{LOST_MEMBER}",
    "wall": "/wall",
    "quarantine": "/quarantine",
    "duties": "/duties",
    "log": "/log",
}
"""Every page for those who are signed in, each at an address where it has something to show."""
OPEN_PAGES: Final = {"sign-in": "/sign-in", "public": "/public"}
"""Those for everybody, on a board with users and a public view."""
PROBLEM: Final = "/groups/NOWHERE"

_TALKERS: Final = 24
_DAY_S: Final = 23 * 3600.0
_PATH_S: Final = 3 * 3600
_PATH_STEP_S: Final = 720
"""So that all of it is among the overs that are kept of a station."""


def set_scene(gateways: Gateways, client: Client) -> None:
    """Let it all happen and wait until the board shows it."""
    _past(gateways)
    _talk_of_a_day(gateways)
    _members(gateways)
    _troubles(gateways)
    # The driver's past alone is out of reach already; what is waited for is the last over's age.
    wait_until(lambda: _text_of(client, LOST_MEMBER) == LAST_WORDS, "all that was told")
    wait_until(lambda: _standing(client, LOST_MEMBER) == "out_of_reach", "a member out of reach")
    starved = f"repeater_starved.SUPPLY.{STARVED.replace('/', '.')}"
    wanted = {starved, IN_HAND, f"two_places.{FORGED}", "loop.SEARCH-2"}
    wait_until(lambda: wanted <= set(client.rows("alerts")), f"the alerts {wanted}")
    wait_until(lambda: _quarantined(client), "the quarantine")
    _acts(client)
    wait_until(lambda: client.rows("head")["head"]["duties"], "the exercise on the board")
    wait_until(lambda: client.rows("alerts")[IN_HAND]["state"] == "acknowledged", "it in hand")
    wait_until(lambda: client.rows("maintenance"), "the planned work on the board")


def _past(gateways: Gateways) -> None:
    """Three hours of a drive, told late as after a break of the line: path and charts have it."""
    for step in range(_PATH_S // _PATH_STEP_S, 0, -1):
        turn = step / 2.4
        place = Place(30 + 14 * math.cos(turn), 12 + 9 * math.sin(turn * 0.7))
        where = "ondrik/vhf" if math.cos(turn) < 0 else LOST_AT
        level = -95 - 14 * math.sin(turn)
        ago_s = float(step * _PATH_STEP_S)
        more = {"rssi_dbm": round(level, 1), "ber_pct": round(max(0.1, (-level - 90) / 6), 2)}
        gateways.key(LOST_MEMBER, where, GROUP, place, ago_s=ago_s, **more)


def _talk_of_a_day(gateways: Gateways) -> None:
    """What a repeater hears in a day from stations that belong to no group, the evening busiest."""
    chance = random.Random(1)
    for number in range(_TALKERS):
        station = f"QT{number % 10}{chance.choice('ABCDEF')}{chance.choice('GHIJK')}N"
        level = chance.uniform(-112, -78)
        for _ in range(chance.randint(2, 10)):
            ago_s = min(_DAY_S, max(60.0, chance.gauss(10 * 3600, 5 * 3600)))
            said: dict[str, Any] = {"rssi_dbm": round(level + chance.gauss(0, 3), 1)}
            said["ber_pct"] = round(max(0.0, (-level - 95) / 5 + chance.random()), 2)
            gateways.key(station, LOST_AT, None, ago_s=ago_s, **said)


def _members(gateways: Gateways) -> None:
    keep = gateways.keep
    gateways.key(LOST_MEMBER, LOST_AT, GROUP, Place(53, -3), text=LAST_WORDS, rssi_dbm=-111.0)
    keep(MOVING, "ondrik/vhf", GROUP, Place(2, 30), -97.0)
    keep("QS3BBB", "pellanq/vhf", GROUP, Place(25, 33), -84.0)
    keep("QC5TRL", "brimsolt/vhf", "CONTROL", Place(-20, 15), -79.0)
    for number, station in enumerate(("QB4ASA", "QB4ASB", "QB4ASC")):
        keep(station, STARVED, "SUPPLY", Place(-50 + 3 * number, 4 - number), -101.0)
    keep("QL2EAV", "kelmarra/vhf", "SHORE")
    keep("QL3XYZ", f"{DEAD_GATEWAY}/vhf", "SHORE", Place(-15, -26), -90.0)
    keep("QA7OUT", "kelmarra/vhf", "SHORE", Place(-25, 34), -90.0)
    keep("QF4GHI", "vostrel/vhf", "SEARCH-2", Place(-48, 30), -88.0)


def _troubles(gateways: Gateways) -> None:
    # It carried the group before: who never said anything of it is unknown, not starved.
    wait_until(lambda: gateways.carries("SUPPLY", STARVED), f"{STARVED} to carry SUPPLY")
    gateways.refuse(STARVED)
    gateways.key(FORGED, "vostrel/vhf", None)
    gateways.key(FORGED, "coldrane/vhf", None, rssi_dbm=-104.0)
    over = gateways.key("QF4GHI", "vostrel/vhf", "SEARCH-2")
    gateways.sent("SEARCH-2", "pellanq/vhf", over, "vostrel")
    gateways.sent("SEARCH-2", "pellanq/vhf", over, "kelmarra")
    gateways.carry("SEARCH-2", "sarnolf/uhf")
    gateways.key(MADE_UP, "brimsolt/vhf", "CONTROL", text="COME IN")
    gateways.key("QQ", "brimsolt/vhf", "CONTROL")
    gateways.say("brimsolt", Kind.HEARD, b"no JSON")
    gateways.say("brimsolt", Kind.HEARD, b'{"v": 1, "repeater": "brimsolt/vhf"}')
    gateways.silence("QA7OUT")
    gateways.key("QA7OUT", "kelmarra/vhf", "SHORE", text="OUT")
    gateways.set_repeater(DOWN, up=False)
    gateways.lose(DEAD_GATEWAY)


def _acts(client: Client) -> None:
    until_late = {"for_s": 3600}
    note = {"note": "The relay on the hill is to be tried."}
    client.act("PUT", f"/api/v1/groups/{GROUP}/orders/{DOWN}",
               {"order": "pin", **until_late, **note})  # fmt: skip
    client.act("PUT", "/api/v1/groups/SHORE/orders/vostrel/uhf", {"order": "bar", **until_late})
    client.act("POST", "/api/v1/duties",
               {"title": EXERCISE, "kind": "exercise", "groups": [GROUP, "CONTROL"],
                "roster": ROSTER})  # fmt: skip
    client.act("POST", f"/api/v1/groups/{GROUP}/roll-call")
    client.act("POST", f"/api/v1/alerts/{IN_HAND}/acknowledgement",
               {"note": "A crew is on its way."})  # fmt: skip
    client.act("POST", "/api/v1/maintenance", {"subject": DOWN, "for_s": 7200, "note": WORK})
    client.act("POST", f"/api/v1/calls/{MADE_UP}", {"note": "Our own tent."})


def _standing(client: Client, station: str) -> Any:
    return client.rows(f"groups/{GROUP}/roster").get(station, {}).get("standing")


def _text_of(client: Client, station: str) -> Any:
    """Of its newest over."""
    said = client.http.get(f"/api/v1/stations/{station}")
    return said.json()["last_heard"]["text"] if said.status_code == 200 else None


def _quarantined(client: Client) -> bool:
    said = client.http.get("/api/v1/quarantine")
    return said.status_code == 200 and bool(said.json()["quarantined"])
