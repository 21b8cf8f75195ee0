"""Sizes and stances of permanent teeth, for sample casts.

All numbers are common dental anatomy from memory, rounded, and serve no other purpose than to look
and measure like teeth; no test rests on them as facts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from blockout.case.settings import Arch

ToothKind = Literal["incisor", "canine", "premolar", "molar"]


@dataclass(frozen=True)
class ToothForm:
    """One kind of tooth, lengths in mm; from memory.

    ``mesiodistal_mm`` and ``buccolingual_mm`` are the greatest crown widths, ``height_mm`` runs
    from the neck to the cusp tips or the incisal edge. ``lingual_lean_deg`` is the regular lean
    of the crown toward the tongue (negative: toward lip or cheek). ``cusps`` are (mesiodistal
    place, buccolingual place, drop below the tallest in mm), places as shares of the half
    widths, distal and buccal positive.
    """

    kind: ToothKind
    mesiodistal_mm: float
    buccolingual_mm: float
    height_mm: float
    lingual_lean_deg: float
    cusps: tuple[tuple[float, float, float], ...] = ()


_LOWER: Final[dict[int, ToothForm]] = {
    1: ToothForm("incisor", 5.2, 5.9, 9.0, -9.0),
    2: ToothForm("incisor", 5.7, 6.2, 9.2, -8.0),
    3: ToothForm("canine", 6.9, 7.5, 10.6, -3.0),
    4: ToothForm("premolar", 7.1, 7.7, 8.6, 2.0, ((0.0, 0.36, 0.0), (-0.05, -0.62, 1.5))),
    5: ToothForm(
        "premolar", 7.2, 8.2, 8.1, 5.0, ((0.0, 0.42, 0.0), (-0.4, -0.56, 0.8), (0.42, -0.54, 1.2))
    ),
    6: ToothForm(
        "molar", 11.2, 10.4, 7.5, 8.0,
        ((-0.56, 0.5, 0.1), (0.1, 0.54, 0.25), (0.7, 0.24, 0.8), (-0.48, -0.55, 0.0),
         (0.42, -0.55, 0.15)),
    ),
    7: ToothForm(
        "molar", 10.6, 10.1, 7.0, 10.0,
        ((-0.48, 0.5, 0.1), (0.48, 0.5, 0.3), (-0.46, -0.54, 0.0), (0.46, -0.54, 0.15)),
    ),
}  # fmt: skip
_UPPER: Final[dict[int, ToothForm]] = {
    1: ToothForm("incisor", 8.6, 7.0, 10.4, -17.0),
    2: ToothForm("incisor", 6.7, 6.2, 9.2, -15.0),
    3: ToothForm("canine", 7.7, 8.1, 10.2, -7.0),
    4: ToothForm("premolar", 7.1, 9.1, 8.4, -3.0, ((0.06, 0.5, 0.0), (-0.06, -0.52, 0.9))),
    5: ToothForm("premolar", 6.9, 9.0, 8.2, -4.0, ((0.0, 0.5, 0.0), (-0.05, -0.52, 0.25))),
    6: ToothForm(
        "molar", 10.4, 11.2, 7.5, -7.0,
        ((-0.5, 0.54, 0.2), (0.42, 0.52, 0.35), (-0.3, -0.5, 0.0), (0.56, -0.52, 0.9)),
    ),
    7: ToothForm(
        "molar", 9.9, 11.0, 7.2, -9.0,
        ((-0.46, 0.52, 0.1), (0.42, 0.48, 0.45), (-0.26, -0.5, 0.0), (0.54, -0.46, 1.3)),
    ),
}  # fmt: skip


def teeth_of(arch: Arch) -> dict[int, ToothForm]:
    """ISO 3950 number to form for a whole arch, third molars left out.

    >>> sorted(teeth_of("lower"))[:3], teeth_of("upper")[26].kind
    ([31, 32, 33], 'molar')
    """
    forms, quadrants = (_LOWER, (3, 4)) if arch == "lower" else (_UPPER, (1, 2))
    return {10 * quadrant + place: form for quadrant in quadrants for place, form in forms.items()}


def side_of(tooth: int) -> int:
    """+1 for a tooth on +x of the cast frame, -1 for one on -x.

    Seen from above with the front away from the viewer, the patient's right (quadrants 1 and 4)
    lies on +x for a lower cast and on -x for an upper one.

    >>> side_of(46), side_of(36), side_of(16)
    (1, -1, -1)
    """
    return 1 if tooth // 10 in (2, 4) else -1
