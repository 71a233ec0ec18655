"""A silence in words: how long, and why that is too long. Pure."""

from typing import Final

from streamer.domain.verdict import Look

FEW_PAUSES: Final = 4.0
"""So few own pauses say little."""
WORTH_SAYING: Final = 1.5
"""So much slower than usual a group must key before it is told."""


def minutes_words(seconds: float) -> str:
    """A time that was set, exactly as it was."""
    return f"{seconds / 60:g} min" if seconds >= 60 else f"{round(seconds, 1):g} s"


def about_words(seconds: float) -> str:
    """A learned time, no more exact than it is."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


def silence_reasons(look: Look | None, latest_s: float) -> list[str]:
    """Why a silence is too long, in words: by what was learned or, without a look, by the latest
    time of the policy."""
    if look is None:
        return [f"silent longer than {minutes_words(latest_s)}"]
    times = round(10**look.phi)
    usual = f"half of its pauses are shorter than {about_words(look.usual_s)}"
    rare = f", one in {times:,} so long" if times > 1 else ""
    reasons = [f"silent longer than {about_words(look.silence_s)}: {usual}{rare}"]
    if look.pauses < FEW_PAUSES:
        reasons.append("little is known of its own pauses: judged by those of its group")
    if look.slower >= WORTH_SAYING:
        reasons.append(
            f"its group keys {look.slower:.0f} times less often than usual, which is allowed for"
        )
    return [*reasons, *look.outlook.reasons]
