"""What stands under ceilings, cast and all, as a solid of the kernel."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from blockout.kernel.solids import Solid
from blockout.mesh import Mesh
from blockout.surveying.patches import Ceilings
from blockout.surveying.undercut import pulled_down
from blockout.tolerances import Tolerances


@dataclass(frozen=True, eq=False)
class Columns:
    """Columns under scanned ceilings; joined to a solid when that is asked for.

    Parameters
    ----------
    upright : Mesh
        The cast, upright.
    ceilings : Ceilings
    floor_mm : float
        Height over the flat bottom.
    """

    upright: Mesh
    ceilings: Ceilings
    floor_mm: float
    tolerances: Tolerances

    @cached_property
    def solid(self) -> Solid:
        """All of it, down to the floor, upright."""
        return pulled_down(
            self.upright, self.ceilings, floor_mm=self.floor_mm, tolerances=self.tolerances
        )
