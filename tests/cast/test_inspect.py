"""What is said of a mesh, against closed forms, brute force, and other libraries."""

from __future__ import annotations

import itertools
import json
import math
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from blockout.cast.inspect import Inspection, inspect_mesh
from blockout.cast.noise import estimate_noise_mm
from blockout.kernel.files import read_mesh_file
from blockout.mesh import Mesh, joined, solidity

CASTS = Path(__file__).parents[2] / ".." / "shared" / "casts"
NO_CASTS = pytest.mark.skipif(not CASTS.exists(), reason="the shared casts are not on this machine")


def cube(side_mm: float = 2.0, at: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Mesh:
    box = trimesh.creation.box(extents=[side_mm] * 3)
    return Mesh(box.vertices + np.array(at), box.faces)


def looked_at(mesh: Mesh) -> Inspection:
    """Inspect, and check that nothing changed and that the facts are JSON."""
    before = mesh.vertices.tobytes(), mesh.faces.tobytes()
    found = inspect_mesh(mesh)
    assert (mesh.vertices.tobytes(), mesh.faces.tobytes()) == before
    assert json.loads(json.dumps(found.facts(), allow_nan=False)) == found.facts()
    return found


def test_a_cube_of_two_millimetres() -> None:
    """Closed forms: volume 8, area 24, edges of 2 and 2 root 2."""
    found = looked_at(cube())
    facts = found.facts()
    assert facts["triangles"] == 12
    assert facts["vertices"] == 8
    assert facts["closed"] is True
    assert facts["is_solid"] is True
    assert facts["not_solid_because"] == []
    assert facts["oriented"] is True
    assert facts["inside_out"] is False
    assert facts["volume_mm3"] == pytest.approx(8.0, rel=1e-14)
    assert facts["area_mm2"] == pytest.approx(24.0, rel=1e-14)
    assert facts["bounds_mm"] == [[-1.0] * 3, [1.0] * 3]
    assert facts["size_mm"] == [2.0] * 3
    assert facts["components"] == {"count": 1, "triangles": [12], "inside_out": 0}
    assert facts["boundary_loops"] == {"count": 0, "length_mm": 0.0, "longest": []}
    # 12 edges of 2, 6 diagonals
    assert facts["edge_length_mm"]["min"] == facts["edge_length_mm"]["median"] == 2.0
    assert facts["edge_length_mm"]["max"] == pytest.approx(2.0 * math.sqrt(2.0))
    for fault in ("crowded_edges", "opposed_edges", "pinched_vertices", "degenerate_faces",
                  "duplicate_faces", "self_intersections"):  # fmt: skip
        assert facts[fault] == {"count": 0, "places_mm": []}
    assert found.sentences() == ()


def test_an_open_tube_has_two_loops_of_known_length() -> None:
    """A ring of n chords of 2 R sin(pi / n); R 5 and 3."""
    count = 24
    angle = np.arange(count) * 2 * np.pi / count
    circle = np.stack([np.cos(angle), np.sin(angle), np.zeros(count)], axis=1)
    vertices = np.concatenate([circle * 5.0, circle * 3.0 + [0, 0, 4.0]])
    here, after = np.arange(count), (np.arange(count) + 1) % count
    faces = np.concatenate(
        [
            np.stack([here, after, after + count], 1),
            np.stack([here, after + count, here + count], 1),
        ]
    )
    found = looked_at(Mesh(vertices, faces))
    chord = 2.0 * math.sin(math.pi / count) * count
    assert found.loop_count == 2
    assert [loop.length_mm for loop in found.loops] == pytest.approx([5 * chord, 3 * chord])
    assert [loop.edge_count for loop in found.loops] == [count, count]
    assert found.boundary_mm == pytest.approx(8 * chord)
    assert [loop.place_mm[2] for loop in found.loops] == [0.0, 4.0]
    for loop, radius in zip(found.loops, (5.0, 3.0), strict=True):
        assert math.hypot(*loop.place_mm[:2]) == pytest.approx(radius)
    assert found.closed is False
    assert found.volume_mm3 is None
    assert found.inside_out is None
    assert found.facts()["not_solid_because"] == ["48 open edges"]
    assert found.sentences() == (
        f"It is open: 2 boundary loops, the longest {5 * chord:.1f} mm long, "
        "through (5.00, 0.00, 0.00) mm.",
    )


def test_two_holes_that_touch_at_a_corner_have_one_rim_and_two_sheets_have_two() -> None:
    """A sheet of squares with two squares taken out that share one corner, and the two alone."""
    sheet = [(i, j) for i in range(4) for j in range(4) if (i, j) not in ((1, 1), (2, 2))]
    faces = [
        triangle
        for i, j in sheet
        for triangle in (
            (5 * i + j, 5 * i + j + 5, 5 * i + j + 6),
            (5 * i + j, 5 * i + j + 6, 5 * i + j + 1),
        )
    ]
    vertices = [[i, j, 0.0] for i in range(5) for j in range(5)]
    found = looked_at(Mesh(vertices, faces))
    assert [loop.length_mm for loop in found.loops] == [16.0, 8.0]
    assert found.pinched_vertices.count == 1
    assert found.pinched_vertices.places_mm == ((2.0, 2.0, 0.0),)
    assert "1 vertex where two sheets only touch, near (2.00, 2.00, 0.00) mm." in found.sentences()
    two = looked_at(Mesh(vertices, [[6, 11, 12], [6, 12, 7], [12, 17, 18], [12, 18, 13]]))
    assert [loop.length_mm for loop in two.loops] == [4.0, 4.0]
    assert two.pinched_vertices.count == 1
    assert two.component_count == 2


def test_a_flipped_face_is_one_piece_with_three_quarrelling_edges() -> None:
    body = cube()
    faces = body.faces.copy()
    faces[4] = faces[4, ::-1]
    found = looked_at(Mesh(body.vertices, faces))
    assert found.opposed_edges.count == 3
    assert found.component_count == 1
    assert found.loop_count == 0
    assert found.facts()["oriented"] is False
    assert found.closed is False
    corners = body.corners[4]
    middles = {tuple((corners[k] + corners[(k + 1) % 3]) / 2) for k in range(3)}
    assert set(found.opposed_edges.places_mm) <= middles


def test_inside_out_and_hollow() -> None:
    found = looked_at(cube().reversed())
    assert found.inside_out is True
    assert found.volume_mm3 == pytest.approx(-8.0)
    assert found.facts()["is_solid"] is False
    assert found.sentences() == ("It is inside out: its volume is -8 mm3.",)
    hollow = looked_at(joined([cube(4.0), cube(2.0).reversed()]))
    assert hollow.volume_mm3 == pytest.approx(64.0 - 8.0)
    assert hollow.inside_out is False
    assert hollow.inverted_component_count == 1
    assert hollow.component_triangles == (12, 12)
    assert hollow.sentences()[-1] == "1 closed piece turned inside out: a hollow, or a mistake."
    # an open piece has no inside, whatever its faces add up to
    assert looked_at(joined([cube(4.0), cube(2.0).reversed().part(np.arange(12) > 0)])).facts()[
        "components"
    ] == {"count": 2, "triangles": [12, 11], "inside_out": 0}


def test_crowded_edge_of_two_cubes() -> None:
    """Two cubes that share the four vertices of nothing but one edge."""
    one, other = cube(), cube(at=(2.0, 2.0, 0.0))
    both = joined([one, other])
    places = {tuple(row): k for k, row in reversed(list(enumerate(both.vertices.tolist())))}
    number = np.array([places[tuple(row)] for row in both.vertices.tolist()])
    found = looked_at(Mesh(both.vertices, number[both.faces]))
    assert found.crowded_edges.count == 1
    assert found.crowded_edges.places_mm == ((1.0, 1.0, 0.0),)
    assert found.unused_vertex_count == 2
    assert found.component_count == 1
    assert "2 vertices that no face uses." in found.sentences()
    # unshared, the same two cubes only lie at one place
    apart = looked_at(both)
    assert apart.coincident_vertex_count == 2
    assert apart.component_count == 2
    assert apart.crowded_edges.count == 0


def test_degenerate_and_duplicate_faces_and_their_places() -> None:
    body = cube()
    vertices = np.vstack([body.vertices, [[9.0, 0, 0], [10, 0, 0], [11, 0, 0], [10, 5e-7, 0]]])
    extra = [[8, 9, 10], [8, 10, 11], [0, 0, 1], body.faces[3][[1, 2, 0]], body.faces[5][::-1]]
    found = looked_at(Mesh(vertices, np.vstack([body.faces, extra])))
    assert found.degenerate_faces.count == 3
    assert found.degenerate_faces.places_mm[0] == (10.0, 0.0, 0.0)
    assert found.duplicate_faces.count == 2
    assert np.allclose(found.duplicate_faces.places_mm[0], body.face_centres[3])
    assert found.intersections is not None
    assert found.intersections.count == 0  # flat and repeated faces are told once, not twice


def crossing_pairs(corners: np.ndarray) -> int:
    """Brute force for triangles in general position: an edge of one goes through the other."""

    def side(a: np.ndarray, b: np.ndarray, c: np.ndarray, d: np.ndarray) -> float:
        return float(np.sign(np.dot(np.cross(b - a, c - a), d - a)))

    def through(p: np.ndarray, q: np.ndarray, t: np.ndarray) -> bool:
        if side(*t, p) == side(*t, q):
            return False
        turns = {side(p, q, t[k], t[(k + 1) % 3]) for k in range(3)}
        return len(turns) == 1

    return sum(
        any(
            through(one[k], one[(k + 1) % 3], other)
            for one, other in ((a, b), (b, a))
            for k in range(3)
        )
        for a, b in itertools.combinations(corners, 2)
    )


def test_self_intersections_by_brute_force() -> None:
    corners = np.random.default_rng(5).uniform(0, 10, (40, 3, 3))
    mesh = Mesh(corners.reshape(-1, 3), np.arange(120).reshape(-1, 3))
    found = looked_at(mesh)
    assert found.intersections is not None
    assert found.intersections.count == crossing_pairs(corners) > 50


def test_self_intersections_of_two_cubes_lie_on_both() -> None:
    """Cubes at (0, 0, 0) and (1, 1, 1): their surfaces meet within the box from 0 to 1."""
    found = looked_at(joined([cube(), cube(at=(1.0, 1.1, 1.2))]))
    assert found.intersections is not None
    assert found.intersections.count > 0
    assert found.closed is True
    assert found.sentences()[-1].startswith(f"{found.intersections.count} pairs of faces that cut")


def test_surfaces_that_only_touch_do_not_cut_each_other() -> None:
    """An unwelded scan touches itself along every edge; that is no self-intersection."""
    body = trimesh.creation.icosphere(subdivisions=3)
    torn = Mesh(body.triangles.reshape(-1, 3), np.arange(3 * len(body.faces)).reshape(-1, 3))
    found = looked_at(torn)
    assert found.intersections is not None
    assert found.intersections.count == 0
    assert found.coincident_vertex_count == 3 * len(body.faces) - len(body.vertices)
    assert found.component_count == found.loop_count == len(body.faces)
    assert len(found.loops) == len(found.component_triangles) == 20  # told one by one, no more


@st.composite
def meshes(draw: st.DrawFn) -> Mesh:
    count = draw(st.integers(3, 8))
    coordinate = st.integers(0, 3).map(float)
    vertices = draw(hnp.arrays(np.float64, (count, 3), elements=coordinate))
    shape = draw(st.integers(0, 12)), 3
    return Mesh(vertices, draw(hnp.arrays(np.int64, shape, elements=st.integers(0, count - 1))))


@settings(max_examples=150, deadline=None)
@given(meshes())
def test_any_mesh_by_brute_force(mesh: Mesh) -> None:
    """Counts against dictionaries; the answer to "is it a solid?" is the one used everywhere."""
    found = looked_at(mesh)
    faces = mesh.faces.tolist()
    edges = Counter(frozenset((face[k], face[(k + 1) % 3])) for face in faces for k in range(3))
    assert found.crowded_edges.count == sum(n > 2 for n in edges.values())
    assert found.solidity == solidity(mesh)
    assert found.closed == solidity(mesh).closed
    groups = [{k} for k in range(len(faces))]
    for a, b in itertools.combinations(range(len(faces)), 2):
        shared = {frozenset((faces[a][k], faces[a][(k + 1) % 3])) for k in range(3)} & {
            frozenset((faces[b][k], faces[b][(k + 1) % 3])) for k in range(3)
        }
        if shared:
            one = next(group for group in groups if a in group)
            other = next(group for group in groups if b in group)
            if one is not other:
                groups.remove(other)
                one |= other
    sizes = tuple(sorted((len(group) for group in groups), reverse=True))
    assert found.component_triangles == sizes
    assert found.component_count == len(sizes)
    assert found.duplicate_faces.count == len(faces) - len({tuple(sorted(face)) for face in faces})
    # on this grid of whole numbers a face is flat exactly where its cross product is zero
    crosses = np.array(
        [np.cross(mesh.vertices[b] - mesh.vertices[a], mesh.vertices[c] - mesh.vertices[a])
         for a, b, c in faces]
    ).reshape(-1, 3)  # fmt: skip
    assert found.degenerate_faces.count == int((~crosses.any(axis=1)).sum())
    open_edges = [tuple(edge) for edge, n in edges.items() if n == 1]
    length_mm = sum(
        float(np.linalg.norm(mesh.vertices[edge[0]] - mesh.vertices[edge[-1]]))
        for edge in open_edges
    )
    assert found.boundary_mm == pytest.approx(length_mm)
    assert sum(loop.edge_count for loop in found.loops) == len(open_edges)


def test_empty_and_single() -> None:
    empty = looked_at(Mesh(np.zeros((0, 3)), np.zeros((0, 3))))
    assert empty.facts()["not_solid_because"] == ["it has no triangles"]
    assert empty.sentences() == ("It has no triangles.",)
    single = looked_at(Mesh([[0, 0, 0], [3, 0, 0], [0, 4, 0]], [[0, 1, 2]]))
    assert [loop.length_mm for loop in single.loops] == [12.0]
    assert single.area_mm2 == 6.0
    assert single.sentences() == (
        "It is open: 1 boundary loop, 12.0 mm long, through (0.00, 0.00, 0.00) mm.",
    )


def soup(count: int, size_mm: float) -> Mesh:
    """Random triangles in a box of 60 mm, none joined to another."""
    rng = np.random.default_rng(7)
    centres = rng.uniform(0.0, 60.0, (count, 1, 3))
    corners = centres + rng.uniform(-size_mm / 2, size_mm / 2, (count, 3, 3))
    return Mesh(corners.reshape(-1, 3), np.arange(3 * count).reshape(-1, 3))


def test_a_heap_of_crossing_faces_is_not_counted_and_that_is_said() -> None:
    found = looked_at(soup(60_000, 60.0))
    assert found.intersections is None
    assert found.facts()["self_intersections"]["count"] is None
    assert "pairs of faces lie close enough to cross" in found.intersections_not_counted
    assert found.sentences()[-1].startswith("Self-intersections were not counted: about ")
    assert found.component_count == found.loop_count == 60_000


def test_a_few_large_faces_through_a_fine_mesh_are_noticed() -> None:
    """Half of the pairs come from one face in a hundred: a sample must not miss them."""
    found = looked_at(joined([soup(60_000, 0.1), soup(3_000, 60.0)]))
    assert found.intersections is None


def test_a_cloud_of_small_faces_is_counted() -> None:
    """Two libraries' worth of certainty is not needed: the number must grow as its square."""
    counts = []
    for count in (10_000, 40_000):
        found = looked_at(soup(count, 1.0))
        assert found.intersections is not None
        counts.append(found.intersections.count)
    assert counts[1] / counts[0] == pytest.approx(16.0, rel=0.35)


@NO_CASTS
def test_a_shared_arch_in_the_eyes_of_trimesh() -> None:
    """Open, ragged, clean inside, 4 um of noise: what its README says; counts by trimesh."""
    file = read_mesh_file(CASTS / "upper_partial_open.ply")
    mesh = Mesh(file.vertices, file.faces)
    found = looked_at(mesh)
    other = trimesh.Trimesh(file.vertices, file.faces, process=False)
    assert found.closed is other.is_watertight is False
    assert found.facts()["oriented"] is bool(other.is_winding_consistent)
    assert found.component_count == other.body_count
    assert found.area_mm2 == pytest.approx(other.area, rel=1e-9)
    single = trimesh.grouping.group_rows(other.edges_sorted, require_count=1)
    open_edges = other.edges_sorted[single]
    lengths_mm = np.linalg.norm(
        other.vertices[open_edges[:, 0]] - other.vertices[open_edges[:, 1]], axis=1
    )
    assert found.boundary_mm == pytest.approx(lengths_mm.sum(), rel=1e-9)
    assert found.edge_lengths.median_mm == pytest.approx(
        np.median(other.edges_unique_length), rel=1e-9
    )
    assert found.intersections is not None
    assert found.intersections.count == 0
    assert found.noise_mm == estimate_noise_mm(mesh) == pytest.approx(0.004, abs=0.001)
