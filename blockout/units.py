"""Lengths as the trade writes them: millimetres, inches, sheet gauge.

One inch is 25.4 mm exactly. Sheet gauge n is ``0.127 mm * 92 ** ((36 - n) / 39)`` (ASTM B258; its
use for dental sheet wax is common practice, no source).
"""

from __future__ import annotations

import re
from typing import Final, Literal

from blockout.errors import InputError

LengthUnit = Literal["mm", "cm", "m", "in"]

MM_PER_UNIT: Final[dict[LengthUnit, float]] = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}

_GAUGE_RANGE: Final = (0, 40)
_TEXT = re.compile(
    r"^\s*(?P<number>[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(?P<unit>mm|cm|um|in|\"|ga)?\s*$"
)


def sheet_gauge_mm(gauge: float) -> float:
    """Thickness of a sheet of the given gauge number, in mm (ASTM B258).

    >>> round(sheet_gauge_mm(36), 4), round(sheet_gauge_mm(30), 4)
    (0.127, 0.2546)
    """
    return float(0.127 * 92.0 ** ((36.0 - gauge) / 39.0))


def length_mm(value: float | str) -> float:
    """A length in millimetres from a number (mm) or text such as ``"0.010 in"`` or ``"30 ga"``.

    Raises
    ------
    InputError
        The text is not a number with one of the units mm, cm, um, in, ga, or the gauge is not
        in 0-40.

    >>> length_mm(0.25), length_mm("0.010 in"), round(length_mm("30 ga"), 4)
    (0.25, 0.254, 0.2546)
    """
    if isinstance(value, int | float):
        return float(value)
    found = _TEXT.match(value)
    if found is None:
        raise InputError(
            f"{value!r} is not a length",
            fix='Write a number in mm, or text such as "0.25 mm", "0.010 in" or "30 ga".',
        )
    number, unit = float(found["number"]), found["unit"] or "mm"
    if unit == "ga":
        low, high = _GAUGE_RANGE
        if not low <= number <= high:
            raise InputError(
                f"{value!r} is not a sheet gauge",
                measured=f"gauge {number:g}, allowed {low} to {high}",
                fix="Write the thickness in mm instead.",
            )
        return sheet_gauge_mm(number)
    factors_mm = {"mm": 1.0, "cm": 10.0, "um": 0.001, "in": 25.4, '"': 25.4}
    return round(number * factors_mm[unit], 12)
