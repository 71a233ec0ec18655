"""The simulated voice network follows the fan-out as the contract asks of a real one."""

from collections import Counter

from streamer.contract.events import RouteAction
from streamer.demo.network import Network, RouteReport
from streamer.demo.world import Hearing, Over

GATEWAYS = {"ost/vhf": "ost", "nyr/vhf": "nyr", "nyr/uhf": "nyr", "wal/vhf": "wal"}


def network() -> Network:
    return Network(5, GATEWAYS)


def says(reports: list[RouteReport]) -> set[tuple[str, str]]:
    return {(r.repeater, r.action.value) for r in reports}


def over(name: str, at_s: float, repeater: str = "ost/vhf") -> Over:
    hearing = Hearing(repeater, GATEWAYS[repeater], -90, 0.0)
    return Over(name, "QA1ABC", "SHORE", at_s, 1.5, None, None, (hearing,))


def test_repeaters_carry_and_release_with_a_delay() -> None:
    net = network()
    net.on_fanout("SHORE", 1, ["ost/vhf", "nyr/vhf"])
    assert net.tick(0) == []
    assert says(net.tick(2)) == {("ost/vhf", "carrying"), ("nyr/vhf", "carrying")}
    net.on_fanout("SHORE", 2, ["nyr/vhf"])
    net.tick(2.1)
    assert says(net.tick(4)) == {("ost/vhf", "released")}
    assert net.carrying("SHORE") == {"nyr/vhf"}


def test_the_newest_version_wins() -> None:
    net = network()
    net.on_fanout("SHORE", 7, ["nyr/vhf"])
    net.on_fanout("SHORE", 6, ["ost/vhf", "wal/vhf"])
    net.tick(0)
    net.tick(2)
    assert net.carrying("SHORE") == {"nyr/vhf"}


def test_a_change_that_is_taken_back_in_time_is_not_made() -> None:
    net = network()
    net.on_fanout("SHORE", 1, ["ost/vhf"])
    net.tick(0)
    net.on_fanout("SHORE", 2, [])
    assert net.tick(0.1) == []
    assert net.tick(5) == []


def test_an_over_is_sent_once_where_it_is_carried_and_was_not_heard() -> None:
    net = network()
    net.on_fanout("SHORE", 1, ["ost/vhf", "nyr/vhf", "wal/vhf"])
    net.tick(0)
    net.tick(2)
    net.on_keyed(over("x1", 3.0))
    sent = [r for r in net.tick(5) if r.action is RouteAction.SENT]
    assert Counter(r.repeater for r in sent) == {"nyr/vhf": 1, "wal/vhf": 1}
    for report in sent:
        assert report.from_gateway == "ost"
        assert report.latency_s is not None
        assert 0.03 < report.latency_s < 0.6
        assert abs(report.at_s - 3.0 - report.latency_s) < 1e-9


def test_a_loop_sends_one_over_twice_by_two_gateways_and_only_once() -> None:
    net = network()
    net.on_fanout("SHORE", 1, ["ost/vhf", "nyr/vhf"])
    net.tick(0)
    net.tick(2)
    net.loop_once()
    net.on_keyed(over("x1", 3.0))
    first, second = [r for r in net.tick(9) if r.action is RouteAction.SENT]
    assert (first.repeater, first.over) == (second.repeater, second.over)
    assert first.from_gateway != second.from_gateway
    net.on_keyed(over("x2", 10.0))
    assert len(net.tick(15)) == 1


def test_a_refusing_repeater_releases_and_comes_back_when_it_obeys() -> None:
    net = network()
    net.on_fanout("SHORE", 1, ["ost/vhf"])
    net.tick(0)
    net.tick(2)
    net.set_refusing("ost/vhf", True)
    net.tick(2)
    assert says(net.tick(4)) == {("ost/vhf", "released")}
    assert net.tick(20) == []
    net.set_refusing("ost/vhf", False)
    net.tick(20)
    assert says(net.tick(22)) == {("ost/vhf", "carrying")}


def test_a_failed_repeater_says_so_and_a_dead_gateway_cannot() -> None:
    net = network()
    net.on_fanout("SHORE", 1, list(GATEWAYS))
    net.tick(0)
    net.tick(2)
    assert says(net.repeater_down("ost/vhf", 3)) == {("ost/vhf", "released")}
    net.on_keyed(over("x1", 3.0, "wal/vhf"))
    net.gateway_down("nyr")
    assert net.tick(6) == []  # what was on its way to them is lost with them
    assert net.carrying("SHORE") == {"wal/vhf"}
    net.gateway_up("nyr")
    net.repeater_up("ost/vhf")
    net.tick(7)
    back = says(net.tick(9))
    assert back == {(r, "carrying") for r in ("ost/vhf", "nyr/vhf", "nyr/uhf")}
