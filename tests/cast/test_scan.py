"""Reading a scan: the unit is right or asked for, STL is welded and said."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from blockout.cast.scan import read_scan, unit_of_size
from blockout.errors import ReadError, UnitError
from blockout.kernel.files import (
    NamedMesh,
    read_mesh_file,
    write_3mf,
    write_glb,
    write_ply,
    write_stl,
)
from blockout.mesh import Mesh
from blockout.units import MM_PER_UNIT

CASTS = Path(__file__).parents[2] / ".." / "shared" / "casts"
NO_CASTS = pytest.mark.skipif(not CASTS.exists(), reason="the shared casts are not on this machine")

VERTICES = np.array([[0.0, 0.0, 0.0], [64.0, 0.0, 1.0], [7.0, 50.0, 3.0], [10.0, 10.0, 20.0]])
FACES = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]])
BODY = Mesh(VERTICES, FACES)


def obj(path: Path, vertices: np.ndarray, *, comment: str = "") -> Path:
    """An OBJ, which states no unit."""
    text = f"# {comment}\n"
    text += "".join("v " + " ".join(map(repr, row)) + "\n" for row in vertices.tolist())
    path.write_text(text + "".join(f"f {a} {b} {c}\n" for a, b, c in (FACES + 1).tolist()))
    return path


@pytest.mark.parametrize("unit", MM_PER_UNIT)
def test_the_size_tells_the_unit_of_an_arch(tmp_path: Path, unit: str) -> None:
    """An arch 64 mm across, in each unit: only one of the four makes an arch of it."""
    factor = MM_PER_UNIT[unit]  # type: ignore[index]
    scan = read_scan(obj(tmp_path / "m.obj", VERTICES / factor))
    assert (scan.unit, scan.unit_from) == (unit, "read from the size")
    assert np.allclose(scan.mesh.vertices, VERTICES, rtol=1e-14)
    assert f"{unit} (64.0 mm) across" in scan.notes[-1]
    assert scan.weld is None


@pytest.mark.parametrize(
    ("size", "unit"),
    [
        (24.99, None), (25.0, "mm"), (150.0, "mm"), (150.1, None), (20.0, None), (0.2, None),
        (12.1, None), (12.0, "cm"), (4.8, "cm"), (4.5, None), (4.0, None), (3.9, "in"),
        (1.6, "in"), (1.5, None), (0.12, "m"), (0.04, "m"), (0.039, None), (0.0, None),
        (1e300, None), (64000.0, None),
    ],
)  # fmt: skip
def test_the_size_decides_only_where_one_unit_fits(size: float, unit: str | None) -> None:
    """By the rule: mm from 25 to 150, else an arch of 40 to 120 mm in exactly one of the others;
    from 4 to 4.72 both a cm and an inch make an arch.
    """
    assert unit_of_size(size) == unit


@given(st.floats(0.0, 1e6))
def test_a_size_that_decides_makes_an_arch(size: float) -> None:
    unit = unit_of_size(size)
    others = [u for u in ("cm", "m", "in") if 40.0 <= size * MM_PER_UNIT[u] <= 120.0]
    if 25.0 <= size <= 150.0:
        assert unit == "mm"
    elif len(others) == 1:
        assert unit == others[0]
    else:
        assert unit is None


def test_an_ambiguous_size_is_refused_with_what_each_unit_makes(tmp_path: Path) -> None:
    with pytest.raises(UnitError) as caught:
        read_scan(obj(tmp_path / "m.obj", VERTICES * (4.5 / 64.0)))
    text = str(caught.value)
    for words in (
        "4.5 mm if mm",
        "45 mm if cm",
        "4500 mm if m",
        "114.3 mm if in",
        "--unit",
        "m.obj",
    ):
        assert words in text
    assert caught.value.exit_code == 2
    scan = read_scan(tmp_path / "m.obj", unit="cm")
    assert (scan.unit, scan.unit_from) == ("cm", "stated by the user")
    assert np.array_equal(scan.mesh.vertices, read_mesh_file(tmp_path / "m.obj").vertices * 10.0)


def test_the_size_is_that_of_the_surface(tmp_path: Path) -> None:
    """A vertex that no face uses, far away, makes no scan larger."""
    far = np.vstack([VERTICES, [[1e6, 0.0, 0.0]]])
    assert read_scan(obj(tmp_path / "m.obj", far)).unit == "mm"


def test_a_stated_unit_wins_over_the_file_and_the_file_over_the_size(tmp_path: Path) -> None:
    obj(tmp_path / "m.obj", VERTICES / 25.4, comment="blockout unit in")
    assert read_scan(tmp_path / "m.obj").unit_from == "stated in the file"
    assert read_scan(tmp_path / "m.obj").unit == "in"
    scan = read_scan(tmp_path / "m.obj", unit="cm")
    assert scan.unit == "cm"
    assert "the file states in; cm was taken, as asked" in scan.notes
    # 12 mm across: a size that alone would decide nothing
    obj(tmp_path / "n.obj", VERTICES * (12.1 / 64.0), comment="blockout unit mm")
    assert read_scan(tmp_path / "n.obj").unit_from == "stated in the file"


@pytest.mark.parametrize(("unit", "size"), [("m", 64.0), ("mm", 0.064), ("cm", 41.0), ("in", 0.05)])
def test_a_stated_unit_that_makes_no_arch_is_refused(
    tmp_path: Path, unit: str, size: float
) -> None:
    obj(tmp_path / "m.obj", VERTICES * (size / 64.0))
    with pytest.raises(
        UnitError, match=f"the unit {unit}, stated with --unit, makes no dental arch"
    ):
        read_scan(tmp_path / "m.obj", unit=unit)  # type: ignore[arg-type]
    obj(tmp_path / "n.obj", VERTICES * (size / 64.0), comment=f"blockout unit {unit}")
    with pytest.raises(UnitError, match="stated in the file"):
        read_scan(tmp_path / "n.obj")


def test_a_huge_finite_size_is_refused_without_a_warning(tmp_path: Path) -> None:
    vertices = VERTICES.copy()
    vertices[0, 0], vertices[1, 0] = -1.5e308, 1.5e308
    with pytest.raises(UnitError, match="cannot be told"):
        read_scan(obj(tmp_path / "m.obj", vertices))


def test_gltf_in_metres_and_in_millimetres(tmp_path: Path) -> None:
    part = NamedMesh("a", BODY, "cast")
    write_glb(tmp_path / "m.glb", [part], metadata={})
    scan = read_scan(tmp_path / "m.glb")
    assert (scan.unit, scan.unit_from) == ("m", "read from the size")
    assert np.allclose(scan.mesh.vertices, VERTICES, atol=1e-5)
    assert not any("by its standard" in note for note in scan.notes)
    write_glb(tmp_path / "n.glb", [NamedMesh("a", BODY.scaled(1000.0), "cast")], metadata={})
    scan = read_scan(tmp_path / "n.glb")
    assert scan.unit == "mm"
    assert "glTF counts in metres by its standard, but this file holds mm" in scan.notes


def test_what_we_write_we_read_as_stated_in_the_file(tmp_path: Path) -> None:
    small = BODY.scaled(0.1)  # 6.4 mm: a single tooth, whose size says centimetres
    write_ply(tmp_path / "m.ply", small)
    write_stl(tmp_path / "m.stl", small)
    write_3mf(tmp_path / "m.3mf", [NamedMesh("a", small, "cast")], metadata={})
    for suffix in ("ply", "stl", "3mf"):
        scan = read_scan(tmp_path / f"m.{suffix}")
        assert (scan.unit, scan.unit_from) == ("mm", "stated in the file")
        assert np.allclose(scan.mesh.vertices, small.vertices[[0, 2, 1, 3]], atol=1e-6) or (
            suffix != "stl" and np.array_equal(scan.mesh.vertices, small.vertices)
        )


def test_stl_is_welded_and_said_and_nothing_else_is(tmp_path: Path) -> None:
    write_stl(tmp_path / "m.stl", BODY)
    scan = read_scan(tmp_path / "m.stl")
    assert scan.weld is not None
    assert scan.weld.merged_count == 8
    assert scan.mesh.vertices.tolist() == VERTICES[[0, 2, 1, 3]].tolist()  # as they first occur
    assert np.array_equal(scan.mesh.corners, BODY.corners)
    assert "8 vertices were welded to an earlier one at the same place, none moved" in scan.notes
    torn = Mesh(BODY.corners.reshape(-1, 3), np.arange(12).reshape(-1, 3))
    write_ply(tmp_path / "m.ply", torn)
    assert read_scan(tmp_path / "m.ply").weld is None
    assert len(read_scan(tmp_path / "m.ply").mesh.vertices) == 12


def test_source_file_and_notes_come_along(tmp_path: Path) -> None:
    write_ply(tmp_path / "m.stl", BODY)
    scan = read_scan(tmp_path / "m.stl")
    assert scan.source.name == "m.stl"
    assert scan.source.sha256 == scan.file.sha256 == read_mesh_file(tmp_path / "m.stl").sha256
    assert scan.notes[0] == "the name ends in .stl, but the file holds PLY, binary"
    assert scan.weld is None


def test_read_errors_pass_through(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match="no such file"):
        read_scan(tmp_path / "none.stl")


@NO_CASTS
@pytest.mark.parametrize(("name", "count"), [("lower", 268_736), ("upper", 225_000)])
def test_shared_arches(name: str, count: int) -> None:
    scan = read_scan(CASTS / f"{name}_partial_open.ply")
    assert (scan.unit, scan.unit_from) == ("mm", "read from the size")
    assert abs(scan.mesh.triangle_count - count) < 1000  # the README gives thousands
    labels = np.load(CASTS / f"{name}_partial_open_labels.npz")["tooth"]
    assert len(labels) == len(scan.mesh.vertices)  # one a vertex, in file order
