"""The model: cast and wax as one closed solid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from blockout.errors import CheckError
from blockout.mesh import Mesh, Solidity, solidity
from blockout.tolerances import TOLERANCES, Tolerances
from blockout.wax.space import Space
from blockout.wax.wax import Wax


class Removed(Protocol):
    """What was carved out of a cast."""

    @property
    def volume_mm3(self) -> float: ...


@dataclass(frozen=True, eq=False)
class Model:
    """The blocked-out model, file coordinates."""

    mesh: Mesh
    volume_mm3: float
    solidity: Solidity


def build_model(
    left: Space,
    waxes: Sequence[Wax],
    *,
    grooves: Sequence[Removed] = (),
    tolerances: Tolerances = TOLERANCES,
) -> Model:
    """Join a cast and the wax around it: what is left of the space is their mould.

    Parameters
    ----------
    left : Space
        Free space once all the wax is in it.
    waxes : sequence of Wax
        Parts that were taken from the space. None lies in the cast or in another, so the model's
        volume is the cast's and theirs together.
    grooves : sequence
        Beads and marks carved out of the cast; their volume is taken off it.

    Raises
    ------
    CheckError
        The model is not a closed solid, or its volume is not what cast and wax add up to.
    """
    cast = left.cast
    if not any(part.volume_mm3 > 0.0 for part in (*waxes, *grooves)):
        return Model(cast.mesh, cast.mesh.volume_mm3, cast.solidity)
    mesh, films_mm3 = left.mould_and_films(tolerances=tolerances)
    state = solidity(mesh)
    if not state.is_solid:
        raise CheckError(
            "the model did not come out as a closed solid",
            measured=", ".join(state.reasons()),
            fix="This is a fault of blockout; the scan and the path would help to mend it.",
        )
    expected_mm3 = cast.mesh.volume_mm3 + sum(wax.volume_mm3 for wax in waxes)
    expected_mm3 += films_mm3 - sum(groove.volume_mm3 for groove in grooves)
    allowed_mm3 = tolerances.volume_relative * cast.mesh.volume_mm3
    if abs(mesh.volume_mm3 - expected_mm3) > allowed_mm3:
        raise CheckError(
            "the model's volume is not that of cast and wax together",
            measured=f"model {mesh.volume_mm3:.4f} mm3, cast and wax {expected_mm3:.4f} mm3, "
            f"allowed difference {allowed_mm3:.4f}",
            fix="This is a fault of blockout; the scan and the path would help to mend it.",
        )
    return Model(mesh, mesh.volume_mm3, state)
