"""`streamer worker` that ends itself by SIGKILL at one step of telling about an alert:

python -m tests.integration.dying STEP MARK worker ARGUMENTS

Only the first time: MARK is a file that says that it has happened.
"""

import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from streamer.cli import main
from streamer.state.alerting import Alerting

AFTER, BEFORE = "after", "before"
STEPS: dict[str, tuple[str, str]] = {
    "reported": ("report", AFTER),
    "claimed": ("claim_desk", AFTER),
    "decided": ("commit_cases", BEFORE),
    "committed": ("commit_cases", AFTER),
    "taken": ("take_parcel", AFTER),
    "answered": ("parcel_delivered", BEFORE),
    "delivered": ("parcel_delivered", AFTER),
}


def is_it(method: str, store: Any, arguments: tuple[Any, ...], found: Any) -> bool:
    """Whether the step is about an alert, and not one of the many in which nothing happens."""
    if method == "report":
        return arguments[1] is not None
    if method == "commit_cases":
        return bool(arguments[0].waiting)
    if method == "claim_desk" and not store.alert_owners():
        return False
    return found is not None


def die_at(step: str, mark: Path) -> None:
    method, when = STEPS[step]
    plain: Callable[..., Any] = getattr(Alerting, method)

    def dying(self: Any, *arguments: Any, **named: Any) -> Any:
        if when == BEFORE and is_it(method, self, arguments, True):
            strike(mark)
        found = plain(self, *arguments, **named)
        if when == AFTER and is_it(method, self, arguments, found):
            strike(mark)
        return found

    setattr(Alerting, method, dying)


def strike(mark: Path) -> None:
    if not mark.exists():
        mark.write_text("struck")
        os.kill(os.getpid(), signal.SIGKILL)


if __name__ == "__main__":
    die_at(sys.argv[1], Path(sys.argv[2]))
    sys.exit(main(sys.argv[3:]))
