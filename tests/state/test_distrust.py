"""What a gateway that lies, or is broken, can do to others: nothing to their events and counting.

What it can do to itself, and what it can say of stations, is in DEVELOPERS.md, Threat model; the
tests below hold both. No outside source: these are promises of this program.
"""

import json
from dataclasses import replace
from typing import Any

import pytest

from streamer.contract.common import MAX_SEQ
from streamer.contract.topics import Kind
from streamer.domain.model import GatewaySnapshot
from streamer.mqtt.connection import Incoming
from streamer.state.keys import BOOTS_KEPT
from tests.servers import Redis
from tests.state.scene import START_MS, Bench, BenchWorker, Teller, message, moment, region

pytestmark = pytest.mark.redis
NOW = START_MS


class World:
    """A worker to whom lake has said something; ridge is the one that lies."""

    def __init__(self, url: str) -> None:
        self.bench = Bench(region(limits={"gateway_lost_after_s": 3600}), url)
        self.worker: BenchWorker = self.bench.worker()
        self.worker.store.prepare(NOW)
        self.lake, self.ridge = Teller("lake"), Teller("ridge")
        self.hear(
            self.lake.state(NOW), self.ridge.state(NOW),
            self.lake.route(NOW, "NET", "carrying"),
            self.lake.heard(NOW, "QA1ABC", "o1", to="NET"),
        )  # fmt: skip

    def hear(self, *messages: Incoming) -> None:
        self.worker.run(messages)
        self.worker.settle()

    def of(self, gateway: str) -> GatewaySnapshot:
        return self.worker.store.gateway(gateway)

    def of_lake(self) -> tuple[Any, ...]:
        """All that is kept of lake, without numbers of revisions."""
        states, routers, _ = self.worker.store.live()
        known = replace(self.of("lake"), rev=0, ver=0, standing="")
        return known, states["lake"], "lake" in routers

    def refused(self) -> list[str]:
        return [r.reason.value for r in self.worker.refusals]

    def places(self) -> dict[str, str]:
        text = self.bench.retained["net/scene/reach/NET"]
        return {m["station"]: m["repeater"] for m in json.loads(text)["members"]}


@pytest.fixture
def world(empty_redis: Redis) -> World:
    return World(empty_redis.url)


def told(gateway: str, kind: Kind, content: dict[str, Any]) -> Incoming:
    return message(gateway, kind, content)


def content_of(incoming: Incoming) -> dict[str, Any]:
    return dict(json.loads(incoming.payload))


def lies(world: World) -> dict[str, Incoming]:
    """What ridge says under its own topics, by what is wrong with it."""
    heard = content_of(world.ridge.heard(NOW, "QB2DEF", "x"))
    route = content_of(world.ridge.route(NOW, "NET", "released"))
    state = content_of(world.ridge.state(NOW))
    return {
        "another's repeater": told("ridge", Kind.HEARD, {**heard, "repeater": "lake/uhf"}),
        "another's boot and number": told("ridge", Kind.HEARD, {**heard, "boot": "0190000000000001",
                                                                "seq": 1}),
        "a boot of the far future": told("ridge", Kind.HEARD, {**heard, "boot": "z" * 40}),
        "a boot of long ago": told("ridge", Kind.HEARD, {**heard, "boot": "0" * 8}),
        "the largest number": told("ridge", Kind.HEARD, {**heard, "seq": MAX_SEQ}),
        "another's over": told("ridge", Kind.HEARD, {**heard, "over": "o1"}),
        "another's carrying": told("ridge", Kind.ROUTE, {**route, "repeater": "lake/uhf"}),
        "handed on by another": told("ridge", Kind.ROUTE, {
            **route, "action": "sent", "over": "o1", "from_gateway": "lake"}),
        "another's repeater is down": told("ridge", Kind.STATE, {
            **state, "repeaters": [{"id": "lake/uhf", "up": False}]}),
        "a will of another boot": told("ridge", Kind.STATE, {
            **{k: v for k, v in state.items() if k != "seq"}, "boot": "z" * 40, "up": False}),
        "an hour ahead": told("ridge", Kind.HEARD, {
            **heard, "started_at": moment(NOW + 3_600_000)}),
        "an offset of years": told("ridge", Kind.HEARD, {**heard, "clock_offset_s": 1e9}),
        "an offset of years back": told("ridge", Kind.HEARD, {**heard, "clock_offset_s": -1e9}),
        "a day on the air": told("ridge", Kind.HEARD, {
            **heard, "phase": "end", "duration_s": 86_400}),
    }  # fmt: skip


LIES = (
    "another's repeater", "another's boot and number", "a boot of the far future",
    "a boot of long ago", "the largest number", "another's over", "another's carrying",
    "handed on by another", "another's repeater is down", "a will of another boot",
    "an hour ahead", "an offset of years", "an offset of years back", "a day on the air",
)  # fmt: skip


def test_the_list_of_lies_is_whole(world: World) -> None:
    assert tuple(lies(world)) == LIES


@pytest.mark.parametrize("lie", LIES)
@pytest.mark.parametrize("retained", [False, True], ids=["", "retained"])
def test_a_lie_does_nothing_to_another(world: World, lie: str, retained: bool) -> None:
    before, places = world.of_lake(), world.places()
    fanout = json.loads(world.bench.retained["net/scene/fanout/NET"])["repeaters"]
    said = lies(world)[lie]._replace(retain=retained)
    world.hear(said, said)
    assert world.of_lake() == before
    assert world.places() == places
    after = json.loads(world.bench.retained["net/scene/fanout/NET"])["repeaters"]
    assert after == fanout
    # And what lake says next counts as it always did.
    world.hear(world.lake.heard(NOW, "QA1ABC", "o2", to="NET"))
    assert world.of("lake").counts == {"route": 1, "heard": 2}
    assert world.of("lake").missing == 0


class TestOfItself:
    """What it can spoil is its own record."""

    def test_boots_of_the_future_end_its_own_counting(self, world: World) -> None:
        for n in range(BOOTS_KEPT):
            heard = content_of(Teller("ridge", boot=f"zzzzzzz{n}").heard(NOW, "QB2DEF", "x"))
            world.hear(told("ridge", Kind.HEARD, heard))
        world.hear(world.ridge.heard(NOW, "QB2DEF", "x2", to="NET"))
        counts = world.of("ridge").counts
        assert (counts["heard"], counts["too_old"]) == (BOOTS_KEPT, 1)
        assert world.places()["QB2DEF"] == "ridge/uhf"  # it is merged all the same

    def test_the_largest_number_is_a_hole_of_its_own(self, world: World) -> None:
        world.hear(lies(world)["the largest number"])
        assert world.of("ridge").missing == MAX_SEQ - 1
        world.hear(world.ridge.heard(NOW, "QB2DEF", "x2"))
        assert world.of("ridge").counts["heard"] == 2


class TestTimes:
    """future_s is 30: what is further ahead is refused, whichever field says it."""

    @pytest.mark.parametrize(
        ("changes", "refused"),
        [
            ({"started_at": moment(NOW + 30_000)}, False),
            ({"started_at": moment(NOW + 30_001)}, True),
            ({"sent_at": moment(NOW + 30_001)}, True),
            ({"clock_offset_s": 30.0}, False),
            ({"clock_offset_s": 30.001}, True),
            # A clock an hour slow that is corrected: not ahead, and not late.
            ({"started_at": moment(NOW - 3_600_000), "sent_at": moment(NOW - 3_600_000),
              "clock_offset_s": 3600.0}, False),
            ({"started_at": moment(NOW - 3_600_000), "sent_at": moment(NOW - 3_600_000),
              "clock_offset_s": 3630.001}, True),
            ({"clock_offset_s": 1e9}, True),
        ],
    )  # fmt: skip
    def test_at_the_edge(self, world: World, changes: dict[str, Any], refused: bool) -> None:
        world.hear(world.ridge.heard(NOW, "QB2DEF", "x", **changes))
        assert world.refused() == (["future"] if refused else [])
        assert (world.worker.store.station("QB2DEF") is None) == refused

    @pytest.mark.parametrize("offset_s", [1.1e9, -1.1e9, float("nan"), float("inf")])
    def test_an_offset_beyond_all_sense_is_no_offset(self, world: World, offset_s: float) -> None:
        world.hear(world.ridge.heard(NOW, "QB2DEF", "x", clock_offset_s=offset_s))
        assert world.refused() == ["shape"]

    @pytest.mark.parametrize("offset_s", [-1e9, 1e9])
    def test_a_state_is_never_from_the_future(self, world: World, offset_s: float) -> None:
        world.hear(world.ridge.state(NOW, clock_offset_s=offset_s))
        states, _, _ = world.worker.store.live()
        assert 0 <= states["ridge"].ms <= NOW

    def test_a_position_is_not_newer_than_its_over(self, world: World) -> None:
        ahead = {"lat": -46.0, "lon": 20.0, "at": moment(NOW + 86_400_000)}
        world.hear(world.ridge.heard(NOW, "QB2DEF", "x", position=ahead))
        record = world.worker.store.station("QB2DEF")
        assert record is not None
        assert record.fix is not None
        assert record.fix.at_ms == NOW


class TestStations:
    """Call signs are not authenticated on the air, nor can a gateway's word be: what limits it."""

    def test_who_is_claimed_to_be_far_away_is_told_as_in_two_places(self, world: World) -> None:
        world.hear(world.lake.heard(NOW, "QA1ABC", "o2", to="NET", phase="end", duration_s=0))
        world.bench.clock.advance_s(1)
        world.hear(world.ridge.heard(NOW + 1000, "QA1ABC", "x", phase="end", duration_s=0))
        assert world.places() == {"QA1ABC": "ridge/uhf"}  # the newest word wins, whoever says it
        assert "net/scene/alert/two_places.QA1ABC" in world.bench.retained

    def test_who_is_claimed_to_have_gone_is_checked_out(self, world: World) -> None:
        world.bench.clock.advance_s(1)
        world.hear(world.ridge.heard(NOW + 1000, "QA1ABC", "x", to="NET", text="OUT"))
        (member,) = json.loads(world.bench.retained["net/scene/reach/NET"])["members"]
        assert member["standing"] == "checked_out"
        world.bench.clock.advance_s(1)  # until it is heard again, by whomever
        world.hear(world.lake.heard(NOW + 2000, "QA1ABC", "o2", to="NET"))
        (member,) = json.loads(world.bench.retained["net/scene/reach/NET"])["members"]
        assert (member["standing"], member["repeater"]) == ("in_reach", "lake/uhf")

    def test_others_are_accused_of_a_loop_only_in_so_many_words(self, world: World) -> None:
        """The alert names who said it, too: its repeater comes first."""
        ways = [
            world.ridge.route(NOW, "NET", "sent", over="o1", from_gateway=name)
            for name in ("lake", "mill")
        ]
        world.hear(*ways)
        alert = json.loads(world.bench.retained["net/scene/alert/loop.NET"])
        assert alert["affects"] == ["ridge/uhf", "lake", "mill"]
