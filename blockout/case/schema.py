"""The JSON Schema of a case file, for editors and other programs."""

from __future__ import annotations

from typing import Any, Final

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from blockout.case.case import SCHEMA_VERSION, Case

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"

_BEYOND: Final = (
    "Checked by the program but not by this schema: the range of a length written as text; that an "
    "outline has three different points; that up and front differ; very short and very long "
    "directions."
)


class _WithoutNull(GenerateJsonSchema):
    """TOML has no null: a key that may be left out is left out."""

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        described = super().default_schema(schema)
        if described.get("default", 0) is None:
            del described["default"]
        return described


def case_schema() -> dict[str, Any]:
    """JSON Schema, draft 2020-12, of a case file read from TOML.

    Each number carries its ``unit``, range and default, and the ``mark`` and ``source`` of the
    default; a number without a default is worked out from the scan. Lengths are numbers in mm or
    text.

    >>> case_schema()["properties"]["schema"]["const"]
    'blockout-case/1'
    """
    body = Case.model_json_schema(by_alias=True, schema_generator=_WithoutNull)
    _finish(body)
    path = body["$defs"]["PathSettings"]
    path["not"] = {
        "required": ["direction"],
        "anyOf": [{"required": ["anterior_tilt_deg"]}, {"required": ["lateral_tilt_deg"]}],
    }
    body["required"] = ["schema", *body["required"]]
    return {"$schema": DIALECT, "$id": f"urn:{SCHEMA_VERSION.replace('/', ':')}", **body} | {
        "title": f"Case file {SCHEMA_VERSION}",
        "description": f"One case: scan, path, survey and blockout. {_BEYOND}",
    }


def _finish(part: Any) -> None:
    """Drop titles made from names, and defaults that are null."""
    if isinstance(part, list):
        for item in part:
            _finish(item)
    elif isinstance(part, dict):
        if isinstance(part.get("title"), str):
            del part["title"]
        if "default" in part and part["default"] is None:
            del part["default"]
        for value in part.values():
            _finish(value)
