"""A piece of wax: a named closed solid, or an honest nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from blockout.errors import CheckError
from blockout.mesh import Mesh, Solidity, solidity

Kind = Literal["parallel", "ledge", "arbitrary", "relief", "bead"]


@dataclass(frozen=True, eq=False)
class Wax:
    """One wax part.

    Parameters
    ----------
    name : str
        Of the part's file and object.
    kind : str
    mesh : Mesh or None
        Closed solid outside the cast, file coordinates; None where nothing was to be filled.
    volume_mm3 : float
    notes : tuple of str
        What a reader of the result must know: what was left, what bounds an error.

    Raises
    ------
    CheckError
        The mesh is not a solid.
    """

    name: str
    kind: Kind
    mesh: Mesh | None
    volume_mm3: float
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.mesh is not None and not self.solidity.is_solid:
            raise CheckError(
                f"the wax part {self.name!r} did not come out as a closed solid",
                measured=", ".join(self.solidity.reasons()),
                fix="This is a fault of blockout; the scan and the path would help to mend it.",
            )

    @property
    def solidity(self) -> Solidity:
        if self.mesh is None:
            raise ValueError("there is no wax")
        return solidity(self.mesh)

    @property
    def triangle_count(self) -> int:
        return 0 if self.mesh is None else self.mesh.triangle_count
