"""Numbers in words: so many digits as the measure bears, and the unit that a key names."""

from __future__ import annotations

from typing import Final

_DECIMALS: Final[dict[str, int]] = {
    "mm": 2, "mm2": 1, "mm3": 1, "deg": 2, "n": 2, "mpa": 0, "gpa": 0, "s": 1, "g": 2, "points": 0,
}  # fmt: skip
_SIGNS: Final[dict[str, str]] = {
    "mm": " mm", "mm2": " mm²", "mm3": " mm³", "deg": "°", "n": " N", "mpa": " MPa",
    "gpa": " GPa", "s": " s", "g": " g", "share": " %",
}  # fmt: skip
_BARE: Final = "bare "
"""Before a unit: its digits, without its sign, for where a column's head or a bracket names it."""
_SMALL: Final = 0.1
_FINEST: Final = 1e-4
"""Below this a length or a volume is nothing that anyone could measure."""


def unit_of(pointer: str) -> str:
    """The unit that the last key of a JSON Pointer names; "" where it names none.

    >>> unit_of("/arms/0/length_mm"), unit_of("/undercut/gauges_mm/2"), unit_of("/arms/0/tooth")
    ('mm', 'mm', '')
    """
    keys = [key for key in pointer.split("/") if key and not key.isdigit()]
    if "timings_s" in keys:
        return "s"
    _, _, last = (keys[-1] if keys else "").rpartition("_")
    return last if last in _SIGNS else ""


def in_words(value: float, unit: str = "") -> str:
    """A number as the page shows it.

    Lengths to a hundredth, below a tenth to a thousandth; volumes under 1 mm3 to three digits;
    shares in per cent; whole numbers in groups of three. A true minus sign.

    >>> in_words(8.439, "mm"), in_words(0.0069, "mm"), in_words(4.0, "deg"), in_words(0.9, "share")
    ('8.44 mm', '0.007 mm', '4.00°', '90 %')
    >>> in_words(0.22250, "mm3"), in_words(36851.7, "mm3"), in_words(116702), in_words(0.08432)
    ('0.223 mm³', '36,851.7 mm³', '116,702', '0.0843')
    >>> in_words(8.439, "bare mm"), in_words(0.2, "bare")
    ('8.44', '0.2')
    """
    bare = unit.startswith(_BARE.strip())
    unit = unit.removeprefix(_BARE) if unit != _BARE.strip() else ""
    if unit == "share":
        text = f"{100.0 * value:.3g}"
    elif unit in _DECIMALS:
        text = _measured(value, unit)
    elif isinstance(value, int):
        text = f"{value:,}" if abs(value) >= 10_000 else str(value)
    else:
        text = f"{value:,.4f}".rstrip("0").rstrip(".") if value else "0"
    if not any(digit in text for digit in "123456789"):
        text = text.removeprefix("-")
    # a unit that is no sign of ours is a word of the document
    sign = _SIGNS.get(unit, f" {unit}" if unit and unit != "1" else "")
    return text.replace("-", "\N{MINUS SIGN}") + ("" if bare else sign)


def _measured(value: float, unit: str) -> str:
    size = abs(value)
    decimals = _DECIMALS[unit]
    if unit == "mm3" and _FINEST <= size < 1.0:
        return f"{value:.3g}"
    if unit == "mm" and _FINEST <= size < _SMALL:
        decimals = 3
    elif unit in ("mm", "mm3") and 0.0 < size < _FINEST:
        decimals = 4
    return f"{value:,.{decimals}f}"
