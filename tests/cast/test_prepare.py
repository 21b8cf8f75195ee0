"""From scan to cast: plain arches, damaged arches, arches turned every way, closed casts, what is
refused, and the shared arches.
"""

from __future__ import annotations

import hashlib
from itertools import permutations, product
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from invariants import assert_solid
from open_scans import (
    Section,
    dome,
    folded_in,
    inner_vertices,
    leaning,
    narrow_below,
    open_arch,
    rows_in,
    scan_of,
    sheet,
)
from plain_arch import based, plain_arch
from plyfile import PlyData

from blockout.case.settings import PrepareSettings
from blockout.cast.border import LOCAL_LIMIT_MM
from blockout.cast.change import Change
from blockout.cast.prepare import Prepared, prepare
from blockout.cast.scan import read_scan
from blockout.errors import CheckError, DefectError, InputError
from blockout.kernel.outlines import Region, inside
from blockout.kernel.solids import Solid
from blockout.kernel.surfaces import self_intersections
from blockout.mesh import Floats, Mesh, joined

SHARED = Path(__file__).parents[3] / "shared" / "casts"
STATED = PrepareSettings(up="+z", front="+y")
"""The bare ridges have no teeth to be levelled by."""
COARSE = plain_arch(step_mm=0.65, missing=(2, 4, 6, -2, -4, -6))


def the_change(prepared: Prepared, step: str) -> Change:
    (change,) = [change for change in prepared.changes if change.step == step]
    return change


def assert_cast_of(prepared: Prepared, scan: Mesh) -> None:
    """Solid, cutting nothing, the scan in it to the bit, the base as asked, and all of it told."""
    cast = prepared.cast
    assert_solid(cast.mesh)
    assert len(self_intersections(cast.mesh)) == 0
    again = Solid.from_mesh(cast.mesh).mesh()
    assert again.triangle_count == cast.mesh.triangle_count
    assert again.volume_mm3 == pytest.approx(cast.mesh.volume_mm3, rel=1e-9)
    # faces of the scan with all corners to the bit, counted independently of the tool
    untouched = rows_in(cast.mesh.vertices, scan.vertices)[cast.mesh.faces].all(axis=1)
    kept = the_change(prepared, "kept")
    assert f"of {scan.triangle_count} faces" in kept.message
    assert kept.touched <= int((untouched & cast.scanned).sum())
    assert not (untouched & ~cast.scanned).any()
    height = cast.frame.points_to_cast(cast.mesh.vertices)[:, 2]
    lowest = height[np.unique(cast.mesh.faces[cast.scanned])].min()
    assert cast.floor_mm == pytest.approx(height.min(), abs=1e-9)
    assert lowest - cast.floor_mm == pytest.approx(10.0, abs=1e-9)
    assert the_change(prepared, "base").touched == int((~cast.scanned).sum())
    border = the_change(prepared, "border")
    assert 0.6 <= border.extent_mm <= LOCAL_LIMIT_MM
    assert prepared.cast.noise_mm >= 0.0


def turns() -> list[Floats]:
    """The 24 ways a box can lie."""
    found = []
    for order, signs in product(permutations(range(3)), product((1.0, -1.0), repeat=3)):
        turn = np.zeros((3, 3))
        turn[np.arange(3), list(order)] = signs
        if np.linalg.det(turn) > 0.0:
            found.append(turn)
    assert len(found) == 24
    return found


@pytest.fixture(scope="module")
def coarse() -> Prepared:
    return prepare(scan_of(COARSE))


def test_a_plain_scan_becomes_a_cast(coarse: Prepared) -> None:
    assert_cast_of(coarse, COARSE)
    assert [change.step for change in coarse.changes] == ["border", "base", "kept"]
    assert coarse.cast.source.name == "arch.ply"
    # the arch is built level with its front at +y (plain_arch)
    assert np.degrees(np.arccos(coarse.cast.frame.up[2])) < 1.0
    assert np.degrees(np.arccos(coarse.cast.frame.front[1])) < 2.0


def test_nobody_said_which_arch(coarse: Prepared) -> None:
    assert (coarse.cast.arch, coarse.cast.arch_stated) == ("lower", False)
    assert any("--arch" in note for note in coarse.notes)
    stated = prepare(scan_of(COARSE), settings=PrepareSettings(arch="upper"))
    assert (stated.cast.arch, stated.cast.arch_stated) == ("upper", True)
    assert not any("--arch" in note for note in stated.notes)


@pytest.mark.parametrize("k", range(24))
def test_a_turned_file_gives_the_same_cast_turned(coarse: Prepared, k: int) -> None:
    turn = turns()[k]
    again = prepare(scan_of(Mesh(COARSE.vertices @ turn.T, COARSE.faces))).cast
    assert np.array_equal(again.mesh.faces, coarse.cast.mesh.faces)
    assert np.abs(again.mesh.vertices @ turn - coarse.cast.mesh.vertices).max() < 1e-6
    assert np.array_equal(again.scanned, coarse.cast.scanned)
    assert again.floor_mm == pytest.approx(coarse.cast.floor_mm, abs=1e-9)


def test_any_turn_and_shift_gives_the_same_cast(coarse: Prepared) -> None:
    turn, _ = np.linalg.qr(np.random.default_rng(2).normal(size=(3, 3)))
    turn *= np.sign(np.linalg.det(turn))
    shift = np.array([412.0, -77.0, 1003.0])
    again = prepare(scan_of(Mesh(COARSE.vertices @ turn.T + shift, COARSE.faces))).cast
    assert again.mesh.triangle_count == coarse.cast.mesh.triangle_count
    back = (again.mesh.vertices - shift) @ turn
    assert np.abs(back - coarse.cast.mesh.vertices).max() < 1e-6


def test_flipped_winding_and_metres_give_the_same_cast(coarse: Prepared) -> None:
    flipped = prepare(scan_of(COARSE.reversed()))
    assert the_change(flipped, "outside").touched == COARSE.triangle_count
    assert np.array_equal(flipped.cast.mesh.faces, coarse.cast.mesh.faces)
    assert np.array_equal(flipped.cast.mesh.vertices, coarse.cast.mesh.vertices)
    metres = prepare(scan_of(Mesh(COARSE.vertices / 1000.0 * 1000.0, COARSE.faces))).cast
    assert np.array_equal(metres.mesh.faces, coarse.cast.mesh.faces)
    assert np.abs(metres.mesh.vertices - coarse.cast.mesh.vertices).max() < 1e-6


@pytest.mark.parametrize("ragged", [0.0, 0.4])
@pytest.mark.parametrize("section", [narrow_below, folded_in, leaning])
def test_awkward_borders_still_give_a_cast(section: Section, ragged: float) -> None:
    arch = open_arch(section, ragged=ragged)
    prepared = prepare(scan_of(arch), settings=STATED)
    assert_cast_of(prepared, arch)
    if not ragged:
        assert len(the_change(prepared, "border").places_mm) > 0


def test_all_kinds_of_damage_at_once() -> None:
    arch = open_arch(along=220, across=64, ragged=0.3)
    inner = inner_vertices(arch, rings=8)
    rng = np.random.default_rng(4)
    points = np.array(arch.vertices)
    tips = inner[[500, 2500, 5000]]
    points[tips] += 5.0 * arch.vertex_normals[tips]
    spot = arch.vertices[inner[3500]]
    missing = np.linalg.norm(arch.face_centres - spot, axis=1) < 1.0
    patch = np.linalg.norm(arch.face_centres - arch.vertices[inner[1500]], axis=1) < 1.5
    faces = np.array(arch.faces)
    faces[patch] = faces[patch][:, ::-1]
    faces = faces[~missing]
    here = faces[np.isin(faces, inner).all(axis=1)][4000]
    fin = [[here[0], here[1], len(points)]]
    twice = faces[100:110]
    points = np.vstack([points, points[here[0]] + [[0.0, 0.0, 3.0]]])
    ball = dome(radius_mm=0.8, rings=4)
    island = Mesh(ball.vertices + np.array([0.0, 5.0, 2.0]), ball.faces)
    damaged = joined([Mesh(points, np.vstack([faces, fin, twice])), island])
    order = rng.permutation(damaged.triangle_count)
    damaged = Mesh(damaged.vertices, damaged.faces[order])
    prepared = prepare(scan_of(damaged), settings=STATED)
    assert_cast_of(prepared, damaged)
    told = {change.step: change for change in prepared.changes}
    assert told["duplicates"].touched == 10
    assert told["winding"].touched == int(patch.sum())
    assert told["spikes"].touched == 3
    assert told["spikes"].extent_mm == pytest.approx(5.0, abs=0.3)
    assert told["strays"].touched >= island.triangle_count
    assert told["fins"].touched >= 1
    assert told["holes"].touched >= 4
    holes = np.array(told["holes"].places_mm)
    assert np.linalg.norm(holes - spot, axis=1).min() < 0.5
    assert not rows_in(points[tips], prepared.cast.mesh.vertices).any()


def test_the_scan_is_left_as_it_was() -> None:
    scan = scan_of(COARSE)
    before = hashlib.sha256(scan.mesh.vertices.tobytes() + scan.mesh.faces.tobytes()).hexdigest()
    said: list[str] = []
    prepare(scan, progress=said.append)
    after = hashlib.sha256(scan.mesh.vertices.tobytes() + scan.mesh.faces.tobytes()).hexdigest()
    assert after == before
    assert said == [
        "mending the scan",
        "finding the occlusal plane",
        "trimming the border",
        "pouring the base",
        "checking the cast",
    ]


def test_land_thickness_and_trim_are_what_was_asked() -> None:
    settings = PrepareSettings(
        up="+z", front="+y", land_mm=5.0, base_thickness_mm=4.0, border_trim_mm=1.5
    )
    arch = open_arch()
    prepared = prepare(scan_of(arch), settings=settings)
    cast = prepared.cast
    height = cast.frame.points_to_cast(cast.mesh.vertices)
    scanned = height[np.unique(cast.mesh.faces[cast.scanned])]
    assert scanned[:, 2].min() - cast.floor_mm == pytest.approx(4.0, abs=1e-9)
    wide = np.ptp(height[:, 0]) - np.ptp(scanned[:, 0])
    assert 2 * 4.95 < wide < 2 * 5.4
    assert the_change(prepared, "border").extent_mm >= 1.5


def test_a_closed_cast_passes_through_to_the_bit() -> None:
    closed = based(COARSE, -24.0)
    prepared = prepare(scan_of(closed))
    assert prepared.changes == ()
    assert np.array_equal(prepared.cast.mesh.vertices, closed.vertices)
    assert np.array_equal(prepared.cast.mesh.faces, closed.faces)
    up = prepared.cast.mesh.face_normals @ prepared.cast.frame.up
    assert not prepared.cast.scanned[up < -0.99].any()
    assert any("passes through" in note for note in prepared.notes)


def test_a_cast_of_ours_passes_through(coarse: Prepared) -> None:
    again = prepare(scan_of(coarse.cast.mesh))
    assert again.changes == ()
    assert np.array_equal(again.cast.mesh.vertices, coarse.cast.mesh.vertices)
    assert again.cast.floor_mm - again.cast.frame.points_to_cast(
        coarse.cast.frame.points_to_file(np.array([0.0, 0.0, coarse.cast.floor_mm]))
    )[2] == pytest.approx(0.0, abs=1.0)


def test_an_inside_out_cast_is_turned() -> None:
    closed = based(COARSE, -24.0)
    prepared = prepare(scan_of(closed.reversed()))
    (change,) = prepared.changes
    assert (change.step, change.touched) == ("outside", closed.triangle_count)
    assert np.array_equal(prepared.cast.mesh.faces, closed.faces)


def test_a_hollow_cast_keeps_its_hollow() -> None:
    closed = based(COARSE, -24.0)
    middle = np.array([0.0, 23.9, -18.0])
    bubble = Mesh(dome(radius_mm=1.0, rings=6).vertices * 0.5, dome(rings=6).faces)
    lower = Mesh(bubble.vertices * [1.0, 1.0, -1.0], bubble.faces[:, ::-1])
    shell = joined([bubble, lower])
    _, same = np.unique(np.round(shell.vertices + 0.0, 9), axis=0, return_inverse=True)
    first = np.full(same.max() + 1, len(same))
    np.minimum.at(first, same.reshape(-1), np.arange(len(same)))
    ball = Mesh(shell.vertices, first[same.reshape(-1)][shell.faces])
    assert ball.volume_mm3 > 0.0
    hollow = joined([closed, Mesh(ball.vertices + middle, ball.faces[:, ::-1])])
    prepared = prepare(scan_of(hollow))
    assert prepared.changes == ()
    assert prepared.cast.mesh.volume_mm3 == pytest.approx(
        closed.volume_mm3 - ball.volume_mm3, rel=1e-9
    )


def test_a_pinprick_in_a_closed_cast_is_filled() -> None:
    closed = prepare(scan_of(open_arch()), settings=STATED).cast.mesh
    pricked = Mesh(closed.vertices, np.delete(closed.faces, 3000, axis=0))
    prepared = prepare(scan_of(pricked), settings=STATED)
    assert [change.step for change in prepared.changes] == ["holes", "kept"]
    assert the_change(prepared, "holes").touched == 1
    assert prepared.cast.mesh.triangle_count == closed.triangle_count
    assert prepared.cast.mesh.volume_mm3 == pytest.approx(closed.volume_mm3, rel=1e-12)


def test_a_closed_cast_that_cuts_through_itself_is_mended_or_refused() -> None:
    arch = open_arch()
    closed = prepare(scan_of(arch), settings=STATED).cast.mesh
    points = np.array(closed.vertices)
    here = int(np.flatnonzero(rows_in(closed.vertices, arch.vertices[inner_vertices(arch)]))[700])
    ring = np.unique(closed.faces[(closed.faces == here).any(axis=1)])
    far = ring[np.argmax(np.linalg.norm(points[ring] - points[here], axis=1))]
    points[here] += 1.6 * (points[far] - points[here])
    crossing = Mesh(points, closed.faces)
    assert len(self_intersections(crossing)) > 0
    prepared = prepare(scan_of(crossing), settings=STATED)
    assert [change.step for change in prepared.changes] == ["crossings", "kept"]
    assert_solid(prepared.cast.mesh)
    assert len(self_intersections(prepared.cast.mesh)) == 0
    told = np.array(the_change(prepared, "crossings").places_mm)
    assert np.linalg.norm(told - points[far], axis=1).min() < 2.0
    shaken = points + np.random.default_rng(3).normal(0.0, 0.6, points.shape)
    with pytest.raises(DefectError, match="cuts through itself") as error:
        prepare(scan_of(Mesh(shaken, closed.faces)), settings=STATED)
    assert len(error.value.places_mm) > 5


def test_several_bodies_are_refused_with_their_number() -> None:
    closed = based(COARSE, -24.0)
    others = [Mesh(closed.vertices + np.array([0.0, 0.0, 60.0 * k]), closed.faces) for k in (1, 2)]
    with pytest.raises(DefectError, match="several solids side by side") as error:
        prepare(scan_of(joined([closed, *others])))
    assert "3 closed bodies" in str(error.value)
    assert len(error.value.places_mm) == 3


def test_what_is_no_arch_is_refused_in_words() -> None:
    rng = np.random.default_rng(8)
    one = Mesh([[0, 0, 0], [10, 0, 0], [0, 10, 0]], [[0, 1, 2]])
    with pytest.raises(DefectError, match="too small to be an arch") as error:
        prepare(scan_of(one))
    assert "1 triangles" in str(error.value)
    flat = sheet(60.0, 50.0, step_mm=1.0)
    with pytest.raises(DefectError, match="flat: there is nothing to survey") as error:
        prepare(scan_of(flat))
    assert "--unit" in str(error.value)
    shaken = Mesh(flat.vertices + rng.normal(0.0, 0.02, flat.vertices.shape), flat.faces)
    with pytest.raises(DefectError, match="flat: there is nothing to survey"):
        prepare(scan_of(shaken))
    nothing = Mesh(np.zeros((3, 3)), [[0, 1, 2]])
    with pytest.raises(DefectError, match="no surface"):
        prepare(scan_of(nothing))
    soup = Mesh(rng.uniform(0.0, 60.0, (90_000, 3)), np.arange(90_000).reshape(-1, 3))
    with pytest.raises(DefectError, match="not a surface"):
        prepare(scan_of(soup))


def test_a_scan_that_shows_no_way_up_names_the_option() -> None:
    with pytest.raises(InputError, match="--up"):
        prepare(scan_of(open_arch()))


def test_a_scan_stated_upside_down_is_doubted() -> None:
    prepared = prepare(scan_of(COARSE), settings=PrepareSettings(up="-z", front="+y"))
    (note,) = [note for note in prepared.notes if "--up" in note]
    assert "the border lies" in note
    right = prepare(scan_of(COARSE), settings=STATED)
    assert not any("--up" in note for note in right.notes)


def test_a_moved_vertex_would_be_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The tool's own last check fires when a step before it moves a kept vertex by one bit."""
    from blockout.cast import prepare as room

    whole = room.trim_border

    def trembling(mesh: Mesh, **keywords: object) -> object:
        points = np.array(mesh.vertices)
        points[1000] = np.nextafter(points[1000], np.inf)
        return whole(Mesh(points, mesh.faces), **keywords)  # type: ignore[arg-type]

    monkeypatch.setattr(room, "trim_border", trembling)
    with pytest.raises(CheckError, match="1 vertices moved"):
        prepare(scan_of(COARSE))


# --- the shared arches ---------------------------------------------------------------------------

needs_shared = pytest.mark.skipif(
    not SHARED.is_dir(), reason="the folder ../shared/casts is not there"
)


def handles(mesh: Mesh, *, borders: int) -> int:
    """Tunnels through a surface in one piece, by Euler's formula."""
    ends = np.sort(mesh.halfedges, axis=1)
    edges = len(np.unique(ends[:, 0] * len(mesh.vertices) + ends[:, 1]))
    doubled = 2 - borders - (len(np.unique(mesh.faces)) - edges + mesh.triangle_count)
    assert doubled % 2 == 0
    return doubled // 2


@pytest.mark.long
@needs_shared
@pytest.mark.parametrize(
    ("name", "missing_mm2"), [("lower_partial_open", 340.0), ("upper_partial_open", 370.0)]
)
def test_shared_arches(real_arch: Any, name: str, missing_mm2: float) -> None:
    """Their border is ragged with teeth of 1 to 2 mm; seen in pictures, the trim takes these and
    the foot of the ridge's two ends, and no more.
    """
    scan = read_scan(SHARED / f"{name}.ply")
    prepared = real_arch(name.split("_")[0])
    cast = prepared.cast
    assert_cast_of(prepared, scan.mesh)
    assert (~cast.scanned).mean() < 0.10
    assert the_change(prepared, "kept").touched > 0.92 * scan.mesh.triangle_count
    area = scan.mesh.face_areas_mm2.sum() - cast.mesh.face_areas_mm2[cast.scanned].sum()
    assert 0.0 < area < missing_mm2
    # no tooth is touched: the labels name the crown each vertex of the file lies on
    labels = np.load(SHARED / f"{name}_labels.npz")["tooth"]
    vertices = np.stack(
        [np.asarray(PlyData.read(SHARED / f"{name}.ply")["vertex"][axis]) for axis in "xyz"],
        axis=1,
    ).astype(np.float64)
    assert rows_in(vertices[labels > 0], cast.mesh.vertices[np.unique(cast.mesh.faces)]).all()
    # the scan's own tunnels, under contacts of neighbouring teeth, and no more (Euler's formula)
    assert handles(cast.mesh, borders=0) == handles(scan.mesh, borders=2)
    plan = cast.frame.points_to_cast(cast.mesh.vertices)
    bottom = (np.abs(plan[cast.mesh.faces][:, :, 2] - cast.floor_mm) < 1e-9).all(axis=1)
    assert cast.mesh.face_areas_mm2[bottom].sum() < 0.75 * np.ptp(plan[:, 0]) * np.ptp(plan[:, 1])
    # wherever one stands on scanned surface, the base reaches 3 mm further
    corner = plan[np.unique(cast.mesh.faces[bottom]), :2]
    hull = plan[np.unique(cast.mesh.faces[cast.scanned]), :2]
    assert (corner.min(axis=0) < hull.min(axis=0) - 2.95).all()
    assert (corner.max(axis=0) > hull.max(axis=0) + 2.95).all()


@needs_shared
@pytest.mark.parametrize("name", ["crowns_lower", "crowns_upper"])
def test_crowns_alone_are_refused(name: str) -> None:
    with pytest.raises(DefectError, match="no tissue that joins them") as error:
        prepare(read_scan(SHARED / f"{name}.ply"))
    assert "14 closed bodies" in str(error.value)
    assert len(error.value.places_mm) == 14


def test_regions_know_their_inside() -> None:
    """The helper used above, against the square's own definition."""
    square = Region(np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0]]))
    points = np.array([[1.0, 1.0], [3.0, 1.0], [-0.1, 0.5]])
    assert inside(square, points).tolist() == [True, False, False]
