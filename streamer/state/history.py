"""What repeaters heard in the last day, read back. Raises StoreUnavailable when Redis does not
answer."""

from streamer.state.base import guarded
from streamer.state.buckets import PER_HOUR, Bucket, bucket_from, field_of
from streamer.state.keys import BUCKET_MS, HISTORY_MS
from streamer.state.lookups import Reader


def window(now_ms: int) -> range:
    """The numbers of the buckets, counted since 1970, of the day that ends with the one of now."""
    last = now_ms // BUCKET_MS
    return range(last + 1 - HISTORY_MS // BUCKET_MS, last + 1)


def last_day(reader: Reader, repeater: str, now_ms: int) -> tuple[Bucket, ...]:
    """Every bucket of the day, oldest first; those in which nothing was heard are empty."""
    wanted, gateway = window(now_ms), repeater.partition("/")[0]
    keys = reader.store.keys
    with guarded():
        pipe = reader.client.pipeline(transaction=False)
        for hour in range(wanted[0] // PER_HOUR, wanted[-1] // PER_HOUR + 1):
            fields = [field_of(repeater, bucket) for bucket in range(PER_HOUR)]
            pipe.hmget(keys.history(gateway, hour), fields)
        texts = [text for answer in pipe.execute() for text in answer]
    first = wanted[0] // PER_HOUR * PER_HOUR
    return tuple(
        bucket_from(bucket, text) if (text := texts[bucket - first]) else Bucket(bucket * BUCKET_MS)
        for bucket in wanted
    )


def heard_since(reader: Reader, repeater: str, since_ms: int) -> list[tuple[str, int]]:
    """As `Store.heard_since`."""
    return reader.store.heard_since(repeater, since_ms)
