"""A JSON Schema of a parameter file, for editors and for programs that write such files."""

from __future__ import annotations

import inspect
from typing import Any

from servosim import units
from servosim.params._fields import Field
from servosim.params._tables import Document, Table, fields_of, places_of

DRAFT = "https://json-schema.org/draft/2020-12/schema"


def schema(document_class: type[Document]) -> dict[str, Any]:
    """Return the JSON Schema, draft 2020-12, of a parameter file as TOML reads it.

    Parameters
    ----------
    document_class : type
        Subclass of Document.

    Returns
    -------
    dict
        Keys, kinds, accepted units, choices and which keys are wanted for which choice. The range
        of a quantity is told in its description: a schema cannot compare texts with units.
    """
    places = places_of(document_class)
    top = _block(fields_of(document_class))
    for name, place in places.items():
        one: dict[str, Any] = {"$ref": f"#/$defs/{place.kind.__name__}"}
        top["properties"][name] = {"type": "array", "items": one} if place.many else one
        if not place.optional:
            top["required"].append(name)
    return {
        "$schema": DRAFT,
        "title": document_class.__name__,
        "description": inspect.cleandoc(document_class.__doc__ or ""),
        **top,
        "$defs": {place.kind.__name__: _table(place.kind) for place in places.values()},
    }


def _table(kind: type[Table]) -> dict[str, Any]:
    return {"description": inspect.cleandoc(kind.__doc__ or ""), **_block(fields_of(kind))}


def _block(fields: dict[str, Field]) -> dict[str, Any]:
    """Return the keys of a table, or of the top of a file."""
    block: dict[str, Any] = {
        "type": "object",
        "properties": {name: _property(field) for name, field in fields.items()},
        "required": [name for name, one in fields.items() if one.required and not one.when],
        "additionalProperties": False,
    }
    rules = [_rule(fields, field) for field in fields.values() if field.when]
    if rules:
        block["allOf"] = rules
    return block


def _rule(fields: dict[str, Field], field: Field) -> dict[str, Any]:
    """Return the rule that a key stands where it is read and nowhere else."""
    conditions = {key: {"enum": list(values)} for key, values in field.when}
    stated = [key for key, values in field.when if not _holds_left_out(fields[key], values)]
    rule: dict[str, Any] = {
        "if": {"properties": conditions, "required": stated},
        "else": {"properties": {field.name: False}},
    }
    if field.required:
        rule["then"] = {"required": [field.name]}
    return rule


def _holds_left_out(field: Field, values: tuple[Any, ...]) -> bool:
    """Tell whether a choice that isn't in the file still has one of some values."""
    if field.when:
        return field.unread in values
    return not field.required and field.absent in values


def _property(field: Field) -> dict[str, Any]:
    """Return what a key may hold, with its description."""
    one = _single(field)
    if field.kind == "interval":
        one = {"type": "array", "items": one, "minItems": 2, "maxItems": 2}
    elif field.many:
        fewest, most = field.count
        one = {"type": "array", "items": one, "minItems": fewest}
        if most is not None:
            one["maxItems"] = most
    return {"description": describe(field), **one}


def _single(field: Field) -> dict[str, Any]:
    if field.kind == "choice":
        return {"enum": list(field.options)}
    if field.kind == "text":
        return {"type": "string"}
    if field.kind == "switch":
        return {"type": "boolean"}
    words = {"low": "minimum", "high": "maximum", "above": "exclusiveMinimum",
             "below": "exclusiveMaximum"}  # fmt: skip
    bounds: dict[str, Any] = {words[name]: limit for name, limit in field.limits.items()}
    if field.kind == "number":
        return {"type": "integer" if field.whole else "number", **bounds}
    text = {"type": "string", "pattern": units.pattern(field.unit)}
    return {"anyOf": [{"type": "number", **bounds}, text]} if field.unit == "1" else text


def describe(field: Field) -> str:
    """Return a sentence on a key with its symbol, unit and limits.

    Parameters
    ----------
    field : Field
        What the table states about the key.

    Returns
    -------
    str
        Such as "Flow at rated command. Symbol q_n, unit L/min, more than 0 L/min."
    """
    facts = [f"symbol {field.symbol}"] if field.symbol else []
    if field.unit:
        facts.append(f"unit {field.unit}" if field.unit != "1" else "no unit")
    if field.bounds:
        facts.append(field.bounds)
    if not field.required and field.absent not in ("", None):
        absent = field.absent
        if field.kind in ("quantity", "number") and not field.many:
            absent = field.show(absent)
        facts.append(f"{absent} if left out")
    sentence = ", ".join(facts)
    words = [field.doc.strip().rstrip(".") + "." if field.doc else ""]
    words.append(sentence[:1].upper() + sentence[1:] + "." if sentence else "")
    return " ".join(word for word in words if word)
