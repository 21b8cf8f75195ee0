"""Whether the border of a major connector keeps away from the gingival margin."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from blockout.case.border_settings import BorderSettings
from blockout.case.prescription import Prescription
from blockout.cast.cast import Cast
from blockout.check.margins import MarginedTeeth, MarginGap, margin_gap
from blockout.check.warnings import TradeWarning
from blockout.drawn.curve import surface_curve
from blockout.errors import Place

_READ_MM: Final = 0.005
"""Half of what distances are told to: what is told as the limit is not under it."""
_KEEPS: Final = {
    "upper": "a maxillary border keeps 6 mm",
    "lower": "a mandibular border keeps 3 or 4 mm, sources differ",
}


def border_gaps(
    cast: Cast, teeth: MarginedTeeth | None, prescription: Prescription
) -> tuple[tuple[str, MarginGap], ...]:
    """How near each known border of a major connector comes to a gingival margin, and what the
    border is called.

    A prescription knows the upper border of a lingual bar, from its relief, and each border along
    which a bead runs. The line on the tissue is measured as :func:`~blockout.check.margins.
    margin_gap` says. Without teeth there is nothing to measure to, and the answer is empty.

    Raises
    ------
    InputError
        Points off the cast, or too few.
    """
    gaps = []
    for name, points in _borders(prescription) if teeth is not None else ():
        gap = margin_gap(surface_curve(cast.mesh, points, name=name).points_mm, teeth)
        if gap is not None:
            gaps.append((name, gap))
    return tuple(gaps)


def border_warnings(
    cast: Cast,
    teeth: MarginedTeeth | None,
    prescription: Prescription,
    *,
    settings: BorderSettings | None = None,
) -> tuple[TradeWarning, ...]:
    """``border_near_margin``: a connector's border nearer to a gingival margin than 6 mm on an
    upper cast (published) or 3 mm on a lower one (published, sources differ: 3 or 4 mm).

    Its places are the border's nearest point and the margin's.

    Raises
    ------
    InputError
        Points off the cast, or too few.
    """
    settings = settings or BorderSettings()
    upper = cast.arch == "upper"
    limit_mm = settings.upper_from_margin_mm if upper else settings.lower_from_margin_mm
    assumed = "" if cast.arch_stated else " (lower arch assumed: say --arch lower or --arch upper)"
    return tuple(
        TradeWarning(
            "border_near_margin",
            f"The {name} comes to {gap.distance_mm:.2f} mm from the gingival margin of tooth "
            f"{gap.tooth}, under {limit_mm:g} ({_KEEPS[cast.arch]}){assumed}: move it away from "
            "the margin, or cover the tooth's neck with a plate.",
            (gap.line_at_mm, gap.margin_at_mm),
        )
        for name, gap in border_gaps(cast, teeth, prescription)
        if gap.distance_mm < limit_mm - _READ_MM
    )


def _borders(prescription: Prescription) -> Iterator[tuple[str, tuple[Place, ...]]]:
    """The lines that are a connector's border, each with what it is called."""
    for relief in prescription.relief:
        if relief.over == "lingual bar":
            yield f"upper border of the {relief.name or 'lingual bar'}", relief.upper_border
    for bead in prescription.bead:
        yield f"border along the {bead.name or 'bead'}", bead.line
