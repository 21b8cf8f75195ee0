"""The frozen mesh and the one answer to "is it a solid?", against closed forms and against trimesh
and libigl.
"""

from __future__ import annotations

import doctest
import itertools
import math
from collections.abc import Callable

import igl
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from blockout import mesh as mesh_module
from blockout.mesh import (
    Floats,
    Ints,
    Mesh,
    connected_faces,
    corner_fans,
    joined,
    pinched_vertices,
    solidity,
)

CACHED = (
    "vertices", "faces", "corners", "face_crosses", "face_areas_mm2", "face_normals",
    "face_centres", "bounds_mm", "halfedges", "twin_halfedges", "face_neighbours",
    "vertex_normals",
)  # fmt: skip


# --- bodies --------------------------------------------------------------------------------------
def box(
    size: tuple[float, float, float] = (1.0, 1.0, 1.0), at: tuple[float, ...] = (0, 0, 0)
) -> Mesh:
    """Twelve triangles, low corner at ``at``."""
    corners = np.array(list(itertools.product((0.0, 1.0), repeat=3))) * size + np.array(at)
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    return Mesh(corners, [t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))])


def tetrahedron(points: object = ((0, 0, 0), (1, 0, 0), (0, 1, 0), (0, 0, 1))) -> Mesh:
    return Mesh(points, [[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]])  # type: ignore[arg-type]


def ball(subdivisions: int = 2) -> Mesh:
    found = trimesh.creation.icosphere(subdivisions=subdivisions, radius=5.0)
    return Mesh(found.vertices, found.faces)


def torus(sections: int = 32) -> Mesh:
    found = trimesh.creation.torus(
        major_radius=6.0, minor_radius=2.0, major_sections=sections, minor_sections=sections
    )
    return Mesh(found.vertices, found.faces)


def grid(columns: int = 5, rows: int = 4) -> Mesh:
    """An open flat sheet."""
    x, y = np.meshgrid(np.arange(columns), np.arange(rows), indexing="ij")
    number = np.arange(columns * rows).reshape(columns, rows)
    a, b, c, d = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    faces = np.concatenate([np.stack([a, b, c], -1), np.stack([a, c, d], -1)]).reshape(-1, 3)
    return Mesh(np.stack([x, y, 0 * x], axis=-1).reshape(-1, 3), faces)


def glued(mesh: Mesh, groups: list[list[int]]) -> Mesh:
    """Give the vertices of each group one number, without moving anything."""
    number = np.arange(len(mesh.vertices))
    for group in groups:
        number[group] = group[0]
    return Mesh(mesh.vertices, number[mesh.faces])


def cones_tip_to_tip() -> Mesh:
    ring = [(math.cos(a), math.sin(a), 1.0) for a in np.linspace(0, 2 * math.pi, 8)[:-1]]
    upper = [(0.0, 0.0, 0.0), *ring, (0.0, 0.0, 1.0)]
    faces = []
    for k in range(7):
        a, b = 1 + k, 1 + (k + 1) % 7
        faces += [(0, b, a), (8, a, b)]
    cone = Mesh(upper, faces)
    other = Mesh(cone.vertices * [1, 1, -1], cone.faces[:, ::-1])
    return glued(joined([cone, other]), [[0, 9]])


def cubes_sharing_an_edge() -> Mesh:
    two = joined([box(), box(at=(1, 1, 0))])
    # corners of a box are numbered by x, y, z; (1,1,0) and (1,1,1) of the first are (0,0,*)
    return glued(two, [[6, 8], [7, 9]])


def cubes_sharing_a_vertex() -> Mesh:
    return glued(joined([box(), box(at=(1, 1, 1))]), [[7, 8]])


BODIES: dict[str, Callable[[], Mesh]] = {
    "box": lambda: box((2.0, 3.0, 4.0)),
    "tetrahedron": tetrahedron,
    "ball": ball,
    "torus": torus,
    "two boxes": lambda: joined([box(), box(at=(5, 0, 0))]),
}


def turn(
    axis: tuple[float, float, float], angle: float, shift: tuple[float, float, float]
) -> Floats:
    return np.asarray(trimesh.transformations.rotation_matrix(angle, axis)) + np.array(
        [[0, 0, 0, shift[0]], [0, 0, 0, shift[1]], [0, 0, 0, shift[2]], [0, 0, 0, 0]]
    )


# --- measures ------------------------------------------------------------------------------------
def test_a_box_by_closed_form() -> None:
    mesh = box((2.0, 3.0, 4.0), at=(100.0, -50.0, 7.0))
    assert mesh.volume_mm3 == pytest.approx(24.0, rel=1e-14)
    assert mesh.face_areas_mm2.sum() == pytest.approx(2 * (6 + 8 + 12), rel=1e-14)
    assert mesh.bounds_mm.tolist() == [[100, -50, 7], [102, -47, 11]]
    assert mesh.centre.tolist() == [101, -48.5, 9]
    assert mesh.triangle_count == 12


@settings(deadline=None)
@given(st.lists(st.floats(-100, 100), min_size=12, max_size=12))
def test_any_tetrahedron_is_a_sixth_of_its_determinant(numbers: list[float]) -> None:
    # closed form: V = det(b - a, c - a, d - a) / 6
    points = np.array(numbers).reshape(4, 3)
    exact = np.linalg.det(points[1:] - points[0]) / 6.0
    assert tetrahedron(points).volume_mm3 == pytest.approx(exact, rel=1e-12, abs=1e-8)


@pytest.mark.parametrize("subdivisions", [0, 1, 2, 3])
def test_a_ball_against_trimesh(subdivisions: int) -> None:
    mesh = ball(subdivisions)
    judge = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    assert mesh.volume_mm3 == pytest.approx(judge.volume, rel=1e-12)
    assert mesh.face_areas_mm2.sum() == pytest.approx(judge.area, rel=1e-12)
    np.testing.assert_allclose(mesh.face_normals, judge.face_normals, atol=1e-12)
    np.testing.assert_allclose(mesh.face_centres, judge.triangles_center, atol=1e-12)


def test_an_icosahedron_by_closed_form() -> None:
    # regular icosahedron of edge a: V = 5 (3 + sqrt 5) a^3 / 12, A = 5 sqrt 3 a^2
    mesh = ball(0)
    edge = float(np.linalg.norm(np.diff(mesh.corners[0, :2], axis=0)))
    assert mesh.volume_mm3 == pytest.approx(5 * (3 + math.sqrt(5)) / 12 * edge**3, rel=1e-12)
    assert mesh.face_areas_mm2.sum() == pytest.approx(5 * math.sqrt(3) * edge**2, rel=1e-12)


def test_a_ball_gets_nearer_to_the_ball_as_it_is_refined() -> None:
    # facets of size h miss a share of the ball that goes with h^2: a quarter at each step
    exact = 4 / 3 * math.pi * 125
    missing = [1 - ball(k).volume_mm3 / exact for k in (2, 3, 4, 5)]
    ratios = [a / b for a, b in itertools.pairwise(missing)]
    assert ratios == pytest.approx([4.0] * 3, rel=0.02)
    assert missing[-1] < 0.0006


def test_vertex_normals_of_a_box_point_along_its_diagonals() -> None:
    # weighted by angle, the way a corner is cut into triangles does not matter
    mesh = box((2.0, 3.0, 4.0))
    expected = np.sign(mesh.vertices - mesh.centre) / math.sqrt(3)
    np.testing.assert_allclose(mesh.vertex_normals, expected, atol=1e-15)


def test_vertex_normals_of_a_ball_point_from_its_middle() -> None:
    mesh = ball(3)
    np.testing.assert_allclose(mesh.vertex_normals, mesh.vertices / 5.0, atol=0.01)
    judge = igl.per_vertex_normals(
        mesh.vertices, mesh.faces, igl.PER_VERTEX_NORMALS_WEIGHTING_TYPE_ANGLE
    )
    np.testing.assert_allclose(mesh.vertex_normals, judge, atol=1e-12)


def test_a_face_without_area_has_no_normal_and_disturbs_nothing() -> None:
    mesh = Mesh([[0, 0, 0], [1, 0, 0], [2, 0, 0], [0, 1, 0]], [[0, 1, 2], [0, 1, 3]])
    assert mesh.face_areas_mm2.tolist() == [0.0, 0.5]
    assert mesh.face_normals.tolist() == [[0, 0, 0], [0, 0, 1]]
    assert mesh.vertex_normals[[0, 1, 3]].tolist() == [[0, 0, 1]] * 3
    assert mesh.vertex_normals[2].tolist() == [0, 0, 0]


def test_bounds_leave_unused_vertices_out() -> None:
    mesh = Mesh([[0, 0, 0], [1, 0, 0], [0, 1, 0], [99, 99, 99]], [[0, 1, 2]])
    assert mesh.bounds_mm.tolist() == [[0, 0, 0], [1, 1, 0]]


def test_volume_far_from_the_origin_loses_nothing() -> None:
    # a scan in machine coordinates, a kilometre away: a micron of rounding at most
    assert box(at=(1e6, -1e6, 1e6)).volume_mm3 == pytest.approx(1.0, rel=1e-9)


def test_an_empty_mesh_has_no_measures_and_is_no_solid() -> None:
    mesh = Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=int))
    assert mesh.volume_mm3 == 0.0
    assert mesh.bounds_mm.tolist() == [[0, 0, 0], [0, 0, 0]]
    assert len(corner_fans(mesh)) == len(mesh.halfedges) == len(mesh.twin_halfedges) == 0
    assert not pinched_vertices(mesh).any()
    assert solidity(mesh).reasons() == ("it has no triangles",)
    assert not solidity(mesh).closed
    assert not solidity(mesh).is_solid
    assert joined([]).triangle_count == 0


# --- guards --------------------------------------------------------------------------------------
def test_no_array_of_a_mesh_can_be_written() -> None:
    mesh = box()
    for name in CACHED:
        array = getattr(mesh, name)
        with pytest.raises(ValueError, match="read-only"):
            array[...] = 0
        assert getattr(mesh, name) is array, f"{name} is worked out twice"
    for array in mesh.edge_runs:
        with pytest.raises(ValueError, match="read-only"):
            array[...] = 0
    with pytest.raises(AttributeError):
        mesh.vertices = np.zeros((8, 3))  # type: ignore[misc]


def test_what_the_caller_does_to_its_arrays_later_does_not_matter() -> None:
    vertices, faces = np.array(box().vertices), np.array(box().faces)
    mesh = Mesh(vertices, faces)
    vertices += 7
    faces[:] = 0
    assert mesh.volume_mm3 == pytest.approx(1.0)
    assert vertices.flags.writeable


@pytest.mark.parametrize(
    ("vertices", "faces", "words"),
    [
        (np.eye(3), [[0, 1, 3]], "a vertex that is not there"),
        (np.eye(3), [[0, 1, -1]], "a vertex that is not there"),
        (np.zeros((0, 3)), [[0, 0, 0]], "a vertex that is not there"),
        ([[0, 0, math.nan], [0, 1, 0], [1, 0, 0]], [[0, 1, 2]], "not a finite number"),
        ([[0, 0, math.inf], [0, 1, 0], [1, 0, 0]], np.zeros((0, 3)), "not a finite number"),
        (np.zeros((2, 6)), [[0, 1, 2]], "vertices come as rows of three"),
        (np.zeros(9), [[0, 1, 2]], "vertices come as rows of three"),
        (np.zeros((1, 4, 3)), [[0, 1, 2]], "vertices come as rows of three"),
        (np.eye(3), [0, 1, 2], "faces come as rows of three"),
        (np.eye(4)[:, :3], [[0, 1, 2, 3]], "faces come as rows of three"),
        (np.eye(3), [[0, 1, 1.5]], "not a whole number"),
        (np.eye(3), [[0, 1, math.nan]], "not a whole number"),
    ],
)
def test_what_is_no_mesh_is_refused(vertices: object, faces: object, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        Mesh(vertices, faces)  # type: ignore[arg-type]


def test_whole_numbers_of_any_type_name_vertices() -> None:
    for kind in (np.int32, np.uint8, np.uint64, np.float64):
        assert Mesh(np.eye(3), np.array([[0, 1, 2]], dtype=kind)).faces.dtype == np.int64


# --- edges and neighbours ------------------------------------------------------------------------
def _edges_by_hand(faces: Ints) -> dict[tuple[int, int], list[tuple[int, int]]]:
    """Each edge with the directed halfedges on it, counted one by one: slow and plain."""
    edges: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for face in faces.tolist():
        for k in range(3):
            a, b = face[k], face[(k + 1) % 3]
            edges.setdefault((min(a, b), max(a, b)), []).append((a, b))
    return edges


soups = st.lists(
    st.lists(st.integers(0, 6), min_size=3, max_size=3, unique=True), min_size=1, max_size=14
).map(lambda faces: Mesh(np.random.default_rng(0).normal(size=(7, 3)), faces))
"""Any tangle of triangles on seven vertices."""


@settings(deadline=None, max_examples=200)
@given(soups)
def test_edges_of_any_soup_are_counted_exactly(mesh: Mesh) -> None:
    edges = _edges_by_hand(mesh.faces)
    found = solidity(mesh)
    assert found.open_edge_count == sum(len(runs) == 1 for runs in edges.values())
    assert found.crowded_edge_count == sum(len(runs) > 2 for runs in edges.values())
    opposed = [runs for runs in edges.values() if len(runs) == 2 and runs[0] == runs[1]]
    assert found.opposed_edge_count == len(opposed)
    assert found.collapsed_face_count == 0
    order, first, count = mesh.edge_runs
    assert sorted(order.tolist()) == list(range(3 * mesh.triangle_count))
    assert len(first) == len(count) == len(edges)
    for start, length in zip(first, count, strict=True):
        ends = {tuple(sorted(mesh.halfedges[h])) for h in order[start : start + length].tolist()}
        assert len(ends) == 1


@settings(deadline=None, max_examples=200)
@given(soups)
def test_twins_of_any_soup_run_the_other_way(mesh: Mesh) -> None:
    edges = _edges_by_hand(mesh.faces)
    for halfedge, twin in enumerate(mesh.twin_halfedges.tolist()):
        a, b = mesh.halfedges[halfedge].tolist()
        runs = edges[min(a, b), max(a, b)]
        paired = len(runs) == 2 and runs[0] != runs[1]
        assert (twin >= 0) == paired
        if paired:
            assert mesh.halfedges[twin].tolist() == [b, a]
            assert mesh.twin_halfedges[twin] == halfedge
            face, edge = halfedge % mesh.triangle_count, halfedge // mesh.triangle_count
            assert mesh.face_neighbours[face, edge] == twin % mesh.triangle_count


@settings(deadline=None, max_examples=200)
@given(soups, st.one_of(st.none(), st.lists(st.booleans(), min_size=42, max_size=42)))
def test_fans_of_any_soup_are_the_runs_of_faces_around_a_vertex(
    mesh: Mesh, crossed: list[bool] | None
) -> None:
    # by hand: corners join when their faces share an edge of exactly two agreeing faces there
    count = mesh.triangle_count
    corners = [(face, k) for k in range(3) for face in range(count)]
    group = {corner: number for number, corner in enumerate(corners)}
    across = None if crossed is None else np.array(crossed)[: 3 * count]
    for halfedge, twin in enumerate(mesh.twin_halfedges.tolist()):
        if twin < 0 or (across is not None and not across[halfedge]):
            continue
        here = (halfedge % count, halfedge // count)
        there = (twin % count, (twin // count + 1) % 3)
        old, new = group[there], group[here]
        group = {corner: new if number == old else number for corner, number in group.items()}
    fans = corner_fans(mesh, across=across).tolist()
    by_hand = [group[corner] for corner in corners]
    assert len(set(zip(fans, by_hand, strict=True))) == len(set(fans)) == len(set(by_hand))
    assert sorted(set(fans)) == list(range(len(set(fans))))
    if across is not None:
        return
    at_vertex: dict[int, set[int]] = {}
    for (face, k), fan in zip(corners, by_hand, strict=True):
        at_vertex.setdefault(int(mesh.faces[face, k]), set()).add(fan)
    pinched = [len(at_vertex.get(v, ())) > 1 for v in range(len(mesh.vertices))]
    assert pinched_vertices(mesh).tolist() == pinched


def test_a_fan_of_very_many_faces_is_one_fan() -> None:
    # the hub of a base's cap may have thousands of faces; open and closed
    for closed in (True, False):
        count = 5001
        angle = np.linspace(0, 2 * math.pi, count + 1)[:-1]
        ring = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
        rim = np.arange(1, count + 1)
        faces = np.stack([0 * rim, rim, np.roll(rim, -1)], axis=1)[: None if closed else -1]
        mesh = Mesh(np.concatenate([[[0, 0, 0]], ring]), faces)
        fans = corner_fans(mesh)
        assert len(np.unique(fans[: len(faces)])) == 1
        assert fans.max() + 1 == count + 1
        assert not pinched_vertices(mesh).any()


# --- solid or not --------------------------------------------------------------------------------
@pytest.mark.parametrize("name", BODIES)
def test_sound_bodies_are_solids_and_the_judges_agree(name: str) -> None:
    mesh = BODIES[name]()
    found = solidity(mesh)
    assert found.is_solid
    assert found.closed
    assert found.reasons() == ()
    judge = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    assert judge.is_volume
    assert found.volume_mm3 == pytest.approx(judge.volume, rel=1e-12)
    assert igl.is_edge_manifold(mesh.faces)[0]
    assert np.all(igl.is_vertex_manifold(mesh.faces))


def test_a_body_inside_out_is_no_solid() -> None:
    found = solidity(box((2.0, 3.0, 4.0)).reversed())
    assert found.closed
    assert not found.is_solid
    assert found.reasons() == ("it is inside out or flat (volume -24 mm3)",)


def test_a_flat_body_is_no_solid() -> None:
    found = solidity(tetrahedron(((0, 0, 0), (1, 0, 0), (0, 1, 0), (1, 1, 0))))
    assert found.closed
    assert not found.is_solid


@pytest.mark.parametrize(
    ("mesh", "edges", "vertices"),
    [
        # name of body, edges with more than two faces, vertices where sheets only touch
        (cones_tip_to_tip(), 0, 1),
        (cubes_sharing_a_vertex(), 0, 1),
        (cubes_sharing_an_edge(), 1, 2),
    ],
    ids=["cones tip to tip", "cubes sharing a vertex", "cubes sharing an edge"],
)
def test_bodies_that_only_touch_are_no_solid(mesh: Mesh, edges: int, vertices: int) -> None:
    found = solidity(mesh)
    assert found.crowded_edge_count == edges
    assert found.pinched_vertex_count == vertices
    assert found.open_edge_count == found.opposed_edge_count == 0
    assert not found.is_solid
    assert found.volume_mm3 > 0.0
    assert igl.is_edge_manifold(mesh.faces)[0] == (edges == 0)
    if edges == 0:
        judge = np.asarray(igl.is_vertex_manifold(mesh.faces)).reshape(-1)
        used = np.unique(mesh.faces)
        assert (~judge[used] == pinched_vertices(mesh)[used]).all()


def test_the_touching_place_is_the_one_found() -> None:
    mesh = cones_tip_to_tip()
    assert mesh.vertices[pinched_vertices(mesh)].tolist() == [[0, 0, 0]]
    fans = corner_fans(mesh)
    at_tip = mesh.faces.T.reshape(-1) == 0
    assert len(np.unique(fans[at_tip])) == 2
    mesh = cubes_sharing_an_edge()
    assert mesh.vertices[pinched_vertices(mesh)].tolist() == [[1, 1, 0], [1, 1, 1]]


def test_sheets_touching_at_a_vertex_of_their_borders_are_pinched() -> None:
    two = glued(joined([grid(2, 2), grid(2, 2)]), [[3, 4]])
    assert np.flatnonzero(pinched_vertices(two)).tolist() == [3]
    assert not pinched_vertices(grid()).any()


def test_every_reason_is_said_in_words() -> None:
    faces = box().faces
    broken = Mesh(box().vertices, np.concatenate([faces[2:], faces[4:5], [[0, 0, 5]]]))
    found = solidity(broken)
    assert found.collapsed_face_count == 1
    said = " and ".join(found.reasons())
    for words in (
        "open edges",
        "edges with more than two faces",
        "without three different corners",
    ):
        assert words in said
    assert f"{found.open_edge_count} open edges" in said
    flipped = faces.copy()
    flipped[0] = flipped[0, ::-1]
    assert solidity(Mesh(box().vertices, flipped)).reasons() == (
        "3 edges whose two faces disagree on the outside",
        # where two faces disagree they are not one sheet
        f"{solidity(Mesh(box().vertices, flipped)).pinched_vertex_count} vertices where two sheets "
        "only touch",
    )


SOUND = [box(), ball(1), grid(), torus(sections=6)]


@st.composite
def broken_bodies(draw: st.DrawFn) -> Mesh:
    """A sound body with faces dropped, flipped and repeated, and vertices glued."""
    mesh = draw(st.sampled_from(SOUND))
    faces, count = np.array(mesh.faces), mesh.triangle_count
    some = st.lists(st.integers(0, count - 1), max_size=3, unique=True)
    flipped, repeated, dropped = draw(some), draw(some), draw(some)
    faces[flipped] = faces[flipped][:, ::-1]
    faces = np.concatenate([np.delete(faces, dropped, axis=0), faces[repeated]])
    for _ in range(draw(st.integers(0, 2))):
        one, other = draw(st.tuples(*[st.integers(0, len(mesh.vertices) - 1)] * 2))
        faces[faces == other] = one
    distinct = (faces != np.roll(faces, 1, axis=1)).all(axis=1)
    return Mesh(mesh.vertices, faces[distinct])


@settings(deadline=None, max_examples=150)
@given(broken_bodies())
def test_broken_bodies_against_libigl_and_trimesh(mesh: Mesh) -> None:
    found = solidity(mesh)
    judge = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False, validate=False)
    # trimesh: watertight = every edge on exactly two faces; winding = those two run opposite ways
    paired = found.open_edge_count == found.crowded_edge_count == 0
    assert paired == judge.is_watertight
    assert found.closed == (judge.is_watertight and judge.is_winding_consistent)
    assert igl.is_edge_manifold(mesh.faces)[0] == (found.crowded_edge_count == 0)
    loops = igl.boundary_facets(mesh.faces)[0]
    assert found.open_edge_count == len(loops)
    if found.crowded_edge_count == found.opposed_edge_count == 0:
        # libigl walks across every shared edge, whichever way its faces run
        manifold = np.asarray(igl.is_vertex_manifold(mesh.faces)).reshape(-1)
        used = np.unique(mesh.faces)
        assert (manifold[used] == ~pinched_vertices(mesh)[used]).all()
        labels = igl.facet_components(mesh.faces)[1]
        ours = mesh.face_components()
        pairs = set(zip(labels.tolist(), ours.tolist(), strict=True))
        assert len(pairs) == len(set(ours.tolist())) == len(set(labels.tolist()))


# --- moving and joining --------------------------------------------------------------------------
@settings(deadline=None, max_examples=60)
@given(
    st.sampled_from(sorted(BODIES)),
    st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda axis: math.hypot(*axis) > 0.1),
    st.floats(-math.pi, math.pi),
    st.tuples(*[st.floats(-100, 100)] * 3),
)
def test_moving_changes_no_measure(
    name: str, axis: tuple[float, float, float], angle: float, shift: tuple[float, float, float]
) -> None:
    mesh, matrix = BODIES[name](), turn(axis, angle, shift)
    moved = mesh.moved(matrix)
    assert moved.volume_mm3 == pytest.approx(mesh.volume_mm3, rel=1e-11)
    np.testing.assert_allclose(moved.face_areas_mm2, mesh.face_areas_mm2, rtol=1e-9)
    np.testing.assert_allclose(moved.face_normals, mesh.face_normals @ matrix[:3, :3].T, atol=1e-9)
    back = moved.moved(np.linalg.inv(matrix))
    np.testing.assert_allclose(back.vertices, mesh.vertices, atol=1e-11)
    assert solidity(moved).is_solid
    # closed form: homogeneous coordinates
    by_hand = (matrix @ np.c_[mesh.vertices, np.ones(len(mesh.vertices))].T)[:3].T
    np.testing.assert_allclose(moved.vertices, by_hand, rtol=1e-13, atol=1e-12)


@settings(deadline=None, max_examples=60)
@given(st.sampled_from(sorted(BODIES)), st.floats(1e-3, 1e3))
def test_scaling_goes_with_the_square_and_the_cube(name: str, factor: float) -> None:
    mesh = BODIES[name]()
    scaled = mesh.scaled(factor)
    assert scaled.volume_mm3 == pytest.approx(mesh.volume_mm3 * factor**3, rel=1e-12)
    np.testing.assert_allclose(scaled.face_areas_mm2, mesh.face_areas_mm2 * factor**2, rtol=1e-12)
    np.testing.assert_array_equal(scaled.faces, mesh.faces)


@pytest.mark.parametrize("name", BODIES)
def test_reversing_turns_the_volume_over_and_twice_is_nothing(name: str) -> None:
    mesh = BODIES[name]()
    assert mesh.reversed().volume_mm3 == pytest.approx(-mesh.volume_mm3, rel=1e-12)
    np.testing.assert_array_equal(mesh.reversed().reversed().faces, mesh.faces)
    np.testing.assert_allclose(mesh.reversed().face_normals, -mesh.face_normals, atol=1e-15)


@settings(deadline=None, max_examples=60)
@given(st.data())
def test_a_part_keeps_its_faces_their_order_and_only_its_vertices(data: st.DataObject) -> None:
    mesh = torus()
    keep = np.zeros(mesh.triangle_count, dtype=bool)
    keep[data.draw(st.lists(st.integers(0, mesh.triangle_count - 1), max_size=40))] = True
    part = mesh.part(keep)
    np.testing.assert_array_equal(part.corners, mesh.corners[keep])
    assert np.array_equal(np.unique(part.faces), np.arange(len(part.vertices)))
    rest = mesh.part(~keep)
    both = part.face_areas_mm2.sum() + rest.face_areas_mm2.sum()
    assert both == pytest.approx(mesh.face_areas_mm2.sum(), rel=1e-12)


def test_joining_adds_volumes_and_keeps_pieces_apart() -> None:
    pieces = [box(), ball(1).moved(turn((0, 0, 1), 0.0, (50, 0, 0))), tetrahedron()]
    whole = joined(pieces)
    assert whole.volume_mm3 == pytest.approx(sum(piece.volume_mm3 for piece in pieces), rel=1e-12)
    labels = whole.face_components()
    sizes = [piece.triangle_count for piece in pieces]
    assert np.bincount(labels).tolist() == sizes
    for number, piece in enumerate(pieces):
        part = whole.part(labels == number)
        np.testing.assert_array_equal(part.vertices, piece.vertices)
        np.testing.assert_array_equal(part.faces, piece.faces)


def test_faces_that_touch_only_at_a_vertex_are_two_pieces() -> None:
    assert set(cubes_sharing_a_vertex().face_components().tolist()) == {0, 1}
    assert connected_faces(np.array([[1, -1, -1], [0, -1, -1], [-1, -1, -1]])).tolist() == [0, 0, 1]


@pytest.mark.parametrize("name", BODIES)
def test_no_question_changes_the_mesh(name: str) -> None:
    mesh = BODIES[name]()
    before = mesh.vertices.tobytes() + mesh.faces.tobytes()
    for attribute in CACHED:
        getattr(mesh, attribute)
    solidity(mesh)
    mesh.part(np.ones(mesh.triangle_count, dtype=bool))
    mesh.moved(np.eye(4))
    joined([mesh, mesh])
    assert mesh.vertices.tobytes() + mesh.faces.tobytes() == before


def test_examples_in_the_docs() -> None:
    assert doctest.testmod(mesh_module).failed == 0


def test_reshaped_keeps_how_faces_hang_together() -> None:
    mesh = box((1.0, 2.0, 3.0))
    neighbours = mesh.face_neighbours
    other = mesh.reshaped(2.0 * mesh.vertices)
    assert other.face_neighbours is neighbours
    assert np.array_equal(other.face_neighbours, Mesh(other.vertices, other.faces).face_neighbours)
    # closed form: a length doubled is a volume eightfold
    assert other.volume_mm3 == pytest.approx(48.0, rel=1e-12)
