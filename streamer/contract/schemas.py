"""JSON Schema 2020-12 of every message, made from the models."""

from dataclasses import dataclass
from typing import Any, Final, Literal

from pydantic import TypeAdapter
from pydantic.json_schema import GenerateJsonSchema

from streamer.contract.common import MAX_EVENTS_PER_MESSAGE
from streamer.contract.events import Heard, Route, State
from streamer.contract.moment import MOMENT_SCHEMA
from streamer.contract.published import (
    Alert,
    Beat,
    Duty,
    FanOut,
    Maintenance,
    Reach,
    Refusal,
    WorkerState,
)
from streamer.contract.replies import Reply

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"

Schema = dict[str, Any]


@dataclass(frozen=True, slots=True)
class MessageKind:
    """A message of the contract; `inbound` ones come from gateways and may be arrays."""

    name: str
    type: Any
    inbound: bool

    @property
    def adapter(self) -> TypeAdapter[Any]:
        return TypeAdapter(self.type)

    @property
    def mode(self) -> Literal["validation", "serialization"]:
        """Readers are told what is always there, writers what they must give."""
        return "validation" if self.inbound else "serialization"


MESSAGES: Final = (
    MessageKind("heard", Heard, True),
    MessageKind("route", Route, True),
    MessageKind("state", State, True),
    MessageKind("fanout", FanOut, False),
    MessageKind("reach", Reach, False),
    MessageKind("alert", Alert, False),
    MessageKind("duty", Duty, False),
    MessageKind("maintenance", Maintenance, False),
    MessageKind("beat", Beat, False),
    MessageKind("reply", Reply, False),
    MessageKind("refused", Refusal, False),
    MessageKind("worker", WorkerState, False),
)


class _Generator(GenerateJsonSchema):
    """Without a title for each field: it would only repeat the field's name."""

    def field_title_should_be_set(self, _schema: Any) -> bool:
        return False


def message_schema(kind: MessageKind) -> Schema:
    """A schema that stands alone: of the whole payload, be it one object or an array."""
    reference = "#/$defs/{model}"
    made = kind.adapter.json_schema(
        mode=kind.mode, ref_template=reference, schema_generator=_Generator
    )
    definitions = definitions_of(made, reference)
    made.pop("$defs", None)
    if kind.inbound:
        definitions[kind.type.__name__] = tidy(made, reference)
        body = one_or_many(reference.format(model=kind.type.__name__))
        title = f"A payload of kind {kind.name}"
    else:
        body = tidy(made, reference)
        title = body.pop("title", f"A payload of {kind.name}")
    return {"$schema": DIALECT, "title": title, **body, "$defs": dict(sorted(definitions.items()))}


def one_or_many(reference: str) -> Schema:
    """One object, or an array of them."""
    return {
        "description": f"one object or an array of at most {MAX_EVENTS_PER_MESSAGE}",
        "oneOf": [
            {"$ref": reference},
            {"type": "array", "items": {"$ref": reference}, "maxItems": MAX_EVENTS_PER_MESSAGE},
        ],
    }


def component_schemas(reference: str) -> dict[str, Schema]:
    """Every model by name, with references of the given form, such as `#/here/{model}`."""
    found: dict[str, Schema] = {}
    for kind in MESSAGES:
        made = kind.adapter.json_schema(
            mode=kind.mode, ref_template=reference, schema_generator=_Generator
        )
        found |= definitions_of(made, reference)
        if "title" in made:  # a reply is a choice of two that are defined on their own
            made.pop("$defs", None)
            found[made["title"]] = tidy(made, reference)
    return dict(sorted(found.items()))


def definitions_of(made: Schema, reference: str) -> dict[str, Schema]:
    """The definitions that pydantic made, tidied, and the one of a moment."""
    found = {name: tidy(part, reference) for name, part in made.get("$defs", {}).items()}
    return {**found, "Moment": {"title": "Moment", **MOMENT_SCHEMA}}


def tidy(schema: Schema, reference: str) -> Schema:
    """The same schema in fewer words; walks schemas only, never the names of properties."""
    if schema.get("format") == "date-time":
        own = schema.get("description")
        pointer = {"$ref": reference.format(model="Moment")}
        return pointer if own == MOMENT_SCHEMA["description"] else {**pointer, "description": own}
    kept = dict(schema)
    kept.pop("discriminator", None)  # of OpenAPI; the constant in each branch says the same
    if "const" in kept:
        kept.pop("minimum", None)
        kept.pop("maximum", None)
        kept.pop("default", None)
    if "description" in kept:
        kept["description"] = " ".join(kept["description"].split())
    if "properties" in kept:
        parts = {n: tidy(s, reference) for n, s in kept["properties"].items()}
        needed = kept.get("required", [])
        kept["properties"] = parts
        # A constant is always written: readers tell versions and kinds apart by it.
        kept["required"] = [n for n, part in parts.items() if n in needed or "const" in part]
    for key in ("anyOf", "oneOf"):
        if key in kept:
            kept[key] = [tidy(part, reference) for part in kept[key]]
    if "items" in kept:
        kept["items"] = tidy(kept["items"], reference)
    return kept
