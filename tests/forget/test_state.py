"""A station is forgotten in a real Redis; nothing else changes. What must be gone is searched for
as bytes, in every key."""

import json
import re
from collections.abc import Iterator
from typing import Any

import pytest

from streamer.forget.name import Name
from streamer.forget.state import StateForgetting
from tests.forget.story import GONE, PSEUDONYM, STAYS, Story, everything, where_named
from tests.servers import Redis
from tests.state.canonical import canonical

pytestmark = pytest.mark.redis


@pytest.fixture
def story(empty_redis: Redis) -> Iterator[Story]:
    made = Story(empty_redis)
    made.happen()
    made.channels()
    yield made
    made.client.close()


def forgetting(story: Story) -> StateForgetting:
    return StateForgetting(story.client, story.bench.view, Name(GONE, story.bench.view, PSEUDONYM))


def forget(story: Story) -> int:
    """As the command does it, with a worker that is at work all the time."""
    state = forgetting(story)
    places = state.forget_but_alerts(story.now_ms).total()
    state.wake(story.now_ms)
    story.settle()
    while done := state.forget(story.now_ms).total():
        places += done
        state.wake(story.now_ms)
        story.settle()
    story.settle(10)
    return places


KINDS = {
    "station", "group", "heard", "learned", "quarantine", "refused", "log", "duties", "rosters",
    "published", "cases", "table", "found", "sent", "waiting", "parcel", "dead", "calls", "due",
}  # fmt: skip


def kinds(places: list[str]) -> set[str]:
    return {p.partition("}:")[2].partition(":")[0] for p in places if not p.startswith("dump")}


def test_traces_of_every_kind_are_there_before(story: Story) -> None:
    assert kinds(where_named(story.client, GONE)) >= KINDS
    assert any(GONE in topic for topic in story.bench.retained)  # an alert's own topic
    assert any(GONE in payload for payload in story.bench.retained.values())


def test_nothing_names_it_afterwards(story: Story) -> None:
    assert forget(story) > 30
    assert where_named(story.client, GONE) == []
    retained = json.dumps(story.bench.retained)
    assert GONE.lower() not in retained.lower()
    assert "Greta" not in json.dumps(everything(story.client), default=list)
    assert "private" not in json.dumps(everything(story.client), default=list)
    assert forgetting(story).search().total() == 0
    assert forgetting(story).to_take_back() == 0


def test_it_is_gone_without_a_worker_but_for_what_the_broker_retains(story: Story) -> None:
    """Then a worker that begins takes that back."""
    state = forgetting(story)
    while state.forget(story.now_ms):
        pass
    left = where_named(story.client, GONE)
    assert kinds(left) == {"published", "out"}
    assert state.to_take_back() > 0
    story.bench.clock.advance_s(5)
    story.worker.settle()
    assert where_named(story.client, GONE) == []
    assert GONE not in json.dumps(story.bench.retained)


def plain(value: Any) -> Any:
    """A value as JSON, texts that are JSON read; without list elements that are the station or a
    line about it, its name anywhere else put otherwise."""
    if isinstance(value, dict):
        return {plain(k): plain(v) for k, v in value.items() if k != GONE}
    if isinstance(value, list | tuple):
        kept = [v for v in value if v != GONE]
        return [plain(v) for v in kept if not (isinstance(v, dict) and v.get("call") == GONE)]
    if not isinstance(value, str):
        return value
    try:
        read = json.loads(value)
    except ValueError:
        return re.sub(GONE, PSEUDONYM, value, flags=re.IGNORECASE)
    return plain(read)


MADE_ANEW = {
    "#previous", "#fanout_digest", "#reach_digest", "#conditions", "#answered", "#wanted", "#",
}  # fmt: skip
"""What follows from who is a member, and the counts of a sheet: tested apart."""
NOT_OF_OTHERS = ("published", "out", "found", "due", "log", "refused", "sent")


def others(state: dict[str, Any]) -> dict[str, Any]:
    """The state without what is of the station."""
    kept: dict[str, Any] = {}
    for key, value in state.items():
        if GONE in key or key.partition("}:")[2].partition(":")[0] in NOT_OF_OTHERS:
            continue
        rest = value
        if isinstance(value, dict):
            rest = {k: v for k, v in value.items() if GONE not in k and k not in MADE_ANEW}
        elif isinstance(value, list):
            rest = [v for v in value if GONE not in json.dumps(v)]
        kept[key] = plain(rest)
    return {key: value for key, value in kept.items() if value}


def test_others_are_the_same_field_by_field(story: Story) -> None:
    before = others(canonical(story.client, "scene"))
    forget(story)
    after = others(canonical(story.client, "scene"))
    for key in before.keys() | after.keys():
        assert before.get(key) == after.get(key), key
    assert len(before) > 20
    assert f"={STAYS}" in after[story.store.keys.group("NET")]


def test_the_numbers_of_what_was_learned_stay_true(story: Story) -> None:
    def counts() -> dict[str, tuple[int, int, int]]:
        """By sheet: how many stations it says it has, and how many lines there are of them."""
        found = {}
        for key, fields in everything(story.client).items():
            if ":learned:" in key:
                cells, stations, _ = fields["#"].split(" ")
                lines = [f for f in fields if f.startswith("@")]
                found[key] = (int(stations), len(lines), int(cells))
        return found

    before = counts()
    assert before
    forget(story)
    after = counts()
    assert all(stations == lines for stations, lines, _ in after.values())
    for key, (stations, _, cells) in before.items():
        assert after[key][0] == stations - 1, key  # heard on ridge and on lake
        assert after[key][2] == cells


def test_what_people_ordered_is_still_known_but_for_whom(story: Story) -> None:
    before = [(e.at, e.act, e.by) for e in story.acts.log()]
    forget(story)
    after = story.acts.log()
    assert [(e.at, e.act, e.by) for e in after] == before
    notes = {e.subject: e.note for e in after}
    assert notes["NET mill/uhf"] == f"asked by {PSEUDONYM}"
    assert notes[f"NET {PSEUDONYM}"] is None  # it told how that one had answered
    rosters = [e.details["roster"] for e in after if e.act == "set_roster"]
    assert rosters == [[{"call": PSEUDONYM}, {"call": STAYS, "name": "Steve Stays"}]]
    duty = story.acts.duties()[0]
    assert duty.expected == (STAYS,)
    assert [line.call for line in story.acts.roster(duty.id)] == [STAYS]


def test_counts_of_refused_and_quarantined_input_stay(story: Story) -> None:
    before = story.store.refusals(), story.store.gateway("lake").counts
    forget(story)
    assert (story.store.refusals(), story.store.gateway("lake").counts) == before
    assert set(story.store.quarantined("lake")) == set()
    assert set(story.store.quarantined("ridge")) == {"NOBODY"}
    texts = [json.loads(t) for t in story.client.lrange(story.store.keys.refused(), 0, -1)]
    assert len(texts) == 4
    assert sorted(t["excerpt"] for t in texts) == ["", "", "", '{"other']


def test_channels_are_not_told_of_it_any_more_and_others_are(story: Story) -> None:
    forget(story)
    keys = story.store.keys
    waiting = [
        json.loads(t.split(" ", 1)[1]) for t in story.client.lrange(keys.waiting("mail"), 0, -1)
    ]
    assert waiting
    assert all(n["alert"]["subject"] not in (GONE, PSEUDONYM) for n in waiting)
    assert all(PSEUDONYM not in n["alert"]["affects"] for n in waiting)
    # What is under way stays a parcel that can be sent.
    for notice in story.client.hget(keys.parcel("mail"), "notices").split("\n"):
        assert json.loads(notice)["id"]
    (dead,) = story.store.dead_letters("mail")
    assert dead["why"] == f"no {PSEUDONYM}"


def test_heard_again_it_begins_anew(story: Story) -> None:
    forget(story)
    story.key(story.ridge, GONE, None)
    record = story.store.station(GONE)
    assert record is not None
    assert (len(record.path), record.fix, record.check_ins) == (1, None, {})
    (group,) = story.store.groups(["NET"])
    assert GONE not in {m.station for m in group.members}


def test_a_worker_that_worked_it_out_before_does_not_bring_it_back(
    story: Story, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It has read the group, and commits only afterwards."""
    now_ms = story.now_ms
    story.store.wake(["g/NET", f"s/{GONE}", "w/ridge"], now_ms)
    claims = [c for p in story.store.partitions for c in story.store.claim_due(p, now_ms)]
    commit = story.store.commit
    forgot: list[int] = []

    def late(outcomes: Any, ms: int) -> Any:
        if not forgot and any(o.claim.subject == "g/NET" for o in outcomes):
            forgot.append(forgetting(story).forget_but_alerts(ms).total())
        return commit(outcomes, ms)

    monkeypatch.setattr(story.store, "commit", late)
    story.worker.deriver.look(claims)
    monkeypatch.setattr(story.store, "commit", commit)
    assert forgot[0] > 10
    group = story.client.hgetall(story.store.keys.group("NET"))
    assert GONE not in json.dumps(group)
    assert not story.client.exists(story.store.keys.station(GONE))
    forget(story)
    assert where_named(story.client, GONE) == []


def test_a_message_that_is_just_being_sent_is_followed_by_the_new_one(story: Story) -> None:
    """Whoever sends it has read the old content; confirming that must not end the matter."""
    topic, store = "net/scene/reach/NET", story.store
    partition = store.keys.partition_of("NET")
    (message,) = store.published(partition, [topic])
    assert message is not None
    assert GONE in message.payload
    while forgetting(story).forget(story.now_ms):
        pass
    store.confirm(partition, [message], story.now_ms)
    offered = {m.name: m for m in store.claim_out(partition, story.now_ms, 100)}
    assert GONE not in offered[topic].payload
    assert STAYS in offered[topic].payload


def test_only_as_it_was_read(story: Story) -> None:
    """What somebody has changed between the search and the taking out is left for the next."""
    state = forgetting(story)
    key = story.store.keys.log("region")
    mending = state._mending(key, "log")
    assert mending.places
    story.client.lset(key, 0, story.client.lindex(key, 0) + " ")
    assert state.mend(key, mending, story.now_ms) == mending.places - 1
