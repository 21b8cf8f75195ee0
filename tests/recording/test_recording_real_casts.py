"""Recording a path on two real arches whose every vertex is labelled.

The tooth shapes are those of an open data set; the folder is no part of this project, and where it
is absent these tests are left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import plyfile
import pytest
from invariants import assert_solid, distance_to_mm
from plain_arm import arm_ending

from blockout.case.recording_settings import RecordingSettings, SurenessSettings
from blockout.case.settings import Arch, PathSettings, PrepareSettings
from blockout.cast.cast import Cast
from blockout.cast.prepare import prepare
from blockout.cast.scan import read_scan
from blockout.kernel.rays import RayScene
from blockout.mesh import Floats, Ints, Mesh
from blockout.recording.certainty import sureness
from blockout.recording.groove import carve
from blockout.recording.guiding import contacts_of, guiding_surfaces, planes_of
from blockout.recording.one_path import path_cone
from blockout.recording.record import record_path
from blockout.recording.reposition import path_from_marks, upright_from_heights
from blockout.surveying.path import insertion_path
from blockout.surveying.survey import survey
from blockout.teeth.aspects import ASPECTS
from blockout.wax.space import free_space

CASTS = Path(__file__).parents[2] / "../shared/casts"
TILT_DEG = {"lower": (-8.0, 6.0), "upper": (5.0, 3.0)}
GAPS: dict[Arch, tuple[tuple[int, int], ...]] = {
    "lower": ((44, 46), (46, 44), (35, 34)),
    "upper": ((14, 16), (16, 14), (25, 24)),
}
"""Teeth beside a gap: the tooth, and a tooth on the same or the other side of it."""

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(
        not CASTS.is_dir(), reason="the folder of real arches, ../shared/casts, is not here"
    ),
]


@dataclass(frozen=True, eq=False)
class LabelledCrown:
    """A crown by its true labels, with the one side that faces a gap."""

    number: int
    face: Ints
    side: dict[str, Ints]

    def faces_of(self, aspect: str) -> Ints:
        return self.side[aspect]


@dataclass(frozen=True, eq=False)
class Labelled:
    """A prepared arch and the true tooth of each face and vertex; 0 for tissue."""

    arch: Arch
    cast: Cast
    tooth_of_face: np.ndarray
    tooth_of_vertex: np.ndarray

    def crown(self, number: int) -> LabelledCrown:
        mesh = self.cast.mesh
        face = np.flatnonzero(self.tooth_of_face == number)
        own = mesh.face_centres[face].mean(axis=0)
        other = next(b for a, b in GAPS[self.arch] if a == number)
        away = mesh.face_centres[self.tooth_of_face == other].mean(axis=0) - own
        if abs(other % 10 - number % 10) == 1:
            away = -away  # the neighbour stands on the far side of the tooth from the gap
        away -= self.cast.frame.up * float(away @ self.cast.frame.up)
        away /= np.linalg.norm(away)
        normals = mesh.face_normals[face]
        facing = normals @ away > 0.6 * np.linalg.norm(
            normals - np.outer(normals @ self.cast.frame.up, self.cast.frame.up), axis=1
        )
        return LabelledCrown(number, face, dict.fromkeys(ASPECTS, face[facing]))


@pytest.fixture(scope="module", params=["lower", "upper"])
def labelled(request) -> Labelled:
    arch: Arch = request.param
    file = CASTS / f"{arch}_partial_open.ply"
    cast = prepare(read_scan(file), settings=PrepareSettings(arch=arch)).cast
    vertex = plyfile.PlyData.read(str(file))["vertex"]
    points = np.column_stack([vertex[axis] for axis in "xyz"]).astype(np.float64)
    labels = np.load(CASTS / f"{arch}_partial_open_labels.npz")["tooth"]
    of_place = {p.tobytes(): int(n) for p, n in zip(points, labels, strict=True)}
    tooth = np.array([of_place.get(p.tobytes(), 0) for p in cast.mesh.vertices])
    return Labelled(arch, cast, np.median(tooth[cast.mesh.faces], axis=1).astype(np.uint8), tooth)


def path_of(labelled: Labelled):
    anterior, lateral = TILT_DEG[labelled.arch]
    tilts = PathSettings(anterior_tilt_deg=anterior, lateral_tilt_deg=lateral)
    return insertion_path(labelled.cast.frame, arch=labelled.arch, settings=tilts)


@pytest.fixture(scope="module")
def recorded(labelled):
    settings = RecordingSettings(engrave=True, score=True)
    return record_path(labelled.cast, path_of(labelled), settings=settings, teeth=labelled)


def test_marks_lie_widely_apart_on_tissue_at_one_height_and_are_seen(labelled, recorded):
    """Measured: lower 26.5, upper 43.4 mm high at the least, on tissue alone."""
    cast, tripod = labelled.cast, recorded.tripod
    along = tripod.path.direction
    assert np.ptp(tripod.marks_mm @ along) < 1e-9
    assert distance_to_mm(cast.mesh, tripod.marks_mm).max() < 1e-6
    assert tripod.on_tissue
    assert (labelled.tooth_of_face[tripod.face] == 0).all()
    assert cast.scanned[tripod.face].all()
    assert not RayScene(cast.mesh).blocked(tripod.marks_mm + 0.01 * along, along).any()
    least_mm = {"lower": 26.0, "upper": 43.0}[labelled.arch]
    assert tripod.heights_mm.min() > least_mm
    assert tripod.error.one_mark_deg < np.degrees(np.arctan(0.25 / least_mm))
    border = cast.mesh.vertices[np.unique(cast.mesh.faces[~cast.scanned])]
    off_mm = np.linalg.norm(tripod.marks_mm[:, None] - border[None], axis=2).min()
    assert off_mm > 1.8


def test_the_marks_give_the_path_back(labelled, recorded):
    cast, tripod = labelled.cast, recorded.tripod
    told = path_from_marks(cast, tripod.marks_mm, reading_error_mm=0.25)
    assert told.off_deg(tripod.path) < 1e-8
    level = insertion_path(cast.frame, arch=labelled.arch, settings=PathSettings())
    heights = tripod.marks_mm @ level.direction
    table = upright_from_heights(cast, tripod.marks_mm, heights, reading_error_mm=0.25)
    assert table.off_deg(level) < 1e-8
    assert table.path.tilt_deg < 1e-8


def line_direction(carved: Mesh, cast: Cast) -> Floats:
    """Measured: where the two largest planes of a groove, its bottom and a side, meet."""
    own = distance_to_mm(cast.mesh, carved.face_centres) > 0.01
    normals, areas = carved.face_normals[own], carved.face_areas_mm2[own]
    _, plane = np.unique(np.round(normals, 4), axis=0, return_inverse=True)
    plane = plane.reshape(-1)
    size = np.bincount(plane, areas)
    mean = np.stack([np.bincount(plane, areas * normals[:, k]) for k in range(3)], axis=1)
    mean /= np.linalg.norm(mean, axis=1, keepdims=True)
    order = np.argsort(-size)
    other = next(k for k in order if abs(mean[k] @ mean[order[0]]) < 0.5)
    along = np.cross(mean[order[0]], mean[other])
    return along / np.linalg.norm(along)


def test_marks_and_lines_are_cut_into_the_model(labelled, recorded):
    cast, path = labelled.cast, recorded.tripod.path
    cut, space = carve(free_space(cast, path), recorded.grooves)
    assert [one.kind for one in cut] == ["mark"] * 3 + ["scored line"] * 3
    for one, groove in zip(cut, recorded.grooves, strict=True):
        assert_solid(one.mesh)
        if one.kind == "mark":
            # tissue is rounded: a little less than off an even surface
            assert 0.85 < one.volume_mm3 / groove.level_volume_mm3 < 1.1
        else:
            assert one.volume_mm3 >= 0.98 * groove.level_volume_mm3
            along = line_direction(one.mesh, cast)
            assert np.linalg.norm(np.cross(along, path.direction)) < np.sin(np.radians(0.01))
    marked = space.mould_filled()
    assert_solid(marked)
    total = sum(one.volume_mm3 for one in cut)
    assert marked.volume_mm3 == pytest.approx(cast.mesh.volume_mm3 - total, abs=1e-3)


@pytest.mark.parametrize("labelled", ["upper"], indirect=True, scope="module")
def test_how_sure_depths_planes_volume_and_path_are(labelled):
    """On one arch: it takes a whole survey."""
    cast = labelled.cast
    anterior, lateral = TILT_DEG[labelled.arch]
    read = survey(cast, path=PathSettings(anterior_tilt_deg=anterior, lateral_tilt_deg=lateral))
    teeth_mm = read.depth_mm * (labelled.tooth_of_vertex > 0)
    arms = [
        arm_ending(cast.mesh.vertices[k], depth_mm=float(teeth_mm[k]))
        for k in np.argsort(np.abs(teeth_mm - 0.25))[[0, 40]]
    ]
    guides = guiding_surfaces(read, labelled, [(n, "distal") for n, _ in GAPS[labelled.arch]])
    settings = SurenessSettings(samples=24)
    sure = sureness(read, arms=arms, guides=guides, settings=settings, volume_places=15_000)
    for arm in sure.arms:
        assert arm.depth_mm.meant == pytest.approx(0.25, abs=0.01)
        assert arm.depth_mm.low < arm.depth_mm.meant < arm.depth_mm.high
        # half a degree over a few millimetres of height
        assert 0.005 < arm.depth_mm.width < 0.25
    assert len(sure.planes) == len([one for one in guides if one.normal is not None]) >= 2
    for plane in sure.planes:
        assert 0.0 < plane.lean_deg.meant < 20.0
        # four standard deviations of one tilt are 0.8 degree
        assert 0.4 < plane.lean_deg.width < 1.6
    assert sure.volume_mm3.low < read.volume_mm3 < sure.volume_mm3.high
    assert sure.volume_mm3.width < 0.1 * read.volume_mm3
    alone = path_cone(planes_of(guides), read.path.direction)
    with_walls = path_cone(contacts_of(guides), read.path.direction)
    assert alone.kind == "cone"
    assert alone.narrowest_deg > 1.0
    assert with_walls.solid_angle_sr <= alone.solid_angle_sr
    if with_walls.axis is not None:
        planes = np.concatenate([one.normals for one in contacts_of(guides)])
        assert (planes @ read.path.direction).min() > -1e-9
