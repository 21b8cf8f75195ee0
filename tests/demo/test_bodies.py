"""Bodies for learning, against closed forms; and the sample files against their generator."""

from __future__ import annotations

import hashlib
import runpy
from pathlib import Path

import numpy as np
import pytest

from blockout.case.case import read_case
from blockout.kernel.files import read_mesh_file
from blockout.mesh import Ints, Mesh, solidity
from blockout.samples.bodies import cone_on_plate, sphere_on_plate, turned_body
from blockout.samples.scenario import LOWER

SAMPLES = Path(__file__).parents[2] / "sample_meshes"


def _share(around: int) -> float:
    """Area of the regular n-gon in a circle over the circle's (closed form)."""
    return around / (2.0 * np.pi) * np.sin(2.0 * np.pi / around)


def test_cone_on_plate_has_the_volume_of_plate_and_frustum() -> None:
    # closed form: frustum pi h / 3 (R^2 + R r + r^2), plate pi R^2 t, both times the n-gon's share
    body = cone_on_plate(around=64)
    foot = 5.0 - 3.0 * np.tan(np.radians(20.0))
    frustum = np.pi * 3.0 / 3.0 * (25.0 + 5.0 * foot + foot**2)
    plate = np.pi * 12.0**2 * 5.0
    assert solidity(body).reasons() == ()
    assert body.volume_mm3 == pytest.approx(_share(64) * (frustum + plate), rel=1e-12)


def test_sphere_on_plate_comes_nearer_to_the_sphere_with_more_facets() -> None:
    # closed form: ball less the cap under the plate, pi c^2 (R - c / 3) with c = R - equator
    ball = 4.0 / 3.0 * np.pi * 125.0 - np.pi * 0.25 * (5.0 - 0.5 / 3.0)
    exact = ball + np.pi * 12.0**2 * 5.0
    short = [exact - sphere_on_plate(around=n).volume_mm3 for n in (32, 64, 128)]
    assert solidity(sphere_on_plate()).reasons() == ()
    assert short[2] > 0.0
    assert short[0] / short[1] == pytest.approx(4.0, rel=0.05)
    assert short[1] / short[2] == pytest.approx(4.0, rel=0.05)


def test_a_turned_square_is_a_cylinder() -> None:
    body = turned_body([(0.0, 0.0), (2.0, 0.0), (2.0, 3.0), (0.0, 3.0)], around=4)
    assert body.volume_mm3 == pytest.approx(24.0)  # closed form: square of diagonal 4, height 3
    assert solidity(body).reasons() == ()


@pytest.fixture(scope="module")
def regenerated(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Mesh]]:
    folder = tmp_path_factory.mktemp("samples")
    return folder, runpy.run_path(str(SAMPLES / "generate.py"))["write_all"](folder)


@pytest.mark.long
def test_shipped_files_are_what_the_generator_writes(
    regenerated: tuple[Path, dict[str, Mesh]],
) -> None:
    folder, made = regenerated
    shipped = {p.name for p in SAMPLES.iterdir() if p.suffix in (".stl", ".ply")}
    assert shipped == set(made)
    for name in shipped:
        old, new = read_mesh_file(SAMPLES / name), read_mesh_file(folder / name)
        assert old.vertices.shape == new.vertices.shape, name
        # another processor may round the last bit differently, and so list faces in another order
        assert np.abs(old.vertices - new.vertices).max() < 1e-5, name
        assert _in_one_order(old.faces) == _in_one_order(new.faces), name


def _in_one_order(faces: Ints) -> list[tuple[int, ...]]:
    """Each face from its lowest vertex on, the way round kept; sorted."""
    first = faces.argmin(axis=1)
    turned = faces[np.arange(len(faces))[:, None], (first[:, None] + np.arange(3)) % 3]
    return sorted(map(tuple, turned.tolist()))


def test_shipped_files_are_small() -> None:
    sizes = [p.stat().st_size for p in SAMPLES.iterdir() if p.suffix in (".stl", ".ply")]
    assert max(sizes) < 3e6
    assert sum(sizes) < 8e6


def test_readme_table_names_each_file_with_its_triangles(
    regenerated: tuple[Path, dict[str, Mesh]],
) -> None:
    rows = {
        cells[1].strip(" `"): cells[3].strip().replace(" ", "")
        for line in (SAMPLES / "README.md").read_text(encoding="utf-8").splitlines()
        if (cells := line.split("|"))[1:2] and "`" in cells[1]
    }
    for name, mesh in regenerated[1].items():
        assert rows[name] == str(mesh.triangle_count), name


def test_case_file_is_the_scenario() -> None:
    file = SAMPLES / "lower_case.toml"
    case = read_case(file)
    assert case.name == LOWER.name
    assert case.path.anterior_tilt_deg == LOWER.anterior_tilt_deg
    assert case.path.lateral_tilt_deg == LOWER.lateral_tilt_deg
    assert case.cast.arch == LOWER.plan.arch
    scan = case.cast_file(file)
    assert hashlib.sha256(scan.read_bytes()).hexdigest() == read_mesh_file(scan).sha256
