"""Two real partly edentulous arches, from scan to model, at three paths; and files of crowns alone.

The tooth shapes are those of an open data set; the folder is no part of this project, and where it
is absent these tests are left out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import plyfile
import pytest
import trimesh
from invariants import assert_solid, distance_to_mm, scanned_again
from real_arches import ARCHES, CASTS, file_of, needs_casts
from scipy.spatial import cKDTree
from typer.testing import CliRunner

from blockout.case.case import Case, CastSettings
from blockout.case.settings import Arch, PathSettings, PrepareSettings
from blockout.cast.prepare import Prepared, prepare
from blockout.cast.scan import read_scan
from blockout.cli.main import app
from blockout.job import Built, block_out
from blockout.kernel.files import write_stl
from blockout.kernel.rays import RayScene
from blockout.mesh import Floats, Ints, Mesh
from blockout.model.export import check_stl
from blockout.surveying.survey import survey
from blockout.wax.parallel import parallel_blockout

TILTS_DEG = {"lower": ((0.0, 0.0), (5.0, 3.0), (-8.0, 6.0)), "upper": ((5.0, 3.0),)}
WORKED = [(arch, tilt) for arch in ARCHES for tilt in TILTS_DEG[arch]]
STEEP = ("lower", (-8.0, 6.0))
AGAIN = [STEEP, ("upper", (5.0, 3.0))]

pytestmark = needs_casts


@dataclass(frozen=True, eq=False)
class Worked:
    prepared: Prepared
    built: Built
    path: PathSettings


@pytest.fixture(scope="session")
def worked(real_arch, made_once):
    """Cast, wax and model of an arch at a tilt, as they go into files; made once."""

    def of(arch: Arch, tilt_deg: tuple[float, float]) -> Worked:
        path = PathSettings(anterior_tilt_deg=tilt_deg[0], lateral_tilt_deg=tilt_deg[1])
        case = Case(cast=CastSettings(file=file_of(arch).name, arch=arch), path=path)

        def make() -> Worked:
            cast = real_arch(arch)
            return Worked(cast, block_out(cast, case, for_files=True), path)

        return made_once(f"blocked out {arch} {tilt_deg[0]:g} {tilt_deg[1]:g}", make)

    return of


# --- the cast ------------------------------------------------------------------------------------
@pytest.mark.parametrize("arch", ARCHES)
def test_scanned_surface_is_kept_to_the_bit(real_arch, arch):
    cast = real_arch(arch).cast
    assert_solid(cast.mesh)
    # read here by plyfile alone
    file = plyfile.PlyData.read(str(file_of(arch)))
    points = np.column_stack([file["vertex"][axis] for axis in "xyz"]).astype(np.float64)
    scan = Mesh(points, np.stack(file["face"]["vertex_indices"]))
    # faces are cut only where the border was trimmed, along the rim that scan and base share
    rim = np.zeros(len(cast.mesh.vertices), dtype=bool)
    rim[cast.mesh.faces[~cast.scanned].reshape(-1)] = True
    inside = cast.scanned & ~rim[cast.mesh.faces].any(axis=1)
    kept, of_file = (set(_bytes_of_triangles(c)) for c in (cast.mesh.corners[inside], scan.corners))
    assert len(kept) == inside.sum()
    assert kept <= of_file
    # the generated border is ragged; the arch within it is all there
    assert len(kept) > 0.9 * len(of_file)
    given = {row.tobytes() for row in points}
    within = cast.scanned_vertices & ~rim
    assert all(row.tobytes() in given for row in cast.mesh.vertices[within])
    cut = cast.mesh.vertices[cast.scanned_vertices & rim]
    assert distance_to_mm(scan, cut).max() < 1e-9
    # nothing of the base rises over the surface that was scanned
    height = cast.frame.points_to_cast(cast.mesh.vertices)[:, 2]
    assert height[~cast.scanned_vertices].max() < height[cast.scanned_vertices].max()
    assert height.min() == pytest.approx(cast.floor_mm, abs=1e-9)


def _bytes_of_triangles(corners: Floats) -> list[bytes]:
    """One key for each triangle, the same whichever of its corners comes first."""
    first = np.lexsort((corners[..., 2], corners[..., 1], corners[..., 0]), axis=1)[:, 0]
    order = (first[:, None] + np.arange(3)) % 3
    turned = np.ascontiguousarray(np.take_along_axis(corners, order[:, :, None], axis=1))
    return [row.tobytes() for row in turned]


# --- cast, wax and model -------------------------------------------------------------------------
@pytest.mark.long
@pytest.mark.parametrize(("arch", "tilt_deg"), WORKED)
def test_cast_wax_and_model_are_solids_that_add_up(worked, tmp_path, arch, tilt_deg):
    done = worked(arch, tilt_deg)
    cast, model = done.prepared.cast, done.built.model
    parts = {wax.name: wax.mesh for wax in done.built.waxes if wax.mesh is not None}
    for mesh in (cast.mesh, model.mesh, *parts.values()):
        assert_solid(mesh)
    # inclusion and exclusion: cast and wax touch without overlapping
    whole_mm3 = cast.mesh.volume_mm3 + sum(mesh.volume_mm3 for mesh in parts.values())
    assert model.mesh.volume_mm3 == pytest.approx(whole_mm3, rel=1e-6)
    assert parts["parallel"].volume_mm3 > 100.0
    # what fills pockets that cast and wax shut in is next to nothing
    assert whole_mm3 - cast.mesh.volume_mm3 < 1.001 * parts["parallel"].volume_mm3
    # the same undercut measured by rays, which no boolean had a hand in
    exact_mm3 = done.built.summary["undercut"]["volume_mm3"]
    assert done.built.survey.volume_mm3 == pytest.approx(exact_mm3, rel=1e-3)
    by_region = sum(region.volume_mm3 for region in done.built.survey.regions)
    assert by_region == pytest.approx(exact_mm3, rel=2e-3)
    for name, mesh in ({**parts, "model": model.mesh}).items():
        file = tmp_path / f"{name}.stl"
        write_stl(file, mesh)
        check_stl(file, mesh)
        _assert_closed_stl(file, mesh.volume_mm3)


def _assert_closed_stl(file: Path, volume_mm3: float) -> None:
    """Read by numpy alone: with equal corners taken as one, each edge runs once each way."""
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("rest", "<u2")])
    corners = np.fromfile(file, dtype=record, offset=84)["corners"] + np.float32(0.0)
    keys = np.ascontiguousarray(corners.reshape(-1, 3)).view("V12").reshape(-1)
    names = np.unique(keys, return_inverse=True)[1].reshape(-1, 3).astype(np.int64)
    start, end = names.T.reshape(-1), np.roll(names, -1, axis=1).T.reshape(-1)
    one_way, other_way = start * (names.max() + 1) + end, end * (names.max() + 1) + start
    assert (start != end).all()
    assert len(np.unique(one_way)) == len(one_way)
    assert np.array_equal(np.sort(one_way), np.sort(other_way))
    wide = corners.astype(np.float64)
    wide -= wide.mean(axis=(0, 1))
    sixfold = np.einsum("ij,ij->i", wide[:, 0], np.cross(wide[:, 1], wide[:, 2])).sum()
    assert sixfold / 6.0 == pytest.approx(volume_mm3, rel=1e-5)


def test_the_steepest_model_crosses_itself_nowhere(worked):
    reason = "the cgal package is not installed"
    processing = pytest.importorskip("CGAL.CGAL_Polygon_mesh_processing", reason=reason)
    from test_exact_fill import _polyhedron

    done = worked(*STEEP)
    for mesh in (done.prepared.cast.mesh, done.built.model.mesh):
        polyhedron = _polyhedron(mesh)
        assert polyhedron.is_closed()
        assert not processing.does_self_intersect(polyhedron)
        assert processing.volume(polyhedron) == pytest.approx(mesh.volume_mm3, rel=1e-9)


@pytest.mark.parametrize(("arch", "tilt_deg"), AGAIN)
def test_what_was_blocked_out_has_no_undercut_left(worked, arch, tilt_deg):
    done = worked(arch, tilt_deg)
    first, model = done.built.survey, done.built.model.mesh
    # all that is not on the poured base is surveyed: the scan that still shows, and the wax
    again = replace(done.prepared.cast, mesh=model, scanned=scanned_again(model, first.cast))
    second = survey(again, path=done.path)
    assert second.noise_depth_mm == first.noise_depth_mm > 0.0
    assert first.max_depth_mm > 1.0
    # where the surface ends at the base, base may hang over it along a tilted path: not surveyed
    seam = np.zeros(len(model.vertices), dtype=bool)
    seam[model.faces[~again.scanned].reshape(-1)] = True
    reach_mm = first.noise_depth_mm + 0.005
    deep = np.flatnonzero((second.depth_mm > reach_mm) & ~seam)
    assert len(deep) <= 5
    # the few that the search reads too deep, at the foot of upright walls: there is free air
    # within reach, or the floor of a chimney narrower than that is seen from above, or what is
    # next above is the base, which hangs over along a tilted path and is never a ceiling
    scene, up = RayScene(model), second.path.direction
    no_ceiling = np.append(~again.scanned & (model.face_normals @ up < 0.0), True)
    turn = np.linspace(0.0, 2.0 * np.pi, 64, endpoint=False)
    ring = np.column_stack([np.cos(turn), np.sin(turn), 0.0 * turn]) * reach_mm
    around = ring @ second.path.to_path + 0.0005 * up
    for vertex in deep:
        at_it = (model.faces == vertex).any(axis=1) & again.scanned
        floor = model.face_centres[at_it & (model.face_normals @ up > 0.01)] + 0.0005 * up
        asked = np.concatenate([model.vertices[vertex] + around, floor])
        assert no_ceiling[scene.first_hit(asked, up).face].any()
    # law: blocking out twice is blocking out once
    twice = parallel_blockout(second)
    assert twice.wax.volume_mm3 <= 1e-4 * done.built.waxes[0].volume_mm3


# --- how the scan lies in its file ---------------------------------------------------------------
@pytest.mark.long
def test_a_scan_turned_flipped_and_in_metres_gives_the_same_cast(real_arch, tmp_path):
    cast = real_arch("upper").cast
    scan = read_scan(file_of("upper")).mesh
    turn = np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, -1.0]])
    file = tmp_path / "turned.obj"
    # by trimesh, so that no comment of ours states the unit
    trimesh.Trimesh(0.001 * scan.vertices @ turn.T, scan.faces[:, ::-1], process=False).export(
        file, digits=17
    )
    turned_scan = read_scan(file)
    assert turned_scan.unit == "m"
    turned = prepare(turned_scan, settings=PrepareSettings(arch="upper")).cast
    _assert_same_mesh(Mesh(turned.mesh.vertices @ turn, turned.mesh.faces), cast.mesh)
    assert turned.scanned.sum() == cast.scanned.sum()
    assert np.abs(turn.T @ turned.frame.matrix[:3, :3] - cast.frame.matrix[:3, :3]).max() < 1e-9
    shift_mm = turn.T @ turned.frame.matrix[:3, 3] - cast.frame.matrix[:3, 3]
    assert np.abs(shift_mm).max() < 1e-6
    assert turned.floor_mm == pytest.approx(cast.floor_mm, abs=1e-6)
    assert turned.noise_mm == pytest.approx(cast.noise_mm, rel=1e-6)


def _assert_same_mesh(one: Mesh, other: Mesh) -> None:
    """The same vertices within 1e-6 mm, and the same faces between them, in any order."""
    assert len(one.vertices) == len(other.vertices)
    far_mm, at = cKDTree(other.vertices).query(one.vertices)
    assert far_mm.max() < 1e-6
    assert len(np.unique(at)) == len(at)
    assert np.array_equal(_ordered(at[one.faces]), _ordered(other.faces))


def _ordered(faces: Ints) -> Ints:
    """Each face from its lowest corner on, all in one order."""
    order = (faces.argmin(axis=1)[:, None] + np.arange(3)) % 3
    rows = np.take_along_axis(faces, order, axis=1)
    ordered: Ints = rows[np.lexsort(rows.T[::-1])]
    return ordered


# --- what is no scan of an arch ------------------------------------------------------------------
@pytest.mark.parametrize("arch", ARCHES)
def test_crowns_without_gums_are_refused_with_words(tmp_path, arch):
    crowns, out = CASTS / f"crowns_{arch}.ply", tmp_path / "cast.ply"
    said = CliRunner().invoke(app, ["prepare", str(crowns), "--out", str(out)])
    assert said.exit_code == 2, said.output
    assert said.stdout == ""
    assert "several solids side by side" in said.stderr
    # the data set has fourteen teeth to an arch, one closed shell each
    assert "14 closed bodies" in said.stderr
    assert "with its gums as one surface" in said.stderr
    assert "Traceback" not in said.stderr
    assert list(tmp_path.iterdir()) == []
