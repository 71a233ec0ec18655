"""Whether a write waits for its replicas: decided by the clock and by what a cluster says.

Worked out by hand from the rules in the module's text; what WAIT itself does is shown on real
servers (tests/integration/test_cluster_replicas.py).
"""

import pytest

from streamer.clock import ManualClock
from streamer.redis_settings import RedisSettings
from streamer.state.replicas import ASK_AGAIN_S, Replicas, ReplicasMissing


def nobody_knows() -> int | None:
    return None


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock(1_800_000_000_000)


def watched(clock: ManualClock, replicas: int = 1) -> Replicas:
    settings = RedisSettings(replicas=replicas, replicas_wait_s=0.5, replicas_grace_s=20)
    return Replicas(settings, clock)


def test_without_replicas_nothing_is_asked(clock: ManualClock) -> None:
    replicas = Replicas(clock=clock)
    assert replicas.to_ask("a") is None
    assert (replicas.missing, replicas.trouble) == (0, "")


def test_a_node_that_has_its_replicas_is_asked_each_time(clock: ManualClock) -> None:
    replicas = watched(clock, 2)
    for _ in range(3):
        assert replicas.to_ask("a") == (2, 500)
        replicas.judge("a", 3, nobody_knows)  # more than asked for is well too
    assert (replicas.missing, replicas.trouble) == (0, "")


def test_silent_replicas_are_waited_for_until_the_grace_has_passed(clock: ManualClock) -> None:
    replicas = watched(clock)
    for passed_s in (0, 10, 9.9):
        clock.advance_s(passed_s)
        assert replicas.to_ask("a") == (1, 500)
        with pytest.raises(ReplicasMissing, match="a: 0 of 1 replicas"):
            replicas.judge("a", 0, nobody_knows)
        assert replicas.missing == 1
        assert "waiting for them" in replicas.trouble
    clock.advance_s(0.2)  # 20.1 s since the first
    replicas.judge("a", 0, nobody_knows)
    assert replicas.missing == 1
    assert replicas.trouble == "a: 0 of 1 replicas, written to without the others"
    assert replicas.to_ask("a") is None


def test_the_grace_begins_anew_when_they_were_there_in_between(clock: ManualClock) -> None:
    replicas = watched(clock)
    with pytest.raises(ReplicasMissing):
        replicas.judge("a", 0, nobody_knows)
    clock.advance_s(15)
    replicas.judge("a", 1, nobody_knows)
    clock.advance_s(15)
    with pytest.raises(ReplicasMissing):
        replicas.judge("a", 0, nobody_knows)


def test_it_is_asked_again_and_returns_to_waiting(clock: ManualClock) -> None:
    replicas = watched(clock)
    with pytest.raises(ReplicasMissing):
        replicas.judge("a", 0, nobody_knows)
    clock.advance_s(20)
    replicas.judge("a", 0, nobody_knows)
    clock.advance_s(ASK_AGAIN_S)
    number, ms = replicas.to_ask("a") or (0, 0)
    assert number == 1
    assert ms <= 100  # others wait meanwhile
    assert replicas.to_ask("a") is None  # once in so long
    replicas.judge("a", 1, nobody_knows)
    assert (replicas.missing, replicas.trouble) == (0, "")
    assert replicas.to_ask("a") == (1, 500)


def test_those_that_are_back_are_waited_for_before_all_are(clock: ManualClock) -> None:
    replicas = watched(clock, 2)
    replicas.judge("a", 0, lambda: 0)
    assert replicas.to_ask("a") is None
    clock.advance_s(ASK_AGAIN_S)
    assert (replicas.to_ask("a") or (0, 0))[0] == 2
    replicas.judge("a", 1, nobody_knows)
    assert replicas.to_ask("a") == (1, 500)
    with pytest.raises(ReplicasMissing):
        replicas.judge("a", 0, nobody_knows)
    replicas.judge("a", 2, nobody_knows)
    assert replicas.to_ask("a") == (2, 500)


def test_what_the_majority_has_declared_dead_is_not_waited_for(clock: ManualClock) -> None:
    replicas = watched(clock, 2)
    with pytest.raises(ReplicasMissing):
        replicas.judge("a", 1, lambda: 2)
    replicas.judge("a", 1, lambda: 1)  # one of two is dead, the other has it
    assert replicas.missing == 1
    assert replicas.to_ask("a") == (1, 500)
    with pytest.raises(ReplicasMissing):  # the one that is left is waited for as before
        replicas.judge("a", 0, lambda: 1)
    replicas.judge("a", 0, lambda: 0)
    assert replicas.missing == 2
    assert replicas.to_ask("a") is None


def test_each_node_stands_for_itself(clock: ManualClock) -> None:
    replicas = watched(clock)
    replicas.judge("a", 1, nobody_knows)
    with pytest.raises(ReplicasMissing):
        replicas.judge("b", 0, nobody_knows)
    assert replicas.missing == 1
    assert "b: 0 of 1" in replicas.trouble
    assert "a:" not in replicas.trouble
    replicas.only({"a", "c"})  # b is a master no more
    assert (replicas.missing, replicas.trouble) == (0, "")
