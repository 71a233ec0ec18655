"""What people have ordered, from its JSON in the store."""

from collections.abc import Mapping
from contextlib import suppress

from pydantic import ValidationError

from streamer.contract.published import Duty, Maintenance


def duties_from(texts: Mapping[str, str]) -> list[Duty]:
    """The duties of a store; one that cannot be read (a newer program's) is left out."""
    found = []
    for text in texts.values():
        with suppress(ValidationError):
            found.append(Duty.model_validate_json(text))
    return found


def works_from(texts: Mapping[str, str]) -> list[Maintenance]:
    """The planned work of a store; one that cannot be read (a newer program's) is left out."""
    found = []
    for text in texts.values():
        with suppress(ValidationError):
            found.append(Maintenance.model_validate_json(text))
    return found
