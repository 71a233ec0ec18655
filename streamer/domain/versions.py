"""The version of a retained message. Pure."""


def next_version(known: int, now_ms: int) -> int:
    """Higher than the one known, and no lower than the time: readers keep the highest that they
    have seen, and the store may have been put back to what it was before (a backup, a replica that
    lacked the newest). What is worked out after that must count as newer than what was published
    and is no longer known here.

    Workers' clocks need to agree only to within the time that putting it back took.
    """
    return max(now_ms, known + 1)
