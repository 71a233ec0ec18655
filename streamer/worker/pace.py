"""How many subjects are looked at at once, so that a look stays a fraction of a second: then leases
hold, messages are acknowledged and the newest keying does not wait, even where groups are large or
a worker has just begun and must find out about every silence anew."""

from typing import Final

MOST: Final = 25
"""Of a partition."""
LONG_S: Final = 0.4
SHORT_S: Final = 0.1


class Pace:
    """Begins with little, as nothing is known yet."""

    def __init__(self) -> None:
        self.limit = 4

    def took(self, seconds: float) -> None:
        """What the last look took."""
        if seconds > LONG_S:
            self.limit = max(1, self.limit // 2)
        elif seconds < SHORT_S:
            self.limit = min(MOST, self.limit * 2)
