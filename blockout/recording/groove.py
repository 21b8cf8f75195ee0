"""What recording cuts into a cast: closed bodies, and what they take away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from blockout.errors import CheckError
from blockout.kernel.solids import Solid
from blockout.mesh import Floats, Mesh, solidity
from blockout.tolerances import TOLERANCES, Tolerances
from blockout.wax.space import Space

GrooveKind = Literal["mark", "scored line"]

_BOX_FACES: Final = np.array(
    [
        [0, 2, 1], [1, 2, 3], [4, 5, 6], [5, 7, 6], [0, 1, 4], [1, 5, 4],
        [2, 6, 3], [3, 6, 7], [0, 4, 2], [2, 4, 6], [1, 3, 5], [3, 7, 5],
    ]
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Groove:
    """A body whose part inside the cast is to be taken away.

    Parameters
    ----------
    name : str
    kind : "mark" or "scored line"
    solid : Solid
        Closed, file coordinates; it stands out of the cast where it is open.
    level_volume_mm3 : float
        What it takes away of an even surface, by closed form.
    deepest_mm : float
        Its greatest depth, as that of its kind is measured.
    ends_mm : (2, 3) float or None
        Where a scored line begins and ends on the cast's side, lower end first; None for a mark.
    notes : tuple of str
    """

    name: str
    kind: GrooveKind
    solid: Solid
    level_volume_mm3: float
    deepest_mm: float
    ends_mm: Floats | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Carved:
    """What a groove took away.

    Parameters
    ----------
    name : str
    kind : "mark" or "scored line"
    mesh : Mesh
        Closed, file coordinates.
    volume_mm3 : float
    notes : tuple of str

    Raises
    ------
    CheckError
        Nothing was taken away, or it is not a solid.
    """

    name: str
    kind: GrooveKind
    mesh: Mesh
    volume_mm3: float
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        reasons = solidity(self.mesh).reasons()
        if reasons:
            raise CheckError(
                f"the {self.name} did not come out as a closed solid",
                measured=", ".join(reasons),
                fix="This is a fault of blockout; the scan and the path would help to mend it.",
            )


def carve(
    space: Space,
    grooves: Sequence[Groove],
    *,
    spared: Sequence[Mesh] = (),
    tolerances: Tolerances = TOLERANCES,
) -> tuple[tuple[Carved, ...], Space]:
    """Take the grooves out of the cast, one by one; and the space with them added to it.

    ``spared`` are wax parts that stay whole where a groove meets them.

    Raises
    ------
    CheckError
        A groove took nothing away, or did not come out as a solid.
    """
    carved = []
    for groove in grooves:
        body = space.stand(groove.solid)
        for wax in spared:
            if _boxes_meet(groove.solid.mesh(), wax):
                body = body - space.stand(Solid.from_mesh(wax))
        mesh, space = space.carve(body, tolerances=tolerances)
        carved.append(Carved(groove.name, groove.kind, mesh, mesh.volume_mm3, groove.notes))
    return tuple(carved), space


def _boxes_meet(one: Mesh, other: Mesh) -> bool:
    low = np.maximum(one.bounds_mm[0], other.bounds_mm[0])
    high = np.minimum(one.bounds_mm[1], other.bounds_mm[1])
    return bool((low <= high).all())


def box_between(low: Floats, high: Floats) -> Mesh:
    """Twelve triangles between two corners (3,)."""
    unit = np.array([[x, y, z] for z in (0, 1) for y in (0, 1) for x in (0, 1)], dtype=np.float64)
    return Mesh(low + unit * (high - low), _BOX_FACES)
