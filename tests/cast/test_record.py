"""A cast written and read back is the same cast to the bit, and a damaged record is refused."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import trimesh
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from plyfile import PlyData

from blockout.cast.cast import Cast, Source
from blockout.cast.frame import CastFrame
from blockout.cast.record import read_cast, write_cast
from blockout.cast.scan import read_scan
from blockout.errors import DefectError, ReadError
from blockout.kernel.files import read_mesh_file, write_ply, write_stl
from blockout.mesh import Mesh

SOURCE = Source(name="scan.stl", sha256="0" * 64)
BOX = trimesh.creation.box(extents=[60.0, 50.0, 1.0 / 3.0])


def some_cast(
    *,
    mesh: Mesh | None = None,
    matrix: np.ndarray | None = None,
    arch: str = "upper",
    noise_mm: float = 0.1 + 0.2,
    floor_mm: float = -1.0 / 3.0,
    source: Source = SOURCE,
) -> Cast:
    mesh = mesh or Mesh(BOX.vertices + 1.0 / 7.0, BOX.faces)
    turned = trimesh.transformations.rotation_matrix(1.0, [1, 2, 3], [0.1, 0.2, 0.3])
    return Cast(
        mesh=mesh,
        scanned=np.arange(mesh.triangle_count) % 3 > 0,
        frame=CastFrame(turned if matrix is None else matrix),
        arch=arch,  # type: ignore[arg-type]
        arch_stated=arch == "upper",
        noise_mm=noise_mm,
        floor_mm=floor_mm,
        source=source,
    )


def assert_same(one: Cast | None, other: Cast) -> None:
    assert isinstance(one, Cast)
    assert one.mesh.vertices.tobytes() == other.mesh.vertices.tobytes()
    assert one.mesh.faces.tobytes() == other.mesh.faces.tobytes()
    assert one.scanned.dtype == other.scanned.dtype
    assert one.scanned.tolist() == other.scanned.tolist()
    assert one.frame.matrix.tobytes() == other.frame.matrix.tobytes()
    for name in ("arch", "arch_stated", "noise_mm", "floor_mm", "source"):
        assert getattr(one, name) == getattr(other, name)


@settings(
    max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    st.floats(-7, 7), st.tuples(*[st.floats(-1e3, 1e3)] * 3), st.sampled_from(["lower", "upper"]),
    st.floats(0.0, 1.0), st.floats(-200.0, 200.0), st.text(max_size=30),
)  # fmt: skip
def test_round_trip_to_the_bit(
    tmp_path: Path, angle: float, shift: tuple, arch: str, noise_mm: float, floor_mm: float,
    name: str,
) -> None:  # fmt: skip
    matrix = trimesh.transformations.rotation_matrix(angle, [3, -1, 2])
    matrix[:3, 3] = shift
    cast = some_cast(
        matrix=matrix, arch=arch, noise_mm=noise_mm, floor_mm=floor_mm,
        source=Source(name=name, sha256="ab" * 32),
    )  # fmt: skip
    write_cast(tmp_path / "cast.ply", cast)
    assert_same(read_cast(tmp_path / "cast.ply"), cast)
    assert_same(read_cast(read_mesh_file(tmp_path / "cast.ply")), cast)


def test_other_programs_see_a_plain_mesh_in_millimetres(tmp_path: Path) -> None:
    cast = some_cast(source=Source(name="Müller's\nscan.stl", sha256="1" * 64))
    write_cast(tmp_path / "cast.ply", cast)
    other = PlyData.read(tmp_path / "cast.ply")
    assert other["vertex"]["x"].dtype == np.dtype("<f8")
    assert other["face"]["scanned"].dtype == np.uint8
    assert other["face"]["scanned"].tolist() == cast.scanned.tolist()
    assert max(map(len, other.comments)) < 500
    assert "blockout unit mm" in other.comments
    body = trimesh.load_mesh(tmp_path / "cast.ply", process=False)
    assert np.array_equal(body.faces, cast.mesh.faces)
    scan = read_scan(tmp_path / "cast.ply")
    assert (scan.unit, scan.unit_from) == ("mm", "stated in the file")


def test_files_without_a_record_give_none(tmp_path: Path) -> None:
    mesh = Mesh(BOX.vertices, BOX.faces)
    write_ply(tmp_path / "a.ply", mesh, face_fields={"scanned": np.ones(12, dtype=np.uint8)})
    write_stl(tmp_path / "a.stl", mesh)
    assert read_cast(tmp_path / "a.ply") is None
    assert read_cast(tmp_path / "a.stl") is None


def tampered(folder: Path, *, old: str = "", new: str = "", drop: str = "") -> Path:
    """The file of a good cast with its header changed."""
    path = folder / "cast.ply"
    write_cast(path, some_cast())
    header, end, body = path.read_bytes().partition(b"end_header\n")
    lines = header.decode("ascii").split("\n")
    if drop:
        assert any(drop in line for line in lines)
        lines = [line for line in lines if drop not in line]
    text = "\n".join(lines)
    assert old in text
    path.write_bytes(text.replace(old, new, 1).encode("utf-8") + end + body)
    return path


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"old": "schema 1", "new": "schema 2"}, "another version; its record has schema 2"),
        ({"old": "cast schema 1", "new": "cast schema true"}, "another version"),
        ({"drop": "cast schema"}, "another version of this program; its record has schema None"),
        ({"old": 'arch "upper"', "new": "arch upper"}, "the value of 'arch' is not JSON"),
        ({"old": 'arch "upper"', "new": 'arch "sideways"'}, "the arch is 'sideways'"),
        ({"old": "arch_stated true", "new": 'arch_stated "yes"'}, "arch_stated is 'yes'"),
        ({"old": "frame [[", "new": "frame [[ "}, None),
        ({"old": "frame [[", "new": "frame [[9"}, "not a rotation and a shift"),
        ({"old": "frame [[", "new": "frame [["[:-1]}, "the value of 'frame' is not JSON"),
        ({"old": "frame ", "new": "frame null "}, "the value of 'frame' is not JSON"),
        ({"drop": "cast frame"}, "it lacks frame"),
        ({"drop": "cast floor_mm"}, "it lacks floor_mm"),
        ({"old": "noise_mm 0.3", "new": "noise_mm -0.3"}, "the noise is -0.3 mm"),
        ({"old": "noise_mm 0", "new": 'noise_mm "a"#'}, "not JSON"),
        ({"old": "floor_mm -0.", "new": "floor_mm NaN#"}, "not JSON"),
        ({"old": 'source_name "scan.stl"', "new": "source_name 3"}, "the source is not text"),
        ({"old": "blockout unit mm", "new": "blockout unit cm"}, "the unit is cm, not mm"),
        ({"drop": "blockout unit"}, "the unit is not stated, not mm"),
        ({"old": "uchar scanned", "new": "uchar touched"}, "no property 'scanned'"),
        ({"old": "uchar scanned", "new": "char scanned"}, None),
        ({"old": "cast noise_mm", "new": "cast arch 1\ncomment "}, "'arch' is there twice"),
    ],
)  # fmt: skip
def test_tampered_records(tmp_path: Path, change: dict, words: str | None) -> None:
    path = tampered(tmp_path, **change)
    if words is None:  # harmless: the same cast to the bit
        assert_same(read_cast(path), some_cast())
        return
    with pytest.raises(ReadError) as caught:
        read_cast(path)
    first, _, second = words.partition("; ")
    assert first in str(caught.value)
    assert second in str(caught.value)
    assert caught.value.where == "cast.ply"
    assert caught.value.fix == "Run `blockout prepare` on the scan again."


@pytest.mark.parametrize("value", ["null", "3", "[1, 2]", '"a"', "[[1]]", "{}", "NaN", "1e999"])
@pytest.mark.parametrize("key", ["frame", "noise_mm", "floor_mm"])
def test_values_of_another_kind(tmp_path: Path, key: str, value: str) -> None:
    cast = some_cast()
    kept = json.dumps({"frame": cast.frame.matrix.tolist()}.get(key, getattr(cast, key, None)))
    if (key, value) == ("noise_mm", "3") or (key, value) == ("floor_mm", "3"):
        changed = read_cast(tampered(tmp_path, old=f"{key} {kept}", new=f"{key} {value}"))
        assert_same(changed, some_cast(**{key: 3.0}))
        return
    with pytest.raises(ReadError, match="the record of the cast is damaged"):
        read_cast(tampered(tmp_path, old=f"{key} {kept}", new=f"{key} {value}"))


def test_flags_that_are_not_flags(tmp_path: Path) -> None:
    path = tmp_path / "cast.ply"
    write_cast(path, some_cast())
    data = path.read_bytes()
    path.write_bytes(data[:-1] + b"\x02")  # the flag of the last face ends the file
    with pytest.raises(ReadError, match="'scanned' is not 0 or 1 everywhere"):
        read_cast(path)
    path.write_bytes(data[:-1])
    with pytest.raises(ReadError, match="cut off; 11 of 12 face elements"):
        read_cast(path)


def test_a_mesh_that_is_no_solid_any_more(tmp_path: Path) -> None:
    cast = some_cast()
    write_cast(tmp_path / "cast.ply", cast)
    comments = read_mesh_file(tmp_path / "cast.ply").comments[1:]
    keep = np.arange(12) > 0
    write_ply(
        tmp_path / "open.ply",
        cast.mesh.part(keep),
        comments=comments,
        face_fields={"scanned": cast.scanned[keep]},
    )
    with pytest.raises(DefectError, match="not a closed solid; 3 open edges"):
        read_cast(tmp_path / "open.ply")
