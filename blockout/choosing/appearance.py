"""Appearance: where the survey line of front teeth lies, and what gap faces the front.

*Height of the line.* Each labial face is read in columns along the crown's own axis, from 0 at the
gingival margin to 1 at the incisal edge. The survey line of a column is its highest place below
which the surface looks down along the path; 0 where it never does. A clasp follows the survey line:
in the gingival third it is hardly seen, in the incisal third it is seen and looks long.

*Gap.* Beside a missing tooth the blockout under a front tooth's proximal bulge leaves a dark gap
between the tooth and what replaces its neighbour. It is measured as it is seen from the front,
square to the path: between the tooth's outline and the line along the path that touches it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.case.arm_settings import End
from blockout.case.choosing_settings import ChoosingSettings
from blockout.choosing.crown_wall import crown_wall
from blockout.mesh import Floats, Mesh
from blockout.teeth.crowns import Crown, Teeth
from blockout.teeth.numbers import is_anterior

_COLUMNS: Final = 11
_ROWS: Final = 48
_WIDEST_RAD: Final = np.radians(40.0)
_LEVEL_MM: Final = 0.1
_PARTS: Final = 3
"""Each edge of a facet is divided into so many, for places close together."""
_TOP_LEFT: Final = 0.03
"""The uppermost share of a column is the edge itself, which looks up."""


@dataclass(frozen=True, eq=False)
class FrontSide:
    """A proximal surface of a front tooth that faces a gap: its end, places close together on it,
    (k, 3), and the way it looks.
    """

    end: End
    points_mm: Floats
    outward: Floats


@dataclass(frozen=True, eq=False)
class FrontTooth:
    """A front tooth.

    Parameters
    ----------
    tooth : int
    normals : (c, r, 3) float
        Of its labial face, column by column from the margin up; nan where there is no wall.
    share : (c, r) float
        Height of each place from margin to edge.
    sides : tuple of FrontSide
        Its proximal surfaces that face a gap.
    """

    tooth: int
    normals: Floats
    share: Floats
    sides: tuple[FrontSide, ...]


@dataclass(frozen=True)
class FrontLook:
    """One front tooth along a path.

    Parameters
    ----------
    tooth : int
    line_share : float
        Mean height of the survey line, 0 at the margin to 1 at the incisal edge.
    in_incisal_third_share : float
        Share of the labial face's width over which the line lies in the incisal third.
    gap_mm2 : float or None
        Seen from the front; None where no side of the tooth faces a gap.
    """

    tooth: int
    line_share: float
    in_incisal_third_share: float
    gap_mm2: float | None


@dataclass(frozen=True)
class Appearance:
    """All front teeth along one path."""

    teeth: tuple[FrontLook, ...]

    @property
    def line_share(self) -> float:
        return float(np.mean([tooth.line_share for tooth in self.teeth]))

    @property
    def gap_mm2(self) -> float:
        return sum(tooth.gap_mm2 or 0.0 for tooth in self.teeth)


def front_teeth_of(
    mesh: Mesh,
    teeth: Teeth | None,
    settings: ChoosingSettings,
    *,
    facing_gaps: Sequence[tuple[int, End]],
) -> tuple[FrontTooth, ...]:
    """The teeth that are marked, or the incisors and canines that stand.

    Raises
    ------
    InputError
        A tooth that is not on the cast.
    """
    if teeth is None:
        return ()
    marked = settings.front_teeth or [n for n in teeth.numbers if is_anterior(n)]
    found = [_front_tooth(mesh, teeth.crown(number), facing_gaps) for number in marked]
    return tuple(tooth for tooth in found if tooth is not None)


def _front_tooth(
    mesh: Mesh, crown: Crown, facing_gaps: Sequence[tuple[int, End]]
) -> FrontTooth | None:
    wall = crown_wall(mesh, crown, buccal=True, far_mesial=True)
    low, high = wall.heights_mm
    azimuth = np.linspace(-_WIDEST_RAD, _WIDEST_RAD, _COLUMNS)
    fine = np.linspace(low, high, 4 * _ROWS)
    seen, _ = wall.at(np.repeat(azimuth, len(fine)), np.tile(fine, _COLUMNS))
    known = np.isfinite(seen[:, 0]).reshape(_COLUMNS, len(fine))
    columns = np.flatnonzero(known.sum(axis=1) > _ROWS // 4)
    if not len(columns):
        return None
    share = np.linspace(0.0, 1.0 - _TOP_LEFT, _ROWS)
    feet = fine[known[columns].argmax(axis=1)]
    tops = fine[known.shape[1] - 1 - known[columns][:, ::-1].argmax(axis=1)]
    height = feet[:, None] + share * (tops - feet)[:, None]
    _, normals = wall.at(np.repeat(azimuth[columns], _ROWS), height.reshape(-1))
    return FrontTooth(
        tooth=crown.number,
        normals=normals.reshape(len(columns), _ROWS, 3),
        share=np.broadcast_to(share, height.shape).copy(),
        sides=tuple(
            _side(mesh, crown, end)
            for number, end in facing_gaps
            if number == crown.number and len(crown.faces_of(end))
        ),
    )


def _side(mesh: Mesh, crown: Crown, end: End) -> FrontSide:
    face = crown.faces_of(end)
    i, j = np.divmod(np.arange((_PARTS + 1) ** 2), _PARTS + 1)
    i, j = i[i + j <= _PARTS], j[i + j <= _PARTS]
    weights = np.column_stack([_PARTS - i - j, i, j]) / _PARTS
    points = np.einsum("pk,fkx->fpx", weights, mesh.corners[face]).reshape(-1, 3)
    return FrontSide(end, points, mesh.face_crosses[face].sum(axis=0))


def read_appearance(
    fronts: Sequence[FrontTooth], direction: Floats, *, front: Floats
) -> Appearance | None:
    """The front teeth along one path; None where there are none.

    Parameters
    ----------
    direction, front : (3,) unit vectors
        Of removal, and anterior; file coordinates.
    """
    if not fronts:
        return None
    return Appearance(tuple(_look(tooth, direction, front) for tooth in fronts))


def _look(tooth: FrontTooth, direction: Floats, front: Floats) -> FrontLook:
    line = line_heights(tooth.normals @ direction, tooth.share)
    gaps = [_gap_mm2(side, direction, front) for side in tooth.sides]
    return FrontLook(
        tooth=tooth.tooth,
        line_share=float(line.mean()),
        in_incisal_third_share=float((line > 2.0 / 3.0).mean()),
        gap_mm2=sum(gaps) if gaps else None,
    )


def line_heights(lean: Floats, share: Floats) -> Floats:
    """(c,) height of the survey line of each column, from the lean (c, r) of its places: the part
    of the unit normal along the path, negative where the surface looks down.
    """
    down = lean < 0.0
    rows = lean.shape[1]
    top = rows - 1 - down[:, ::-1].argmax(axis=1)
    column = np.arange(len(lean))
    at_end = top == rows - 1
    above = np.where(at_end, top, top + 1)
    a, b = lean[column, top], lean[column, above]
    part = np.where(at_end | ~np.isfinite(b), 0.0, -a / np.where(b - a > 1e-12, b - a, 1.0))
    height = share[column, top] + np.clip(part, 0.0, 1.0) * (
        share[column, above] - share[column, top]
    )
    height = np.where(at_end, 1.0, height)
    return np.where(down.any(axis=1), height, 0.0)


def _gap_mm2(side: FrontSide, direction: Floats, front: Floats) -> float:
    """Area between a side's outline seen from the front and the line along the path that touches
    it, below that touch.
    """
    view = front - direction * float(front @ direction)
    across = np.cross(direction, view / np.linalg.norm(view))
    if float(across @ side.outward) < 0.0:
        across = -across
    return shade_mm2(side.points_mm @ across, side.points_mm @ direction)


def shade_mm2(out_mm: Floats, tall_mm: Floats) -> float:
    """Area under an outline's overhang, from places (k,) by how far out and how high they are."""
    level = np.floor((tall_mm - tall_mm.min()) / _LEVEL_MM).astype(np.int64)
    reach = np.full(int(level.max()) + 1, -np.inf)
    np.maximum.at(reach, level, out_mm)
    known = np.flatnonzero(np.isfinite(reach))
    reach = np.interp(np.arange(len(reach)), known, reach[known])
    touch = np.maximum.accumulate(reach[::-1])[::-1]
    return float((touch - reach).sum() * _LEVEL_MM)
