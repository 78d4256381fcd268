"""The JSON contract as JSON Schema (draft 2020-12), made from the TypedDicts that the code itself is held to.

A reader must take further keys: they come with later versions, and nothing here forbids them.
"""

from __future__ import annotations

import json
from enum import StrEnum
from types import NoneType, UnionType
from typing import Any, Literal, NotRequired, TypedDict, Union, get_args, get_origin, get_type_hints, is_typeddict

__all__ = ["JsonSchemaObject", "schema_object", "schema_text"]

_DIALECT = "https://json-schema.org/draft/2020-12/schema"

JsonSchemaObject = TypedDict(
    "JsonSchemaObject",
    {
        "$schema": str,
        "title": str,
        "description": str,
        "type": str,
        "properties": dict[str, Any],
        "required": list[str],
        "$defs": dict[str, Any],
    },
)

_PLAIN: dict[Any, str] = {str: "string", int: "integer", float: "number", bool: "boolean", NoneType: "null"}


def schema_object(kind: Any) -> JsonSchemaObject:
    """Return the schema of a command's whole answer, its key `schema` included.

    Raises:
        TypeError: The type holds something that the contract has no JSON for.
    """
    defs: dict[str, Any] = {}
    own = _object(kind, defs)
    if "schema" not in own["properties"]:
        own["properties"] = {"schema": {"const": 1}, **own["properties"]}
        own["required"] = ["schema", *own["required"]]
    return {
        "$schema": _DIALECT,
        "title": kind.__name__,
        "description": own["description"],
        "type": "object",
        "properties": own["properties"],
        "required": own["required"],
        "$defs": dict(sorted(defs.items())),
    }


def schema_text(kind: Any) -> str:
    """Return the same as a file holds it."""
    return json.dumps(schema_object(kind), indent=2, ensure_ascii=False) + "\n"


def _object(kind: Any, defs: dict[str, Any]) -> dict[str, Any]:
    hints = get_type_hints(kind, include_extras=True)
    # Annotations are texts, so that `__required_keys__` knows nothing of `NotRequired`.
    needed = [key for key in hints if key in kind.__required_keys__ and get_origin(hints[key]) is not NotRequired]
    return {
        "description": " ".join((kind.__doc__ or "").split()),
        "type": "object",
        "properties": {key: _schema(hint, defs) for key, hint in hints.items()},
        "required": needed,
    }


def _schema(kind: Any, defs: dict[str, Any]) -> dict[str, Any]:
    origin, parts = get_origin(kind), get_args(kind)
    if kind is Any:
        return {}
    if origin is NotRequired:
        return _schema(parts[0], defs)
    if is_typeddict(kind):
        return _named(kind, defs, _object)
    if origin in (Union, UnionType):
        return _either([_schema(part, defs) for part in parts])
    if origin is Literal:
        return {"enum": list(parts)} if len(parts) > 1 else {"const": parts[0]}
    if origin is list:
        return {"type": "array", "items": _schema(parts[0], defs)}
    if origin is dict:
        return {"type": "object", "additionalProperties": _schema(parts[1], defs)}
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        return _named(kind, defs, lambda words, _: {"enum": [word.value for word in words]})
    if kind in _PLAIN:
        return {"type": _PLAIN[kind]}
    raise TypeError(f"the contract has no JSON for {kind}")


def _named(kind: Any, defs: dict[str, Any], make: Any) -> dict[str, Any]:
    if kind.__name__ not in defs:
        defs[kind.__name__] = {}  # first: an object may hold others of its own kind
        defs[kind.__name__] = make(kind, defs)
    return {"$ref": f"#/$defs/{kind.__name__}"}


def _either(schemas: list[dict[str, Any]]) -> dict[str, Any]:
    types = [schema["type"] for schema in schemas if set(schema) == {"type"}]
    return {"type": types} if len(types) == len(schemas) else {"anyOf": schemas}
