"""Names, limits and the model base that every message shares."""

from typing import Annotated, Final

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, StringConstraints

VERSION: Final = 1
MAX_EVENTS_PER_MESSAGE: Final = 256
MAX_PAYLOAD_BYTES: Final = 512 * 1024
MAX_TEXT: Final = 20
MAX_SEQ: Final = 2**53 - 1  # the largest integer that JSON readers in every language keep exact

NAME_PATTERN: Final = r"[a-z0-9][a-z0-9_-]{0,31}"
GROUP_PATTERN: Final = r"[A-Z0-9][A-Z0-9_-]{0,15}"
BOOT_PATTERN: Final = r"[0-9A-Za-z-]{8,40}"

Name = Annotated[str, StringConstraints(pattern=rf"^{NAME_PATTERN}$")]
"""A region, a gateway or a port: lower case, safe as one level of a topic."""

RepeaterId = Annotated[str, StringConstraints(pattern=rf"^{NAME_PATTERN}/{NAME_PATTERN}$")]
"""`gateway/port`, such as `ridge/uhf`."""

GroupName = Annotated[str, StringConstraints(pattern=rf"^{GROUP_PATTERN}$")]
"""A group call sign: upper case, safe as one level of a topic."""

RawCallSign = Annotated[str, StringConstraints(min_length=1, max_length=32)]
"""A call sign as it was received; the worker normalises and judges it."""

OverId = Annotated[str, StringConstraints(pattern=r"^[!-~]{1,40}$")]
"""One transmission, the same at every gateway that hears or forwards it."""

BootId = Annotated[str, StringConstraints(pattern=rf"^{BOOT_PATTERN}$")]
"""New at each start of an agent and rising in byte order from start to start (RFC 9562 UUIDv7)."""

Seq = Annotated[int, Field(ge=1, le=MAX_SEQ)]
Moment = AwareDatetime
OffsetS = Annotated[float, Field(ge=-1e9, le=1e9)]
ShortText = Annotated[str, StringConstraints(max_length=MAX_TEXT)]


class Message(BaseModel):
    """Base of everything on the wire.

    Unknown fields are ignored, so that an older reader understands a newer writer. Numbers must
    be numbers (no "5" for 5), NaN and infinities are refused.
    """

    model_config = ConfigDict(strict=True, extra="ignore", allow_inf_nan=False, frozen=True)
