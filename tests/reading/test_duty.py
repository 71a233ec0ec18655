"""`streamer duty`: numbers and names, beginning and ending, on a real Redis. Common practice, no
source."""

from pathlib import Path

import pytest

from streamer.acts.acts import Acts
from streamer.contract.duty import DutyKind
from streamer.domain.roster import RosterLine
from streamer.reading import duty, group
from tests.reading.conftest import Story, must_fit

HERE, LATE, AWAY, GUEST = "QA1ABC", "QB2DEF", "QC3GHI", "QX9GST"
ROSTER = (
    RosterLine(call=HERE, name="Ann of the hill", agency="Hill club", assignment="net control",
               group="TALK"),
    RosterLine(call=LATE, name="Bob", group="NET"),
    RosterLine(call=AWAY, assignment="relay on the long ridge above the lake, with the trailer"),
)  # fmt: skip
CSV = "Callsign;Name;Phone;Net\nqa1abc;Ann;555;net\nQC3GHI;;;\n"


@pytest.fixture
def acts(story: Story) -> Acts:
    return Acts(story.worker.store, story.bench.clock)


@pytest.fixture
def running(story: Story, acts: Acts) -> str:
    """A duty with one here (in another group than expected), one heard only, one not heard, and a
    guest."""
    story.tell(story.ridge.state(story.now_ms))
    story.pass_s(10)
    found = acts.start_duty(
        "winter search", DutyKind.EXERCISE, ["NET", "TALK"], "ann", None, ROSTER
    )
    story.pass_s(10)
    story.tell(
        story.ridge.heard(story.now_ms, HERE, "o1", to="NET"),
        story.ridge.heard(story.now_ms, LATE, "o2", to=None),
        story.ridge.heard(story.now_ms, GUEST, "o3", to="TALK"),
    )
    story.pass_s(10)
    return found.id


def test_the_numbers_and_the_names(story: Story, running: str) -> None:
    """On paper: of 3 expected HERE is checked in, LATE heard, AWAY not yet heard; GUEST is checked
    in and not on the roster; both who are checked in are in reach."""
    found = story.ask(duty, running, json=True).document
    numbers = found["numbers"]
    assert numbers["expected"] == 3
    assert {p: n for p, n in numbers["of_expected"].items() if n} == {
        "checked_in": 1, "heard": 1, "not_yet_heard": 1,
    }  # fmt: skip
    assert {p: n for p, n in numbers["of_others"].items() if n} == {"checked_in": 1}
    assert {s: n for s, n in numbers["standings"].items() if n} == {"in_reach": 2}
    assert [p["call"] for p in found["people"]] == [AWAY, LATE, HERE, GUEST]
    here = found["people"][2]
    assert (here["groups"], here["expected_in"], here["name"]) == (
        ["NET"],
        "TALK",
        "Ann of the hill",
    )
    assert (here["repeater"], here["before"]) == ("ridge/uhf", False)
    assert found["people"][1]["repeater"] == "ridge/uhf"
    assert found["people"][0]["last_heard_at"] is None
    said = story.ask(duty, running)
    must_fit(said)
    text = " ".join(said.out.split())
    assert said.code == 0
    assert said.lines[0] == "EXERCISE: winter search"
    assert (
        "Of 3 expected: 1 not yet heard, 1 heard but not checked in, 1 checked in; 1 more checked "
        "in who are not on the roster."
    ) in text
    assert "Checked in, 2 in all: 2 in reach." in text
    assert "Not yet heard does not mean missing" in text
    assert any(HERE in line and "NET (expected" in line for line in said.lines)


def test_the_list(story: Story, acts: Acts, running: str) -> None:
    said = story.ask(duty)
    must_fit(said)
    assert running in said.out
    assert "1 not yet heard" in said.out
    acts.end_duty(running, "ann")
    over = story.ask(duty)
    must_fit(over)
    assert "No duty is going on." in over.out
    assert "over since" in over.out
    listed = story.ask(duty, json=True).document["duties"]
    assert [(d["duty"]["id"], d["numbers"]) for d in listed] == [(running, None)]


def test_one_that_is_over_tells_its_roster_and_no_numbers(
    story: Story, acts: Acts, running: str
) -> None:
    acts.end_duty(running, "bob")
    found = story.ask(duty, running, json=True).document
    assert found["numbers"] is None
    assert {p["presence"] for p in found["people"]} == {None}
    assert [p["call"] for p in found["people"]] == [HERE, LATE, AWAY]
    said = story.ask(duty, running)
    must_fit(said)
    assert "How it ended is in the journal" in said.out
    assert "not yet heard" not in said.out.split("Not yet heard does not")[0]


def test_a_roll_call_of_all_groups(story: Story, acts: Acts, running: str) -> None:
    begun = story.ask(duty, running, "--roll-call", "start", "--by", "ann")
    assert (begun.code, begun.lines[0]) == (0, "A roll call has begun in NET, TALK.")
    story.pass_s(5)
    acts.answered("TALK", GUEST, "bob")
    story.settle()
    found = story.ask(duty, running, json=True).document["roll_calls"]
    assert [(c["group"], c["silent"], [(a["call"], a["how"], a["by"]) for a in c["answered"]])
            for c in found] == [
        ("NET", [HERE], []),
        ("TALK", [], [(GUEST, "desk", "bob")]),
    ]  # fmt: skip
    said = story.ask(duty, running)
    must_fit(said)
    text = " ".join(said.out.split())
    assert f"not yet answered, 1: {HERE}" in text
    assert f"1 answer: {GUEST} marked by bob" in text
    over = story.ask(duty, running, "--roll-call", "end", "--by", "ann")
    must_fit(over)
    assert over.lines[0] == "The roll call is over in NET, TALK."
    text = " ".join(over.out.split())
    assert f"NET: 0 of 1 answered. did not answer, 1: {HERE}" in text
    assert "TALK: 1 of 1 answered (0 on the air, 1 marked at the desk). did not answer, 0: " in text
    assert f"1 answer: {GUEST} marked by bob" in text
    assert (
        f"Of the roster, not asked as they never checked in, 2: {LATE} (expected in NET), {AWAY}."
    ) in text
    assert story.ask(duty, running, "--roll-call", "end", "--by", "ann").code == 1


def test_the_end_of_a_roll_call_tells_all_of_it(story: Story, acts: Acts, running: str) -> None:
    """On paper: HERE answers on the air in NET; LATE came to TALK and says nothing; AWAY checked
    in to NET and out again before the roll call; GUEST left TALK too. So of the roster one was
    asked and answered, one was asked and did not, one was not asked. NET alone has a roll call at
    first, so LATE is not asked there."""
    ridge = story.ridge
    for who, group_name in ((AWAY, "NET"), (LATE, "TALK")):
        story.tell(ridge.heard(story.now_ms, who, f"{who}-1", to=group_name))
    story.pass_s(1)
    acts.check_out("NET", AWAY, "bob")
    acts.check_out("TALK", GUEST, "bob")
    story.settle()
    story.pass_s(1)
    acts.start_roll_call("NET", "ann")
    story.pass_s(5)
    story.tell(ridge.heard(story.now_ms, HERE, "o9", to="NET"))
    first = story.ask(duty, running, "--roll-call", "end", "--by", "ann", json=True).document
    assert first["done"] == "The roll call is over in NET."
    (call,) = first["ended"]
    assert (call["group"], call["silent"]) == ("NET", [])
    assert [(a["call"], a["how"], a["by"]) for a in call["answered"]] == [(HERE, "air", None)]
    assert [(n["call"], n["presence"]) for n in first["not_asked"]] == [
        (LATE, "checked_in"), (AWAY, "checked_out"),
    ]  # fmt: skip
    story.pass_s(1)
    story.ask(duty, running, "--roll-call", "start", "--by", "ann")
    story.pass_s(5)
    story.tell(ridge.heard(story.now_ms, HERE, "o10", to="NET"))
    said = story.ask(duty, running, "--roll-call", "end", "--by", "ann")
    must_fit(said)
    text = " ".join(said.out.split())
    assert "NET: 1 of 1 answered (1 on the air, 0 marked at the desk)." in text
    assert f"1 answer: {HERE} on the air" in text
    assert f"TALK: 0 of 1 answered. did not answer, 1: {LATE}" in text
    assert f"Of the roster, not asked, 1: {AWAY}, checked out." in text
    assert "never checked in" not in text


def test_a_roll_call_that_ends_after_its_duty(story: Story, acts: Acts, running: str) -> None:
    """Who is there is no longer worked out, so why somebody was not asked is not said."""
    acts.start_duty_roll_call(running, "ann")
    acts.end_duty(running, "ann")
    said = story.ask(duty, running, "--roll-call", "end", "--by", "ann")
    must_fit(said)
    text = " ".join(said.out.split())
    assert f"did not answer, 1: {HERE}" in text
    assert f"{LATE} (expected in NET), no member when it ended; {AWAY}, no member" in text


def test_a_roll_call_of_nobody(story: Story, acts: Acts) -> None:
    begun = acts.start_duty("hill", DutyKind.EXERCISE, ["NET"], "ann", None, ROSTER[2:])
    acts.start_duty_roll_call(begun.id, "ann")
    said = story.ask(duty, begun.id, "--roll-call", "end", "--by", "ann")
    must_fit(said)
    assert "NET: nobody was there to be asked." in said.out
    assert f"never checked in, 1: {AWAY}." in " ".join(said.out.split())


def test_a_duty_is_not_begun_twice_by_mistake(story: Story, acts: Acts, running: str) -> None:
    """The same title, in whatever case, and a group in common: only with --another."""
    words = ("--start", "Winter Search", "--kind", "exercise", "--by", "bob")
    said = story.ask(duty, *words, "--group", "NET")
    assert (said.code, said.out) == (1, "")
    assert f"'winter search' runs in NET already: {running}, started" in said.err
    assert "by ann; end it first, or choose another title, or give --another to" in said.err
    assert len(acts.duties()) == 1
    assert story.ask(duty, *words, "--group", "NET", "--another").code == 0
    for title, group_name, code in (("Hike", "NET", 0), ("Hike", "TALK", 0), ("hike", "NET", 1)):
        start = ("--start", title, "--kind", "exercise", "--group", group_name, "--by", "bob")
        assert story.ask(duty, *start).code == code
    (first,) = [d.id for d in acts.duties() if d.title == "Hike" and d.groups == ("NET",)]
    acts.end_duty(first, "ann")  # what is over is no obstacle
    start = ("--start", "hike", "--kind", "exercise", "--group", "NET", "--by", "bob")
    assert story.ask(duty, *start).code == 0


def test_begin_and_end_with_a_roster(story: Story, tmp_path: Path) -> None:
    file = tmp_path / "roster.csv"
    file.write_text(CSV, "utf-8")
    words = ("--start", "Long hill", "--kind", "actual", "--group", "net", "--group", "TALK")
    made = story.ask(duty, *words, "--roster", str(file), "--by", "ann", "--note", "by radio",
                     json=True).document  # fmt: skip
    assert made["done"] == "The duty has begun."
    assert made["unread"] == ["Phone"]
    known = made["duty"]
    assert (known["kind"], known["groups"], known["note"]) == (
        "actual",
        ["NET", "TALK"],
        "by radio",
    )
    assert known["expected"] == [HERE, AWAY]
    file.write_text("call,phone\nQB2DEF,555\n", "utf-8")
    said = story.ask(duty, known["id"], "--roster", str(file), "--by", "bob")
    must_fit(said)
    assert (said.code, said.lines[:2]) == (0, ["1 are expected now.",
                                               "Columns that were not read: phone."])  # fmt: skip
    ended = story.ask(duty, known["id"], "--end", "--by", "ann")
    assert (ended.code, ended.lines[0]) == (0, "The duty is over.")
    assert story.ask(duty, known["id"], "--end", "--by", "ann").code == 1


def test_a_faulty_roster_changes_nothing(story: Story, running: str, tmp_path: Path) -> None:
    file = tmp_path / "roster.csv"
    file.write_text("call,group\nNOBODY,NET\nQA1ABC,SEARCH\n", "utf-8")
    said = story.ask(duty, running, "--roster", str(file), "--by", "ann")
    assert (said.code, said.out) == (1, "")
    lines = said.err.splitlines()
    assert [f"line {n}" in line for n, line in zip((2, 3), lines, strict=False)] == [True, True]
    assert lines[-1] == "streamer duty: nothing was changed"
    assert all(str(file) in line for line in lines[:-1])
    assert len(story.ask(duty, running, json=True).document["duty"]["expected"]) == 3
    missing = story.ask(duty, running, "--roster", str(tmp_path / "none.csv"), "--by", "ann")
    assert missing.code == 1
    assert "cannot be read" in missing.err


@pytest.mark.parametrize(
    ("words", "fault"),
    [
        (["--end"], "--end needs --by NAME"),
        (["--end", "--by", "ann"], "which duty?"),
        (["x", "--end", "--roll-call", "end", "--by", "ann"], "--end and --roll-call: one at"),
        (["x", "--start", "Hill", "--by", "ann"], "it takes no ID"),
        (["--start", "Hill", "--by", "ann"], "needs --kind exercise or --kind actual, and --group"),
        (["--start", "Hi\nll", "--by", "ann"], "--start: 1 to 80 printable characters"),
        (["x", "--by", "ann"], "--by belongs to"),
        (["x", "--end", "--another", "--by", "ann"], "--another belongs to --start"),
        (["x", "--end", "--kind", "actual", "--by", "ann"], "belong to --start"),
    ],
)
def test_used_wrongly(story: Story, words: list[str], fault: str) -> None:
    said = story.ask(duty, *words)
    assert (said.code, said.out) == (2, "")
    assert fault in said.err


@pytest.mark.parametrize("words", [[], ["--end", "--by", "ann"]])
def test_no_such_duty(story: Story, running: str, words: list[str]) -> None:
    said = story.ask(duty, "duty-1", *words)
    assert said.code == 1
    assert running in said.err


def test_a_duty_older_than_what_is_kept_says_so(story: Story, acts: Acts) -> None:
    """Members of the group are forgotten with time; the numbers must not hide that."""
    story.tell(story.ridge.state(story.now_ms))
    begun = acts.start_duty("long", DutyKind.ACTUAL, ["NET"], "ann", None, ROSTER[2:])
    assert "older than what is kept" not in story.ask(duty, begun.id).out
    story.pass_s(story.worker.store.forget_ms / 1000 + 1)
    found = story.ask(duty, begun.id, json=True).document
    assert any("older than what is kept" in note for note in found["notes"])


def test_it_agrees_with_the_group(story: Story, running: str) -> None:
    """What `streamer group` says of its members is what the duty counts."""
    story.pass_s(70)  # overdue_after_s is 60
    story.tell(story.ridge.state(story.now_ms))
    members = [m for g in ("NET", "TALK")
               for m in story.ask(group, g, json=True).document["members"]]  # fmt: skip
    found = story.ask(duty, running, json=True).document
    standings = [m["standing"] for m in members]
    assert sum(found["numbers"]["standings"].values()) == len(members) == 2
    assert found["numbers"]["standings"]["overdue"] == standings.count("overdue") == 2
    assert {p["call"]: p["last_heard_at"] for p in found["people"] if p["standing"]} == {
        m["station"]: m["last_heard_at"] for m in members
    }
