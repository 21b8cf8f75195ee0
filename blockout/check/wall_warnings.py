"""Walls too thin to stand, and air shut in, in the model that is to be printed or duplicated."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.cast.change import place_of
from blockout.check.walls import thin_walls
from blockout.check.warnings import TradeWarning
from blockout.errors import Place
from blockout.mesh import Ints, Mesh
from blockout.tolerances import TOLERANCES, Tolerances
from blockout.wax.wax import Wax

LEAST_WALL_MM: Final = 1.0
"""Common practice, no source: a thinner wall of a model breaks."""
FILLED_LEAST_MM3: Final = 1.0
"""Ours: filling less shut-in air than this, a cube of 1 mm, is only noted."""
_PLACES: Final = 20


def wall_warnings(model: Mesh, *, least_mm: float = LEAST_WALL_MM) -> tuple[TradeWarning, ...]:
    """``thin_wall``: the model's wall is thinner than ``least_mm`` (1 mm, common practice) over a
    patch about 2 mm wide; see :func:`~blockout.check.walls.thin_walls` for what a wall is.

    Its places are the thinnest spot of each patch, thinnest first.
    """
    walls = thin_walls(model, limit_mm=least_mm)
    if not walls:
        return ()
    more = "" if len(walls) == 1 else f", and thin in {len(walls)} places in all"
    return (
        TradeWarning(
            "thin_wall",
            f"The model's wall is {walls[0].thickness_mm:.2f} mm thick, under {least_mm:g}, over "
            f"{walls[0].area_mm2:.0f} mm2 near {_said(walls[0].at_mm)}{more}: it may break; trim "
            "the scan there, or make it thicker with wax.",
            tuple(wall.at_mm for wall in walls[:_PLACES]),
        ),
    )


@dataclass(frozen=True)
class Void:
    """A hollow inside a solid that nothing leads to.

    Parameters
    ----------
    volume_mm3 : float
        Anything that floats in it counted in.
    centre_mm : (x, y, z)
    """

    volume_mm3: float
    centre_mm: Place


def find_voids(mesh: Mesh) -> tuple[Void, ...]:
    """Voids of a closed solid, largest first: each shell of its surface that has its outside in.

    The volume is that which the shell encloses, by the divergence theorem: exact to the facets.
    """
    return _enclosed(mesh, -1.0)


def void_warnings(
    model: Mesh, waxes: Sequence[Wax] = (), *, tolerances: Tolerances = TOLERANCES
) -> tuple[TradeWarning, ...]:
    """``trapped_volume``: a void stays in the model, or air that wax shut in was filled.

    Parameters
    ----------
    model : Mesh
        As it is written.
    waxes : sequence of Wax
        All wax; the part ``pockets``, where there is one, is what filled the shut-in air.

    A void counts from ``tolerances.pocket_mm3`` on: in it resin or wax would stay. Filled air is
    nothing that is left to do, and is warned of only where a piece is 1 mm3 or more (ours), since
    the model then is not what the prescription alone describes.
    """
    found = []
    voids = [void for void in find_voids(model) if void.volume_mm3 >= tolerances.pocket_mm3]
    if voids:
        found.append(
            TradeWarning(
                "trapped_volume",
                f"The model shuts in {_counted(voids, 'void')}: resin or wax cannot leave; fill "
                "the scan's hollow, or open it with a vent.",
                tuple(void.centre_mm for void in voids[:_PLACES]),
            )
        )
    for wax in waxes:
        if wax.name != "pockets" or wax.mesh is None:
            continue
        filled = [
            piece for piece in _enclosed(wax.mesh, 1.0) if piece.volume_mm3 >= FILLED_LEAST_MM3
        ]
        if filled:
            found.append(
                TradeWarning(
                    "trapped_volume",
                    f"Cast and wax shut in {_counted(filled, 'pocket', ' of air')}, over "
                    f"{FILLED_LEAST_MM3:g} mm3; the model has it filled: look whether it is to be "
                    "so, or change the wax around it.",
                    tuple(piece.centre_mm for piece in filled[:_PLACES]),
                )
            )
    return tuple(found)


def _counted(voids: Sequence[Void], word: str, what: str = "") -> str:
    total_mm3 = sum(void.volume_mm3 for void in voids)
    largest = voids[0]
    if len(voids) == 1:
        return f"a {word}{what} of {total_mm3:.2f} mm3 near {_said(largest.centre_mm)}"
    return (
        f"{len(voids)} {word}s{what} of {total_mm3:.2f} mm3, the largest of "
        f"{largest.volume_mm3:.2f} mm3 near {_said(largest.centre_mm)}"
    )


def _enclosed(mesh: Mesh, sign: float) -> tuple[Void, ...]:
    """Pieces of the surface whose enclosed volume has this sign, largest first."""
    if not mesh.triangle_count:
        return ()
    piece: Ints = mesh.face_components()
    corners = mesh.corners - mesh.centre
    sixfold = np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2]))
    volume = np.bincount(piece, sixfold) / 6.0
    # centre of gravity: of the tetrahedra from the box's centre to each face
    moment = np.stack(
        [np.bincount(piece, sixfold * corners[:, :, k].sum(axis=1)) for k in range(3)], axis=1
    )
    chosen = np.flatnonzero(sign * volume > 0.0)
    chosen = chosen[np.argsort(-np.abs(volume[chosen]), kind="stable")]
    return tuple(
        Void(float(abs(volume[one])), place_of(mesh.centre + moment[one] / (24.0 * volume[one])))
        for one in chosen
    )


def _said(place: Place) -> str:
    x, y, z = (round(value, 2) + 0.0 for value in place)  # no minus zero
    return f"({x:.2f}, {y:.2f}, {z:.2f})"
