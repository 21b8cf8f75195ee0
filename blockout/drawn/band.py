"""Bands on a surface: what lies within a width to each side of a line, measured along it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.cast.change import place_of
from blockout.drawn.curve import (
    SurfaceCurve,
    joined_curve,
    on_surface,
    points_along,
    surface_curve,
)
from blockout.drawn.trace import SectionWalk
from blockout.errors import InputError
from blockout.mesh import Floats, Mesh

_KNOT_MM: Final = 1.0
"""The sides of a band are splines through points this far apart: noise does not show in them."""


@dataclass(frozen=True, eq=False)
class Band:
    """The outline of a band and the four lines it is made of, each open.

    The outline runs along the right side with the line, across at its end, back along the left
    side, and across at its start.
    """

    outline: SurfaceCurve
    right: SurfaceCurve
    at_end: SurfaceCurve
    left: SurfaceCurve
    at_start: SurfaceCurve


def band_around(mesh: Mesh, line: SurfaceCurve, *, width_mm: float, name: str = "band") -> Band:
    """The band within ``width_mm`` to each side of an open line.

    From each point the surface is followed square to the line, in a plane, for that length.

    Raises
    ------
    InputError
        The surface ends before the width is reached.
    """
    walk = SectionWalk(mesh)
    spaced = max(2, round(line.length_mm / _KNOT_MM) + 1)
    at = np.unique(
        np.abs(line.along_mm[:, None] - np.linspace(0.0, line.length_mm, spaced)).argmin(0)
    )
    ahead = _evened(line.tangents, round(_KNOT_MM / max(line.length_mm / len(line.face), 1e-6)))
    # right and left seen from outside with the line running away from the eye
    reach = np.array([-width_mm, -width_mm / 2.0, width_mm / 2.0, width_mm])
    rows = np.full((len(at), len(reach), 3), np.nan)
    for j, k in enumerate(at):
        side = np.cross(ahead[k], line.normals[k])
        for sign in (-1.0, 1.0):
            lengths = reach[np.sign(reach) == sign] * sign
            found = walk.along(
                line.points_mm[k], int(line.face[k]), across=ahead[k], toward=sign * side,
                lengths_mm=np.sort(lengths),
            )  # fmt: skip
            if found is None:
                raise InputError(
                    f"the {name} runs off the surface",
                    measured=f"no surface within {width_mm:g} mm beside its line",
                    places_mm=[place_of(line.points_mm[k])],
                    fix="Make it narrower, or move its line.",
                )
            columns = (2, 3) if sign > 0 else (1, 0)
            rows[j, columns[0]], rows[j, columns[1]] = found
    right = surface_curve(mesh, rows[:, 3], name=name)
    left = surface_curve(mesh, rows[::-1, 0], name=name)
    at_end = _across(mesh, rows[-1, ::-1], line.points_mm[-1], name)
    at_start = _across(mesh, rows[0], line.points_mm[0], name)
    outline = joined_curve([right, at_end, left, at_start])
    return Band(outline, right, at_end, left, at_start)


def _across(mesh: Mesh, row: Floats, middle: Floats, name: str) -> SurfaceCurve:
    """A curve across the line through the points of one row, its middle put in."""
    return surface_curve(mesh, np.vstack([row[:2], middle, row[2:]]), name=name)


def _evened(directions: Floats, over: int) -> Floats:
    """Unit directions along a line, each the mean of its neighbours."""
    evened = directions.copy()
    for _ in range(max(1, over)):
        padded = np.vstack([evened[:1], evened, evened[-1:]])
        evened = padded[:-2] + 2.0 * padded[1:-1] + padded[2:]
        evened /= np.linalg.norm(evened, axis=1, keepdims=True)
    unit: Floats = evened
    return unit


def strip_between(
    mesh: Mesh, upper: SurfaceCurve, lower: SurfaceCurve, *, share: float = 1.0, name: str = "strip"
) -> Band:
    """What lies between two lines that run the same way, from the lower one up to a share of the
    way to the upper one. The lower line is the band's right side.
    """
    count = max(3, round(max(upper.length_mm, lower.length_mm) / _KNOT_MM) + 1)
    part = np.linspace(0.0, 1.0, count)
    high = points_along(upper, part * upper.length_mm)
    low = points_along(lower, part * lower.length_mm)
    if share < 1.0:
        high = on_surface(mesh, low + share * (high - low), closed=False).points_mm
        upper = surface_curve(mesh, high, name=name)
    left = upper.reversed()
    at_end = _joint(mesh, lower.points_mm[-1], left.points_mm[0], name)
    at_start = _joint(mesh, left.points_mm[-1], lower.points_mm[0], name)
    outline = joined_curve([lower, at_end, left, at_start])
    return Band(outline, lower, at_end, left, at_start)


def _joint(mesh: Mesh, start: Floats, end: Floats, name: str) -> SurfaceCurve:
    steps = max(2, round(float(np.linalg.norm(end - start)) / _KNOT_MM) + 1)
    straight = start + np.linspace(0.0, 1.0, steps)[:, None] * (end - start)
    return surface_curve(mesh, straight, name=name, limit_mm=3.0)
