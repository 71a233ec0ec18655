"""`streamer where`: place, path, standings; and why a station is not known."""

from streamer.reading import alerts, where
from tests.reading.conftest import Story, must_fit, named
from tests.state.scene import START_MS, moment


def moved(story: Story) -> None:
    """QA1ABC keys to NET on ridge/uhf, says where it is, and is heard on ridge/vhf later."""
    ms = story.now_ms
    said = {"lat": -46.1, "lon": 20.2, "speed_mps": 3.5, "course_deg": 120}
    story.tell(
        story.ridge.state(ms),
        story.ridge.heard(
            ms, "qa1abc/p", "o1", to="NET", phase="end", duration_s=3.2, sent_at=moment(ms + 3200),
            rssi_dbm=-97.5, ber_pct=1.25, position=said,
        ),
    )  # fmt: skip
    story.pass_s(20)
    story.tell(story.ridge.heard(story.now_ms, "QA1ABC", "o2", port="vhf"))
    story.pass_s(10)


def test_place_path_position_and_standing(story: Story) -> None:
    moved(story)
    answered = story.ask(where, "qa1abc", json=True)
    found = answered.document
    assert (answered.code, answered.err) == (0, "")
    assert found["station"] == "QA1ABC"
    assert found["known"] is True
    last = found["last_heard"]
    assert (last["repeater"], last["at"], last["age_s"]) == (
        "ridge/vhf", moment(START_MS + 20_000), 10.0,
    )  # fmt: skip
    assert found["position"]["lat"] == -46.1
    assert found["position"]["at"] == moment(START_MS)
    # Newest first; the end of the second over was never heard.
    names = ("repeater", "started_at", "ended_at", "duration_s")
    assert [tuple(over[name] for name in names) for over in found["path"]] == [
        ("ridge/vhf", moment(START_MS + 20_000), None, None),
        ("ridge/uhf", moment(START_MS), "2027-01-15T08:00:03.200000Z", 3.2),
    ]  # fmt: skip
    (standing,) = found["groups"]
    assert (standing["group"], standing["standing"]) == ("NET", "in_reach")
    assert standing["checked_in_at"] == moment(START_MS)
    assert found["alerts"] == []
    assert found["at"] == moment(START_MS + 30_000)


def test_how_it_was_heard(story: Story) -> None:
    ms = story.now_ms
    story.tell(
        story.lake.heard(ms, "QA1ABC/P", "o1", to="NET", rssi_dbm=-97.5, ber_pct=1.25, text="HI")
    )
    answered = story.ask(where, "QA1ABC", json=True)
    last = answered.document["last_heard"]
    assert (last["rssi_dbm"], last["ber_pct"], last["text"], last["suffix"], last["to"]) == (
        -97.5, 1.25, "HI", "P", "NET",
    )  # fmt: skip
    plain = story.ask(where, "QA1ABC/M")  # a suffix of the question does not matter
    must_fit(plain)
    assert "QA1ABC, signing QA1ABC/P" in plain.out
    assert "-97.5 dBm, 1.25 % bit errors, text 'HI'" in plain.out
    assert "position    never said" in plain.out


def test_standings_are_as_of_now_though_no_worker_has_looked(story: Story) -> None:
    moved(story)
    story.pass_s(51)  # 61 s after the last keying: overdue_after_s is 60
    (standing,) = story.ask(where, "QA1ABC", json=True).document["groups"]
    assert standing["standing"] == "overdue"
    assert "silent longer than 1 min" in standing["reasons"]
    story.pass_s(60)  # 121 s: a heartbeat is overdue too, but it was out of reach only after that
    (standing,) = story.ask(where, "QA1ABC", json=True).document["groups"]
    assert standing["standing"] == "blind"


def test_a_check_out_is_told(story: Story) -> None:
    ms = story.now_ms
    story.tell(story.lake.heard(ms, "QA1ABC", "o1", to="NET"))
    story.pass_s(5)
    story.tell(story.lake.heard(story.now_ms, "QA1ABC", "o2", to="NET", text="out"))
    (standing,) = story.ask(where, "QA1ABC", json=True).document["groups"]
    assert standing["standing"] == "checked_out"
    assert standing["checked_out_at"] == moment(START_MS + 5000)


def test_a_repeater_that_does_not_report_is_said_so(story: Story) -> None:
    moved(story)
    story.tell(story.ridge.state(story.now_ms, up=False))
    answered = story.ask(where, "QA1ABC")
    must_fit(answered)
    assert "gateway ridge is down: nothing can be said of now" in answered.out


def test_two_places_are_told(story: Story) -> None:
    ms = story.now_ms
    for teller in (story.ridge, story.lake):
        story.tell(
            teller.heard(
                ms, "QA1ABC", f"over-{teller.gateway}", phase="end", duration_s=9,
                sent_at=moment(ms + 9000),
            )
        )  # fmt: skip
    answered = story.ask(where, "QA1ABC", json=True)
    (alert,) = answered.document["alerts"]
    assert (alert["id"], alert["state"]) == ("two_places.QA1ABC", "open")
    plain = story.ask(where, "QA1ABC")
    must_fit(plain)
    assert "ALERT two_places.QA1ABC" in plain.out


def test_what_a_group_says_of_the_station_is_told(story: Story) -> None:
    ms = story.now_ms
    story.tell(
        story.ridge.state(ms),
        story.lake.state(ms),
        story.lake.heard(ms, "QA1ABC", "o1", to="NET"),
        story.ridge.heard(ms, "QB2DEF", "o2", to="NET"),
    )
    story.pass_s(61)
    story.tell(story.lake.state(story.now_ms), story.ridge.state(story.now_ms))
    story.settle()
    (alert,) = story.ask(where, "QA1ABC", json=True).document["alerts"]
    assert (alert["kind"], alert["subject"]) == ("member_overdue", "QA1ABC")
    plain = story.ask(where, "QA1ABC")
    must_fit(plain)
    assert f"ALERT {alert['id']}: QA1ABC of NET is overdue" in plain.out
    assert "Next: Call QA1ABC" in plain.out
    story.ask(alerts, "--ack", alert["id"], "--by", "Duty desk")
    assert "In hand of Duty desk" in story.ask(where, "QA1ABC").out
    story.pass_s(60)
    story.tell(story.lake.state(story.now_ms), story.ridge.state(story.now_ms))
    story.settle()
    (alert,) = story.ask(where, "QA1ABC", json=True).document["alerts"]
    assert alert["kind"] == "member_out_of_reach"


def test_a_word_is_quarantined_and_where(story: Story) -> None:
    for n in range(3):
        story.tell(story.ridge.heard(story.now_ms, "Mobile One", f"o{n}"))
    answered = story.ask(where, "mobile one", json=True)
    assert answered.code == 1
    assert "is not taken for a station: letters only" in answered.err
    found = answered.document
    assert (found["known"], found["last_heard"]) == (False, None)
    assert found["quarantined"] == [
        {
            "identity": "MOBILE_ONE",
            "gateway": "ridge",
            "count": 3,
            "last_heard_at": moment(START_MS),
            "reason": "word",
        }
    ]
    plain = story.ask(where, "mobile one")
    must_fit(plain)
    assert plain.code == 1
    assert named([line.split() for line in plain.lines if "MOBILE_ONE" in line], 0, "ridge")


def test_a_station_nobody_heard(story: Story) -> None:
    story.tell(story.lake.heard(story.now_ms, "QA1ABC", "o1", to="NET"))
    answered = story.ask(where, "QA1ABD")
    assert answered.code == 1
    assert "QA1ABD was never heard" in answered.err
    assert "alike: QA1ABC" in answered.out
    word = story.ask(where, "nobody")
    assert "NOBODY was never heard, and is no call sign" in word.err


def test_bytes_that_are_no_text(story: Story) -> None:
    answered = story.ask(where, "QA\udcff\x1b[2J")
    assert answered.code == 1
    assert "\x1b" not in answered.out + answered.err
