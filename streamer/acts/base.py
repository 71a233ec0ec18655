"""What all acts of people share: the errors, the entry for the log, groups looked up."""

import secrets
from collections.abc import Callable, Mapping
from typing import Any

from streamer.clock import Clock, from_ms
from streamer.domain.model import GroupSnapshot
from streamer.problems import suggestion
from streamer.state.entries import Act, Entry
from streamer.state.store import Store


class NotThere(Exception):
    """What should be acted on is not there; the text says what is."""


class Refused(Exception):
    """The act makes no sense as things stand; the text says why."""


class InOtherHands(Refused):
    """Somebody else has the alert, or nobody needs it any more."""


class Acting:
    """A part of `Acts`. `by` is who acts."""

    def __init__(
        self, store: Store, clock: Clock, new_id: Callable[[str, int], str] | None = None
    ) -> None:
        self._store = store
        self._clock = clock
        self._new_id = new_id or _new_id

    def _known(self, group: str) -> None:
        groups = self._store.view.groups
        if group not in groups:
            raise NotThere(
                f"no group {group!r} in the region file; {suggestion(group, list(groups))}"
            )

    def _group(self, group: str) -> GroupSnapshot:
        self._known(group)
        return self._store.groups([group])[0]

    @staticmethod
    def _entry(
        act: Act,
        by: str,
        subject: str,
        now_ms: int,
        note: str | None,
        details: Mapping[str, Any] | None = None,
    ) -> str:
        return Entry(
            at=from_ms(now_ms), by=by, act=act, subject=subject, note=note,
            details=dict(details or {}),
        ).model_dump_json()  # fmt: skip


def _new_id(what: str, now_ms: int) -> str:
    """Rises with time, and no two are alike."""
    return f"{what}-{from_ms(now_ms):%Y%m%d-%H%M%S}-{secrets.token_hex(2)}"
