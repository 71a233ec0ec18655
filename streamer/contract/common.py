"""Names, limits and the model base that every message shares."""

from typing import Annotated, Final

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from streamer.contract.moment import Moment

VERSION: Final = 1
MAX_EVENTS_PER_MESSAGE: Final = 256
MAX_PAYLOAD_BYTES: Final = 512 * 1024
MAX_TEXT: Final = 20
MAX_SEQ: Final = 2**53 - 1  # the largest integer that JSON readers in every language keep exact

NAME_PATTERN: Final = r"[a-z0-9][a-z0-9_-]{0,31}"
GROUP_PATTERN: Final = r"[A-Z0-9][A-Z0-9_-]{0,15}"
BOOT_PATTERN: Final = r"[0-9A-Za-z-]{8,40}"

Name = Annotated[
    str,
    StringConstraints(pattern=rf"^{NAME_PATTERN}$"),
    Field(description="a name: lower case, safe as one level of a topic"),
]
"""A region, a gateway or a port."""

RepeaterId = Annotated[
    str,
    StringConstraints(pattern=rf"^{NAME_PATTERN}/{NAME_PATTERN}$"),
    Field(description="a repeater as gateway/port, such as ridge/uhf"),
]

GroupName = Annotated[
    str,
    StringConstraints(pattern=rf"^{GROUP_PATTERN}$"),
    Field(description="a group's name: upper case, safe as one level of a topic"),
]

RawCallSign = Annotated[
    str,
    StringConstraints(min_length=1, max_length=32),
    Field(description="a call sign as it was received; the worker normalises and judges it"),
]

OverId = Annotated[
    str,
    StringConstraints(pattern=r"^[!-~]{1,40}$"),
    Field(description="one transmission, the same at every gateway that hears or forwards it"),
]

BootId = Annotated[
    str,
    StringConstraints(pattern=rf"^{BOOT_PATTERN}$"),
    Field(
        description="new at each start of an agent and rising in byte order from start to start, "
        "such as a UUIDv7 (RFC 9562)"
    ),
]

Version = Annotated[int, Field(ge=VERSION, le=VERSION, json_schema_extra={"const": VERSION})]
"""The contract's version. Not a `Literal`: that one takes `true` and 1.0 for 1."""

Seq = Annotated[int, Field(ge=1, le=MAX_SEQ)]
OffsetS = Annotated[float, Field(ge=-1e9, le=1e9)]
ShortText = Annotated[
    str,
    StringConstraints(max_length=MAX_TEXT),
    Field(description=f"at most {MAX_TEXT} characters"),
]

__all__ = [
    "BOOT_PATTERN",
    "GROUP_PATTERN",
    "MAX_EVENTS_PER_MESSAGE",
    "MAX_PAYLOAD_BYTES",
    "MAX_SEQ",
    "MAX_TEXT",
    "NAME_PATTERN",
    "VERSION",
    "BootId",
    "GroupName",
    "Message",
    "Moment",
    "Name",
    "OffsetS",
    "OverId",
    "RawCallSign",
    "RepeaterId",
    "Seq",
    "ShortText",
    "Version",
]


class Message(BaseModel):
    """Base of everything on the wire.

    Unknown fields are ignored, so that an older reader understands a newer writer. Numbers must
    be numbers (no "5" for 5), NaN and infinities are refused.
    """

    model_config = ConfigDict(strict=True, extra="ignore", allow_inf_nan=False, frozen=True)
