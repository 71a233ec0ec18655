"""What the commands that read the state share: arguments, opening, errors, exit codes."""

import argparse
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from pydantic import BaseModel, ConfigDict
from redis import Redis

from streamer.clock import Clock, SystemClock, from_ms
from streamer.config import ConfigError, RegionView, load_region
from streamer.contract.common import Moment
from streamer.domain.group_now import GroupNow
from streamer.domain.liveness import Sights
from streamer.problems import suggestion
from streamer.reading.judging import Judging
from streamer.reading.text import age, complain, printable, say, wrap
from streamer.region_option import NO_REGION, add_region_option
from streamer.state.base import unavailable_advice
from streamer.state.coverages import Coverages
from streamer.state.lookups import Reader, check_state, worker_seen_ms
from streamer.state.store import Store, StoreMismatch, StoreUnavailable, connect

WELL, WRONG, MISUSED = 0, 1, 2
LONGEST_NAME, LONGEST_NOTE = 64, 200
WORKER_SILENT_MS: Final = 30_000
"""Workers say every second that they live; longer than this, what they publish is outdated."""


class Document(BaseModel):
    """Base of what --json prints: times are RFC 3339 in UTC, absent values null."""

    model_config = ConfigDict(frozen=True)


class Header(Document):
    """What every document begins with. `notes` say what may be doubted about it."""

    region: str
    at: Moment
    worker_seen_at: Moment | None
    notes: tuple[str, ...]


class NotFound(Exception):
    """What was asked for is not there; the text says what to do. Exit code 1."""


class Misuse(Exception):
    """The command was called wrongly. Exit code 2."""


@dataclass(frozen=True, slots=True)
class Kept:
    """What takes long to read or to work out, kept from desk to desk of a process; threads may
    share it. `coverages` is what people are shown."""

    judging: Judging = field(default_factory=Judging)
    coverages: Coverages = field(default_factory=Coverages)


@dataclass(frozen=True, slots=True)
class Desk:
    """The opened state at one moment, for one thread."""

    view: RegionView
    store: Store
    reader: Reader
    now_ms: int
    worker_seen_ms: int | None
    notes: tuple[str, ...]
    kept: Kept

    def groups_now(self, names: Sequence[str], sights: Sights) -> list[GroupNow]:
        """Groups of the region file, judged as the workers judge them, as of now."""
        return self.kept.judging.groups(self.store, names, sights, self.now_ms)

    def header(self) -> dict[str, object]:
        """The fields of `Header`."""
        seen_ms = self.worker_seen_ms
        return {
            "region": self.view.name,
            "at": from_ms(self.now_ms),
            "worker_seen_at": None if seen_ms is None else from_ms(seen_ms),
            "notes": self.notes,
        }


Answer = tuple[Document, Callable[[], Sequence[str]], int]
"""The document, its lines for people, the exit code."""


def add_common(parser: argparse.ArgumentParser) -> None:
    add_region_option(parser)
    parser.add_argument("--redis", metavar="URL", help="instead of redis_url of the region file")
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def answer(
    command: str,
    arguments: argparse.Namespace,
    work: Callable[[Desk], Answer],
    clock: Clock | None = None,
) -> int:
    """Open the state, do the work, print; errors go to standard error. Returns the exit code."""
    try:
        document, lines, code = _open(arguments, work, clock or SystemClock())
    except (ConfigError, NotFound, StoreMismatch) as error:
        complain(command, str(error))
        return WRONG
    except StoreUnavailable as error:
        complain(command, f"{error}; {unavailable_advice(error)}")
        return WRONG
    except Misuse as error:
        complain(command, str(error))
        return MISUSED
    say([document.model_dump_json(indent=2)] if arguments.json else lines())
    return code


def _open(arguments: argparse.Namespace, work: Callable[[Desk], Answer], clock: Clock) -> Answer:
    if arguments.region is None:
        raise Misuse(NO_REGION)
    path = Path(arguments.region)
    view = load_region(path)
    try:
        address = view.redis_address(arguments.redis)
    except ValueError as error:
        raise Misuse(f"--redis: {error}") from error
    except OSError as error:
        raise ConfigError(path, [str(error)]) from error
    with closing(connect(address)) as client:
        try:
            return work(open_desk(client, view, clock.now_ms()))
        except StoreUnavailable as error:
            raise StoreUnavailable(f"{address.place}: {error}") from error


def open_desk(client: "Redis", view: RegionView, now_ms: int, kept: Kept | None = None) -> Desk:
    """The state behind a client; raises StoreUnavailable, and StoreMismatch as `check_state`."""
    store = Store(client, view)
    reader = Reader(client, store)
    notes = []
    seen_ms = None
    if not check_state(reader):
        notes.append(
            f"no worker has ever kept region {view.name} in this Redis: is it the right one?"
        )
    else:
        seen_ms = worker_seen_ms(reader)
        if seen_ms is None or now_ms - seen_ms > WORKER_SILENT_MS:
            since = "" if seen_ms is None else f" for {age((now_ms - seen_ms) / 1000)}"
            notes.append(
                f"no worker has reported{since}: what was heard since is missing here, "
                "and no alert opens or clears"
            )
    return Desk(view, store, reader, now_ms, seen_ms, tuple(notes), kept or Kept())


def typed(text: str) -> str:
    """A word of the command line as text that can be stored and sent: bytes that are not UTF-8
    become replacement characters."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "replace")


def given_text(option: str, text: str | None, longest: int) -> str | None:
    """What somebody wrote behind an option; None if it was not given. Raises Misuse."""
    if text is None:
        return None
    text = typed(text).strip()
    if not text or len(text) > longest or text != printable(text):
        raise Misuse(f"{option}: 1 to {longest} printable characters are expected")
    return text


def spoken(word: str) -> str:
    """A word of the contract for people: `out_of_reach` is said `out of reach`."""
    return word.replace("_", " ")


def note_lines(desk: Desk) -> list[str]:
    return [line for note in desk.notes for line in wrap(f"Note: {note}", "", "      ")]


def find_group(view: RegionView, name: str) -> str:
    """The group of that name in any case; raises NotFound, naming what is near."""
    upper = name.upper()
    if upper not in view.groups:
        known = suggestion(upper, list(view.groups))
        raise NotFound(f"no group {name!r} in the region file; {known}")
    return upper
