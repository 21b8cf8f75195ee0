"""The model: cast and wax as one closed solid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from blockout.cast.cast import Cast
from blockout.errors import CheckError
from blockout.kernel.solids import Solid
from blockout.mesh import Mesh, Solidity, solidity
from blockout.tolerances import TOLERANCES, Tolerances
from blockout.wax.specks import without_specks
from blockout.wax.wax import Wax


@dataclass(frozen=True, eq=False)
class Model:
    """The blocked-out model, file coordinates."""

    mesh: Mesh
    volume_mm3: float
    solidity: Solidity


def build_model(
    cast: Cast, cast_solid: Solid, waxes: Sequence[Wax], *, tolerances: Tolerances = TOLERANCES
) -> Model:
    """Join cast and wax.

    Wax lies outside the cast, so the model's volume is the cast's and the wax's together; wax
    parts that overlap each other count once.

    Raises
    ------
    CheckError
        The model is not a closed solid, or its volume is not what cast and wax add up to.
    """
    bulks = [wax.bulk for wax in waxes if wax.bulk is not None]
    if not bulks:
        return Model(cast.mesh, cast.mesh.volume_mm3, cast.solidity)
    mesh = Solid.union([cast_solid, *bulks]).mesh()
    mesh = without_specks(mesh, film_mm=tolerances.ceiling_lift_mm)
    state = solidity(mesh)
    if not state.is_solid:
        raise CheckError(
            "the model did not come out as a closed solid",
            measured=", ".join(state.reasons()),
            fix="This is a fault of blockout; the scan and the path would help to mend it.",
        )
    meshes = [wax.mesh for wax in waxes if wax.mesh is not None]
    apart = Solid.union(Solid.from_mesh(one) for one in meshes) if len(meshes) > 1 else None
    wax_mm3 = meshes[0].volume_mm3 if apart is None else apart.volume_mm3
    expected_mm3 = cast.mesh.volume_mm3 + wax_mm3
    if abs(mesh.volume_mm3 - expected_mm3) > tolerances.volume_relative * cast.mesh.volume_mm3:
        raise CheckError(
            "the model's volume is not that of cast and wax together",
            measured=f"model {mesh.volume_mm3:.4f} mm3, cast and wax {expected_mm3:.4f} mm3, "
            f"allowed difference {tolerances.volume_relative * cast.mesh.volume_mm3:.4f}",
            fix="This is a fault of blockout; the scan and the path would help to mend it.",
        )
    return Model(mesh, mesh.volume_mm3, state)
