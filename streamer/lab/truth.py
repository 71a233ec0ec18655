"""Where stations truly were, where somebody knows: of invented days, or of exercises.

A file of lines, each a JSON object: {"station", "from_ms", "until_ms", "repeater"}; the repeater is
null while the station was out of reach of all. Of a station with any line, what its lines do not
cover is absence; of one without, the assumption of `streamer.lab.hindsight` holds.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Final

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from streamer.contract.common import RepeaterId
from streamer.lab.hindsight import There
from streamer.problems import problem_lines

Truth = Mapping[str, Sequence[There]]
"""Station -> where it was, in order, none overlapping."""
MOST_TOLD: Final = 10
_Ms = Annotated[int, Field(ge=0)]


class TruthError(ValueError):
    """A truth file cannot be used; the text says where and what is allowed."""


class _Line(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    station: Annotated[str, Field(min_length=1, max_length=40)]
    from_ms: _Ms
    until_ms: _Ms
    repeater: RepeaterId | None


def read_truth(path: Path) -> Truth:
    """A truth file; raises TruthError with the first faults found, and where."""
    try:
        text = path.read_text("utf-8")
    except OSError as error:
        raise TruthError(f"{path}: cannot be read: {error.strerror}; is the path right?") from error
    except UnicodeDecodeError as error:
        raise TruthError(f"{path}: byte {error.start} is not UTF-8: is it a truth file?") from error
    found: dict[str, list[There]] = defaultdict(list)
    faults: list[str] = []
    for number, line in enumerate(text.split("\n"), 1):
        if not line.strip():
            continue
        try:
            told = _Line.model_validate_json(line)
        except ValidationError as error:
            faults += (f"line {number}: {fault}" for fault in problem_lines(error, _Line, {}))
            continue
        if told.until_ms <= told.from_ms:
            faults.append(f"line {number}: until_ms must be after from_ms")
        found[told.station.upper()].append(There(told.repeater, told.from_ms, told.until_ms))
    faults += _overlaps(found)
    if faults:
        more = [f"... and {len(faults) - MOST_TOLD} more"] if len(faults) > MOST_TOLD else []
        raise TruthError("\n".join(f"{path}: {f}" for f in [*faults[:MOST_TOLD], *more]))
    return {station: tuple(_by_time(spans)) for station, spans in found.items()}


def _by_time(spans: Sequence[There]) -> list[There]:
    return sorted(spans, key=lambda there: (there.from_ms, there.until_ms))


def _overlaps(found: Mapping[str, Sequence[There]]) -> list[str]:
    return [
        f"{station}: is told to be in two places at {later.from_ms}: spans must not overlap"
        for station, spans in sorted(found.items())
        for earlier, later in pairwise(_by_time(spans))
        if later.from_ms < earlier.until_ms
    ]
