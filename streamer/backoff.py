"""How long to wait before something that failed is tried again."""

import random
from typing import Final

_LEAST_S: Final = 0.2
_MOST_S: Final = 10.0


def backoff_s(failures: int, least_s: float = _LEAST_S, most_s: float = _MOST_S) -> float:
    """Doubled with each failure in a row, and spread so that not all come back at once."""
    step: float = min(most_s, least_s * 2 ** min(failures, 16))
    return step * random.uniform(0.5, 1.0)  # nosec B311 # jitter is no secret
