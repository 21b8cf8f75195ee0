"""The sides of a crown: mesial, distal, buccal, lingual, occlusal; and what the mouth calls them.

A crown's own axes come from the curve of the arch, whose direction beside the crown is
mesiodistal, and from the crown's own stance. Sides are told apart square to the crown's axis: what
lies under a bulge belongs to the same side as the bulge.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from blockout.mesh import Floats, Ints, Mesh, connected_faces
from blockout.teeth.arch_curve import ArchCurve
from blockout.teeth.numbers import arch_of, is_anterior, is_right

Aspect = Literal["mesial", "distal", "buccal", "lingual", "occlusal"]
ASPECTS: Final[tuple[Aspect, ...]] = ("mesial", "distal", "buccal", "lingual", "occlusal")

MESIAL, DISTAL, BUCCAL, LINGUAL, OCCLUSAL = range(5)

_FLAT_COS: Final = float(np.cos(np.radians(50.0)))
"""Surface that looks up within this of the crown's axis may be occlusal."""
_TABLE_FROM: Final = 0.45
"""The occlusal surface of a back tooth lies above this share of the crown's height."""
_EDGE_FROM: Final = 0.80
"""The incisal edge of a front tooth lies above this share."""
_WALL_COS: Final = 0.7
"""Walls of a crown lean less than 45 degrees from its axis."""
_UPRIGHT_TRUST: Final = 0.1
_AXIS_ROUNDS: Final = 4
_TILT_MOST_DEG: Final = 45.0
_LOOKS_BACK: Final = 1.0
_LOOKS_FRONT: Final = 2.0
"""How much the way a face looks says of its side, against its place: most on front teeth, whose
sides lean over one another."""
_BLUR_ROUNDS: Final = 6
_SPECK_SHARE: Final = 0.03
_SPECK_ROUNDS: Final = 4
_EDGE_PERCENT: Final = 2.0
"""Share of the surface beyond the crown's widths as they are measured, in hundredths."""


def aspect_word(aspect: Aspect, tooth: int) -> str:
    """What the aspect is called on this tooth.

    >>> aspect_word("buccal", 11), aspect_word("lingual", 16), aspect_word("occlusal", 43)
    ('labial', 'palatal', 'incisal')
    """
    if aspect == "buccal" and is_anterior(tooth):
        return "labial"
    if aspect == "lingual" and arch_of(tooth) == "upper":
        return "palatal"
    if aspect == "occlusal" and is_anterior(tooth):
        return "incisal"
    return aspect


def aspect_named(word: str, tooth: int) -> Aspect | None:
    """The aspect that a word of the mouth means on this tooth; None where it means none."""
    plain = word.strip().lower()
    for aspect in ASPECTS:
        if plain in (aspect, aspect_word(aspect, tooth)):
            return aspect
    return None


@dataclass(frozen=True, eq=False)
class Stance:
    """Where a crown is and how it stands, file coordinates.

    Parameters
    ----------
    centre_mm : (3,) float
        Middle of the crown's extent along its axes.
    axes : (3, 3) float
        Rows: mesial, buccal and occlusal unit directions, square to each other. Right-handed on one
        side of the arch, left-handed on the other.
    half_mm : (3,) float
        Half the crown's extent along each.
    """

    centre_mm: Floats
    axes: Floats
    half_mm: Floats


def stance_of(crown: Mesh, *, number: int, curve: ArchCurve, to_cast: Floats, up: Floats) -> Stance:
    """Centre and axes of a crown.

    Parameters
    ----------
    crown : Mesh
        Its faces, file coordinates, open at the margin.
    number : int
    curve : ArchCurve
    to_cast : (4, 4) float
        The cast's frame: cast frame to file coordinates.
    up : (3,) unit vector
        Occlusal direction of the cast, file coordinates.
    """
    middle = np.average(crown.face_centres, axis=0, weights=crown.face_areas_mm2)
    turn, shift = to_cast[:3, :3], to_cast[:3, 3]
    flat = ((middle - shift) @ turn)[:2]
    along = curve.toward_left(flat[None])[0]
    mesial = np.array([*along, 0.0]) if is_right(number) else -np.array([*along, 0.0])
    outward = np.array([*(flat - curve.middle_mm), 0.0])
    mesial, outward = turn @ mesial, turn @ outward
    occlusal = _occlusal_axis(crown, up)
    mesial = mesial - occlusal * float(mesial @ occlusal)
    mesial /= np.linalg.norm(mesial)
    buccal = np.cross(occlusal, mesial)
    if float(buccal @ outward) < 0.0:
        buccal = -buccal
    axes = np.stack([mesial, buccal, occlusal])
    own = crown.face_centres @ axes.T
    low, high = (
        _percentile(own, crown.face_areas_mm2, share)
        for share in (_EDGE_PERCENT, 100.0 - _EDGE_PERCENT)
    )
    return Stance(axes.T @ ((low + high) / 2.0), axes, np.maximum((high - low) / 2.0, 1e-6))


def _occlusal_axis(crown: Mesh, up: Floats) -> Floats:
    """The direction that the crown's walls run along most nearly, with a liking for the cast's
    occlusal direction, since walls also converge.

    On sample casts it lies within 10 degrees of the crown's axis, 4 typically; the normal of the
    margin would be 20 off, since a margin runs lower beside a gap.
    """
    axis = up
    aside = _UPRIGHT_TRUST * (np.eye(3) - np.outer(up, up))
    for _ in range(_AXIS_ROUNDS):
        wall = np.abs(crown.face_normals @ axis) < _WALL_COS
        area = crown.face_areas_mm2[wall]
        if not area.sum() > 0.0:
            return up
        normals = crown.face_normals[wall]
        spread = (normals * area[:, None]).T @ normals / area.sum()
        _, vectors = np.linalg.eigh(spread + aside)
        axis = vectors[:, 0] if float(vectors[:, 0] @ up) >= 0.0 else -vectors[:, 0]
    lean = float(np.arccos(np.clip(axis @ up, -1.0, 1.0)))
    most = np.radians(_TILT_MOST_DEG)
    if lean > most:
        beside = axis - up * float(axis @ up)
        axis = np.cos(most) * up + np.sin(most) * beside / np.linalg.norm(beside)
    return np.asarray(axis, dtype=np.float64)


def _percentile(values: Floats, weight: Floats, percent: float) -> Floats:
    """Of each column, by weight."""
    found = np.empty(values.shape[1])
    for column in range(values.shape[1]):
        order = np.argsort(values[:, column], kind="stable")
        share = np.cumsum(weight[order])
        at = np.searchsorted(share, percent / 100.0 * share[-1])
        found[column] = values[order[min(int(at), len(order) - 1)], column]
    return found


def aspects_of(crown: Mesh, stance: Stance, *, number: int) -> NDArray[np.int8]:
    """(m,) index into :data:`ASPECTS` for each face of a crown.

    The walls are four sectors around the crown's axis, parted at its line angles. A face's sector
    is that of its place, as a share of the crown's widths, and of the way it looks, together: by
    the place alone the inner side of a leaning front tooth would lie outward of its edge, by the
    looks alone every groove would break a side up. Occlusal is what looks up, or inward, near the
    top; of a front tooth only the incisal edge. Patches too small to be a side go to the side
    around them.
    """
    own = (crown.face_centres - stance.centre_mm) @ stance.axes.T / stance.half_mm
    looks = crown.face_normals @ stance.axes.T
    front = is_anterior(number)
    outward = own[:, :2] + (_LOOKS_FRONT if front else _LOOKS_BACK) * looks[:, :2]
    blurred = _blurred(crown, np.column_stack([outward, looks[:, 2]]))
    along, across, up = blurred.T
    side = np.where(
        np.abs(across) >= np.abs(along),
        np.where(across >= 0.0, BUCCAL, LINGUAL),
        np.where(along >= 0.0, MESIAL, DISTAL),
    )
    height = (own[:, 2] + 1.0) / 2.0
    if front:
        top = (up >= _FLAT_COS) & (height >= _EDGE_FROM)
    else:
        inward = (looks[:, :2] * own[:, :2]).sum(axis=1) < 0.0
        top = ((up >= _FLAT_COS) | (inward & (up > 0.0))) & (height >= _TABLE_FROM)
    return _without_specks(crown, np.where(top, OCCLUSAL, side)).astype(np.int8)


def _blurred(crown: Mesh, values: Floats) -> Floats:
    """Each face the mean of itself and its neighbours by area, a few times over."""
    across = crown.face_neighbours
    area = crown.face_areas_mm2 + 1e-12
    weight = np.where(across >= 0, area[across], 0.0)
    total = area + weight.sum(axis=1)
    for _ in range(_BLUR_ROUNDS):
        around = (weight[:, :, None] * values[across]).sum(axis=1)
        values = (area[:, None] * values + around) / total[:, None]
    return values


def _without_specks(crown: Mesh, aspect: Ints) -> Ints:
    """Connected patches of an aspect under a share of the crown's area take the aspect that most of
    their border lies on.
    """
    across = crown.face_neighbours
    area = crown.face_areas_mm2
    aspect = aspect.copy()
    for _ in range(_SPECK_ROUNDS):
        same = np.where((across >= 0) & (aspect[across] == aspect[:, None]), across, -1)
        patch = connected_faces(same)
        size = np.bincount(patch, area)
        speck = size[patch] < _SPECK_SHARE * area.sum()
        # a side's largest patch stays however small it is
        largest = np.zeros(len(size), dtype=bool)
        for kind in np.unique(aspect):
            mine = np.unique(patch[aspect == kind])
            largest[mine[np.argmax(size[mine])]] = True
        speck &= ~largest[patch]
        border = speck[:, None] & (across >= 0) & (patch[across] != patch[:, None])
        if not border.any():
            break
        row, edge = np.nonzero(border)
        votes = np.zeros((len(size), len(ASPECTS)))
        np.add.at(votes, (patch[row], aspect[across[row, edge]]), 1.0)
        settled = speck & (votes.sum(axis=1) > 0.0)[patch]
        aspect[settled] = votes.argmax(axis=1)[patch[settled]]
    return aspect
