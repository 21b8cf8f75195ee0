"""A whole prescription on each of two real partly edentulous arches, from teeth to model."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
import pytest
from invariants import assert_solid, scanned_again
from prescriptions import prescription
from real_arches import ARCHES, needs_casts
from scipy.spatial import cKDTree

from blockout.case.case import Case
from blockout.case.settings import Arch
from blockout.job import Built, block_out
from blockout.kernel.rays import RayScene
from blockout.kernel.solids import Solid
from blockout.mesh import Bools, Floats, Mesh
from blockout.surveying.path import InsertionPath
from blockout.surveying.survey import survey

pytestmark = [pytest.mark.long, needs_casts]

WINDOW_MM = 1.6
"""From an arm's middle line to beyond its window."""


@dataclass(frozen=True, eq=False)
class Made:
    """What was asked for, what came of it, and how deep its model is surveyed again."""

    case: Case
    built: Built
    again_mm: Floats

    @property
    def parts(self) -> dict[str, Mesh]:
        """Wax that was added, by name."""
        return {
            wax.name: wax.mesh
            for wax in self.built.waxes
            if wax.mesh is not None and wax.kind != "bead"
        }


@pytest.fixture(scope="module", params=ARCHES)
def made(request, real_arch, made_once) -> Made:
    arch: Arch = request.param

    def make() -> Made:
        prepared = real_arch(arch)
        case = prescription(prepared.cast)
        built = block_out(prepared, case, for_files=True)
        model, cast = built.model.mesh, prepared.cast
        kept = scanned_again(model, cast)
        again = survey(replace(cast, mesh=model, scanned=kept), path=case.path)
        depth_mm = again.depth_mm.copy()
        # where the surface ends at the base, base may hang over it
        depth_mm[model.faces[~kept].reshape(-1)] = 0.0
        return Made(case, built, depth_mm)

    return made_once(f"prescription {arch}", make)


def test_all_that_was_asked_for_is_there(made: Made) -> None:
    kinds = [wax.kind for wax in made.built.waxes if wax.mesh is not None]
    assert kinds.count("ledge") == len(made.case.arm) == len(made.built.arms) == 6
    named = {wax.name for wax in made.built.waxes if wax.volume_mm3 > 0.5}
    assert {"parallel", "arbitrary"} <= named
    assert sum(name.startswith("relief") for name in named) == len(made.case.relief) == 2
    assert kinds.count("bead") == len(made.case.bead)
    by_arch = {"lower": 0, "upper": 2}
    assert len(made.case.bead) == by_arch[made.built.survey.cast.arch]
    codes = {warning["code"] for warning in made.built.summary["warnings"]}
    assert "terminal_covered" not in codes


def test_parts_are_closed_and_apart_and_add_up(made: Made) -> None:
    cast, model = made.built.survey.cast, made.built.model.mesh
    assert_solid(model)
    grooves = [wax.mesh for wax in made.built.waxes if wax.kind == "bead"]
    for mesh in (*made.parts.values(), *grooves):
        assert_solid(mesh)
    # inclusion and exclusion: parts overlap neither the cast nor each other, and beads are the
    # cast's own
    whole_mm3 = cast.mesh.volume_mm3 + sum(mesh.volume_mm3 for mesh in made.parts.values())
    whole_mm3 -= sum(mesh.volume_mm3 for mesh in grooves)
    assert model.volume_mm3 == pytest.approx(whole_mm3, rel=1e-7)
    # joined they are as large as apart
    solids = {name: Solid.from_mesh(mesh) for name, mesh in made.parts.items()}
    for (_, one), (_, other) in itertools.combinations(solids.items(), 2):
        low = np.maximum(one.bounds_mm[0], other.bounds_mm[0])
        high = np.minimum(one.bounds_mm[1], other.bounds_mm[1])
        if (low < high).all():
            assert (one ^ other).volume_mm3 < 1e-4


def test_each_terminal_is_open_to_just_the_asked_undercut(made: Made) -> None:
    model = made.built.model.mesh
    held = [arm for arm in made.built.arms if arm.role == "retentive"]
    assert len(held) == 3
    for arm in held:
        assert arm.terminal_depth_mm == pytest.approx(0.25, abs=0.005)
        at = int(np.linalg.norm(model.vertices - arm.terminal_mm, axis=1).argmin())
        assert np.linalg.norm(model.vertices[at] - arm.terminal_mm) < 1e-3
        assert made.again_mm[at] == pytest.approx(0.25, abs=0.02)
        near_mm = cKDTree(arm.centre).query(model.vertices)[0]
        assert made.again_mm[near_mm < WINDOW_MM].max() == pytest.approx(0.25, abs=0.02)


def test_nothing_else_is_left_undercut(made: Made) -> None:
    model, first = made.built.model.mesh, made.built.survey
    retentive = [arm.centre for arm in made.built.arms if arm.role == "retentive"]
    near_mm = cKDTree(np.concatenate(retentive)).query(model.vertices)[0]
    left_mm = np.where(near_mm > WINDOW_MM, made.again_mm, 0.0)
    # a bead is carved square to the tissue: on a slope its own wall overhangs, by 0.12 mm here
    for wax in made.built.waxes:
        if wax.kind == "bead":
            on_bead = cKDTree(wax.mesh.vertices).query(model.vertices)[0] < 1e-4
            assert left_mm[on_bead].max() < 0.2
            left_mm[on_bead] = 0.0
    reach_mm = first.noise_depth_mm + 0.005
    deep = np.flatnonzero(left_mm > reach_mm)
    # measured: one on the lower arch, at the foot of the poured base; none on the upper
    assert len(deep) <= 3
    kept = scanned_again(model, first.cast)
    for vertex in deep:
        assert _is_open(model, kept, first.path, vertex, reach_mm)


def _is_open(model: Mesh, kept: Bools, path: InsertionPath, vertex: int, reach_mm: float) -> bool:
    """Whether a vertex that the search reads too deep is within reach of free air, or a floor at it
    is seen from above, or under base, which is never a ceiling.
    """
    up = path.direction
    no_ceiling = np.append(~kept & (model.face_normals @ up < 0.0), True)
    turn = np.linspace(0.0, 2.0 * np.pi, 64, endpoint=False)
    ring = np.column_stack([np.cos(turn), np.sin(turn), 0.0 * turn]) * reach_mm
    at_it = (model.faces == vertex).any(axis=1) & kept & (model.face_normals @ up > 0.01)
    asked = np.concatenate(
        [model.vertices[vertex] + ring @ path.to_path, model.face_centres[at_it]]
    )
    return bool(no_ceiling[RayScene(model).first_hit(asked + 0.0005 * up, up).face].any())
