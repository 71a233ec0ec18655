"""How often somebody may try to sign in. The counting is done by the library `limits`.

- 10 tries in 5 minutes from one address (an IPv6 network of 64 bits counts as one), so that a
  guesser gets nowhere; a success takes back what was counted of the same name, so that who has an
  account cannot go on guessing for others.
- 100 failures in a day for one name, from wherever: NIST SP 800-63B-4, section 3.2.2, allows no
  more than 100 in a row (seen as quoted by others). So that a stranger cannot lock anybody out in
  the middle of a duty, it does not hold where the name has been signed in from since the board
  started: there the first rule is enough.
"""

from collections import OrderedDict
from hashlib import sha256
from ipaddress import IPv6Address, ip_address, ip_network
from typing import Final

from limits import RateLimitItem, RateLimitItemPerDay, RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import FixedWindowRateLimiter

from streamer.clock import Clock

PER_ADDRESS: Final = RateLimitItemPerMinute(10, 5)
_OF_NAME: Final = RateLimitItemPerMinute(10, 5)
PER_NAME: Final = RateLimitItemPerDay(100)
MOST_HOMES: Final = 1000
_IPV6_NETWORK_BITS: Final = 64


class Attempts:
    """Tries of signing in, counted in memory. `limits` reads the machine's clock for itself."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._limiter = FixedWindowRateLimiter(MemoryStorage())
        self._at_home: OrderedDict[tuple[str, str], None] = OrderedDict()
        self.failures = 0
        """All of them, since the start."""

    def begin(self, address: str, name: str, known: bool) -> int:
        """Count a try: 0 if it may be made, else in how many seconds the next may be."""
        place, label = network_of(address), _label(name, known)
        if not self._limiter.hit(PER_ADDRESS, "address", place):
            return self._wait_s(PER_ADDRESS, "address", place)
        self._limiter.hit(_OF_NAME, "address", place, label)
        if (place, label) in self._at_home:
            return 0
        if not self._limiter.test(PER_NAME, "name", label):
            return self._wait_s(PER_NAME, "name", label)
        return 0

    def failed(self, name: str, known: bool) -> None:
        """Count a failure against the name."""
        self.failures += 1
        self._limiter.hit(PER_NAME, "name", _label(name, known))

    def succeeded(self, address: str, name: str) -> None:
        """Forget what was counted of this name: they were slips of the fingers."""
        place, label = network_of(address), _label(name, known=True)
        slips = min(
            self._counted(_OF_NAME, "address", place, label),
            self._counted(PER_ADDRESS, "address", place),  # its minutes may have begun later
        )
        self._limiter.hit(PER_ADDRESS, "address", place, cost=-slips)
        self._limiter.clear(_OF_NAME, "address", place, label)
        self._limiter.clear(PER_NAME, "name", label)
        self._at_home[place, label] = None
        self._at_home.move_to_end((place, label))
        if len(self._at_home) > MOST_HOMES:
            self._at_home.popitem(last=False)

    def _counted(self, item: RateLimitItem, *identifiers: str) -> int:
        return int(item.amount - self._limiter.get_window_stats(item, *identifiers).remaining)

    def _wait_s(self, item: RateLimitItem, *identifiers: str) -> int:
        until_s = self._limiter.get_window_stats(item, *identifiers).reset_time
        return max(1, min(item.get_expiry(), round(until_s - self._clock.now_ms() / 1000)))


def _label(name: str, known: bool) -> str:
    """Names that nobody has are counted too, or a limit would tell which exist; but in few drawers,
    or whoever makes up names could fill the memory."""
    return name if known else "?" + sha256(name.encode("utf-8", "replace")).hexdigest()[:4]


def network_of(address: str) -> str:
    """What counts as one visitor: an IPv4 address, or the network of an IPv6 address."""
    try:
        found = ip_address(address)
    except ValueError:
        return "unknown"
    if isinstance(found, IPv6Address):
        if found.ipv4_mapped is not None:
            return str(found.ipv4_mapped)
        return str(ip_network((int(found), _IPV6_NETWORK_BITS), strict=False))
    return str(found)
