"""Positions from NMEA 0183 sentences (GGA, RMC, GLL), read by pynmea2 (the extra `nmea`)."""

from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Final

from streamer.contract.events import Position

KNOT_MPS: Final = 1852 / 3600  # the international nautical mile is 1852 m, exactly
MAX_SENTENCE: Final = (
    128  # the standard says 82 (from memory); receivers with more digits exceed it
)
_NEAR: Final = timedelta(days=1)
_NO_FIX_MODES: Final = frozenset("NS")  # mode indicator: not valid, simulator (from memory)
_NO_FIX_QUALITIES: Final = frozenset((0, 8))  # GGA quality: no fix, simulator (from memory)


class NmeaError(ValueError):
    """A sentence gives no position; the text says why."""


def position_from(sentence: str, near: datetime) -> Position:
    """The position of a sentence, WGS 84 degrees, speed in m/s, course in degrees.

    `near` is about when the sentence was sent: GGA and GLL carry a time of day alone, and get the
    date that puts them closest to it. A date in RMC more than a day from `near` is not believed
    (receivers with a week number that has rolled over are years off), so `at` is left out.
    Raises NmeaError: not a sentence, wrong or no checksum, another type, no fix.
    """
    fix = _parse(sentence)
    kind = fix.sentence_type
    if kind == "GGA":
        if not isinstance(fix.gps_qual, int) or fix.gps_qual in _NO_FIX_QUALITIES:
            raise NmeaError(f"GGA without a fix (quality {fix.gps_qual!r})")
    elif fix.status != "A":
        raise NmeaError(f"{kind} without a fix (status {fix.status!r}, 'A' is a fix)")
    mode = {"RMC": "mode_indicator", "GLL": "faa_mode"}.get(kind, "")
    if mode and getattr(fix, mode, None) in _NO_FIX_MODES:
        raise NmeaError(f"{kind} without a fix (mode {getattr(fix, mode)!r})")
    lat = _degrees(fix.lat, fix.lat_dir, "NS", 90, 2)
    lon = _degrees(fix.lon, fix.lon_dir, "EW", 180, 3)
    speed = course = None
    if kind == "RMC":
        speed, course = _number(fix.spd_over_grnd), _number(fix.true_course)
    return Position(
        lat=lat,
        lon=lon,
        at=_moment(fix, near),
        speed_mps=None if speed is None or not 0 <= speed < 2900 else round(speed * KNOT_MPS, 3),
        course_deg=None if course is None or not 0 <= course <= 360 else course,
    )


def require() -> None:
    """Raises NmeaError when the reader of sentences is not installed."""
    _library()


def _library() -> Any:
    try:
        import pynmea2  # noqa: PLC0415 - an extra, and memory for those who have no use for it
    except ImportError as error:
        raise NmeaError(
            "pynmea2 is not installed: for NMEA positions, pip install '.[nmea]' in the folder of "
            "streamer's sources"
        ) from error
    return pynmea2


def _parse(sentence: str) -> Any:
    library = _library()
    text = sentence.strip()
    if len(text) > MAX_SENTENCE:
        raise NmeaError(f"{len(text)} characters: a sentence has at most {MAX_SENTENCE}")
    if not text.startswith("$"):
        raise NmeaError("a sentence begins with '$'")
    try:
        fix = library.parse(text, check=True)
    except (ValueError, TypeError, AttributeError) as error:
        why = error.args[0] if error.args else error
        raise NmeaError(str(why[0] if isinstance(why, tuple) else why)) from error
    if getattr(fix, "sentence_type", None) not in ("GGA", "RMC", "GLL"):
        raise NmeaError("the sentence has no position: GGA, RMC and GLL are understood")
    return fix


def _degrees(value: Any, side: Any, sides: str, most: int, digits: int) -> float:
    """`ddmm.mmm` or `dddmm.mmm` and a side of the world to signed degrees."""
    text = str(value or "")
    whole, _, fraction = text.partition(".")
    if len(whole) != digits + 2 or not whole.isdecimal() or (fraction and not fraction.isdecimal()):
        raise NmeaError(f"{text!r} is not {'d' * digits}mm.mmm")
    if side not in tuple(sides):
        raise NmeaError(f"{side!r} is not one of {', '.join(sides)}")
    minutes = float(text[digits:])
    degrees = int(text[:digits]) + minutes / 60
    if minutes >= 60 or degrees > most:
        raise NmeaError(f"{text!r} is out of range")
    return round(-degrees if side == sides[1] else degrees, 7)


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _moment(fix: Any, near: datetime) -> datetime | None:
    clock = getattr(fix, "timestamp", None)
    if not isinstance(clock, time):
        return None
    clock = clock.replace(tzinfo=UTC)
    day = getattr(fix, "datestamp", None)  # the reader leaves as text what is no date
    if fix.sentence_type == "RMC" and isinstance(day, date):
        moment = datetime.combine(day, clock)
    else:
        moment = datetime.combine(near.astimezone(UTC).date(), clock)
        moment += timedelta(days=round((near - moment) / timedelta(days=1)))
    return moment if abs(moment - near) <= _NEAR else None
