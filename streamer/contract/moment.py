"""Points in time on the wire: RFC 3339 `date-time` and nothing looser."""

import re
from datetime import datetime
from typing import Annotated, Any, Final

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

RFC3339_PATTERN: Final = (
    r"^[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt][0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]+)?"
    r"([Zz]|[+-][0-9]{2}:[0-9]{2})$"
)
"""The grammar of RFC 3339, section 5.6; whether the day exists is judged after it."""

MOMENT_SCHEMA: Final = {
    "type": "string",
    "format": "date-time",
    "pattern": RFC3339_PATTERN,
    "description": "an RFC 3339 date-time, best in UTC: 2026-01-01T12:00:00.250Z",
}

_SECOND_60 = re.compile(r".{11}([0-9]{2}):([0-9]{2}):60(?:\.[0-9]+)?(?:[Zz]|([+-])(..):(..))")
_LAST_MINUTE = 23 * 60 + 59
_DAY = 24 * 60


class _Rfc3339:
    """In JSON a text of that grammar, in Python an aware `datetime`.

    The parser behind pydantic alone would take "1700000000", "2026-01-01 00:00Z" and more, which
    the published schemas refuse and readers in other languages do not understand.
    """

    def __get_pydantic_core_schema__(
        self, _source: Any, _handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        # All of it runs inside pydantic-core: no Python function is called for an event.
        aware = core_schema.datetime_schema(tz_constraint="aware", strict=True)
        text = core_schema.str_schema(pattern=RFC3339_PATTERN, strict=True)
        read = core_schema.datetime_schema(tz_constraint="aware", strict=False)
        moment = core_schema.custom_error_schema(
            core_schema.chain_schema([text, read]),
            custom_error_type="rfc3339",
            custom_error_message="an RFC 3339 date-time is expected, such as 2026-01-01T12:00:00Z",
        )
        return core_schema.json_or_python_schema(json_schema=moment, python_schema=aware)

    def __get_pydantic_json_schema__(
        self, _schema: CoreSchema, _handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return dict(MOMENT_SCHEMA)


Moment = Annotated[datetime, _Rfc3339()]


def without_leap_second(text: str) -> str:
    """Second 60 of a leap second as second 59; any other text as it is.

    RFC 3339 (5.6, 5.7) allows second 60 where a leap second was inserted, which is at 23:59:60 UTC
    alone; Python's clock has no such second.
    """
    found = _SECOND_60.fullmatch(text)
    if found is None:
        return text
    hour, minute, sign, off_hour, off_minute = found.groups()
    try:
        offset = int(f"{sign}1") * (int(off_hour) * 60 + int(off_minute)) if sign else 0
    except ValueError:
        return text
    if (int(hour) * 60 + int(minute) - offset) % _DAY != _LAST_MINUTE:
        return text
    return f"{text[:17]}59{text[19:]}"
