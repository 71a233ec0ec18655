"""The identifier of one run of an agent: RFC 9562 UUIDv7, which rises from run to run."""

import secrets
from typing import Final
from uuid import UUID

_MAX_MS: Final = 2**48 - 1


def uuid7(now_ms: int, random_bits: int) -> UUID:
    """A UUID of version 7 (RFC 9562, 5.7): 48 bits of time, then 74 random bits."""
    rand_a = (random_bits >> 62) & 0xFFF
    rand_b = random_bits & (2**62 - 1)
    return UUID(int=(now_ms & _MAX_MS) << 80 | 0x7 << 76 | rand_a << 64 | 0b10 << 62 | rand_b)


def next_boot(previous: str | None, now_ms: int) -> str:
    """A boot identifier greater in byte order than `previous`, even if the clock went back.

    32 lower case hexadecimal digits. When the clock does not give a greater one, the time of the
    previous one plus 1 ms is used (RFC 9562, 6.2, allows a time that is not the clock's).
    """
    time_ms = now_ms
    if previous is not None:
        try:
            time_ms = max(now_ms, (UUID(previous).int >> 80) + 1)
        except ValueError as error:
            raise ValueError(f"boot {previous!r} is not a UUID") from error
    return uuid7(time_ms, secrets.randbits(74)).hex
