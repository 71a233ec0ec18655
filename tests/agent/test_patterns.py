"""The pattern map and what becomes of its lines: common practice, no source."""

import json
from datetime import datetime
from typing import Any

import pytest

from streamer.agent.events import EventError, EventMaker, RepeaterChange
from streamer.agent.nmea import NmeaError
from streamer.agent.patterns import PatternError, PatternSettings, compile_map
from streamer.agent.spool import Body
from streamer.clock import to_ms

NOW = "2026-01-02T12:00:00.000Z"
NOW_MS = to_ms(datetime.fromisoformat(NOW))
GGA = "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"  # from memory


def pattern(**fields: Any) -> PatternSettings:
    return PatternSettings.model_validate({"map": "radio", **fields})


def first_event(settings: list[PatternSettings], line: str) -> dict[str, Any] | None:
    for one in compile_map(settings)["radio"]:
        if (event := one.event(line)) is not None:
            return event
    return None


START = pattern(
    event="heard",
    regex=r"^(?P<time>\S+) RX (?P<repeater>\w+) from (?P<station>\S+) to (?P<to>\S+)$",
    fields={"phase": "start"},
    values={"to": {"EVERYONE": "", "net one": "NET-1"}},
)
END = pattern(
    event="heard",
    regex=r"^(?P<time>\S+) RX (?P<repeater>\w+) end (?P<station>\S+) (?P<duration_s>\d+) ms"
    r"(?: ber (?P<ber_pct>\S+))?(?: gps (?P<nmea>\S+))?",
    fields={"phase": "end"},
    scale={"duration_s": 0.001},
)
CARRY = pattern(
    event="route",
    regex=r"^(?P<at>\d+) (?P<group>[A-Z0-9-]+) (?P<action>on|off) (?P<repeater>\w+)$",
    values={"action": {"on": "carrying", "off": "released"}},
    time_format="unix",
)
PORT = pattern(event="repeater", regex=r"^port (?P<repeater>\w+) is (?P<up>\w+)$")


def made(maker: EventMaker, line: str) -> Any:
    event = first_event([START, END, CARRY, PORT], line)
    assert event is not None
    what = maker.make(event, NOW_MS).what
    return json.loads(what.fields) if isinstance(what, Body) else what


def test_a_whole_over_from_two_log_lines() -> None:
    maker = EventMaker("ridge")
    start = made(maker, "2026-01-02T11:59:50Z RX uhf from QA1ABC to NET-1")
    assert start["started_at"] == "2026-01-02T11:59:50Z"
    assert (start["repeater"], start["to"], start["phase"]) == ("ridge/uhf", "NET-1", "start")
    end = made(maker, f"2026-01-02T11:59:53Z RX uhf end QA1ABC 3000 ms ber 0.5 gps {GGA}")
    assert end["over"] == start["over"]
    assert end["started_at"][:19] == "2026-01-02T11:59:50"
    assert (end["duration_s"], end["ber_pct"]) == (3.0, 0.5)
    assert end["position"]["lat"] == pytest.approx(48.1173, abs=1e-6)


def test_an_end_alone_knows_when_it_began() -> None:
    end = made(EventMaker("ridge"), "2026-01-02T11:59:53Z RX uhf end QA1ABC 3000 ms")
    assert end["started_at"][:19] == "2026-01-02T11:59:50"
    assert "ber_pct" not in end


def test_an_empty_value_leaves_a_field_out() -> None:
    start = made(EventMaker("ridge"), "2026-01-02T11:59:50Z RX uhf from QA1ABC to EVERYONE")
    assert "to" not in start


def test_routes_and_repeaters() -> None:
    maker = EventMaker("ridge")
    event = made(maker, "1767355200 NET-1 on uhf")
    assert (event["action"], event["group"]) == ("carrying", "NET-1")
    assert event["at"] == NOW.replace(".000", "")
    change = made(maker, "port vhf is DOWN")
    assert isinstance(change, RepeaterChange)
    assert (change.port, change.up) == ("vhf", False)
    with pytest.raises(PatternError, match="neither up nor down"):
        made(maker, "port vhf is sleepy")
    assert first_event([START, END, CARRY, PORT], "something else") is None


def test_times_of_other_forms() -> None:
    one = pattern(
        event="route",
        regex=r"^(?P<at>[^|]+)\|(?P<group>\S+)$",
        fields={"action": "carrying", "repeater": "uhf"},
        time_format="%d.%m.%Y %H:%M:%S",
    )
    event = first_event([one], "02.01.2026 12:00:00|NET-1")
    assert event is not None
    assert event["at"] == "2026-01-02T12:00:00Z"
    with pytest.raises(PatternError, match="is not"):
        first_event([one], "2026-01-02|NET-1")


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({"event": "heard", "regex": "(?P<station>x"}, "regex: missing"),
        ({"event": "heard", "regex": "(?P<station>x)"}, "needs 'phase'"),
        (
            {"event": "heard", "regex": "(?P<statoin>x)", "fields": {"phase": "end"}},
            "no field 'statoin'",
        ),
        ({"event": "repeater", "regex": "(?P<up>x)", "scale": {"up": 2}}, "not a number"),
        ({"event": "repeater", "regex": "(?P<up>(a+)+)$"}, "exponential"),
        ({"event": "repeater", "regex": r"(?P<up>(?:\w|x*)*)$"}, "exponential"),
        ({"event": "repeater", "regex": "(?P<up>x)", "values": {"down": {}}}, "no field 'down'"),
    ],
)
def test_faults_of_a_pattern(fields: dict[str, Any], why: str) -> None:
    with pytest.raises(PatternError, match=why):
        compile_map([pattern(**fields)])


def test_a_line_is_cut_off() -> None:
    one = pattern(event="repeater", regex=r"(?P<repeater>\w+) (?P<up>up)")
    assert first_event([one], "x" * 100_000 + " up") is None


# -- JSON --------------------------------------------------------------------------------------


def body(given: dict[str, Any], maker: EventMaker | None = None) -> dict[str, Any]:
    made = (maker or EventMaker("ridge")).make(given, NOW_MS).what
    assert isinstance(made, Body)
    fields: dict[str, Any] = json.loads(made.fields)
    return fields


HEARD: dict[str, Any] = {"repeater": "uhf", "station": "QA1ABC", "over": "o1", "phase": "end"}


def test_the_agent_adds_what_is_its_own_and_takes_it_from_nobody() -> None:
    given = {**HEARD, "boot": "somebody-else", "seq": 99, "sent_at": "x", "v": 7, "to": None}
    assert body(given) == {**HEARD, "repeater": "ridge/uhf"}


def test_unknown_fields_are_left_out_and_remarked_on() -> None:
    made = EventMaker("ridge").make({**HEARD, "durations_s": 1}, NOW_MS)
    assert "durations_s" in made.remarks[0]


def test_nmea_in_a_heard_event() -> None:
    assert body({**HEARD, "nmea": GGA})["position"]["lon"] == pytest.approx(11.516667, abs=1e-6)
    made = EventMaker("ridge").make({**HEARD, "nmea": GGA.replace("4807", "4808")}, NOW_MS)
    assert isinstance(made.what, Body)
    assert b"position" not in made.what.fields  # a bad sentence does not cost the event
    assert "checksum" in made.remarks[0]


def test_a_plain_nmea_source_gives_positions_to_the_over_in_progress() -> None:
    maker = EventMaker("ridge")
    with pytest.raises(NmeaError, match="no over"):
        maker.place(GGA, "uhf", NOW_MS)
    maker.make({**HEARD, "phase": "start"}, NOW_MS)
    maker.make({**HEARD, "phase": "start", "repeater": "vhf", "station": "QB2DEF"}, NOW_MS)
    maker.place(GGA, "uhf", NOW_MS)
    assert body(HEARD, maker)["position"]["lat"] == pytest.approx(48.1173, abs=1e-6)
    assert "position" not in body({**HEARD, "repeater": "vhf", "station": "QB2DEF"}, maker)


def test_overs_are_named_if_the_source_does_not() -> None:
    maker = EventMaker("ridge")
    given = {"repeater": "uhf", "station": "QA1ABC"}
    start = body({**given, "phase": "start"}, maker)
    end = body({**given, "phase": "end"}, maker)
    other = body({**given, "phase": "end", "started_at": "2026-01-02T13:00:00Z"}, maker)
    assert start["over"] == end["over"]
    assert "ridge/uhf" in start["over"]
    assert other["phase"] == "end"


def test_route_gets_the_time_it_lacks() -> None:
    given = {"repeater": "uhf", "group": "NET-1", "action": "carrying"}
    assert body(given)["at"] == "2026-01-02T12:00:00Z"


@pytest.mark.parametrize(
    ("given", "why"),
    [
        ([], "object"),
        ({}, "heard, route or repeater"),
        ({"event": "heard"}, "repeater"),
        ({**HEARD, "phase": "midst"}, "phase"),
        ({**HEARD, "text": "x" * 21}, "text"),
        ({**HEARD, "repeater": "ford/uhf"}, "not of this gateway"),
        ({**HEARD, "repeater": 5}, "repeater"),
        ({**HEARD, "repeater": "PORT"}, "'ridge/PORT': no name of a port; ports are: uhf, vhf"),
        ({**HEARD, "repeater": ""}, "no name of a port"),
        ({**HEARD, "repeater": "ridge/a/b"}, "no name of a port"),
        ({**HEARD, "duration_s": "5"}, "duration_s"),
        ({**HEARD, "position": {"lat": 91, "lon": 0}}, "lat"),
        ({"event": "repeater", "up": True}, "port"),
        ({"event": "repeater", "repeater": "uhf", "up": 1}, "true or false"),
    ],
)
def test_what_is_no_event(given: Any, why: str) -> None:
    with pytest.raises(EventError, match=why):
        EventMaker("ridge", ["uhf", "vhf"]).make(given, NOW_MS)


def test_a_port_that_the_file_does_not_have_is_sent_and_remarked_on() -> None:
    """The region file may know it, and an over that is lost is worse than one that is refused."""
    route = {"repeater": "shf", "group": "NET-1", "action": "carrying"}
    for given in ({**HEARD, "repeater": "shf"}, route):
        made = EventMaker("ridge", ["uhf"]).make(given, NOW_MS)
        assert isinstance(made.what, Body)
        assert json.loads(made.what.fields)["repeater"] == "ridge/shf"
        (remark,) = made.remarks
        assert "'shf' is no [[repeater]] of the agent's file, ports are: uhf; unless" in remark
        assert EventMaker("ridge").make(given, NOW_MS).remarks == ()  # a file without any
    assert EventMaker("ridge", ["uhf"]).make(HEARD, NOW_MS).remarks == ()
