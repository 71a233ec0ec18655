"""What must hold of the readers of what Redis keeps when another version wrote it: fields that are
not there yet, and fields that are not known here. Damage is no case: only our scripts write there.
"""

from collections.abc import Mapping
from typing import Final

from streamer.state.records import Summaries, gateway_from, group_from, live_from, station_from

GATEWAY: Final[Mapping[str, str]] = {
    "#rev": "3", "#ver": "2", "n:heard": "7", "n:duplicate": "1", "hole_ms": "1800000000000",
    "seen:0190000000000001": "1-4,6-8", "future_ms": "1800000000001", "#born": "1800000000000",
    "#conditions": "abc", "#standing": "reporting", "skew_ms": "1800000000002",
}  # fmt: skip
GROUP: Final[Mapping[str, str]] = {
    "#rev": "3", "#ver": "2", "#previous": '{"ridge/uhf": 1800000000000}', "#born": "1800000000000",
    "#fanout_version": "4", "#reach_version": "5", "#reach_ms": "1800000000000",
    "#fanout_digest": "a", "#reach_digest": "b", "#conditions": "c", "#answered": "d",
    "@ridge/uhf": "1800000000000 carrying 0.2 x",
}  # fmt: skip


def gateway(fields: Mapping[str, str]) -> None:
    """What is there is read; what is not is as of a gateway of which nothing is known."""
    found = gateway_from("ridge", dict(fields))
    assert found.rev == int(fields.get("#rev", 0))
    assert found.counts == {k[2:]: int(v) for k, v in fields.items() if k.startswith("n:")}
    assert (found.hole_ms is None) == ("hole_ms" not in fields)


def group(fields: Mapping[str, str]) -> None:
    """The same of a group."""
    found = group_from("NET", dict(fields), [], Summaries())
    assert found.rev == int(fields.get("#rev", 0))
    assert found.fanout_version == int(fields.get("#fanout_version", 0))
    assert set(found.carrying) == {k[1:] for k in fields if k[0] == "@"}


def station(fields: Mapping[str, str]) -> None:
    """Without a record there is no station, whatever else stands there."""
    assert station_from("QA1ABC", {k: v for k, v in fields.items() if k != "record"}) is None


def live(more: str) -> None:
    """A newest state with a field that is not known here."""
    text = (
        '{"boot":"0190000000000001","session":1,"ms":1800000000000,"taken":1800000000001,'
        f'"state":"{{}}","sessions":[["b",1,1,2,0]],"flips":{{}}{more}}}'
    )
    assert live_from("ridge", text).session == 1
