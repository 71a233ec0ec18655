"""What the tables of a region file are made of."""

from pathlib import Path
from typing import Annotated, Any, Final

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

MINUTE_S: Final = 60.0
HOUR_S: Final = 3600.0

_Time = Field(ge=0, le=366 * 24 * HOUR_S)
Seconds = Annotated[float, _Time]
PositiveSeconds = Annotated[float, Field(gt=0, le=366 * 24 * HOUR_S)]
Phi = Annotated[float, Field(gt=0, le=12)]
"""How unusual something is, in decades: 3 is what happens by chance once in a thousand times."""
Word = Annotated[str, Field(min_length=1, max_length=20)]
Title = Annotated[str, Field(max_length=120)]
"""Text for people, one line."""
AsTuple = Field(strict=False)  # TOML has lists only


def named(value: Any) -> Any:
    """A path that was given. Raises ValueError for an empty one: it would mean, to whoever opens
    it, the folder that a program happens to be started in."""
    if value == "":
        raise ValueError("is empty; name it (. is the folder you are in), or leave it out")
    return value


GivenPath = Annotated[Path, Field(strict=False), BeforeValidator(named)]
MaybePath = Annotated[Path | None, Field(strict=False), BeforeValidator(named)]


class Table(BaseModel):
    """TOML tells numbers, texts and truth apart, so nothing is guessed: "5" is no number."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)
