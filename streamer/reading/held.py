"""What an alert explains, for people."""

from streamer.clock import to_ms
from streamer.contract.published import Alert
from streamer.domain.urgency import is_about_people
from streamer.reading.common import Desk
from streamer.reading.text import moment, plural, wrap


def held_lines(desk: Desk, alert: Alert) -> list[str]:
    """What an alert explains, people first: nobody is to be forgotten behind a machine."""
    if not alert.held:
        return []
    lines = wrap(f"explains {plural(len(alert.held), 'other')}:", "  ")
    for one in sorted(alert.held, key=lambda h: (not is_about_people(h.kind), h.since, h.id)):
        text = f"{one.title}; since {moment(to_ms(one.since), desk.now_ms)}; id {one.id}"
        lines += wrap(f"- {text}", "    ", "      ")
    return lines
