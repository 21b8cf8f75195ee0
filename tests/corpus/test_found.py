"""What the corpus and the fuzzers found, each made again by its seed or its few bytes."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import written
from apart import Apart
from bodies import ball, box
from written import Style

from blockout.case.settings import PrepareSettings
from blockout.check.walls import thin_walls
from blockout.errors import ReadError
from blockout.job import prepare_file
from blockout.kernel.files import read_mesh_file
from blockout.mesh import Mesh

FOUND = [
    # words such as 1_0 were read as 10
    ("numbers that are none", 0),
    # the surveyed size was that of a vertex without a face, 1e20 mm away
    ("one far vertex", 6),
    ("one far vertex", 7),
    ("one far vertex", 8),
    # the search for thin walls found a place without its least thickness
    ("needles", 9),
    ("needles", 6),
    ("far from the origin", 9),
    # needles of a ragged border: the kernel lost 4e-5 mm3 in every way to a cut
    ("ragged", 1),
    # films of air beside upright walls of the border held more than volumes may differ by
    ("ragged", 2),
]


@pytest.fixture(scope="module")
def apart() -> Iterator[Apart]:
    with Apart() as process:
        yield process


@pytest.mark.parametrize(("kind", "seed"), FOUND)
def test_what_failed_once(apart: Apart, kind: str, seed: int) -> None:
    assert apart.take(kind, seed)["failed"] == []


TEXT = {"stl": written.stl_text, "ply": written.ply_text, "obj": written.obj, "off": written.off}


@pytest.mark.parametrize("suffix", TEXT)
@pytest.mark.parametrize("word", ["1_0", "0_1.5", "1_000"])
def test_digits_in_groups_are_no_number(tmp_path: Path, suffix: str, word: str) -> None:
    """Python reads ``1_0`` as 10; no format does."""
    body = box((0.0, 0.0, 0.0), (7.25, 20.0, 20.0))
    style = Style(number=lambda x: word if x == 7.25 else repr(x))
    path = tmp_path / f"scan.{suffix}"
    path.write_bytes(TEXT[suffix](body, style))
    with pytest.raises(ReadError, match=r"not a number"):
        read_mesh_file(path)


@pytest.mark.parametrize("word", ["1_0", "\u0661\u0660", "7.2\uff15"])
def test_digits_of_other_scripts_are_no_number_in_3mf(tmp_path: Path, word: str) -> None:
    body = box((0.0, 0.0, 0.0), (7.25, 20.0, 20.0))
    xml = written.model_xml(body)
    assert '"7.25"' in xml
    path = tmp_path / "scan.3mf"
    for data in (
        xml.replace('"7.25"', f'"{word}"'),
        xml.replace('v1="0"', f'v1="{word}"'),
        xml.replace("<item ", f'<item transform="{word} 0 0 0 1 0 0 0 1 0 0 0" '),
    ):
        path.write_bytes(written.package(data))
        with pytest.raises(ReadError, match=r"not in numbers|not twelve numbers"):
            read_mesh_file(path)


def test_vertices_without_a_face_are_left_out_of_a_closed_cast_and_told(tmp_path: Path) -> None:
    body = ball(12.0, subdivisions=3)
    with_more = Mesh(np.vstack([[[9e9, 0, 0]], body.vertices, [[0, 1e20, -5.0]]]), body.faces + 1)
    path = tmp_path / "scan.ply"
    path.write_bytes(written.ply_binary(with_more))
    settings = PrepareSettings(up="+z", front="+y", arch="lower")
    done = prepare_file(path, unit="mm", settings=settings, out=tmp_path / "cast.ply")
    cast = done.prepared.cast.mesh
    assert np.array_equal(cast.vertices, body.vertices)
    assert np.array_equal(cast.faces, body.faces)
    (change,) = [change for change in done.prepared.changes if change.step == "unused"]
    assert (change.touched, change.unit) == (2, "vertices")


def test_a_ply_is_read_from_its_own_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file was mapped into memory: one that is cut short meanwhile ended the process."""
    from blockout.kernel import ply_files

    body = ball(12.0, subdivisions=4)
    path = tmp_path / "scan.ply"
    path.write_bytes(written.ply_binary(body))
    real = ply_files._read_from

    def cut_short(*arguments: object) -> object:
        path.write_bytes(b"ply\n")
        return real(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(ply_files, "_read_from", cut_short)
    read = read_mesh_file(path)
    assert np.array_equal(read.vertices, body.vertices)
    assert np.array_equal(read.faces, body.faces)


def test_want_of_memory_is_not_told_as_damage(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from blockout.kernel import stl_files

    def too_much(data: bytes) -> object:
        raise MemoryError

    path = tmp_path / "scan.stl"
    path.write_bytes(written.stl_binary(ball(12.0, subdivisions=2)))
    monkeypatch.setattr(stl_files, "read_binary", too_much)
    with pytest.raises(MemoryError):
        read_mesh_file(path)


def test_thin_walls_of_a_squeezed_body() -> None:
    """A tenth of a millimetre thick, with holes between its wide places."""
    body = ball(6.0, subdivisions=4)
    flat = Mesh(body.vertices * [1.0, 0.008, 1.0], body.faces)
    found = thin_walls(flat, limit_mm=1.0)
    assert 0.0 < found[0].thickness_mm < 0.1
