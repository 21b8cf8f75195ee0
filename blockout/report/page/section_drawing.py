"""Sections as drawings: what of each outline falls into a frame, in the units of the drawing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.mesh import Floats
from blockout.report.page.section import Section

_BEYOND_MM: Final = 0.1
"""Outlines are cut this far outside the frame, so that no cut edge is seen."""
_WHOLE_MM: Final = 11.0
_NEAR_LEAST_MM: Final = 1.8
_NEAR_MOST_MM: Final = 5.0
_NEAR_DEPTHS: Final = 6.0
_BAR_SHARE: Final = 0.36
_SIDE: Final = 300.0
"""Width and height of a frame, in the units of the drawing."""


@dataclass(frozen=True)
class Shape:
    """One outline in a frame: ``d`` of an SVG path."""

    name: str
    kind: str
    d: str


@dataclass(frozen=True)
class Frame:
    """A square window on a section.

    Parameters
    ----------
    side : float
        Width and height, units of the drawing; y is down.
    shapes : tuple of Shape
    terminal : (x, y)
        The terminal; the dimension starts here.
    wall_x : float or None
        Where the rod stands; None where nothing is undercut.
    contour_y : float or None
        Where the rod touches the height of contour; None outside the frame.
    bar, bar_mm : float
        Length of the scale bar in the drawing, and what it stands for.
    """

    side: float
    shapes: tuple[Shape, ...]
    terminal: tuple[float, float]
    wall_x: float | None
    contour_y: float | None
    bar: float
    bar_mm: float


@dataclass(frozen=True)
class Drawing:
    """Two frames of one section: the tooth's whole flank, and close by the terminal."""

    depth_mm: float
    whole: Frame
    near: Frame
    kinds: tuple[str, ...]


def draw_section(section: Section) -> Drawing:
    """The two frames of a section."""
    near_mm = float(np.clip(_NEAR_DEPTHS * section.depth_mm, _NEAR_LEAST_MM, _NEAR_MOST_MM))
    whole = _frame(section, size_mm=_WHOLE_MM, corner_mm=(-0.66 * _WHOLE_MM, -0.5 * _WHOLE_MM))
    near = _frame(
        section,
        size_mm=near_mm,
        corner_mm=(0.5 * (section.depth_mm - near_mm), -0.5 * near_mm),
    )
    kinds = {shape.kind: None for frame in (whole, near) for shape in frame.shapes}
    return Drawing(section.depth_mm, whole, near, tuple(kinds))


def _frame(section: Section, *, size_mm: float, corner_mm: tuple[float, float]) -> Frame:
    low = np.array(corner_mm)
    high = low + size_mm
    scale = _SIDE / size_mm
    shapes = []
    for outline in section.outlines:
        inside = clipped(outline.points_mm, low=low - _BEYOND_MM, high=high + _BEYOND_MM)
        if len(inside) > 2:
            placed = (inside - [low[0], high[1]]) * [scale, -scale]
            shapes.append(Shape(outline.name, outline.kind, _path(placed)))
    contour_mm = section.contour_mm
    bar_mm = max(step for step in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0) if step <= _BAR_SHARE * size_mm)
    return Frame(
        side=_SIDE,
        shapes=_gathered(shapes),
        terminal=(round(-low[0] * scale, 2), round(high[1] * scale, 2)),
        wall_x=round((section.depth_mm - low[0]) * scale, 2) if section.depth_mm > 0.0 else None,
        contour_y=round((high[1] - contour_mm) * scale, 2)
        if contour_mm is not None and contour_mm < high[1]
        else None,
        bar=round(bar_mm * scale, 2),
        bar_mm=bar_mm,
    )


def _gathered(shapes: list[Shape]) -> tuple[Shape, ...]:
    """One shape for each body: a body's holes are cut out by the even-odd rule."""
    paths: dict[tuple[str, str], list[str]] = {}
    for shape in shapes:
        paths.setdefault((shape.kind, shape.name), []).append(shape.d)
    return tuple(Shape(name, kind, " ".join(d)) for (kind, name), d in paths.items())


def _path(points: Floats) -> str:
    rounded = np.round(points, 2) + 0.0
    kept = np.r_[True, (rounded[1:] != rounded[:-1]).any(axis=1)]
    return "M" + " ".join(f"{x:g} {y:g}" for x, y in rounded[kept]) + "Z"


def clipped(ring_mm: Floats, *, low: Floats, high: Floats) -> Floats:
    """The part of the inside of a closed line (k, 2) that lies in a box, as one closed line; parts
    that hang together only outside run along the box's border.

    Source: Sutherland and Hodgman, Commun. ACM 17 (1974), doi 10.1145/360767.360802.

    >>> square = np.array([[0.0, 0], [4, 0], [4, 4], [0, 4]])
    >>> clipped(square, low=np.array([1.0, 1]), high=np.array([9.0, 2])).tolist()
    [[1.0, 1.0], [4.0, 1.0], [4.0, 2.0], [1.0, 2.0]]
    """
    ring = np.asarray(ring_mm, dtype=np.float64)
    if len(ring) > 1 and (ring[0] == ring[-1]).all():
        ring = ring[:-1]
    for axis, limit, sign in ((0, low[0], 1), (0, high[0], -1), (1, low[1], 1), (1, high[1], -1)):
        if not len(ring):
            break
        over = sign * (ring[:, axis] - limit)
        after, over_after = np.roll(ring, -1, axis=0), np.roll(over, -1)
        crosses = (over >= 0.0) != (over_after >= 0.0)
        share = np.where(crosses, over / np.where(crosses, over - over_after, 1.0), 0.0)
        crossing = ring + share[:, None] * (after - ring)
        # each corner that is kept, then the crossing on the way to the next
        both = np.stack([ring, crossing], axis=1).reshape(-1, 2)
        ring = both[np.stack([over >= 0.0, crosses], axis=1).reshape(-1)]
    # start where the least corner is, so that the same part always gives the same line
    if len(ring):
        ring = np.roll(ring, -int(np.lexsort((ring[:, 0], ring[:, 1]))[0]), axis=0)
    return ring
