"""The cast from above with its tripod marks, as on the surveying table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.spatial import cKDTree

from blockout.cast.cast import Cast
from blockout.mesh import Bools, Floats
from blockout.report.colours import BASE, INK, PLASTER, Colour
from blockout.report.pictures import Picture, draw_bodies
from blockout.report.scene import Body, Line, face_paint
from blockout.report.sheet import Entry, Stroke, Swatch, Text
from blockout.report.view import bench_view

if TYPE_CHECKING:
    from blockout.recording.tripod import Tripod

MARK: Final[Colour] = (0.74, 0.13, 0.16)
DESIGN: Final[Colour] = (0.60, 0.72, 0.80)
_RING_MM: Final = 1.6
_ARM_MM: Final = 2.6
_DIGIT_MM: Final = 3.2
_DIGITS: Final[dict[int, tuple[tuple[float, float], ...]]] = {
    1: ((0.0, 0.75), (0.3, 1.0), (0.3, 0.0)),
    2: ((0.0, 0.8), (0.15, 1.0), (0.45, 1.0), (0.6, 0.8), (0.6, 0.65), (0.0, 0.0), (0.6, 0.0)),
    3: (
        (0.0, 1.0), (0.6, 1.0), (0.25, 0.6), (0.5, 0.6), (0.6, 0.4), (0.6, 0.2), (0.45, 0.0),
        (0.15, 0.0), (0.0, 0.15),
    ),
}  # fmt: skip
"""Digits as strokes in a box one high."""


def draw_tripod(
    cast: Cast,
    tripod: Tripod,
    *,
    design_faces: Bools | None = None,
    design_mm: Floats | None = None,
    size_px: tuple[int, int] = (1200, 900),
) -> Picture:
    """The cast from above, along the path: its three marks, numbered, their triangle, and the area
    of the design that they keep away from.

    Parameters
    ----------
    cast : Cast
    tripod : Tripod
    design_faces : (m,) bool, optional
        Faces of the cast that the design covers.
    design_mm : (k, 3), optional
        Points of the design.
    size_px : (width, height)
    """
    path = tripod.path
    view = bench_view(
        "occlusal",
        frame=cast.frame,
        direction=path.direction,
        arch=cast.arch,
        arch_stated=cast.arch_stated,
    )
    tones = np.where(cast.scanned[:, None], PLASTER, BASE)
    covered = _covered(cast, design_faces, design_mm)
    tones = np.where(covered[:, None], DESIGN, tones)
    # drawn over everything: seen along the path nothing stands before a mark
    above_mm = float((cast.mesh.vertices @ view.toward).max()) + 1.0
    lines = []
    raised = [mark + (above_mm - float(mark @ view.toward)) * view.toward
              for mark in tripod.marks_mm]  # fmt: skip
    lines.append(Line(np.array([*raised, raised[0]]), True, MARK, 1.4, (7.0, 5.0)))
    for number, mark in enumerate(raised, start=1):
        lines += _signs(mark, number, view.right, view.up)
    error = tripod.error
    legend: list[Entry] = [
        Stroke("tripod mark", MARK, 2.6),
        Stroke("their triangle", MARK, 1.4, (7.0, 5.0)),
        Swatch("cast", PLASTER),
        Swatch("base", BASE),
    ]
    if covered.any():
        legend.append(Swatch("the design", DESIGN))
    for number, (mark, height) in enumerate(
        zip(tripod.marks_mm, tripod.heights_mm, strict=True), start=1
    ):
        legend.append(Text(f"{number}: {', '.join(f'{value:.2f}' for value in mark)} mm"))
        legend.append(Text(f"   {height:.1f} mm from the others' line", faint=True))
    arch = f"{cast.arch} cast" + ("" if cast.arch_stated else " (assumed)")
    return draw_bodies(
        (Body(cast.mesh, face_paint(tones)),),
        view=view,
        heading=f"Tripod marks. {view.title}",
        lines=lines,
        words=(
            f"{arch}, anterior tilt {path.anterior_tilt_deg:.1f}°, lateral tilt "
            f"{path.lateral_tilt_deg:.1f}°, path upright",
            f"one mark read wrong by {error.reading_error_mm:g} mm tilts the cast by at most "
            f"{error.one_mark_deg:.2f}°, all three by {error.all_marks_deg:.2f}°",
        ),
        legend=legend,
        size_px=size_px,
    )


def _covered(cast: Cast, faces: Bools | None, points_mm: Floats | None) -> Bools:
    covered = np.zeros(cast.mesh.triangle_count, dtype=bool) if faces is None else faces.copy()
    if points_mm is not None and len(points_mm):
        face = np.flatnonzero(cast.scanned)
        off_mm, _ = cKDTree(points_mm).query(cast.mesh.face_centres[face])
        covered[face[off_mm < 0.5]] = True
    return covered


def _signs(mark: Floats, number: int, right: Floats, up: Floats) -> list[Line]:
    angle = np.linspace(0.0, 2.0 * np.pi, 41)
    ring = mark + _RING_MM * (np.outer(np.cos(angle), right) + np.outer(np.sin(angle), up))
    cross = [np.stack([mark - _ARM_MM * way, mark + _ARM_MM * way]) for way in (right, up)]
    strokes = np.array(_DIGITS[number]) * _DIGIT_MM
    corner = mark + (_RING_MM + 1.0) * right + 0.8 * up
    digit = corner + np.outer(strokes[:, 0], right) + np.outer(strokes[:, 1], up)
    return [
        Line(ring, True, MARK, 2.6),
        *(Line(line, False, MARK, 1.6) for line in cross),
        Line(digit, False, INK, 3.0),
    ]
