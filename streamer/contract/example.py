"""What an example message is, and the names that the examples share."""

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from pydantic import BaseModel

REGION: Final = "farisle"
GROUP: Final = "SEARCH"
START: Final = datetime(2026, 1, 1, 12, tzinfo=UTC)
"""When the exercise of the committed examples begins."""
RIDGE, COVE = "ridge", "cove"
ROAMER, LEADER, OTHER = "QA1ABC", "QB2DEF", "QX3GHI"
DESK: Final = "desk1"


@dataclass(frozen=True, slots=True)
class Example:
    """One payload, where it is published and what it says."""

    name: str
    message: str
    topic: str
    retain: bool
    inbound: bool
    says: str
    payload: Any

    @property
    def file(self) -> str:
        """Its place below `shared/examples/`."""
        return f"{'in' if self.inbound else 'out'}/{self.name}.json"

    @property
    def text(self) -> str:
        return json.dumps(self.payload, indent=2) + "\n"


def plain(message: BaseModel, *, whole: bool = False) -> Any:
    """Its JSON; without `whole` only what was given."""
    return message.model_dump(mode="json", exclude_unset=not whole)


def outgoing(
    name: str, topic: str, says: str, message: BaseModel, *, retain: bool = True
) -> Example:
    """What a worker publishes; a name begins with the kind of message."""
    kind = name.split("-", 1)[0]
    return Example(name, kind, topic, retain, False, says, plain(message, whole=True))
