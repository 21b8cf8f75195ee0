"""The cast: a closed solid that knows which of its surface was scanned, and how it lies."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from blockout.case.settings import Arch
from blockout.cast.frame import CastFrame
from blockout.errors import DefectError
from blockout.mesh import Bools, Mesh, Solidity, solidity


@dataclass(frozen=True)
class Source:
    """The file a cast came from."""

    name: str
    sha256: str


@dataclass(frozen=True, eq=False)
class Cast:
    """A cast ready to survey.

    Parameters
    ----------
    mesh : Mesh
        Closed solid in the scan's own coordinates, mm.
    scanned : (m,) bool
        Which faces are scanned surface; the rest is base and is never surveyed.
    frame : CastFrame
        Cast frame to file coordinates.
    arch : "lower" or "upper"
    arch_stated : bool
        False when nobody said which arch it is and lower was assumed.
    noise_mm : float
        Estimated standard deviation of the scan's noise, normal to the surface.
    floor_mm : float
        Height of the flat bottom in the cast frame.
    source : Source

    Raises
    ------
    DefectError
        The mesh is not a solid.
    """

    mesh: Mesh
    scanned: Bools
    frame: CastFrame
    arch: Arch
    arch_stated: bool
    noise_mm: float
    floor_mm: float
    source: Source

    def __post_init__(self) -> None:
        if self.scanned.shape != (self.mesh.triangle_count,):
            raise ValueError("one flag a face says what was scanned")
        self.scanned.setflags(write=False)
        if not self.solidity.is_solid:
            raise DefectError(
                "the cast is not a closed solid",
                measured=", ".join(self.solidity.reasons()),
                where=self.source.name,
                fix="Run `blockout prepare` on the scan first.",
            )

    @cached_property
    def solidity(self) -> Solidity:
        return solidity(self.mesh)

    @cached_property
    def scanned_vertices(self) -> Bools:
        """(n,) vertices with at least one scanned face."""
        on = np.zeros(len(self.mesh.vertices), dtype=bool)
        on[self.mesh.faces[self.scanned].reshape(-1)] = True
        return on
