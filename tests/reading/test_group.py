"""`streamer group`: who would hear it now, and who would not."""

import json

from streamer.reading import alerts, group
from tests.reading.conftest import Story, must_fit, named
from tests.state.scene import START_MS, moment


def scene(story: Story) -> None:
    """Three members on three repeaters of two gateways; ridge carries, lake does not."""
    ms = story.now_ms
    story.tell(
        story.ridge.state(ms),
        story.lake.state(ms),
        story.ridge.heard(ms, "QA1ABC", "o1", to="NET"),
        story.ridge.heard(ms, "QB2DEF", "o2", to="NET", port="vhf"),
        story.lake.heard(ms, "QC3GHI", "o3", to="NET"),
        story.lake.route(ms, "NET", "carrying", port="vhf"),
    )
    story.pass_s(2)
    story.tell(story.ridge.route(ms + 1500, "NET", "carrying"))


def test_who_would_hear_and_who_would_not(story: Story) -> None:
    scene(story)
    answered = story.ask(group, "net", json=True)
    assert (answered.code, answered.err) == (0, "")
    found = answered.document
    assert (found["group"], found["title"]) == ("NET", "Everybody")

    carried = named(found["repeaters"], "repeater", "ridge/uhf")
    assert (carried["hears"], carried["why"], carried["members"]) == ("yes", ["member"], ["QA1ABC"])
    assert (carried["since"], carried["carried_after_s"]) == (moment(START_MS), 1.5)

    starved = named(found["repeaters"], "repeater", "lake/uhf")
    assert (starved["hears"], starved["carriage"], starved["starved"]) == (
        "no",
        "not_carried",
        True,
    )

    # The gateway mill never said anything: what it carries is unknown, not nothing.
    pinned = named(found["repeaters"], "repeater", "mill/vhf")
    assert (pinned["hears"], pinned["why"], pinned["starved"]) == ("unknown", ["pin"], False)
    assert pinned["hears_reason"] == "gateway mill never said what it carries"

    assert found["starved"] == ["lake/uhf"]
    assert found["idle"] == [{"repeater": "lake/vhf", "since": moment(START_MS)}]
    assert found["barred"] == ["ridge/vhf"]
    assert {m["station"]: (m["hears"], m["standing"]) for m in found["members"]} == {
        "QA1ABC": ("yes", "in_reach"),
        "QB2DEF": ("no", "in_reach"),
        "QC3GHI": ("no", "in_reach"),
    }


def test_for_people(story: Story) -> None:
    scene(story)
    answered = story.ask(group, "NET")
    must_fit(answered)
    text = " ".join(answered.out.split())
    assert "1 wanted repeater would carry it, 1 would not (1 not yet), 1 cannot be said." in text
    assert "Of 3 members 1 would hear it, 2 would not, 0 cannot be said." in text
    nobody = " ".join(story.ask(group, "TALK").out.split())
    assert "If somebody keyed to TALK now: no repeater is wanted, so none would carry it." in nobody
    rows = [line.split() for line in answered.lines if "/" in line]
    assert rows[0][:3] == ["no", "lake/uhf", "QC3GHI"]  # trouble first
    assert named(rows, 1, "ridge/vhf")[0] == "no"
    assert named(rows, 1, "lake/vhf")[:4] == ["yes", "lake/vhf", "nobody:", "idle"]
    assert text.endswith("Local plans, licensed operators and the law come first.")


def test_a_repeater_is_given_its_time(story: Story) -> None:
    """The policy's starved_after_s is 5; at the same moment the workers raise their alert."""
    scene(story)  # 2 s
    story.pass_s(2)

    def said() -> tuple[bool, list[str], str, str]:
        found = story.ask(group, "NET", json=True).document
        row = named(found["repeaters"], "repeater", "lake/uhf")
        assert (row["hears"], row["starved"]) == ("no", True)
        line = named(story.ask(group, json=True).document["groups"], "group", "NET")
        assert line["not_yet"] == found["not_yet"]
        return row["not_yet"], found["not_yet"], story.ask(group, "NET").out, story.ask(group).out

    not_yet, names, plain, every = said()
    assert (not_yet, names) == (True, ["lake/uhf"])
    assert "not yet" in plain
    assert "starved" not in plain
    assert "lake/uhf" not in every
    story.pass_s(1)
    not_yet, names, plain, every = said()
    assert (not_yet, names) == (False, [])
    assert "no: starved" in plain
    assert "not yet" not in plain
    assert "lake/uhf" in every
    story.settle()
    kinds = [alert["kind"] for alert in story.ask(alerts, json=True).document["alerts"]]
    assert kinds == ["repeater_starved"]


def test_it_is_what_the_worker_published(story: Story) -> None:
    """At the moment of a worker's look both say the same of the fan-out and the roster."""
    scene(story)
    found = story.ask(group, "NET", json=True).document
    fanout = json.loads(story.bench.retained["net/scene/fanout/NET"])
    own = {"hears", "hears_reason", "starved", "not_yet"}
    assert [{k: v for k, v in r.items() if k not in own} for r in found["repeaters"]] == fanout[
        "repeaters"
    ]
    for name in ("starved", "idle", "barred"):
        assert found[name] == fanout[name]
    assert found["fanout_version"] == fanout["version"]
    reach = json.loads(story.bench.retained["net/scene/reach/NET"])
    own = {"hears"}
    assert [{k: v for k, v in m.items() if k not in own} for m in found["members"]] == reach[
        "members"
    ]
    assert found["caution"] == reach["caution"]


def test_time_alone_changes_the_answer(story: Story) -> None:
    scene(story)
    story.pass_s(60)  # overdue_after_s
    found = story.ask(group, "NET", json=True).document
    member = named(found["members"], "station", "QA1ABC")
    # Its repeater carries the group, but whether it still listens there cannot be said.
    assert (member["standing"], member["hears"]) == ("overdue", "unknown")
    story.pass_s(30)  # gateway_lost_after_s
    found = story.ask(group, "NET", json=True).document
    ridge = named(found["repeaters"], "repeater", "ridge/uhf")
    assert (ridge["hears"], ridge["hears_reason"]) == (
        "unknown",
        "gateway ridge is not reporting: nothing can be said",
    )
    assert named(found["members"], "station", "QA1ABC")["standing"] == "blind"


def test_a_lingering_repeater_says_until_when(story: Story) -> None:
    scene(story)
    story.tell(story.lake.heard(story.now_ms, "QA1ABC", "o9"))
    found = story.ask(group, "NET", json=True).document
    left = named(found["repeaters"], "repeater", "ridge/uhf")
    # It left when it was heard elsewhere, 2 s after the start; linger_s is 30.
    assert (left["why"], left["until"]) == (["linger"], moment(START_MS + 32_000))
    assert "linger until 08:00:32Z" in story.ask(group, "NET").out


def test_who_left_is_shown_for_an_hour(story: Story) -> None:
    scene(story)
    story.tell(story.ridge.heard(story.now_ms, "QA1ABC", "o9", to="NET", text="OUT"))
    answered = story.ask(group, "NET")
    assert "2 members; 1 checked out within the last hour" in answered.out
    member = named(story.ask(group, "NET", json=True).document["members"], "station", "QA1ABC")
    assert (member["standing"], member["hears"]) == ("checked_out", "no")
    story.pass_s(3601)
    found = story.ask(group, "NET", json=True).document
    assert "QA1ABC" not in [m["station"] for m in found["members"]]


def test_one_line_for_each_group(story: Story) -> None:
    scene(story)
    answered = story.ask(group)
    must_fit(answered)
    rows = [line.split() for line in answered.lines]
    assert named(rows[1:3], 0, "NET")[1:5] == ["3", "3", "in", "reach"]
    assert "1 of 3, 1 unknown" in answered.out
    found = story.ask(group, json=True).document
    net = named(found["groups"], "group", "NET")
    assert net["standings"] == {"in_reach": 3, "overdue": 0, "out_of_reach": 0, "blind": 0}
    assert (net["wanted"], net["carried"], net["not_carried"], net["unknown"]) == (3, 1, 1, 1)
    talk = named(found["groups"], "group", "TALK")
    assert (talk["members"], talk["wanted"]) == (0, 0)


def test_a_barred_repeater_that_carries_the_group_all_the_same(story: Story) -> None:
    scene(story)
    story.tell(story.ridge.route(story.now_ms, "NET", "carrying", port="vhf"))
    found = story.ask(group, "NET", json=True).document
    assert found["barred"] == ["ridge/vhf"]
    assert named(found["members"], "station", "QB2DEF")["hears"] == "yes"
    rows = [line.split() for line in story.ask(group, "NET").lines if "/" in line]
    (row,) = [row for row in rows if row[1:3] == ["ridge/vhf", "members"]]
    assert row[0] == "yes"


def test_an_empty_group(story: Story) -> None:
    answered = story.ask(group, "TALK")
    assert answered.code == 0
    assert "No repeater: the group has no member and no pin." in answered.out


def test_no_such_group(story: Story) -> None:
    answered = story.ask(group, "NTE", json=True)
    assert (answered.code, answered.out) == (1, "")
    assert answered.err == (
        "streamer group: no group 'NTE' in the region file; did you mean 'NET'? "
        "allowed: NET, TALK\n"
    )
