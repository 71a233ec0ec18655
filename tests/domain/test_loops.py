"""Loops of forwarding, against a general graph library."""

from collections import defaultdict

import networkx
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from streamer.domain.loops import find_loops
from streamer.domain.model import Forwarding

GATEWAYS = ("ridge", "lake", "mill", "quarry")


def sent(ms: int, repeater: str, source: str, over: str = "o1") -> Forwarding:
    return Forwarding(ms, over, repeater, source)


def test_a_tree_is_no_loop() -> None:
    assert find_loops([sent(1, "lake/a", "ridge"), sent(2, "mill/a", "lake")]) == []


def test_two_paths_to_one_repeater() -> None:
    # common practice, no source: listeners there hear the over doubled
    (loop,) = find_loops(
        [sent(1, "lake/a", "ridge"), sent(4, "mill/a", "ridge"), sent(9, "mill/a", "lake")]
    )
    assert loop.through == ("mill/a", "lake", "ridge")
    assert loop.ms == 9
    assert loop.reason == "one over was sent at mill/a by way of lake and of ridge"


def test_a_cycle_of_gateways() -> None:
    # common practice, no source
    (loop,) = find_loops(
        [sent(1, "mill/a", "lake"), sent(2, "ridge/a", "mill"), sent(3, "lake/a", "ridge")]
    )
    assert loop.through == ("lake", "mill", "ridge")
    assert loop.ms == 3
    assert loop.reason == "one over went round lake > mill > ridge > lake"


def test_two_overs_are_not_one_loop() -> None:
    assert find_loops([sent(1, "lake/a", "ridge", "o1"), sent(2, "ridge/a", "lake", "o2")]) == []


def test_a_gateway_may_hand_on_to_itself_and_sources_may_be_unknown() -> None:
    own = [sent(1, "lake/a", "lake"), sent(2, "lake/b", ""), sent(3, "lake/b", "")]
    assert find_loops(own) == []


def test_loops_are_listed_oldest_first() -> None:
    def pair(ms: int, over: str) -> list[Forwarding]:
        return [sent(ms, "lake/a", "ridge", over), sent(ms + 1, "ridge/a", "lake", over)]

    loops = find_loops([*pair(50, "o2"), *pair(10, "o9"), *pair(50, "o1")])
    assert [(loop.ms, loop.over) for loop in loops] == [(11, "o9"), (51, "o1"), (51, "o2")]


# Mostly one source for each repeater: otherwise nearly every example has two paths.
single_sources = st.dictionaries(
    st.sampled_from([f"{g}/{p}" for g in GATEWAYS for p in "ab"]),
    st.sampled_from(["", *GATEWAYS]),
).map(lambda found: [Forwarding(1, "o1", r, g) for r, g in found.items()])
more_sources = st.lists(
    st.builds(
        Forwarding,
        st.integers(0, 3),
        st.sampled_from(["o1", "o2"]),
        st.sampled_from([f"{g}/a" for g in GATEWAYS]),
        st.sampled_from(["", *GATEWAYS]),
    ),
    max_size=3,
)


@given(st.tuples(single_sources, more_sources).map(lambda parts: parts[0] + parts[1]))
@example([sent(1, "lake/a", "ridge"), sent(1, "ridge/b", "lake")])
def test_a_loop_is_found_where_networkx_finds_one(forwardings: list[Forwarding]) -> None:
    """Source: networkx, is_directed_acyclic_graph on the graph of who handed on to whom, and the
    number of givers (in-degree) in the graph of gateways and repeaters for two paths."""
    chains: dict[str, networkx.DiGraph] = defaultdict(networkx.DiGraph)
    givers: dict[str, networkx.DiGraph] = defaultdict(networkx.DiGraph)
    for f in forwardings:
        gateway = f.repeater.split("/")[0]
        chains[f.over].add_node(gateway)
        if f.from_gateway:
            givers[f.over].add_edge(f.from_gateway, f"at {f.repeater}")
            if f.from_gateway != gateway:
                chains[f.over].add_edge(f.from_gateway, gateway)
    found = {loop.over: loop for loop in find_loops(forwardings)}
    for over, chain in chains.items():
        doubled = any(degree > 1 for _, degree in givers[over].in_degree())
        cyclic = not networkx.is_directed_acyclic_graph(chain)
        assert (over in found) == (doubled or cyclic)
        if over in found and not doubled:
            ring = found[over].through
            assert networkx.is_simple_path(chain, ring)
            assert chain.has_edge(ring[-1], ring[0])
            assert found[over].through[0] == min(ring)
    assert set(found) <= set(chains)


@pytest.mark.parametrize("turn", range(3))
def test_the_same_forwardings_name_the_same_loop_in_any_order(turn: int) -> None:
    said = [sent(1, "mill/a", "lake"), sent(2, "ridge/a", "mill"), sent(3, "lake/a", "ridge")]
    assert find_loops([*said[turn:], *said[:turn]]) == find_loops(said)
