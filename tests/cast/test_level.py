"""The frame found against arches whose occlusal plane and midline are known by construction, and
against the tooth labels of the shared arches.
"""

from __future__ import annotations

from itertools import permutations, product
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from plain_arch import based, plain_arch
from plyfile import PlyData

from blockout.cast.axes import direction_from_text
from blockout.cast.frame import CastFrame
from blockout.cast.level import FoundFrame, find_frame
from blockout.errors import InputError
from blockout.mesh import Floats, Mesh

SHARED = Path(__file__).parents[3] / "shared" / "casts"

ARCHES: dict[str, dict[str, Any]] = {
    "full": {},
    "coarse": {"step_mm": 1.0},
    "noisy": {"noise_mm": 0.05},
    "palate": {"palate": True},
    "both sides free-ending": {"missing": (5, 6, 7, -5, -6, -7)},
    "one side free-ending": {"missing": (-4, -5, -6, -7)},
    "free end and a gap": {"missing": (-5, -6, -7, 4, 5)},
    "gap in front": {"missing": (1, 2, 3, -1, -2, -3)},
    "palate, few teeth": {"palate": True, "missing": (5, 6, 7, -4, -5, -6, -7)},
    "closed": {"base_mm": -24.0},
    "closed palate": {"base_mm": -34.0, "palate": True},
    "closed, free-ending": {"base_mm": -24.0, "missing": (-5, -6, -7)},
}


def angle_deg(a: Floats, b: Floats) -> float:
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b)))


def moved_by(turn: Floats, shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Floats:
    matrix = np.eye(4)
    matrix[:3, :3] = turn
    matrix[:3, 3] = shift_mm
    return matrix


def axis_turns() -> list[Floats]:
    """The 24 rotations that take axes to axes."""
    turns = []
    for order, signs in product(permutations(range(3)), product((1.0, -1.0), repeat=3)):
        turn = np.zeros((3, 3))
        turn[range(3), order] = signs
        if np.linalg.det(turn) > 0.0:
            turns.append(turn)
    return turns


def random_turn(seed: int) -> Floats:
    turn = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))[0]
    result: Floats = turn * np.linalg.det(turn)
    return result


@pytest.mark.parametrize("name", ARCHES)
def test_known_plane_and_midline(name: str) -> None:
    found = find_frame(plain_arch(**ARCHES[name]))
    up, front = found.frame.up, found.frame.front
    assert angle_deg(up, np.array([0.0, 0.0, 1.0])) < 0.5
    assert angle_deg(front, np.array([0.0, 1.0, 0.0])) < 3.0
    assert not found.flipped
    # tips of every tooth lie at z = 0, less what the grid misses of their points
    origin = found.frame.matrix[:3, 3]
    assert origin[2] == pytest.approx(-0.2, abs=0.2)
    assert abs(origin[0]) < 1.0
    assert found.cusp_count >= 12
    assert found.cusp_spread_mm < 0.15


def test_six_front_teeth_still_hold_a_plane() -> None:
    # tips only 3 mm apart from front to back: the first guess has a say, and it is 4 degrees off
    found = find_frame(plain_arch(missing=(4, 5, 6, 7, -4, -5, -6, -7)))
    assert angle_deg(found.frame.up, np.array([0.0, 0.0, 1.0])) < 2.5


@pytest.mark.parametrize("base_mm", [None, -24.0])
def test_turned_any_way_the_frame_turns_with_it(base_mm: float | None) -> None:
    mesh = plain_arch(missing=(-5, -6, -7, 4), base_mm=base_mm, step_mm=1.0)
    frame = find_frame(mesh).frame.matrix
    turns = [*axis_turns(), random_turn(1), random_turn(2)]
    if base_mm is not None:
        turns = turns[1::3]  # the search for the bottom takes longer
    for k, turn in enumerate(turns):
        matrix = moved_by(turn, (40.0, -15.0, 8.0))
        turned = mesh.moved(matrix)
        inside_out = k % 2 == 1
        found = find_frame(turned.reversed() if inside_out else turned)
        assert found.flipped is inside_out
        assert found.frame.matrix == pytest.approx(matrix @ frame, abs=1e-6)


def test_tall_tooth_and_spike_do_not_tilt_the_plane() -> None:
    mesh = plain_arch(missing=(-6, -7))
    level = find_frame(mesh).frame.up
    points = mesh.vertices.copy()
    molar = (points[:, 0] > 14.0) & (points[:, 1] < -12.0) & (points[:, 2] > -7.0)
    points[molar, 2] += 3.0  # over-erupted
    assert angle_deg(find_frame(Mesh(points, mesh.faces)).frame.up, level) < 0.5
    points = mesh.vertices.copy()
    points[np.argmin(np.linalg.norm(points - [-21.0, 0.0, -2.0], axis=1)), 2] += 12.0
    assert angle_deg(find_frame(Mesh(points, mesh.faces)).frame.up, level) < 0.5


def test_scan_cut_short_on_one_side_keeps_its_midline() -> None:
    mesh = plain_arch()
    short = (mesh.face_centres[:, 0] < 0.0) & (mesh.face_centres[:, 1] < -10.0)
    found = find_frame(mesh.part(~short))
    assert angle_deg(found.frame.front, np.array([0.0, 1.0, 0.0])) < 5.0


def test_both_directions_given_are_taken_exactly() -> None:
    mesh = plain_arch()
    found = find_frame(mesh, up="0,1,2", front="1,1,0")
    up = np.array([0.0, 1.0, 2.0]) / np.sqrt(5.0)
    front = np.array([1.0, 1.0, 0.0]) - up * (1.0 / np.sqrt(5.0))
    assert found.frame.up == pytest.approx(up, abs=1e-12)
    assert found.frame.front == pytest.approx(front / np.linalg.norm(front), abs=1e-12)
    assert found.frame.points_to_cast(mesh.vertices)[:, 2].max() == pytest.approx(0.0, abs=1e-12)
    assert found.cusp_count == 0


def test_both_directions_given_need_no_arch() -> None:
    slab = Mesh([[0, 0, 0], [9, 0, 0], [0, 9, 0], [9, 9, 0]], [[0, 1, 2], [2, 1, 3]])
    assert not find_frame(slab, up="+z", front="+y").flipped
    assert find_frame(slab, up="-z", front="+y").flipped


def test_up_alone_is_a_hint_of_the_side() -> None:
    mesh = plain_arch()
    plain = find_frame(mesh)
    hinted = find_frame(mesh, up="1,0,2")  # 27 degrees off
    assert hinted.frame.matrix == pytest.approx(plain.frame.matrix, abs=1e-9)


def test_up_lets_a_closed_cast_without_flat_bottom_through() -> None:
    closed = plain_arch(base_mm=-24.0)
    points = closed.vertices.copy()
    low = points[:, 2] < -23.9
    points[low, 2] -= 0.004 * (points[low, 0] ** 2 + points[low, 1] ** 2)  # hollowed and bulged
    bulged = Mesh(points, closed.faces)
    with pytest.raises(InputError, match="no flat bottom") as caught:
        find_frame(bulged)
    assert "--up" in str(caught.value)
    found = find_frame(bulged, up="+z")
    assert angle_deg(found.frame.up, np.array([0.0, 0.0, 1.0])) < 0.5


def test_front_alone_lets_a_part_of_an_arch_through() -> None:
    part = plain_arch(keep=(2.0, 99.0))
    with pytest.raises(InputError, match="front of the arch cannot be told"):
        find_frame(part)
    found = find_frame(part, front="+y")
    assert angle_deg(found.frame.front, np.array([0.0, 1.0, 0.0])) < 2.0
    assert any("as stated" in note for note in found.notes)


def test_front_hint_keeps_the_midline_found() -> None:
    mesh = plain_arch()
    plain = find_frame(mesh).frame.front
    assert angle_deg(find_frame(mesh, front="1,3,0").frame.front, plain) < 0.1


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("+z", (0, 0, 1)),
        ("-y", (0, -1, 0)),
        ("x", (1, 0, 0)),
        (" Z ", (0, 0, 1)),
        ("0,3,4", (0, 0.6, 0.8)),
        ("1e300, 0, 0", (1, 0, 0)),
        ("-1e-300,0,0", (-1, 0, 0)),
    ],
)
def test_directions_in_words(text: str, wanted: tuple[float, float, float]) -> None:
    assert direction_from_text(text, option="--up") == pytest.approx(wanted, abs=1e-15)


@pytest.mark.parametrize(
    "text", ["", "w", "+", "0,0,0", "1,2", "1,2,3,4", "nan,0,1", "inf,0,0", "1;2;3"]
)
@pytest.mark.parametrize("option", ["up", "front"])
def test_bad_direction_names_its_option(text: str, option: str) -> None:
    with pytest.raises(InputError, match=f"--{option} ") as caught:
        find_frame(plain_arch(step_mm=2.0), **{option: text})
    assert caught.value.exit_code == 2


def test_parallel_directions_are_refused() -> None:
    with pytest.raises(InputError, match="--up and --front point along the same line"):
        find_frame(plain_arch(step_mm=2.0), up="+z", front="-z")


def field(height: Any, *, half_mm: float = 30.0, step_mm: float = 0.6) -> Mesh:
    """An open height field over a square, ``height`` of x and y."""
    x = np.arange(-half_mm, half_mm + step_mm, step_mm)
    i, j = np.meshgrid(np.arange(len(x)), np.arange(len(x)), indexing="ij")
    corner = (len(x) * i + j)[:-1, :-1].ravel()
    one, two = corner + len(x), corner + len(x) + 1
    faces = np.concatenate(
        [np.stack([corner, one, two], axis=1), np.stack([corner, two, corner + 1], axis=1)]
    )
    px, py = x[i.ravel()], x[j.ravel()]
    return Mesh(np.stack([px, py, height(px, py)], axis=1), faces)


def ball_on_plate(x: NDArray[Any], y: NDArray[Any]) -> NDArray[Any]:
    return np.sqrt(np.maximum(100.0 - x**2 - y**2, 0.0)) - 10.0


NO_ARCHES = {
    "flat plate": field(lambda x, y: 0.0 * x),
    "sphere on a plate": field(ball_on_plate),
    "closed sphere on a plate": based(field(ball_on_plate), -20.0),
    "dome": field(lambda x, y: 15.0 - (x**2 + y**2) / 80.0),
    "waves": field(lambda x, y: 3.0 * np.sin(x / 2.0) * np.sin(y / 2.0) - (x**2 + y**2) / 200.0),
    "one tooth": plain_arch(missing=[*range(1, 8), *range(-6, 0)]),
    "no teeth": plain_arch(missing=[*range(1, 8), *range(-7, 0)]),
    "a quarter of an arch": plain_arch(keep=(2.0, 99.0)),
    "box": Mesh(
        [[x, y, z] for z in (0, 20) for y in (0, 50) for x in (0, 60)],
        [[0, 2, 1], [1, 2, 3], [4, 5, 6], [5, 7, 6], [0, 1, 4], [1, 5, 4],
         [2, 6, 3], [3, 6, 7], [0, 4, 2], [2, 4, 6], [1, 3, 5], [3, 7, 5]],
    ),
    "one triangle": Mesh([[0, 0, 0], [9, 0, 0], [0, 9, 0]], [[0, 1, 2]]),
}  # fmt: skip


@pytest.mark.parametrize("name", NO_ARCHES)
def test_what_is_no_arch_is_refused_with_what_was_measured(name: str) -> None:
    with pytest.raises(InputError) as caught:
        find_frame(NO_ARCHES[name])
    assert caught.value.measured
    assert any(character.isdigit() for character in caught.value.measured)
    assert "--up" in str(caught.value)
    assert "--front" in str(caught.value)


def test_no_surface_is_refused() -> None:
    with pytest.raises(InputError, match="no surface"):
        find_frame(Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64)))
    with pytest.raises(InputError, match="no surface"):
        find_frame(Mesh([[0, 0, 0], [1, 0, 0], [2, 0, 0]], [[0, 1, 2]]))


def test_nothing_given_is_changed() -> None:
    mesh = plain_arch(step_mm=1.0)
    before = mesh.vertices.tobytes(), mesh.faces.tobytes()
    find_frame(mesh)
    assert (mesh.vertices.tobytes(), mesh.faces.tobytes()) == before


@pytest.fixture(scope="module", params=["lower", "upper"])
def shared_arch(request: pytest.FixtureRequest) -> tuple[str, Mesh, NDArray[Any], FoundFrame]:
    name = str(request.param)
    path = SHARED / f"{name}_partial_open.ply"
    if not path.exists():
        pytest.skip("the shared real arches are not here")
    data = PlyData.read(str(path))
    vertex = data["vertex"]
    points = np.stack([vertex["x"], vertex["y"], vertex["z"]], axis=1)
    faces = np.vstack(data["face"]["vertex_indices"])
    tooth = np.load(SHARED / f"{name}_partial_open_labels.npz")["tooth"]
    mesh = Mesh(points, faces)
    return name, mesh, tooth, find_frame(mesh, arch="lower" if name == "lower" else "upper")


def test_real_midline(shared_arch: tuple[str, Mesh, NDArray[Any], FoundFrame]) -> None:
    name, mesh, tooth, found = shared_arch
    right, left = (4, 3) if name == "lower" else (1, 2)
    middles = {int(t): mesh.vertices[tooth == t].mean(axis=0) for t in np.unique(tooth) if t}
    across = np.zeros(3)
    for k in range(1, 9):
        if 10 * right + k in middles and 10 * left + k in middles:
            across += middles[10 * right + k] - middles[10 * left + k]
    # the patient's right is at +x on a lower cast and at -x on an upper one
    across *= 1.0 if name == "lower" else -1.0
    wanted = np.cross(found.frame.up, across)
    assert angle_deg(found.frame.front, wanted / np.linalg.norm(wanted)) < 5.0
    incisors = (middles[10 * right + 1] + middles[10 * left + 1]) / 2.0
    assert abs(found.frame.points_to_cast(incisors)[0]) < 2.5
    assert found.frame.points_to_cast(incisors)[1] > 15.0


def test_real_occlusal_plane(shared_arch: tuple[str, Mesh, NDArray[Any], FoundFrame]) -> None:
    _, mesh, tooth, found = shared_arch
    assert angle_deg(found.frame.up, np.array([0.0, 0.0, 1.0])) < 5.0  # turned to occlusal up
    assert not found.flipped
    heights_mm = found.frame.points_to_cast(mesh.vertices)[:, 2]
    tops_mm = [heights_mm[tooth == t].max() for t in np.unique(tooth) if t]
    # a plate on the teeth: each tooth's highest point is near it, and no ridge reaches it
    assert np.median(np.abs(tops_mm)) < 0.6
    assert np.sum(np.abs(tops_mm) < 1.2) >= len(tops_mm) - 1
    assert heights_mm[tooth == 0].max() < -0.5


def test_real_arch_turned_and_flipped(
    shared_arch: tuple[str, Mesh, NDArray[Any], FoundFrame],
) -> None:
    name, mesh, _, found = shared_arch
    matrix = moved_by(random_turn(4 if name == "lower" else 5), (100.0, 20.0, -70.0))
    again = find_frame(mesh.moved(matrix).reversed())
    assert again.flipped
    assert again.frame.matrix == pytest.approx(matrix @ found.frame.matrix, abs=1e-6)


def test_found_frame_is_a_cast_frame() -> None:
    found = find_frame(plain_arch(step_mm=1.0), arch="upper")
    assert isinstance(found.frame, CastFrame)
    assert any("right is at -x" in note for note in found.notes)
