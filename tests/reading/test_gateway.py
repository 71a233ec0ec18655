"""`streamer gateway`: is it up, since when, and what hangs on it."""

from typing import Any

from streamer.reading import alerts, gateway
from tests.reading.conftest import Story, must_fit, named
from tests.state.scene import START_MS, Teller, moment


def scene(story: Story) -> None:
    """Ridge with two repeaters, one of them down; a member on each; one group carried."""
    ms = story.now_ms
    repeaters = [
        {"id": "ridge/uhf", "up": True, "changed_at": moment(ms)},
        {"id": "ridge/vhf", "up": False, "changed_at": moment(ms - 60_000)},
    ]
    more: dict[str, Any] = {"sent_at": moment(ms - 1000)}
    more |= {"software": "example 1.0", "spooled": 3, "dropped": 0, "clock_offset_s": 0.25}
    story.tell(
        story.ridge.state(ms, repeaters=repeaters, **more),
        story.ridge.heard(ms, "QA1ABC", "o1", to="NET"),
        story.ridge.route(ms, "NET", "carrying"),
        story.ridge.heard(ms, "QB2DEF", "o2", "vhf", to="TALK"),
        story.ridge.heard(ms, "Mobile One", "o3"),
    )
    story.pass_s(10)


def test_a_gateway_that_is_up(story: Story) -> None:
    scene(story)
    answered = story.ask(gateway, "Ridge", json=True)
    assert (answered.code, answered.err) == (0, "")
    found = answered.document
    assert (found["gateway"], found["standing"], found["since"]) == (
        "ridge", "up", moment(START_MS - 750),
    )  # fmt: skip
    # By the corrected clock: the gateway's is 0.25 s behind (RFC 5905: offset = server - client).
    assert (found["heartbeat_at"], found["heartbeat_age_s"]) == (moment(START_MS - 750), 10.75)
    assert (found["software"], found["spooled"], found["clock_offset_s"]) == (
        "example 1.0", 3, 0.25,
    )  # fmt: skip
    assert found["keeper"] == "the ridge crew"
    counts = found["counts"]
    assert (counts["heard"], counts["route"], counts["quarantined"]) == (2, 1, 1)
    assert (counts["duplicates"], counts["missing"]) == (0, 0)

    uhf, vhf = found["repeaters"]
    assert (uhf["repeater"], uhf["up"]) == ("ridge/uhf", True)
    assert uhf["groups"] == [
        {"group": "NET", "wanted": True, "why": ["member"], "carriage": "carried"}
    ]
    assert uhf["members"] == [{"station": "QA1ABC", "group": "NET", "standing": "in_reach"}]
    assert (vhf["up"], vhf["since"][:19]) == (False, moment(START_MS - 60_000)[:19])
    assert [(t["group"], t["carriage"]) for t in vhf["groups"]] == [("TALK", "unknown")]
    assert [(m["station"], m["standing"]) for m in vhf["members"]] == [("QB2DEF", "blind")]
    assert [a["kind"] for a in found["alerts"]] == ["repeater_lost"]


def test_for_people(story: Story) -> None:
    scene(story)
    answered = story.ask(gateway, "ridge")
    must_fit(answered)
    text = " ".join(answered.out.split())
    for said in (
        "it is up, since 07:59:59Z (10 s ago)",
        "software example 1.0",
        "spool 3 events not yet sent",
        "clock 0.250 s behind; times are corrected",
        "events 2 heard, 1 route, 0 duplicate, 0 missing, 1 quarantined; ",
        "what is missing shows when a later event comes",
        "keeper the ridge crew",
        "NET carried",
        "TALK unknown",
        "ALERT repeater_lost.ridge.vhf: Repeater ridge/vhf is lost",
    ):
        assert said in text, said
    rows = [line.split() for line in answered.lines if line.startswith("ridge/")]
    assert named(rows, 0, "ridge/vhf")[1] == "down"
    assert text.endswith("Local plans, licensed operators and the law come first.")


def test_events_that_came_twice_or_never(story: Story) -> None:
    ms = story.now_ms
    once = story.ridge.heard(ms, "QA1ABC", "o1")
    story.ridge.heard(ms, "QA1ABC", "o2")  # lost on the way
    story.ridge.heard(ms, "QA1ABC", "o3")  # and this
    story.tell(once, once, story.ridge.heard(ms, "QA1ABC", "o4"))
    counts = story.ask(gateway, "ridge", json=True).document["counts"]
    assert (counts["heard"], counts["duplicates"], counts["missing"]) == (2, 1, 2)


def test_one_that_sends_more_than_is_taken(story: Story) -> None:
    ms = story.now_ms
    assert story.ask(gateway, "ridge", json=True).document["flood"] is None
    many = [story.ridge.heard(ms, "QA1ABC", f"o{n}") for n in range(3)]
    story.tell(*(m._replace(unread=True, flooded=n) for n, m in enumerate(many)))
    story.pass_s(1)
    flood = story.ask(gateway, "ridge", json=True).document["flood"]
    assert flood == {"since": moment(ms), "last_at": moment(ms), "messages": 3}
    text = " ".join(story.ask(gateway, "ridge").out.split())
    assert "flood 3 messages refused, the last 08:00:00Z (1 s ago)" in text
    assert "ALERT gateway_flooding.ridge: Gateway ridge floods" in text


def test_by_its_will_it_is_down(story: Story) -> None:
    scene(story)
    story.ridge.beats = 0
    will = story.ridge.state(START_MS, up=False, seq=None)
    story.tell(will)
    story.pass_s(5)
    answered = story.ask(gateway, "ridge", json=True)
    found = answered.document
    assert (found["standing"], found["since"]) == ("down", moment(START_MS + 10_000))
    assert (found["heartbeat_at"], found["heartbeat_age_s"]) == (None, None)
    assert found["software"] is None  # a will does not say it
    assert [r["up"] for r in found["repeaters"]] == [None, None]
    plain = story.ask(gateway, "ridge")
    must_fit(plain)
    text = " ".join(plain.out.split())
    assert "it is down: it said so, or its broker said it for it, since 08:00:10Z (5 s ago)" in text
    assert "ridge/uhf: gateway ridge is down: nothing can be said of it now" in text
    assert "ALERT gateway_lost.ridge" in text
    assert "heartbeat ended by its will" in text


def test_silent_and_never_heard_of(story: Story) -> None:
    scene(story)
    story.pass_s(90)  # gateway_lost_after_s
    assert story.ask(gateway, "ridge", json=True).document["standing"] == "silent"
    found = story.ask(gateway, "mill", json=True).document
    assert (found["standing"], found["since"], found["heartbeat_at"]) == ("never", None, None)
    assert found["repeaters"][0]["reason"] == "its gateway has sent no heartbeat"
    pinned = named(found["repeaters"], "repeater", "mill/vhf")
    assert pinned["groups"] == [
        {"group": "NET", "wanted": True, "why": ["pin"], "carriage": "unknown"}
    ]
    plain = story.ask(gateway, "mill")
    must_fit(plain)
    assert "never heard of: no heartbeat has come" in plain.out
    assert "not in the region file" in plain.out  # its keeper


def test_a_repeater_of_which_the_heartbeat_does_not_speak(story: Story) -> None:
    story.tell(story.lake.state(story.now_ms, repeaters=[{"id": "lake/uhf", "up": True}]))
    repeaters = story.ask(gateway, "lake", json=True).document["repeaters"]
    assert [r["up"] for r in repeaters] == [True, None]
    assert repeaters[1]["reason"] == "its gateway's heartbeat does not speak of it"


def test_carried_for_nobody(story: Story) -> None:
    ms = story.now_ms
    story.tell(story.lake.state(ms), story.lake.route(ms, "TALK", "carrying"))
    found = story.ask(gateway, "lake", json=True).document
    assert found["repeaters"][0]["groups"] == [
        {"group": "TALK", "wanted": False, "why": [], "carriage": "carried"}
    ]
    assert "TALK carried for nobody" in " ".join(story.ask(gateway, "lake").out.split())


def test_one_line_for_each(story: Story) -> None:
    scene(story)
    answered = story.ask(gateway)
    must_fit(answered)
    rows = [line.split() for line in answered.lines]
    assert rows[0] == [
        "GATEWAY", "IS", "FOR", "HEARTBEAT", "REPEATERS", "CARRIED", "MEMBERS", "SPOOL", "LOST",
    ]  # fmt: skip
    ridge = " ".join(named(rows[1:4], 0, "ridge"))
    assert ridge == "ridge up 10 s 10 s ago 1 of 2 up 1 of 2 2 3 0"
    assert " ".join(named(rows[1:4], 0, "mill")) == "mill never - 0 of 2 up 0 of 1 0 ? 0"
    found = story.ask(gateway, json=True).document
    assert [g["gateway"] for g in found["gateways"]] == ["ridge", "lake", "mill"]
    one = story.ask(gateway, "ridge", json=True).document
    assert {**one, **named(found["gateways"], "gateway", "ridge")} == one


def test_no_such_gateway(story: Story) -> None:
    story.tell(Teller("lake").state(story.now_ms))
    answered = story.ask(gateway, "rigde", json=True)
    assert (answered.code, answered.out) == (1, "")
    assert answered.err == (
        "streamer gateway: no gateway 'rigde' in the region file; did you mean 'ridge'? "
        "allowed: ridge, lake, mill\n"
    )


def test_how_well_repeaters_hear(story: Story) -> None:
    """Nothing wrong, then a key that is not let go of; no worker looks meanwhile."""
    ms = story.now_ms
    ended: dict[str, Any] = {"phase": "end", "duration_s": 4, "sent_at": moment(ms)}
    story.tell(
        story.ridge.state(ms),
        story.ridge.heard(ms - 4000, "QA1ABC", "o1", **ended),
        story.ridge.heard(ms, "QB2DEF", "o2"),
    )
    found = story.ask(gateway, "ridge", json=True).document["repeaters"]
    assert found[0]["health"] == {
        "judged_at": moment(ms), "overs": 2, "stations": 2, "findings": [],
    }  # fmt: skip
    story.pass_s(20)
    text = " ".join(story.ask(gateway, "ridge").out.split())
    assert "ridge/uhf: nothing wrong found, judged from 2 overs of 2 stations, 20 s ago" in text

    for _ in range(17):
        story.pass_s(10)
        story.tell(story.ridge.state(story.now_ms))
    (trouble,) = story.ask(gateway, "ridge", json=True).document["repeaters"][0]["health"][
        "findings"
    ]
    assert (trouble["trouble"], trouble["since"]) == ("stuck", moment(ms))
    assert trouble["evidence"] == {"duration_s": 190.0}
    answered = story.ask(gateway, "ridge")
    must_fit(answered)
    text = " ".join(answered.out.split())
    assert (
        "ridge/uhf: an over lasts far too long since 08:00:00Z: QB2DEF has been sending for "
        "3 min without end: a carrier may be stuck, or the end was lost on the way "
        "(judged from 2 overs of 2 stations, 0 s ago)" in text
    )
    assert "ALERT carrier_stuck.ridge.uhf" in text

    story.pass_s(90)  # gateway_lost_after_s
    assert story.ask(gateway, "ridge", json=True).document["repeaters"][0]["health"] is None


def test_what_its_loss_explains_and_planned_work(story: Story) -> None:
    """The member was overdue before; both are found in one look."""
    story.tell(
        story.ridge.state(story.now_ms), story.ridge.heard(story.now_ms, "QA1ABC", "o1", to="NET")
    )
    words = ("--maintenance", "ridge/uhf", "--for", "2h", "--by", "Ann")
    work = story.ask(alerts, *words, json=True).document["maintenance"]
    story.pass_s(61)
    story.tell(story.ridge.state(story.now_ms, up=False))
    found = story.ask(gateway, "ridge", json=True).document
    (lost,) = found["alerts"]
    assert [held["subject"] for held in lost["held"]] == ["QA1ABC"]
    assert found["maintenance"] == [work]
    plain = story.ask(gateway, "ridge")
    must_fit(plain)
    for text in ("explains 1 other:", "QA1ABC of NET", "ridge/uhf: until 10:00:00Z", "by Ann"):
        assert text in plain.out
    other = story.ask(gateway, "lake", json=True).document
    assert (other["alerts"], other["maintenance"]) == ([], [])
