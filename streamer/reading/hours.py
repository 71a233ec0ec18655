"""How busy a repeater was in each hour of the last day, by what was heard there."""

from collections.abc import Iterator, Sequence
from itertools import groupby

from streamer.clock import from_ms
from streamer.contract.common import Moment
from streamer.domain.channel_load import erlangs
from streamer.reading.common import Desk, Document
from streamer.state.buckets import Bucket
from streamer.state.keys import BUCKET_MS, HOUR_MS

Span = tuple[int, int | None]
"""From and to in ms; None: it still lasts."""


class HourHeard(Document):
    """The load of an hour from `start_at` on: air-time of what was heard there by the `recorded_s`
    of the hour in which it could be heard: in the day, up to the present, since the repeater is
    known, without the time in which it was dark; null where that is none. What was sent on to the
    repeater from elsewhere is not in it, and was on the air as well."""

    start_at: Moment
    recorded_s: float
    erlangs: float | None


def known_ms(desk: Desk, repeater: str, day: Sequence[Bucket], recorded_from_ms: int | None) -> int:
    """Since when something is known of a repeater: its gateway's first kept connection, or what was
    heard before; the present if nothing is.

    `recorded_from_ms`: in a replay, the record's begin. What the gateway says of the time before it
    does not make it a time that was recorded. Raises StoreUnavailable."""
    live = desk.store.live()[0].get(repeater.partition("/")[0])
    said_ms = live.sessions[0].began_ms if live and live.sessions else None
    if said_ms is not None and recorded_from_ms is not None:
        said_ms = max(said_ms, recorded_from_ms)
    first = next((bucket for bucket in day if bucket.overs), None)
    if first is None:
        return desk.now_ms if said_ms is None else said_ms
    heard_ms = first.start_ms
    if recorded_from_ms is not None and first.start_ms < recorded_from_ms < _end_ms(first):
        heard_ms = recorded_from_ms
    if said_ms is None:
        return heard_ms
    # Within the bucket the gateway's word is the finer one.
    return said_ms if heard_ms <= said_ms < _end_ms(first) else min(said_ms, heard_ms)


def _end_ms(bucket: Bucket) -> int:
    return bucket.start_ms + BUCKET_MS


def hours_heard(
    day: Sequence[Bucket], since_ms: int, dark: Sequence[Span], now_ms: int
) -> Iterator[HourHeard]:
    """The load of the hours of a day of buckets, of a repeater known `since_ms`."""
    for number, buckets in groupby(day, key=lambda bucket: bucket.start_ms // HOUR_MS):
        within = list(buckets)
        air_ms = sum(bucket.air_ms for bucket in within)
        end_ms = min(now_ms, _end_ms(within[-1]))
        begin_ms = max(within[0].start_ms, since_ms)
        dark_ms = sum(
            max(0, min(end_ms, now_ms if to_ms is None else to_ms) - max(begin_ms, dark_ms_))
            for dark_ms_, to_ms in dark
        )
        # No channel is on the air for longer than it is heard: an over may begin before the
        # gateway's first word, or be told of a dark time later.
        most_ms = end_ms - within[0].start_ms
        recorded_ms = max(0, end_ms - begin_ms - dark_ms, min(air_ms, most_ms))
        load = round(erlangs(air_ms, recorded_ms), 4) if recorded_ms else None
        yield HourHeard(
            start_at=from_ms(number * HOUR_MS), recorded_s=recorded_ms / 1000, erlangs=load
        )
