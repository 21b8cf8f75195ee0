"""Warnings of the trade: codes for machines, sentences for people."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blockout.case.settings import PathSettings
from blockout.surveying.reading import Reading
from blockout.wax.wax import Wax

_AT_FLOOR_MM = 0.01
_FELT_MM = 0.1  # ours: a few times what stops a framework that a scan and a print can show


@dataclass(frozen=True)
class TradeWarning:
    """One thing to look at before the result is used.

    Parameters
    ----------
    code : str
        Stable, lower case, words joined by ``_``.
    message : str
        One sentence with the measured value, the limit and what to do.
    places_mm : tuple of (x, y, z)
        File coordinates; empty where it has no one place.
    """

    code: str
    message: str
    places_mm: tuple[tuple[float, float, float], ...] = ()


def survey_warnings(survey: Reading, *, path: PathSettings) -> tuple[TradeWarning, ...]:
    """What a survey warns of.

    ``steep_path``: tilted further than ``path.warn_tilt_deg`` (common practice, no source).
    ``arch_assumed``: a lateral tilt was given, but nobody said which side is the patient's right.
    ``noise_depth``: undercuts are left alone that a rigid part would feel.
    """
    found = []
    if survey.path.tilt_deg > path.warn_tilt_deg:
        found.append(
            TradeWarning(
                "steep_path",
                f"The path is tilted {survey.path.tilt_deg:.1f} degrees from the occlusal plane's "
                f"normal, over {path.warn_tilt_deg:g}: undercut made by tilt alone does not hold a "
                "framework. Lay the cast nearer to level, or look again at what holds.",
            )
        )
    if not survey.cast.arch_stated and abs(survey.path.lateral_tilt_deg) > 1e-9:
        found.append(
            TradeWarning(
                "arch_assumed",
                "A lateral tilt lowers the patient's right side, and which side that is depends "
                "on the arch: taken for a lower one. Say --arch lower or --arch upper.",
            )
        )
    if survey.noise_depth_mm >= _FELT_MM and survey.shallow.any():
        found.append(
            TradeWarning(
                "noise_depth",
                f"Undercuts shallower than {survey.noise_depth_mm:.2f} mm were left alone, "
                f"{int(survey.shallow.sum())} patches of them; the scan's noise is estimated at "
                f"{1000.0 * survey.cast.noise_mm:.0f} um. Metal may bind there: scan again, or say "
                "--noise-depth.",
            )
        )
    return tuple(found)


def wax_warnings(survey: Reading, waxes: Sequence[Wax]) -> tuple[TradeWarning, ...]:
    """What wax parts warn of.

    ``wax_past_land``: wax runs past the land down to the floor.
    ``no_undercut``: nothing is undercut along this path.
    """
    found = []
    if not survey.ceilings.patch_count:
        found.append(
            TradeWarning(
                "no_undercut",
                "Nothing is undercut along this path: there is nothing to block out, and nothing "
                "to hold a clasp.",
            )
        )
    cast = survey.cast
    for wax in waxes:
        if wax.mesh is None:
            continue
        height_mm = cast.frame.points_to_cast(wax.mesh.vertices)[:, 2] - cast.floor_mm
        low = np.flatnonzero(height_mm < _AT_FLOOR_MM)
        if len(low):
            x, y, z = (float(value) for value in wax.mesh.vertices[low[0]])
            found.append(
                TradeWarning(
                    "wax_past_land",
                    f"The {wax.name} wax runs past the land down to the floor of the base; a wider "
                    "land (--land) or a smaller tilt would end it on the land.",
                    ((x, y, z),),
                )
            )
    return tuple(found)
