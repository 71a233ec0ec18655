"""`streamer refused`: counts, the newest with detail, and who is in quarantine."""

import pytest

from streamer.contract.topics import Kind
from streamer.reading import refused
from tests.reading.conftest import Story, must_fit
from tests.state.scene import message, moment


def refuse(story: Story) -> None:
    """Four refusals in this order: not JSON, unknown repeater, twice a future time."""
    ms = story.now_ms
    story.tell(
        message("ridge", Kind.HEARD, b'{"v":1,\x1b[2J'),
        story.ridge.heard(ms, "QA1ABC", "o1", port="moon"),
        story.ridge.heard(ms + 99_000, "QA1ABC", "o2"),
        story.ridge.heard(ms + 99_000, "QA1ABC", "o3"),
    )
    kept = [(r.reason.value, r.model_dump_json()) for r in story.worker.refusals]
    story.worker.store.refuse(kept)  # the worker's loop does this after merging


def test_counts_and_the_newest(story: Story) -> None:
    refuse(story)
    answered = story.ask(refused, "--limit", "3", json=True)
    found = answered.document
    assert found["counts"] == {"future": 2, "json": 1, "unknown_repeater": 1}
    assert [r["reason"] for r in found["newest"]] == ["future", "future", "unknown_repeater"]
    assert found["newest"][2]["detail"] == (
        "repeater ridge/moon is not in the region file; add it there"
    )


def test_for_people_no_payload_commands_the_terminal(story: Story) -> None:
    refuse(story)
    answered = story.ask(refused)
    must_fit(answered)
    assert answered.lines[0] == "4 refusals in all"
    assert "not JSON" in answered.out
    assert "\\u001b[2J" in answered.out
    assert "99 s ahead" in answered.out


def test_the_quarantine_of_each_gateway(story: Story) -> None:
    ms = story.now_ms
    story.tell(
        story.ridge.heard(ms, "BOB", "o1"),
        story.ridge.heard(ms + 1000, "BOB", "o2"),
        story.ridge.heard(ms + 2000, "X\xdf1A", "o3"),
        story.lake.heard(ms, "QQ", "o4"),
    )
    found = story.ask(refused, json=True).document
    # The order of gateways and of what was heard last.
    assert [(c["gateway"], c["held"]) for c in found["quarantined"]] == [("lake", 1), ("ridge", 2)]
    assert found["quarantined"][1]["identities"] == [
        {
            "identity": "XSS1A",
            "count": 1,
            "last_heard_at": moment(ms + 2000),
            "reason": "wrong_characters",
        },
        {"identity": "BOB", "count": 2, "last_heard_at": moment(ms + 1000), "reason": "word"},
    ]
    plain = story.ask(refused, "--limit", "1")
    must_fit(plain)
    assert "Nothing was refused." in plain.out
    assert "Not taken for stations at ridge, 1 of 2" in plain.out
    assert "BOB" not in plain.out


def test_a_limit_of_none(story: Story) -> None:
    refuse(story)
    found = story.ask(refused, "--limit", "0", json=True).document
    assert found["newest"] == []
    assert found["counts"]["future"] == 2


@pytest.mark.parametrize("limit", ["-1", "x", "100001", "1.5", ""])
def test_a_limit_that_is_none(story: Story, limit: str) -> None:
    with pytest.raises(SystemExit) as ended:
        story.ask(refused, f"--limit={limit}")
    assert ended.value.code == 2
