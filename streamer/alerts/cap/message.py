"""A notice as a CAP 1.2 message. Pure: the same notice always makes the same bytes.

What a message is known by, and what it refers to, is worked out from the notice alone. So a message
that is sent again after a crash is the same message, and nobody has to remember what was sent.

What the words of CAP mean is quoted here from OASIS CAP 1.2, section 3.2, as it stands in the
documentation of public libraries.
"""

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final, NamedTuple
from xml.etree import ElementTree

from streamer.alert_settings import CapSettings
from streamer.alerts import words
from streamer.alerts.cap.area import area_of
from streamer.alerts.cap.check import NAMESPACE, Identity
from streamer.alerts.exercise import is_exercise, is_test
from streamer.alerts.notice import Notice, Turn
from streamer.config import RegionView
from streamer.contract.published import Alert, AlertKind, Severity
from streamer.domain.duty import duty_text
from streamer.domain.urgency import is_about_people

LASTS: Final = timedelta(hours=24)
"""A message without an end would stand for ever where its Cancel is lost. Common practice, no
source; trouble may last longer, and a reader must not take an expired message for its end."""
OVER_LASTS: Final = timedelta(hours=1)
"""Of messages that tell of an end, or of what stands under another alert now."""
_LONGEST_IDENTIFIER: Final = 150
"""With the time before it, it is a file's name, which may have 255 bytes almost everywhere."""
_UNSAFE: Final = re.compile(r"[^A-Za-z0-9._@-]")
_NOT_XML: Final = re.compile("[^\t\n\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What XML 1.0 (section 2.2) cannot hold; and the carriage return, which readers would change."""
_OVER: Final = frozenset({Turn.CLEARED, Turn.EXPLAINED})
_NEXT: Final = "Next: "
_STANDS: Final = (
    f"This message expires after {LASTS / timedelta(hours=1):g} h; that does not mean that the "
    "trouble is over."
)


class _Kind(NamedTuple):
    event: str
    categories: tuple[str, ...]
    certainty: str


# Rescue and Safety are for those who look for people, Infra (utility, telecommunication) for those
# who keep machines. Observed ("determined to have occurred or to be ongoing"): it was measured or
# reported. Possible ("possible but not likely, p <= ~50%"): worked out from silence or from a
# signal; mostly there is a harmless reason. A call sign is not authenticated, so two places at once
# are possible, too.
_RESCUE, _SAFETY, _INFRA = ("Rescue", "Safety"), ("Safety",), ("Infra",)
_KINDS: Final[Mapping[AlertKind, _Kind]] = {
    AlertKind.MEMBER_OUT_OF_REACH: _Kind("Station out of radio reach", _RESCUE, "Possible"),
    AlertKind.MEMBER_OVERDUE: _Kind("Station overdue on radio", _SAFETY, "Possible"),
    AlertKind.TWO_PLACES: _Kind("Call sign heard in two places", _SAFETY, "Possible"),
    AlertKind.GATEWAY_LOST: _Kind("Radio gateway lost", _INFRA, "Observed"),
    AlertKind.REPEATER_LOST: _Kind("Radio repeater lost", _INFRA, "Observed"),
    AlertKind.REPEATER_STARVED: _Kind("Group not carried on a repeater", _INFRA, "Observed"),
    AlertKind.LOOP: _Kind("Radio traffic in a loop", _INFRA, "Observed"),
    AlertKind.CLOCK_SKEW: _Kind("Clock of a radio gateway wrong", _INFRA, "Observed"),
    AlertKind.EVENTS_LOST: _Kind("Events of a radio gateway lost", _INFRA, "Observed"),
    AlertKind.GATEWAY_FLOODING: _Kind("Radio gateway sends too much", _INFRA, "Observed"),
    AlertKind.REPEATER_DEAF: _Kind("Radio repeater seems deaf", _INFRA, "Possible"),
    AlertKind.REPEATER_DEGRADED: _Kind("Radio repeater hears worse", _INFRA, "Possible"),
    AlertKind.CARRIER_STUCK: _Kind("Radio transmission does not end", _INFRA, "Possible"),
    AlertKind.REPEATER_BUSY: _Kind("Radio repeater busy", _INFRA, "Observed"),
    AlertKind.NETWORK_LOST: _Kind("Radio gateways lost together", _INFRA, "Observed"),
    AlertKind.BROKER_LOST: _Kind("Message broker of the radio network lost", _INFRA, "Observed"),
    AlertKind.WORKER_LOST: _Kind("Watch over the radio network lost", _INFRA, "Observed"),
    AlertKind.CHANNEL_LOST: _Kind("Alert channel does not deliver", _INFRA, "Observed"),
}

_TRIED: Final = _Kind("Test of an alert channel", ("Other",), "Observed")


class _Grade(NamedTuple):
    urgency: str
    severity: str


# Ours says how soon somebody should look. Immediate: "responsive action should be taken
# immediately"; Expected: "soon (within next hour)"; Future: "in the near future". Severe is a
# "significant threat to life or property", Moderate a "possible" one, Minor "minimal to no known".
# Extreme, an "extraordinary threat", is never claimed: silence on the radio cannot show it.
_GRADES: Final[Mapping[Severity, _Grade]] = {
    Severity.CRITICAL: _Grade("Immediate", "Severe"),
    Severity.WARNING: _Grade("Expected", "Moderate"),
    Severity.NOTICE: _Grade("Future", "Minor"),
}
# Of a machine whose trouble has gone nothing is asked (Past: "responsive action is no longer
# required"; None: "no action recommended"). Whoever was heard again, or is no longer followed, need
# not be well: somebody judges. AllClear ("no longer poses a threat or concern") is never said: a
# repeater's alert also ends where nothing can be said of it any more.
_MACHINE_CLEARED: Final = (_Grade("Past", "Minor"), "None")
_PERSON_CLEARED: Final = (_Grade("Unknown", "Unknown"), "Assess")


@dataclass(frozen=True, slots=True)
class CapMessage:
    """A message ready to be sent, what it is known by, and the earlier ones that it names."""

    identity: Identity
    at: datetime
    """`sent` of the identity."""
    references: tuple[Identity, ...]
    content: bytes


def cap_message(
    notice: Notice,
    settings: CapSettings,
    view: RegionView,
    titles: Mapping[str, str] | None = None,
) -> CapMessage:
    """The CAP message of a notice, in UTF-8.

    `titles` are those of alerts told beside it, by id, to name a cause by. The first that a channel
    is told of an episode is an Alert, later ones are Updates, and what is over or explained by
    another alert is a Cancel; they refer to all earlier ones of the episode (the newest 20).
    """
    references, at = _chain(notice, settings, view)
    identity = _identity(notice.id, at, settings, view)
    root = ElementTree.Element(_tag("alert"))
    alert = notice.alert
    _put(root, "identifier", identity.identifier)
    _put(root, "sender", identity.sender)
    _put(root, "sent", identity.sent)
    _put(root, "status", "Test" if settings.trial else _status(alert))
    _put(root, "msgType", _msg_type(notice, references))
    _put(root, "source", f"streamer, region {view.name}")
    _put(root, "scope", "Restricted")
    _put(root, "restriction", settings.scope_restriction)
    _put(root, "note", _note(notice))
    _put(root, "references", " ".join(map(str, references)))
    # The same for a cause and for what it explains, so that readers can put them together.
    _put(root, "incidents", _quoted(notice.cause or alert.id))
    _info(ElementTree.SubElement(root, _tag("info")), notice, at, settings, view, titles)
    ElementTree.indent(root)
    content = ElementTree.tostring(
        root, encoding="utf-8", xml_declaration=True, default_namespace=NAMESPACE
    )
    return CapMessage(identity, at, references, content + b"\n")


def cap_time(at: datetime) -> str:
    """`2026-01-01T12:00:00-00:00`: whole seconds, and UTC as CAP 1.2 (3.2.1, sent) demands it."""
    return f"{at.astimezone(UTC).replace(tzinfo=None).isoformat(timespec='seconds')}-00:00"


def clean(text: str) -> str:
    """`text` with what XML cannot hold replaced by U+FFFD."""
    return _NOT_XML.sub("\ufffd", text.replace("\r\n", "\n").replace("\r", "\n"))


# -- which message it is -------------------------------------------------------------------------


def _chain(
    notice: Notice, settings: CapSettings, view: RegionView
) -> tuple[tuple[Identity, ...], datetime]:
    """The messages that went before, and when this one was sent.

    Workers' clocks may differ by a little; a message is not sent before one that it refers to, so
    each has the latest time up to it.
    """
    references: list[Identity] = []
    latest = datetime.min.replace(tzinfo=UTC)
    for earlier in notice.earlier:
        latest = max(latest, earlier.at)
        if earlier.id != notice.id:
            references.append(_identity(earlier.id, latest, settings, view))
    return tuple(dict.fromkeys(references)), max(latest, notice.at)


def _identity(notice_id: str, at: datetime, settings: CapSettings, view: RegionView) -> Identity:
    """Region and channel are part of the identifier: two channels may have one sender, but were
    not told the same, so their messages of one notice differ."""
    # "=" stands for no other character, so no two ids become one.
    safe = _UNSAFE.sub(lambda m: "".join(f"={b:02X}" for b in _bytes(m[0])), notice_id)
    identifier = f"{view.name}.{settings.name}.{safe}"
    if len(identifier) > _LONGEST_IDENTIFIER:
        digest = hashlib.sha256(identifier.encode()).hexdigest()[:32]
        identifier = f"{identifier[: _LONGEST_IDENTIFIER - 33]}.{digest}"
    return Identity(clean(settings.sender), identifier, cap_time(at))


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", "surrogatepass")


def _msg_type(notice: Notice, references: Sequence[Identity]) -> str:
    if not references:
        return "Alert"  # nobody here knows of an earlier one that could be updated or cancelled
    return "Cancel" if notice.turn in _OVER else "Update"


def _status(alert: Alert) -> str:
    if is_test(alert):
        return "Test"
    return "Exercise" if is_exercise(alert) else "Actual"


def _note(notice: Notice) -> str:
    """For an exercise which one ("exercise identifier should appear in note"), and what makes this
    message differ from those before."""
    alert, said = notice.alert, []
    if is_test(alert):
        said.append("A test of the channel; nothing has happened.")
    if is_exercise(alert):
        names = ", ".join(duty.id for duty in alert.duties)
        said.append(f"{duty_text(alert.duties)} ({names}).")
    if notice.turn is Turn.ACKNOWLEDGED:
        said.append(f"In hand of {alert.acknowledged_by}" + _spoken(alert.note) + ".")
    if notice.turn is Turn.EXPLAINED:
        said.append(
            f"Not over: it is part of {notice.cause or 'another alert'} now, whose message takes "
            "the place of this one."
        )
    if notice.turn is Turn.CLEARED:
        said.append(f"Cleared{_spoken(alert.cleared_because)}.")
    return " ".join(said)


def _spoken(text: str | None) -> str:
    return f": {text.rstrip('.')}" if text else ""


# -- what it says --------------------------------------------------------------------------------


def _info(
    info: ElementTree.Element,
    notice: Notice,
    at: datetime,
    settings: CapSettings,
    view: RegionView,
    titles: Mapping[str, str] | None,
) -> None:
    alert = notice.alert
    kind = _TRIED if is_test(alert) else _KINDS[alert.kind]
    over = notice.turn in _OVER or is_test(alert)
    grade, response = _graded(notice)
    headline, description, instruction = _texts(notice, titles)
    _put(info, "language", settings.language)
    for category in kind.categories:
        _put(info, "category", category)
    _put(info, "event", kind.event)
    _put(info, "responseType", response)
    _put(info, "urgency", grade.urgency)
    _put(info, "severity", grade.severity)
    _put(info, "certainty", kind.certainty)
    # The information holds from when it was sent; the trouble began at its onset.
    _put(info, "effective", cap_time(at))
    _put(info, "onset", cap_time(alert.since))
    _put(info, "expires", cap_time(at + (OVER_LASTS if over else LASTS)))
    _put(info, "senderName", view.region.title or view.name)
    _put(info, "headline", headline)
    _put(info, "description", description)
    _put(info, "instruction", instruction)
    if alert.acknowledged_by:
        _put(info, "contact", f"{alert.acknowledged_by}, who has it in hand")
    for name, value in _parameters(notice):
        parameter = ElementTree.SubElement(info, _tag("parameter"))
        _put(parameter, "valueName", name)
        _put(parameter, "value", value)
    _area(ElementTree.SubElement(info, _tag("area")), alert, view)


def _graded(notice: Notice) -> tuple[_Grade, str]:
    """Urgency and severity, and the responseType. Assess ("evaluate the information in this
    message") is the one that fits those who are on duty; Monitor where somebody else acts."""
    alert = notice.alert
    if notice.turn is Turn.CLEARED:
        return _PERSON_CLEARED if is_about_people(alert.kind) else _MACHINE_CLEARED
    if is_test(alert):
        return _Grade("Past", "Minor"), "None"
    grade = _GRADES[alert.severity]
    if notice.turn is Turn.EXPLAINED:
        return _Grade("Unknown", grade.severity), "Monitor"  # the cause's message says how soon
    return grade, "Monitor" if notice.turn is Turn.ACKNOWLEDGED else "Assess"


def _texts(notice: Notice, titles: Mapping[str, str] | None) -> tuple[str, str, str]:
    """Headline, description, and instruction: the words of every other channel, put where CAP has
    them. The step and all that follows it are the instruction, with the caution always."""
    # Times get a date, as seen from when it expires: a message stands beyond midnight.
    first, *rest = words.lines(notice, notice.at + LASTS, titles)
    step = next((n for n, line in enumerate(rest) if line.startswith(_NEXT)), len(rest))
    steps = [line.removeprefix(_NEXT) for line in rest[step:] if line != words.CAUTION_LINE]
    if notice.turn not in _OVER and not is_test(notice.alert):
        steps.append(_STANDS)
    instruction = "\n".join([*steps, words.CAUTION_LINE])
    return first, "\n".join(rest[:step]), instruction[:1].upper() + instruction[1:]


def _parameters(notice: Notice) -> Sequence[tuple[str, str]]:
    """Our own words, for programs."""
    alert = notice.alert
    found: Sequence[tuple[str, str | None]] = (
        ("streamer-alert", alert.id),
        ("streamer-episode", alert.episode),
        ("streamer-kind", alert.kind),
        ("streamer-severity", alert.severity),
        ("streamer-state", alert.state),
        ("streamer-turn", notice.turn),
        ("streamer-subject", alert.subject),
        ("streamer-group", alert.group),
        ("streamer-repeater", alert.repeater),
        ("streamer-cause", notice.cause),
        ("streamer-maintenance", alert.maintenance),
        ("streamer-caution", alert.caution),
    )
    return [(name, value) for name, value in found if value]


def _area(element: ElementTree.Element, alert: Alert, view: RegionView) -> None:
    area = area_of(alert, view)
    _put(element, "areaDesc", area.description)
    for polygon in area.polygons:
        _put(element, "polygon", polygon)
    for circle in area.circles:
        _put(element, "circle", circle)


def _quoted(name: str) -> str:
    """As an incident: "names including whitespace shall be surrounded by double-quotes"."""
    return '"' + name.replace('"', "'") + '"' if re.search(r"\s", name) else name


def _put(parent: ElementTree.Element, name: str, text: str) -> None:
    """An element, if there is something to put into it."""
    if text:
        ElementTree.SubElement(parent, _tag(name)).text = clean(text)


def _tag(name: str) -> str:
    return f"{{{NAMESPACE}}}{name}"
