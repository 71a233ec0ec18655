"""Settings to compare: what `--set` says, each with each, beside the region file's own."""

import re
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import product
from typing import Any, Final

from pydantic import ValidationError

from streamer.config import Group, Policy, Region, RegionView
from streamer.problems import problem_lines, suggestion
from streamer.reading.text import age

MOST_SETTINGS: Final = 256
ALERT_FIELDS: Final = (
    "overdue_phi", "out_of_reach_phi", "overdue_soonest_s", "out_of_reach_soonest_s",
    "overdue_after_s", "out_of_reach_after_s", "member_alerts",
)  # fmt: skip
"""The fields of a policy that decide of which silent members people are told, and when."""
COMPARED: Final = ("linger_s", "expire_after_s", *ALERT_FIELDS)
"""The fields of a policy that what is measured depends on."""
LISTS: Final = ("pins", "bars")
_FORM: Final = "FIELD=VALUE,VALUE... or GROUP.FIELD=..., such as linger_s=60,120 or NET.pins=+a/vhf"


class GridError(ValueError):
    """A setting cannot be; the text says which, why, and what is allowed."""


@dataclass(frozen=True, slots=True)
class Change:
    """One field of [policy], or of one group: the value is a number or truth, or for pins and bars
    '+NAME' or '-NAME'."""

    group: str | None
    name: str
    value: Any

    @property
    def text(self) -> str:
        where = f"{self.group}." if self.group else ""
        return f"{where}{self.name}={said(self.value)}"


@dataclass(frozen=True, slots=True)
class Setting:
    """`changes` to the region file; none: its own setting."""

    changes: tuple[Change, ...]
    view: RegionView = field(compare=False)

    @property
    def text(self) -> str:
        return " ".join(change.text for change in self.changes) or "as it is"


def said(value: Any) -> str:
    """As one writes it."""
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def settings_of(view: RegionView, asked: Iterable[str]) -> list[Setting]:
    """The region file's own setting first, then each with each of what is asked, those left out
    that come to one that is there already; those that change less before those that change more,
    since of equal ones the first is advised. Raises GridError."""
    axes = [_axis(view, text) for text in asked]
    count = 1
    for axis in axes:
        count *= len(axis)
    if count > MOST_SETTINGS:
        raise GridError(f"{count} settings are asked for: at most {MOST_SETTINGS} at once")
    found = [Setting((), view)]
    known = {_resolved(view)}
    for combination in product(*axes) if axes else ():
        changes = _needed(view, [change for change in combination if change is not None])
        changed = changed_view(view, changes)
        resolved = _resolved(changed)
        if resolved not in known:
            known.add(resolved)
            found.append(Setting(changes, changed))
    return sorted(found, key=lambda setting: len(setting.changes))


def _needed(view: RegionView, changes: Sequence[Change]) -> tuple[Change, ...]:
    """Without those that say what the file says anyway."""

    def needed(change: Change) -> bool:
        if change.name in LISTS or getattr(_policy(view, change), change.name) != change.value:
            return True
        # A group may keep what [policy] is no longer to be.
        return change.group is not None and any(
            other.group is None and other.name == change.name for other in changes
        )

    return tuple(filter(needed, changes))


def _policy(view: RegionView, change: Change) -> Policy:
    """What the change would be to."""
    return view.region.policy if change.group is None else view.policies[change.group]


def on_their_own(view: RegionView, setting: Setting) -> list[str]:
    """In words, which groups set a field themselves that a setting changes in [policy]."""
    found = []
    for change in setting.changes:
        if change.group is None:
            names = [g.name for g in view.region.group if change.name in g.policy.model_fields_set]
            if names:
                sets = "sets" if len(names) == 1 else "set"
                found.append(
                    f"{', '.join(names)} {sets} {change.name}, which [policy] leaves alone"
                )
    return found


def at_the_edge(settings: Sequence[Setting], number: int, record_s: float) -> list[str]:
    """In words, which values of a setting are the least or the greatest of those asked for. Of a
    field that decides about alerts, or beyond what the record can tell, nobody is sent further."""
    found = []
    for change in settings[number].changes:
        if change.name in (*ALERT_FIELDS, *LISTS) or change.value > record_s:
            continue
        asked = {
            c.value
            for s in settings
            for c in s.changes
            if (c.group, c.name) == (change.group, change.name)
        } | {getattr(_policy(settings[0].view, change), change.name)}
        for most, word in ((min(asked), "least"), (max(asked), "greatest")):
            if change.value == most != 0:  # nothing lies beyond that
                found.append(f"{change.text} is the {word} that was compared: try beyond it")
    return found


def beyond_the_record(settings: Sequence[Setting], record_s: float) -> list[str]:
    """In words, which times asked for are longer than what is recorded."""
    long = dict.fromkeys(
        change.text
        for setting in settings
        for change in setting.changes
        if change.name.endswith("_s") and change.value > record_s
    )
    if not long:
        return []
    return [
        f"the record ({age(record_s)}) is shorter than {', '.join(long)}: "
        "it cannot tell these apart from longer ones"
    ]


def _resolved(view: RegionView) -> tuple[Any, ...]:
    """What a view comes to, whatever way it is said."""
    return tuple(
        (name, view.policies[name].model_dump_json(), frozenset(group.pins), frozenset(group.bars))
        for name, group in view.groups.items()
    )


def _axis(view: RegionView, text: str) -> list[Change | None]:
    place, sign, values = text.partition("=")
    group, name = _place(view, text, place.strip())
    if not sign or not values.strip():
        raise GridError(f"--set {text}: {_FORM}")
    words = [word.strip() for word in values.split(",")]
    if name in LISTS:
        if group is None:
            raise GridError(f"--set {text}: {name} belong to a group: GROUP.{name}=+GATEWAY/PORT")
        # Without the change too: a list is not a number that has some value anyway.
        return [None, *(Change(group, name, _listed(view, text, word)) for word in words)]
    return [Change(group, name, _value(text, name, word)) for word in words]


def _place(view: RegionView, text: str, place: str) -> tuple[str | None, str]:
    group, dot, name = place.rpartition(".")
    if dot:
        known = suggestion(group.upper(), list(view.groups))
        if group.upper() not in view.groups:
            raise GridError(f"--set {text}: no group {group!r} in the region file; {known}")
    if name not in (*COMPARED, *LISTS):
        hint = suggestion(name, [*COMPARED, *LISTS])
        raise GridError(f"--set {text}: {name!r} is nothing that can be compared; {hint}")
    return (group.upper() if dot else None), name


def _listed(view: RegionView, text: str, word: str) -> str:
    found = re.fullmatch(r"([+-])([a-z0-9_/-]+)", word)
    if found is None:
        raise GridError(f"--set {text}: {word!r} must be +GATEWAY/PORT or -GATEWAY/PORT")
    if not view.knows_repeater(found[2]):
        hint = suggestion(found[2], sorted(view.sites))
        raise GridError(f"--set {text}: no repeater {found[2]!r} in the region file; {hint}")
    return word


def _value(text: str, name: str, word: str) -> Any:
    try:
        value = tomllib.loads(f"value = {word}")["value"]
    except (ValueError, RecursionError, KeyError):  # too long or too deep, too
        value = None
    wanted = bool if name == "member_alerts" else (int, float)
    if not isinstance(value, wanted) or (wanted is not bool and isinstance(value, bool)):
        what = "true or false" if wanted is bool else "a number, such as 30 or 2.5"
        raise GridError(f"--set {text}: {word!r} must be {what}")
    return value


def changed_view(view: RegionView, changes: Sequence[Change]) -> RegionView:
    """The region file with these changes. A group that sets a field of [policy] itself keeps its
    own. Raises GridError where they do not go together."""
    content = view.region.model_dump(exclude_unset=True)
    for change in changes:
        if change.group is None:
            content.setdefault("policy", {})[change.name] = change.value
            continue
        number = next(n for n, g in enumerate(view.region.group) if g.name == change.group)
        table = content["group"][number]
        if change.name in LISTS:
            table[change.name] = lists(view.region.group[number], changes)[change.name]
        else:
            table.setdefault("policy", {})[change.name] = change.value
    try:
        return RegionView(Region.model_validate(content))
    except ValidationError as error:
        told = "; ".join(problem_lines(error, Region, content))
        named = " ".join(change.text for change in changes)
        raise GridError(f"--set {named}: {told}") from error


def lists(group: Group, changes: Iterable[Change]) -> dict[str, tuple[str, ...]]:
    """The pins and bars of a group with these changes."""
    found = {"pins": group.pins, "bars": group.bars}
    for change in changes:
        if change.group != group.name or change.name not in LISTS:
            continue
        sign, repeater = change.value[0], change.value[1:]
        kept = tuple(name for name in found[change.name] if name != repeater)
        found[change.name] = (*kept, repeater) if sign == "+" else kept
    return found


def lines_to_change(view: RegionView, setting: Setting) -> list[str]:
    """What to write into the region file, a line a change: `[policy] linger_s = 180 (now 120)`."""
    found = []
    for change in setting.changes:
        now, new = _now_and_new(view, setting, change)
        if change.group is None:
            line = f"[policy] {change.name} = {new}"
        elif change.name in LISTS:
            line = f'[[group]] name = "{change.group}": {change.name} = {new}'
        else:
            line = f'[[group]] name = "{change.group}": policy = {{ {change.name} = {new} }}'
        line = f"{line} (now {now})"
        if line not in found:
            found.append(line)
    return found


def _now_and_new(view: RegionView, setting: Setting, change: Change) -> tuple[str, str]:
    if change.group is not None and change.name in LISTS:
        group = view.groups[change.group]
        new = lists(group, setting.changes)[change.name]
        return _toml_list(getattr(group, change.name)), _toml_list(new)
    return said(getattr(_policy(view, change), change.name)), said(change.value)


def _toml_list(names: Sequence[str]) -> str:
    return "[" + ", ".join(f'"{name}"' for name in names) + "]"
