"""The kinds of value a setting may hold, each with its check and its JSON Schema."""

from __future__ import annotations

import math
import re
from typing import Annotated, Any, Final, Literal

from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema
from pydantic_core import PydanticCustomError

from blockout.case import parameters as p
from blockout.errors import InputError
from blockout.units import LENGTH_PATTERN, length_mm

Arch = Literal["lower", "upper"]

_AXES: Final = {"x": (1.0, 0.0, 0.0), "y": (0.0, 1.0, 0.0), "z": (0.0, 0.0, 1.0)}
_DECIMAL: Final = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
AXIS_PATTERN: Final = rf"^ *(?:[+-]? *[xyzXYZ]|{_DECIMAL} *, *{_DECIMAL} *, *{_DECIMAL}) *$"
_LONGEST_AXIS: Final = 200
_SHORTEST, _LONGEST = 1e-6, 1e6
"""Between these lengths three numbers can safely be made a unit direction."""


def axis_direction(text: str) -> tuple[float, float, float]:
    """The direction that text such as ``+z``, ``-y`` or ``0,1,1`` names; not of unit length.

    Raises
    ------
    InputError
        The text is neither an axis nor three numbers, or the three are all zero.

    >>> axis_direction("-y"), axis_direction("0, 1, 1")
    ((0.0, -1.0, 0.0), (0.0, 1.0, 1.0))
    """
    if len(text) > _LONGEST_AXIS or not re.fullmatch(AXIS_PATTERN, text):
        said = repr(text) if len(text) <= _LONGEST_AXIS else f"{text[:_LONGEST_AXIS]!r}..."
        raise InputError(
            f"{said} is not a direction",
            fix='Write an axis such as "+z" or "-y", or three numbers such as "0,1,1".',
        )
    plain = text.strip(" ")
    axis = _AXES.get(plain[-1:].lower())
    if axis is not None:
        sign = -1.0 if plain[0] == "-" else 1.0
        x, y, z = (sign * part + 0.0 for part in axis)
        return x, y, z
    x, y, z = (float(part) for part in plain.split(","))
    _check_direction((x, y, z))
    return x, y, z


def _check_direction(direction: tuple[float, float, float]) -> None:
    length = math.hypot(*direction)
    if not (math.isfinite(length) and _SHORTEST <= length <= _LONGEST):
        said = ", ".join(f"{value:g}" for value in direction)
        raise InputError(
            f"({said}) is not a direction",
            measured=f"its length is {length:g}, allowed {_SHORTEST:g} to {_LONGEST:g}",
            fix="Write three finite numbers that are not all zero.",
        )


def refused(words: str, *, key: str | None = None) -> PydanticCustomError:
    """An error in our own words; ``key`` names the key to blame when a whole table was checked."""
    context = {"words": words.rstrip(".")}
    return PydanticCustomError("refused", "{words}", context | ({"key": key} if key else {}))


def _number(value: Any) -> Any:
    if isinstance(value, bool | str):
        raise PydanticCustomError("not_a_number", "not a number")
    return value


def _length(value: Any) -> Any:
    if not isinstance(value, str):
        return _number(value)
    try:
        return length_mm(value)
    except InputError as error:
        raise refused(str(error)) from error


def _axis(text: str) -> str:
    try:
        axis_direction(text)
    except InputError as error:
        raise refused(str(error)) from error
    return text


def _direction(direction: tuple[float, float, float]) -> tuple[float, float, float]:
    try:
        _check_direction(direction)
    except InputError as error:
        raise refused(str(error)) from error
    return direction


def _outline(points: tuple[tuple[float, float, float], ...]) -> Any:
    distinct = len(set(points))
    if distinct < 3:
        raise refused(f"an outline needs three different points at least, this one has {distinct}")
    return points


def number_or_text(low: float, high: float) -> dict[str, Any]:
    """JSON Schema of a length: a number of mm in a range, or text, whose range it cannot say."""
    return {
        "anyOf": [
            {"type": "number", "minimum": low, "maximum": high},
            {
                "type": "string",
                "pattern": LENGTH_PATTERN,
                "examples": ["0.25 mm", "0.010 in", "30 ga"],
            },
        ]
    }


Number = Annotated[float, BeforeValidator(_number)]
"""A finite number; text, true and false are refused."""

Whole = Annotated[int, BeforeValidator(_number)]
"""A whole number; text, true and false are refused."""

YesOrNo = Annotated[bool, Field(strict=True)]
"""true or false; text and numbers are refused."""

Length = Annotated[float, BeforeValidator(_length)]
"""Millimetres, or text such as "0.010 in" or "30 ga"."""

Gauge = Annotated[
    float,
    Field(ge=p.GAUGE.low, le=p.GAUGE.high),
    BeforeValidator(_length),
    WithJsonSchema(number_or_text(p.GAUGE.low, p.GAUGE.high)),
]
"""An undercut gauge: a length within the range of :data:`blockout.case.parameters.GAUGE`."""

Point = tuple[Number, Number, Number]
"""Three finite numbers, mm in the file's coordinates."""

Direction = Annotated[
    tuple[Number, Number, Number],
    AfterValidator(_direction),
    Field(json_schema_extra={"not": {"const": [0, 0, 0]}}),
]
"""Three finite numbers, not all zero; any sensible length."""

Outline = Annotated[tuple[Point, ...], Field(min_length=3), AfterValidator(_outline)]
"""Points around an area, three different ones at least; the last joins the first by itself."""

Axis = Annotated[
    str, AfterValidator(_axis), WithJsonSchema({"type": "string", "pattern": AXIS_PATTERN})
]
"""Text such as ``+z``, ``-y`` or ``0,1,1``."""
