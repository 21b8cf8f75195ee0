"""What of a framework lies in the blocked-out region, as solids: exact to the facets.

Everything stands in path coordinates. Only the ceilings over the framework are pulled down: what
lies beside it cannot stop it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from blockout.errors import KernelError
from blockout.kernel.solids import Solid
from blockout.mesh import Bools, Floats, Mesh
from blockout.surveying.ceilings import find_ceilings
from blockout.surveying.undercut import pulled_down
from blockout.tolerances import TOLERANCES, Tolerances

_UP = np.array([0.0, 0.0, 1.0])
_BESIDE_MM = 0.5


@dataclass(frozen=True, eq=False)
class Under:
    """The cast and the space under its ceilings, near one framework; path coordinates.

    Parameters
    ----------
    cast : Solid
    space : Solid
        Overlaps the cast; empty where no ceiling is over the framework.
    """

    cast: Solid
    space: Solid


def under_cast(
    cast: Mesh, bounds_mm: Floats, *, floor_mm: float, tolerances: Tolerances = TOLERANCES
) -> Under:
    """The cast, and what lies under its ceilings where a box of ``bounds_mm`` (2, 3) may be.

    Parameters
    ----------
    cast : Mesh
        Path coordinates.
    floor_mm : float
        Lowest point of the cast. The flat bottom itself is no ceiling: U ends there.
    """
    taken = Solid.from_mesh(cast)
    low, high = bounds_mm[0] - _BESIDE_MM, bounds_mm[1] + _BESIDE_MM
    corners = cast.corners
    near: Bools = (corners[:, :, :2].max(axis=1) >= low[:2]).all(axis=1)
    near &= (corners[:, :, :2].min(axis=1) <= high[:2]).all(axis=1)
    near &= corners[:, :, 2].max(axis=1) >= low[2]
    ceilings = find_ceilings(cast, near, _UP, tolerances=tolerances)
    if not ceilings.patch_count:
        return Under(taken, Solid.empty())
    ground_mm = min(floor_mm, float(low[2])) - 1.0
    return Under(taken, pulled_down(cast, ceilings, floor_mm=ground_mm, tolerances=tolerances))


def spared_space(under: Under, windows: Sequence[Solid]) -> tuple[Solid, ...]:
    """Undercut space within each window, outside the cast: where a terminal may lie."""
    return tuple((under.space ^ window) - under.cast for window in windows)


def overlap(
    framework: Solid,
    under: Under,
    *,
    windows: Sequence[Solid] = (),
    tolerances: Tolerances = TOLERANCES,
) -> Solid:
    """What the framework shares with the cast, and with the space under its ceilings outside the
    windows; proved to add up with the rest of the framework.

    Raises
    ------
    KernelError
        The two parts do not add up to the framework.
    """
    space = under.space
    if windows and not space.is_empty:
        space = space - Solid.union(windows)
    blocked = under.cast if space.is_empty else under.cast + space
    allowed_mm3 = tolerances.volume_relative * (framework.volume_mm3 + 1.0)
    ways: list[Callable[[], tuple[Solid, Solid]]] = [
        lambda: framework.parted_by(blocked),
        lambda: (framework ^ blocked, framework - blocked),
        lambda: _in_two_steps(framework, under.cast, space),
    ]
    off_mm3 = 0.0
    for way in ways:
        shared, rest = way()
        off_mm3 = abs(shared.volume_mm3 + rest.volume_mm3 - framework.volume_mm3)
        if off_mm3 <= allowed_mm3:
            return shared
    raise KernelError(
        "the solid kernel lost volume while laying the framework on the cast",
        measured=f"{off_mm3:.3g} mm3, allowed {allowed_mm3:.3g}",
        fix="This is a fault of blockout; cast, path and framework would help to mend it.",
    )


def _in_two_steps(framework: Solid, cast: Solid, space: Solid) -> tuple[Solid, Solid]:
    inside, left = framework.parted_by(cast)
    under, rest = left.parted_by(space) if not space.is_empty else (space, left)
    return inside + under, rest
