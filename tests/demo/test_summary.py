"""What the demo says at its end."""

from streamer.demo.summary import GroupSummary, Summary


def test_gateways_that_were_only_late_are_said_to_be_so() -> None:
    """Thirteen were told as lost and the show had ended one: 13 - 1 = 12."""
    busy = Summary(alerts={"gateway_lost": 13}, killed=1).as_text()
    assert "12 of the alerts gateway lost" in busy
    assert "this machine is too busy" in busy
    for well in (Summary(alerts={"gateway_lost": 1}, killed=1), Summary(killed=1)):
        assert "busy" not in well.as_text()


def test_one_is_one() -> None:
    one = GroupSummary(1, ["ridge/uhf"], ["ridge/uhf"], {})
    assert "NET: carried at 1 of 1 repeater\n" in f"{Summary(groups={'NET': one}).as_text()}\n"
