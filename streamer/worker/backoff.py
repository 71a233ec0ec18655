"""How long to wait before something that failed is tried again."""

import random
from typing import Final

_LEAST_S: Final = 0.2
_MOST_S: Final = 10.0


def backoff_s(failures: int) -> float:
    """Doubled with each failure in a row, and spread so that not all come back at once."""
    step: float = min(_MOST_S, _LEAST_S * 2 ** min(failures, 10))
    return step * random.uniform(0.5, 1.0)  # noqa: S311 - jitter is no secret
