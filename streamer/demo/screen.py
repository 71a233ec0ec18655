"""The terminal view. It answers one question: who would hear a group if someone keyed now?

`compose` is pure and gives lines that fit the given size; `Screen` puts them on a terminal.
Words and shapes say everything; colour only repeats it.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from types import TracebackType
from typing import Final

from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from streamer.clock import to_ms
from streamer.contract.published import (
    CAUTION,
    Alert,
    AlertState,
    Carriage,
    FanOut,
    FanOutRepeater,
    Member,
    Reach,
    Severity,
    Standing,
)
from streamer.demo.picture import Picture, why_text, words
from streamer.demo.story import Beat
from streamer.domain.plain_words import plural
from streamer.domain.urgency import urgency

_SHAPES: Final = {
    Carriage.CARRIED: ("●", "", "green"),
    Carriage.NOT_CARRIED: ("○", " NOT CARRIED", "bold red"),
    Carriage.UNKNOWN: ("?", " not known", "yellow"),
}
_NOT_YET: Final = ("○", " not yet", "yellow")
_ALERT_STYLE: Final = {
    Severity.CRITICAL: "bold red",
    Severity.WARNING: "yellow",
    Severity.NOTICE: "cyan",
}
_GONE: Final = (Standing.CHECKED_OUT, Standing.EXPIRED)
_STALE_S: Final = 5.0
# (lines of repeaters per group, alerts, whether a long alert may take two lines), richest first
_DETAIL: Final = ((3, 8, True), (2, 7, True), (2, 6, False), (1, 5, False), (1, 3, False))


@dataclass(frozen=True, slots=True)
class Scene:
    """What the view shows besides the picture."""

    title: str
    show_s: float
    now_ms: int
    services: str
    reached: Beat
    coming: Beat
    coming_in_s: float
    trouble: str | None = None
    news: Sequence[str] = ()
    group_titles: dict[str, str] = field(default_factory=dict)
    starved_after_s: dict[str, float] = field(default_factory=dict)
    board: str = ""
    """The board's address."""


def compose(picture: Picture, scene: Scene, width: int, height: int) -> list[Text]:
    """At most `height` lines of at most `width` columns; what matters most comes first."""
    head = _head(picture, scene)
    story = _story(scene)
    caution = _wrapped(CAUTION, width, "dim")
    for chip_lines, alerts, two_lines in _DETAIL:
        body: list[Text] = []
        for group in sorted(picture.fanouts):
            body += _group(picture, scene, group, width, chip_lines)
        if not picture.fanouts:
            body.append(Text("  no fan-out has been published yet", "dim"))
        body += _alerts(picture, scene, width, alerts, two_lines=two_lines)
        if len(head) + len(body) + len(story) + len(caution) <= height:
            break
    room = height - len(head) - len(story) - len(caution)
    body = body[: max(0, room)]
    news = [Text(f"  {line}", "dim") for line in scene.news[-max(0, room - len(body) - 1) :]]
    if news and room - len(body) >= 2:
        body += [Text("news", "bold"), *news]
    lines = [*head, *body, *story, *caution][:height]
    for line in lines:
        line.no_wrap = True
        line.truncate(width, overflow="ellipsis")
    return lines


def _head(picture: Picture, scene: Scene) -> list[Text]:
    first = Text(scene.title, "bold")
    first.append(f"  {scene.show_s:.0f} s", "default")
    first.append(f"  {picture.events_per_s(scene.now_ms):.0f} events/s", "default")
    troubles = [*filter(None, [scene.trouble]), *picture.workers.troubles(scene.now_ms).values()]
    first.append_text(_picture_age(picture, scene.now_ms, "bold red" if troubles else "default"))
    newest_ms = picture.newest_ms
    if newest_ms is None:
        first.append("  no gateway heard yet", "yellow")
    else:
        age_s = max(0, scene.now_ms - newest_ms) / 1000
        style = "bold red" if age_s > _STALE_S else "default"
        first.append(f"  a gateway spoke {age_s:.1f} s ago", style)
    first.append(f"  {scene.services}", "dim")
    lines = [first]
    if scene.board:
        # A line of its own, so that no narrow terminal cuts it off.
        lines.append(Text(f"board {scene.board}"))
    lines += [Text(f"TROUBLE  {trouble}", "bold red") for trouble in troubles]
    lines.append(Text("If someone keyed now, who would hear the group?", "italic"))
    return lines


def _picture_age(picture: Picture, now_ms: int, style: str) -> Text:
    """By the workers: gateways may speak though nobody works in what they say."""
    age_s = picture.workers.age_s(now_ms)
    if age_s is None:
        return Text("  no worker heard yet", "yellow")
    text = Text(f"  picture {age_s:.1f} s old", style)
    if picture.workers.waiting:
        text.append(f", {picture.workers.waiting} messages waiting")
    return text


def _group(picture: Picture, scene: Scene, name: str, width: int, chip_lines: int) -> list[Text]:
    fanout = picture.fanouts[name]
    reach = picture.reaches.get(name)
    carried = sum(r.carriage is Carriage.CARRIED for r in fanout.repeaters)
    wanted = len(fanout.repeaters)
    line = Text(name, "bold")
    late = _not_yet(picture, scene, name)
    missing = [r for r in fanout.repeaters if r.carriage is not Carriage.CARRIED]
    style = "bold red" if {r.repeater for r in missing} - late else "yellow"
    if not missing:
        style = "green"
    places = "no repeater"
    if wanted:
        places = f"would be heard at {carried} of {plural(wanted, 'repeater')}"
    line.append(f"  {places}", style)
    line.append(f"  {_counted(reach)}", "default")
    if title := scene.group_titles.get(name):
        line.append(f"  {title}", "dim")  # last: what a narrow terminal may cut off
    lines = [line, *_chips(fanout, late, scene.now_ms, width, chip_lines)]
    silent = _missing(reach, scene.now_ms)
    if silent:
        lines.append(Text(f"  not heard for: {silent}", "yellow"))
    return lines


def _not_yet(picture: Picture, scene: Scene, group: str) -> set[str]:
    """Repeaters that do not carry the group, but are given time for it by its policy."""
    since_ms = scene.now_ms - 1000 * scene.starved_after_s.get(group, 0)
    missing = picture.not_carried_ms.items()
    return {repeater for (name, repeater), ms in missing if name == group and ms > since_ms}


def _counted(reach: Reach | None) -> str:
    if reach is None:
        return "no roster yet"
    counts: Counter[Standing] = Counter(
        m.standing for m in reach.members if m.standing not in _GONE
    )
    return ", ".join(f"{counts[s]} {words(s)}" for s in Standing if counts[s]) or "nobody in it"


def _missing(reach: Reach | None, now_ms: int) -> str:
    """Each member that is not in reach with its standing and how long it has been silent."""
    if reach is None:
        return ""
    away = [m for m in reach.members if m.standing not in (Standing.IN_REACH, *_GONE)]
    away.sort(key=lambda m: m.last_heard_at)
    return ", ".join(f"{m.station} {_silence(m, now_ms)}" for m in away)


def _silence(member: Member, now_ms: int) -> str:
    silent_s = max(0, now_ms - to_ms(member.last_heard_at)) // 1000
    return f"{silent_s} s ({words(member.standing)})"


def _chips(fanout: FanOut, late: set[str], now_ms: int, width: int, most: int) -> list[Text]:
    """The repeaters, those that fail their duty first, filled into `most` lines."""
    order = sorted(
        fanout.repeaters,
        key=lambda r: (r.carriage is Carriage.CARRIED, r.repeater in late, -len(r.members)),
    )
    chips = [_chip(r, now_ms, late=r.repeater in late) for r in order]
    chips += [Text(f"◌ {idle.repeater} carried in vain", "dim") for idle in fanout.idle]
    chips += [Text(f"x {name} barred", "magenta") for name in fanout.barred]
    lines = _filled(chips, width, most)
    shown = sum(len(line) for line in lines)
    if shown < len(chips) and lines:
        # Room for saying how many are left out.
        while len(lines[-1]) > 1 and _length(lines[-1]) + len(f"  +{len(chips)} more") > width:
            lines[-1].pop()
            shown -= 1
        lines[-1].append(Text(f"+{len(chips) - shown} more", "dim"))
    return [Text("  ").append_text(Text("  ").join(line)) for line in lines]


def _length(chips: list[Text]) -> int:
    return sum(len(chip) + 2 for chip in chips)


def _filled(chips: list[Text], width: int, most: int) -> list[list[Text]]:
    """Chips in order, line after line, each as full as it may be."""
    lines: list[list[Text]] = []
    for chip in chips:
        if lines and _length(lines[-1]) + 2 + len(chip) <= width:
            lines[-1].append(chip)
        elif len(lines) < most:
            lines.append([chip])
        else:
            break
    return lines


def _chip(repeater: FanOutRepeater, now_ms: int, *, late: bool) -> Text:
    shape, word, style = _NOT_YET if late else _SHAPES[repeater.carriage]
    return Text(f"{shape} {repeater.repeater} {why_text(repeater, now_ms)}{word}", style)


def _alerts(
    picture: Picture, scene: Scene, width: int, most: int, *, two_lines: bool
) -> list[Text]:
    alerts = sorted(picture.alerts.values(), key=urgency)
    if not alerts:
        return [Text("no alert", "bold")]
    lines = [Text(f"{len(alerts)} alert{'s' * (len(alerts) > 1)}", "bold")]
    if taken := sum(a.state is AlertState.ACKNOWLEDGED for a in alerts):
        lines[0].append(f", {taken} in hand", "default")
    for alert in alerts[:most]:
        lines += _alert_lines(alert, scene.now_ms, width, two_lines=two_lines)
    if len(alerts) > most:
        lines[0].append(f", {most} shown", "dim")
    return lines


def _alert_lines(alert: Alert, now_ms: int, width: int, *, two_lines: bool) -> list[Text]:
    age_s = max(0, now_ms - to_ms(alert.opened_at)) // 1000
    line = Text(f"  {age_s:>3} s {alert.severity.value:<8} ", _ALERT_STYLE[alert.severity])
    in_hand = alert.state is AlertState.ACKNOWLEDGED
    line.append(f"(in hand) {alert.title}" if in_hand else alert.title, "default")
    if two_lines and len(line) + 4 + len(alert.next_step) > width:
        return [line, Text(f"        then: {alert.next_step}", "dim")]
    return [line.append(f" -> {alert.next_step}", "dim")]


def _story(scene: Scene) -> list[Text]:
    now = Text("story  ", "bold").append(scene.reached.text, "default")
    coming = Text(f"in {scene.coming_in_s:.0f} s: {scene.coming.text}", "dim")
    return [now, Text("       ").append_text(coming)]


def _wrapped(text: str, width: int, style: str) -> list[Text]:
    lines: list[str] = [""]
    for word in text.split():
        if lines[-1] and len(lines[-1]) + 1 + len(word) > width:
            lines.append("")
        lines[-1] += f" {word}" if lines[-1] else word
    return [Text(line, style) for line in lines]


class Screen:
    """A full-screen view that leaves the terminal as it was; use as a context manager."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._live = Live(console=console, screen=True, auto_refresh=False)

    def __enter__(self) -> "Screen":
        self._live.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._live.stop()

    def show(self, picture: Picture, scene: Scene) -> None:
        width, height = self._console.size
        self._live.update(Group(*compose(picture, scene, width, height)), refresh=True)
