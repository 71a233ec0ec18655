"""Faults of a settings file in words: where, what was found, what is allowed.

Works on pydantic's errors. No line of a fault ever holds the value of a password or address.
"""

import re
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Annotated, Any, Final, get_args, get_origin

from pydantic import BaseModel, ValidationError

from streamer.contract.common import GROUP_PATTERN, NAME_PATTERN

LISTED: Final = 12
"""Names listed at most where any of them is allowed."""
_SHOWN: Final = 40
_SECRET: Final = ("password", "url", "secret")

_PATTERNS: Final = {
    f"^{NAME_PATTERN}$": "must be 1 to 32 of a-z, 0-9, _ and -, a letter or digit first",
    f"^{NAME_PATTERN}/{NAME_PATTERN}$": "must be GATEWAY/PORT in lower case, such as 'ridge/uhf'",
    f"^{GROUP_PATTERN}$": "must be 1 to 16 of A-Z, 0-9, _ and -, a letter or digit first",
    r"^https?://[^\s]+$": "must be http://HOST/PATH or https://HOST/PATH",
    r"^[a-zA-Z]{2,3}(-[a-zA-Z0-9]{2,8})*$": "must be a language, such as 'en-US'",
}
_WORDS: Final = {
    "missing": "is missing; it is required",
    "float_type": "must be a number without quotes, such as 30 or 2.5",
    "float_parsing": "must be a number without quotes, such as 30 or 2.5",
    "finite_number": "must be a finite number",
    "int_type": "must be a whole number without quotes",
    "int_from_float": "must be a whole number",
    "int_parsing": "must be a whole number",
    "string_type": 'must be text in quotes, such as "text"',
    "bool_type": "must be true or false, without quotes",
    "bool_parsing": "must be true or false, without quotes",
    "path_type": 'must be a path in quotes, such as "radio.log"',
    "dict_type": "must be a table, such as { name = 1 }",
    "tuple_type": 'must be a list, such as ["a", "b"]',
    "model_type": "must be a table of settings",
    "greater_than_equal": "must be at least {ge:g}",
    "greater_than": "must be more than {gt:g}",
    "less_than_equal": "must be at most {le:g}",
    "less_than": "must be less than {lt:g}",
    "too_short": "must have at least {min_length}",
    "string_too_short": "must not be shorter than {min_length} characters",
    "string_too_long": "must not be longer than {max_length} characters",
    "literal_error": "must be {expected}",
    "enum": "must be {expected}",
    "union_tag_invalid": "must be one of {expected_tags} (got {tag!r})",
}
_NOT_SHOWN: Final = frozenset({"missing", "extra_forbidden", "too_short"})
_UNTAGGED: Final = frozenset({"union_tag_not_found", "union_tag_invalid"})
"""Nothing says which of several kinds of table it is, or what says so is none of them."""

Place = tuple[str | int, ...]
_TOML_PLACE: Final = re.compile(r" \((at .*)\)$")


class NotToml(ValueError):
    """A file that cannot be read as TOML; the text says where and why."""


def toml_of(path: Path) -> dict[str, Any]:
    """A TOML file's content; raises NotToml."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise NotToml(f"file: cannot be read: {error.strerror}; is the path right?") from error
    except UnicodeDecodeError as error:
        told = f"file: not TOML: byte {error.start} is not UTF-8; save the file as UTF-8"
        raise NotToml(told) from error
    except RecursionError as error:
        raise NotToml("file: not TOML: nested too deeply") from error
    except ValueError as error:  # also what tomllib passes on: a number of thousands of digits
        found = _TOML_PLACE.search(str(error))
        place = found[1].removeprefix("at ") if found else "file"
        raise NotToml(f"{place}: not TOML: {_TOML_PLACE.sub('', str(error))}") from error


def suggestion(word: str, known: Sequence[str]) -> str:
    """`did you mean ...` where something is near, and what is known: all of it, if it is short."""
    from difflib import get_close_matches  # noqa: PLC0415 - memory, where nothing is misspelt

    near = get_close_matches(word, known, n=1, cutoff=0.6)
    told = [f"did you mean {near[0]!r}?"] if near else []
    if not known:
        told.append("there are none")
    elif len(known) <= LISTED:
        told.append("allowed: " + ", ".join(known))
    elif not near:
        told.append("allowed: " + ", ".join(known[:LISTED]) + f" and {len(known) - LISTED} more")
    return " ".join(told)


def problem_lines(
    error: ValidationError,
    model: type[BaseModel],
    content: Any,
    place_text: Callable[[Place, Any], str] | None = None,
) -> list[str]:
    """Each fault as `place: what, what is allowed (got ...)`.

    `content` is what was validated against `model`. Without `place_text`, entries of lists are
    counted from 1 and named by their `id` or `name`.
    """
    place_text = place_text or _place_text
    faults = error.errors(include_url=False)
    places = [_written(fault, model) for fault in faults]
    lines = []
    for fault, place in zip(faults, places, strict=True):
        if fault["type"] == "too_short" and fault["input"] and _has_faults_inside(place, places):
            continue  # its entries are there, they are merely wrong themselves
        where = place_text(place, content)
        if fault["type"] == "value_error" and not place:
            lines += str(fault["ctx"]["error"]).split("\n")
        else:
            lines.append(f"{where}: {_what(fault, fault['loc'], model)}{_got(fault, place)}")
    return lines


def _written(fault: Any, model: type[BaseModel]) -> Place:
    """The place of a fault as somebody wrote the file."""
    _, place = _follow(model, fault["loc"])
    if fault["type"] in _UNTAGGED:
        return (*place, str(fault["ctx"]["discriminator"]).strip("'"))
    return place


def _has_faults_inside(place: Place, places: Sequence[Place]) -> bool:
    return any(len(p) > len(place) and p[: len(place)] == place for p in places)


def _what(fault: Any, place: Place, model: type[BaseModel]) -> str:
    kind, context = fault["type"], fault.get("ctx", {})
    if kind == "extra_forbidden":
        name = str(place[-1])
        return f"no such setting; {suggestion(name, _settings_at(model, place[:-1]))}"
    if kind == "string_pattern_mismatch":
        return _PATTERNS.get(context["pattern"], "has characters that are not allowed")
    if kind == "union_tag_not_found":
        return "is missing; it says of what kind this is: " + ", ".join(_tags_at(model, place))
    if kind in ("tuple_type", "model_type") and (tables := _table_list(model, place)):
        return f"must be written as one [[{tables}]] for each"
    if kind in _WORDS:
        return _WORDS[kind].format(**context)
    return str(fault["msg"]).removeprefix("Value error, ")


def _got(fault: Any, place: Place) -> str:
    secret = any(word in str(step) for step in place for word in _SECRET)
    if secret or fault["type"] in _NOT_SHOWN or isinstance(fault["input"], dict | list):
        return ""
    try:
        shown = repr(fault["input"])
    except ValueError:  # Python refuses to write out an integer of thousands of digits
        shown = "a huge number"
    return f" (got {shown if len(shown) <= _SHOWN else shown[:_SHOWN] + '...'})"


def _place_text(place: Place, content: Any) -> str:
    text, names = "", []
    for step in place:
        if isinstance(step, int):
            text += f"[{step + 1}]"
        else:
            text += f".{step}" if text else step
        try:
            content = content[step]
        except (KeyError, IndexError, TypeError):
            content = None
        if isinstance(step, int) and isinstance(content, dict):
            names += [str(content[key])[:_SHOWN] for key in ("id", "name") if key in content]
    return f"{text or 'file'} ({'/'.join(names)})" if names else text or "file"


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for a in get_args(annotation) if (m := _model_in(a))), None)


def _tagged_in(annotation: Any) -> dict[str, type[BaseModel]]:
    """The models that one setting tells apart, by its values; empty if there are none."""
    if get_origin(annotation) is Annotated:
        union, *told = get_args(annotation)
        name = next((d for t in told if isinstance(d := getattr(t, "discriminator", 0), str)), None)
        if name is not None:
            models = get_args(union)
            return {tag: m for m in models for tag in get_args(m.model_fields[name].annotation)}
    return next((found for a in get_args(annotation) if (found := _tagged_in(a))), {})


def _follow(model: type[BaseModel] | None, place: Place) -> tuple[type[BaseModel] | None, Place]:
    """The model at a place, and the place without the steps that only pydantic takes: the kind of a
    table that is told apart by one of its settings."""
    kept: list[str | int] = []
    tagged: dict[str, type[BaseModel]] = {}
    for step in place:
        if isinstance(step, str) and step in tagged:
            model, tagged = tagged[step], {}
            continue
        kept.append(step)
        if isinstance(step, str):
            field = model.model_fields.get(step) if model else None
            tagged = _tagged_in(field.annotation) if field else {}
            model = _model_in(field.annotation) if field else None
    return model, tuple(kept)


def _model_at(model: type[BaseModel] | None, place: Place) -> type[BaseModel] | None:
    return _follow(model, place)[0]


def _tags_at(model: type[BaseModel], place: Place) -> list[str]:
    """What the setting may be that tells the kinds of a table at a place apart."""
    *parents, name = (step for step in place if isinstance(step, str))
    parent = _model_at(model, tuple(parents))
    field = parent.model_fields.get(name) if parent else None
    return list(_tagged_in(field.annotation)) if field else []


def _settings_at(model: type[BaseModel], place: Place) -> list[str]:
    found = _model_at(model, place)
    return sorted(found.model_fields) if found else []


def _table_list(model: type[BaseModel], place: Place) -> str:
    """`gateway.repeater` if a list of tables, or one of its tables, belongs here; else nothing."""
    if not place or _model_at(model, place) is None:
        return ""
    if isinstance(place[-1], str):
        parent = _model_at(model, place[:-1])
        field = parent.model_fields.get(place[-1]) if parent else None
        if field is None or get_origin(field.annotation) is not tuple:
            return ""
    return ".".join(step for step in place if isinstance(step, str))
