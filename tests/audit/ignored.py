"""Advisories that are known and let be: a reason each, and a day on which it is looked at again."""

import tomllib
from datetime import date
from pathlib import Path
from typing import Annotated

from pydantic import Field, ValidationError

from streamer.config_types import AsTuple, Table
from streamer.problems import problem_lines


class Ignored(Table):
    """One `[[ignored]]` of .ci/advisories.toml."""

    id: Annotated[str, Field(min_length=1, description="the advisory's, or one of its aliases")]
    package: Annotated[str, Field(min_length=1)]
    reason: Annotated[str, Field(min_length=20, description="why it does not touch us")]
    until: Annotated[date, Field(description="from then on it counts again")]


class _File(Table):
    ignored: Annotated[tuple[Ignored, ...], AsTuple] = ()


class WrongFile(Exception):
    """The file cannot be used; the text says what, where and what to do."""


def read_ignored(path: Path) -> tuple[Ignored, ...]:
    """Those of the file. Raises WrongFile."""
    content = None
    try:
        content = tomllib.loads(path.read_text("utf-8"))
        return _File.model_validate(content).ignored
    except ValidationError as error:
        lines = problem_lines(error, _File, content)
        raise WrongFile("\n".join(f"{path}: {line}" for line in lines)) from error
    except (OSError, ValueError) as error:
        raise WrongFile(f"{path}: {error}") from error
