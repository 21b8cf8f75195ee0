"""Lengths as the trade writes them: millimetres, inches, sheet gauge.

One inch is 25.4 mm exactly. Sheet gauge n is ``0.127 mm * 92 ** ((36 - n) / 39)`` (ASTM B258; its
use for dental sheet wax is common practice, no source).
"""

from __future__ import annotations

import math
import re
from decimal import Context, Decimal, DecimalException
from typing import Final, Literal

from blockout.errors import InputError

LengthUnit = Literal["mm", "cm", "m", "in"]
"""Units a mesh file may be written in."""

MM_PER_UNIT: Final[dict[LengthUnit, float]] = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}

GAUGE_RANGE: Final = (0, 40)
"""Sheet gauges understood in text, whole numbers, both ends included."""

_MM_PER_WORD: Final[dict[str, Decimal]] = {
    "": Decimal(1),
    "mm": Decimal(1),
    "cm": Decimal(10),
    "um": Decimal("0.001"),
    "\N{MICRO SIGN}m": Decimal("0.001"),
    "in": Decimal("25.4"),
    '"': Decimal("25.4"),
}
_NUMBER: Final = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_WORDS: Final = "|".join(word for word in _MM_PER_WORD if word)
LENGTH_PATTERN: Final = (
    rf"^[ \t]*(?:({_NUMBER})[ \t]*({_WORDS})?|([0-9]|[1-3][0-9]|40)[ \t]*ga)[ \t]*$"
)
"""Every text that is a length, as a regular expression that JSON Schema understands as well."""

_LENGTH: Final = re.compile(LENGTH_PATTERN)
_GAUGE: Final = re.compile(rf"[ \t]*({_NUMBER})[ \t]*(?:ga|gauge)[ \t]*")
_LONGEST_TEXT: Final = 60
_EXACT: Final = Context(prec=120)
_FIX: Final = 'Write a number in mm, or text such as "0.25 mm", "0.010 in" or "30 ga".'


def sheet_gauge_mm(gauge: float) -> float:
    """Thickness of a sheet of the given gauge number, in mm (ASTM B258).

    >>> round(sheet_gauge_mm(36), 4), round(sheet_gauge_mm(30), 4)
    (0.127, 0.2546)
    """
    return float(0.127 * 92.0 ** ((36.0 - gauge) / 39.0))


def length_mm(value: float | str) -> float:
    """A length in millimetres from a number (mm) or text such as ``"0.010 in"`` or ``"30 ga"``.

    Text is a decimal number and one of the units mm, cm, um, in (or ``"``), ga; no unit means mm.
    The result is the double nearest to the exact product, so an inch is 25.4 mm exactly.

    Raises
    ------
    InputError
        Not a finite number and no such text, or the gauge is not a whole number from 0 to 40.

    >>> length_mm(0.25), length_mm("0.010 in"), round(length_mm("30 ga"), 4)
    (0.25, 0.254, 0.2546)
    """
    if isinstance(value, str):
        return _text_mm(value)
    if isinstance(value, bool):
        raise InputError(f"{value!r} is not a length", fix=_FIX)
    try:
        number = float(value)
    except (TypeError, ValueError, OverflowError) as error:
        raise InputError(f"{_shown(value)} is not a length", fix=_FIX) from error
    if not math.isfinite(number):
        raise InputError(f"{number} is not a length", measured="it is not a finite number")
    return number


def _text_mm(text: str) -> float:
    found = _LENGTH.match(text) if len(text) <= _LONGEST_TEXT and "\n" not in text else None
    if found is None:
        raise _refusal(text)
    number, word, gauge = found.groups()
    if gauge is not None:
        return sheet_gauge_mm(int(gauge))
    try:
        exact = _EXACT.multiply(Decimal(number), _MM_PER_WORD[word or ""])
        length = float(exact)
    except (DecimalException, OverflowError):
        length = math.inf
    if not math.isfinite(length):
        raise InputError(f"{text!r} is not a length", measured="it is too large for a number")
    return length


def _refusal(text: str) -> InputError:
    """Say what is wrong with text that is no length."""
    # first: in text without end the searches below would go on without end too
    if len(text) > _LONGEST_TEXT:
        return InputError(
            f"{_shown(text)} is not a length",
            measured=f"{len(text)} characters, at most {_LONGEST_TEXT}",
            fix=_FIX,
        )
    gauge = _GAUGE.fullmatch(text)
    if gauge is not None:
        low, high = GAUGE_RANGE
        return InputError(
            f"{text!r} is not a sheet gauge",
            measured=f"{gauge[1]}, allowed whole numbers {low} to {high} with ga",
            fix="Write the thickness in mm instead.",
        )
    if not text.strip():
        return InputError("the length is empty", fix=_FIX)
    if re.match(r"[ \t]*[+-]?[0-9]+,[0-9]", text):
        return InputError(
            f"{_shown(text)} is not a length",
            measured="it has a comma",
            fix="Write the decimals after a point, such as 0.25 mm.",
        )
    other = re.fullmatch(rf"[ \t]*{_NUMBER}\s*(\S.*)", text)
    if other is not None:
        return InputError(
            f"{_shown(text)} is not a length",
            measured=f"unit {_shown(other[1])}, allowed mm, cm, um, in, ga",
            fix=_FIX,
        )
    return InputError(f"{_shown(text)} is not a length", fix=_FIX)


def _shown(value: object) -> str:
    """The value as text, shortened."""
    try:
        text = repr(value)
    except ValueError:
        text = "a number of thousands of digits"
    return text if len(text) <= _LONGEST_TEXT else text[: _LONGEST_TEXT - 3] + "..."
