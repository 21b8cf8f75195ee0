"""Letters drawn with strokes of even width, and the closed solids they make.

Each letter stands on a lattice four steps wide and six high; a stroke goes from point to point. The
shapes are our own.
"""

from __future__ import annotations

import unicodedata
from itertools import pairwise
from typing import Final

import numpy as np

from blockout.errors import InputError
from blockout.kernel.solids import Solid
from blockout.mesh import Floats

HIGH: Final = 6
_WIDE: Final = 4
_ADVANCE: Final = 5.7
_LINE: Final = 9.2
STROKE: Final = 0.8
"""Width of a stroke in steps of the lattice: two fifteenths of a capital's height."""
_AROUND: Final = 12
_GLYPHS: Final[dict[str, str]] = {
    "A": "00 26 40,13 33", "B": "00 06 36 45 44 33 03,33 42 41 30 00",
    "C": "45 36 16 05 01 10 30 41",
    "D": "00 06 26 44 42 20 00", "E": "40 00 06 46,03 33", "F": "00 06 46,03 33",
    "G": "45 36 16 05 01 10 30 41 43 23", "H": "00 06,40 46,03 43", "I": "20 26,10 30,16 36",
    "J": "01 10 30 41 46", "K": "00 06,46 02,13 40", "L": "06 00 40", "M": "00 06 23 46 40",
    "N": "00 06 40 46", "O": "10 30 41 45 36 16 05 01 10", "P": "00 06 36 45 44 33 03",
    "Q": "10 30 41 45 36 16 05 01 10,22 40", "R": "00 06 36 45 44 33 03,23 40",
    "S": "01 10 30 41 42 33 13 04 05 16 36 45", "T": "20 26,06 46", "U": "06 01 10 30 41 46",
    "V": "06 20 46", "W": "06 10 23 30 46", "X": "00 46,06 40", "Y": "06 23 46,23 20",
    "Z": "06 46 00 40", "0": "10 30 41 45 36 16 05 01 10,12 34", "1": "05 26 20,10 30",
    "2": "05 16 36 45 44 00 40", "3": "05 16 36 45 44 33 23,33 42 41 30 10 01", "4": "30 36 02 42",
    "5": "01 10 30 41 42 33 03 06 46", "6": "45 36 16 05 01 10 30 41 42 33 13 02",
    "7": "06 46 10", "8": "13 04 05 16 36 45 44 33 13 02 01 10 30 41 42 33",
    "9": "01 10 30 41 45 36 16 05 04 13 33 44", ".": "20 20", ",": "21 10", ":": "21 21,24 24",
    "-": "13 33", "+": "13 33,22 24", "/": "00 46", "(": "36 25 21 30", ")": "16 25 21 10",
    "_": "00 40", "#": "10 16,30 36,02 42,04 44", "=": "12 32,14 34", " ": "",
}  # fmt: skip
KNOWN: Final = "".join(sorted(_GLYPHS)).strip()


def plain_text(text: str) -> str:
    """Capitals without accents, such as letters are drawn for.

    Raises
    ------
    InputError
        A character that no letter is drawn for.

    >>> plain_text("Fälle 7")
    'FALLE 7'
    """
    plain = _capitals(text)
    strange = sorted({one for one in plain if one not in _GLYPHS})
    if strange:
        raise InputError(
            "the label holds characters that no letter is drawn for",
            measured=f"{' '.join(strange[:10])}; drawn are {KNOWN}",
            fix="Mend --label.",
        )
    return plain


def drawable(text: str) -> str:
    """Capitals without accents, without what no letter is drawn for.

    >>> drawable("Case*7")
    'CASE7'
    """
    return "".join(one for one in _capitals(text) if one in _GLYPHS)


def _capitals(text: str) -> str:
    apart = unicodedata.normalize("NFKD", text.replace("\N{MINUS SIGN}", "-"))
    return "".join(one for one in apart if not unicodedata.combining(one)).upper()


def text_size_mm(lines: list[str], *, height_mm: float) -> tuple[float, float]:
    """Width and height of lines of text, strokes included; ``height_mm`` is that of a capital
    without its strokes' width.
    """
    step = height_mm / HIGH
    longest = max(len(line) for line in lines)
    width = (longest - 1) * _ADVANCE + _WIDE + STROKE
    return width * step, ((len(lines) - 1) * _LINE + HIGH + STROKE) * step


def letters(lines: list[str], *, height_mm: float, low_mm: float, high_mm: float) -> Solid:
    """Lines of text about the origin, read from +z, as straight solids from ``low_mm`` to
    ``high_mm``.

    Raises
    ------
    InputError, KernelError
    """
    step = height_mm / HIGH
    height = text_size_mm(lines, height_mm=height_mm)[1] / step
    strokes: list[Solid] = []
    for row, line in enumerate(lines):
        # the middle of each line over the middle of the text
        x = -((len(line) - 1) * _ADVANCE + _WIDE) / 2.0
        y = height / 2.0 - STROKE / 2.0 - HIGH - row * _LINE
        for one in plain_text(line):
            for course in filter(None, _GLYPHS[one].split(",")):
                points = [np.array([x + int(p[0]), y + int(p[1])]) for p in course.split()]
                strokes += [
                    _stroke(step * a, step * b, step * STROKE / 2.0, low_mm, high_mm)
                    for a, b in pairwise(points)
                ]
            x += _ADVANCE
    return Solid.union(strokes)


def _stroke(start: Floats, end: Floats, radius_mm: float, low_mm: float, high_mm: float) -> Solid:
    turn = 2.0 * np.pi * (np.arange(_AROUND) + 0.5) / _AROUND
    disc = radius_mm * np.column_stack([np.cos(turn), np.sin(turn)])
    flat = np.concatenate([start + disc, end + disc])
    return Solid.hull(
        np.concatenate([np.column_stack([flat, np.full(len(flat), z)]) for z in (low_mm, high_mm)])
    )
