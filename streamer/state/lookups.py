"""Questions that people ask of the state, beside those that the workers ask. Reads only.

Every function raises StoreUnavailable when Redis does not answer.
"""

from collections.abc import Iterable, Sequence
from typing import Any

import redis

from streamer.contract.published import Refusal
from streamer.domain.liveness import Sights
from streamer.domain.model import Carrying, HeardOver, StationRecord, Summary
from streamer.state.base import StoreMismatch, guarded
from streamer.state.records import carrying_from, summary_from
from streamer.state.store import Store

Caged = dict[str, tuple[int, int, str]]
"""Identity -> count, last heard in ms, reason."""


class Reader:
    """A store with its client, for reading."""

    def __init__(self, client: "redis.Redis", store: Store) -> None:
        self.client: Any = client  # its types leave open whether it answers in bytes
        self.store = store


def check_state(reader: Reader) -> bool:
    """Whether a worker ever kept this region here.

    Raises StoreMismatch if it was kept with another number of partitions: then its keys are
    elsewhere, and all would look empty.
    """
    keys = reader.store.keys
    with guarded():
        made = reader.client.hget(keys.meta(), "partitions")
    if made is not None and int(made) != keys.partitions:
        raise StoreMismatch(
            f"region {reader.store.view.name}: the state in Redis has partitions = {made}, the "
            f"region file says {keys.partitions}: use the region file of the workers"
        )
    return made is not None


def worker_seen_ms(reader: Reader) -> int | None:
    """When a worker last said that it lives; None if none ever did."""
    with guarded():
        newest = reader.client.zrange(reader.store.keys.workers(), -1, -1, withscores=True)
    return int(newest[0][1]) if newest else None


def sights(store: Store, now_ms: int) -> Sights:
    """All gateways of the region as they stand now. Of one that the region file has dropped what
    is kept says nothing any more, as if it had never been heard of: else its repeaters would not
    report for ever, and nobody would be missed there."""
    knows = store.view.knows_gateway
    states, routers, floods = store.live()
    states = {name: state for name, state in states.items() if knows(name)}
    floods = {name: spans for name, spans in floods.items() if knows(name)}
    routers = frozenset(filter(knows, routers))
    limits = store.view.limits
    lost_after_ms, hold_ms = (
        round(s * 1000) for s in (limits.gateway_lost_after_s, limits.flood_hold_s)
    )
    return Sights(states, routers, lost_after_ms, now_ms, floods, hold_ms)


def overs_of(
    stations: Iterable[StationRecord | None], repeater: str, since_ms: int
) -> list[HeardOver]:
    """The overs of stations that began on a repeater since, newest first."""
    found = [
        HeardOver(e.ms, s.station, repeater, e.over, e.duration_ms, e.rssi_dbm, e.ber_pct)
        for s in stations
        if s is not None
        for e in s.path
        if e.repeater == repeater and e.ms >= since_ms
    ]
    return sorted(found, key=lambda o: (-o.ms, o.station, o.over))


def summaries_of(reader: Reader, station: str, groups: Sequence[str]) -> dict[str, Summary]:
    """What groups know of one station; groups that know nothing of it are left out."""
    with guarded():
        pipe = reader.client.pipeline(transaction=False)
        for group in groups:
            pipe.hget(reader.store.keys.group(group), f"={station}")
        texts = pipe.execute()
    return {g: summary_from(station, t) for g, t in zip(groups, texts, strict=True) if t}


def carrying(
    reader: Reader, pairs: Sequence[tuple[str, str]]
) -> dict[tuple[str, str], Carrying | None]:
    """By (group, repeater): what the repeater last said about carrying it; None if nothing."""
    with guarded():
        pipe = reader.client.pipeline(transaction=False)
        for group, repeater in pairs:
            pipe.hget(reader.store.keys.group(group), f"@{repeater}")
        texts = pipe.execute()
    return {
        pair: carrying_from(text) if text else None for pair, text in zip(pairs, texts, strict=True)
    }


def newest_refusals(reader: Reader, limit: int) -> list[Refusal]:
    """Refused input, newest first."""
    with guarded():
        texts = reader.client.lrange(reader.store.keys.refused(), 0, limit - 1) if limit else []
    return [Refusal.model_validate_json(text) for text in texts]


def quarantine_gateways(reader: Reader) -> list[str]:
    """Gateways that may hold somebody: the listed ones and, if others may speak, those found."""
    view, names = reader.store.view, set(reader.store.view.gateways)
    if view.region.open_gateways:
        pattern = reader.store.keys.quarantines()
        with guarded():
            found = list(reader.client.scan_iter(match=pattern, count=1000))
        names |= {key.rsplit(":", 1)[1] for key in found}
    return sorted(names)


def quarantines(reader: Reader, gateways: Sequence[str]) -> dict[str, Caged]:
    """Identities that are not call signs, by gateway; gateways without one are left out."""
    with guarded():
        pipe = reader.client.pipeline(transaction=False)
        for gateway in gateways:
            pipe.hgetall(reader.store.keys.quarantine(gateway))
        answers = pipe.execute()
    return {
        gateway: {name: _caged(text) for name, text in fields.items()}
        for gateway, fields in zip(gateways, answers, strict=True)
        if fields
    }


def _caged(text: str) -> tuple[int, int, str]:
    count, last_ms, reason = text.split(" ")
    return int(count), int(last_ms), reason
