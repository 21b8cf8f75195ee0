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
from blockout.errors import DefectError, InputError, ReadError
from blockout.job import prepare_file
from blockout.kernel.files import read_mesh_file
from blockout.mesh import Mesh, solidity
from blockout.model.build import Model
from blockout.model.export import fit_for_files
from blockout.model.touching import pulled_apart
from blockout.wax.wax import Wax

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
    # 1e5 to 3e5 m from zero: steps of single precision of 4 to 32 mm left no solid, or nothing
    ("far from the origin", 4),
    ("far from the origin", 6),
    ("far from the origin", 8),
    # a closed body 0.04 mm thick: a millionth of its volume is less than the kernel's rounding
    ("needles", 0),
    # a PLY in text with lines that end in a carriage return alone
    ("text in other locales", 20),
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
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_every_line_end(tmp_path: Path, suffix: str, line_end: str) -> None:
    """A text PLY whose lines end in a carriage return alone was taken for a binary one."""
    body = ball(6.0, subdivisions=1)
    path = tmp_path / f"scan.{suffix}"
    path.write_bytes(TEXT[suffix](body, Style(eol=line_end, number=lambda x: f"{x:+.9f}")))
    read = read_mesh_file(path)
    corners = read.vertices[read.faces]
    assert np.abs(corners - body.corners).max() < 1e-8


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("kind", ["ascii", "binary_little_endian"])
def test_a_promise_of_too_much_is_seen_whatever_the_line_end(
    tmp_path: Path, kind: str, line_end: str
) -> None:
    lines = ["ply", f"format {kind} 1.0", "element vertex 4000000000"]
    lines += [*(f"property double {axis}" for axis in "xyz"), "element face 1"]
    lines += ["property list uchar int vertex_indices", "end_header", "0 0 0"]
    path = tmp_path / "scan.ply"
    path.write_bytes(line_end.join(lines).encode())
    with pytest.raises(ReadError, match="4000000001 elements promised"):
        read_mesh_file(path)


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


def test_too_far_for_single_precision_is_refused(tmp_path: Path) -> None:
    """IEEE 754: single precision has steps of 2^-7 mm below 2^17 mm and of 2^-6 mm above."""
    body = box((0.0, 0.0, 0.0), (40.0, 50.0, 20.0))
    path = tmp_path / "scan.ply"
    asked = PrepareSettings(up="+z", front="+y")
    for furthest_mm, fits in ((2.0**17 - 1.0, True), (2.0**17 + 1.0, False), (1e300, False)):
        shift = np.array([furthest_mm - 40.0, 0.0, 0.0])
        path.write_bytes(written.ply_binary(Mesh(body.vertices + shift, body.faces)))
        if fits:
            done = prepare_file(path, unit="mm", settings=asked, out=tmp_path / "cast.ply")
            assert done.prepared.cast.mesh.volume_mm3 == pytest.approx(40.0 * 50.0 * 20.0)
        else:
            with pytest.raises(InputError) as error:
                prepare_file(path, unit="mm", settings=asked, out=tmp_path / "cast.ply")
            assert "scan.ply" in str(error.value)
            if furthest_mm < 1e300:
                assert "131.1 m" in str(error.value)
                assert "steps of 0.016 mm, allowed 0.01 mm" in str(error.value)


def test_a_flat_closed_body_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "scan.stl"
    path.write_bytes(written.stl_binary(box((0.0, 0.0, 0.0), (40.0, 50.0, 0.9))))
    with pytest.raises(DefectError, match=r"within 0.9 mm of a plane, at least 1 mm"):
        prepare_file(path, unit="mm", out=tmp_path / "cast.ply")


def test_wax_of_which_single_precision_leaves_nothing_is_none() -> None:
    """At 100 m the step is 0.0078 mm: a film thinner than that has both sides at one place."""
    ground, film = box((0.0, 0.0, 0.0), (9.0, 9.0, 9.0)), box((0.0, 0.0, 0.0), (1e-5, 3.0, 3.0))
    shift = np.array([1e5, 0.0, 0.0])
    ground, film = (Mesh(mesh.vertices + shift, mesh.faces) for mesh in (ground, film))
    assert pulled_apart(film, steps=4.0).triangle_count == 0
    wax = Wax("parallel", "parallel", film, film.volume_mm3)
    model = Model(ground, ground.volume_mm3, solidity(ground))
    fit, (part,) = fit_for_files(model, [wax])
    assert fit.mesh.triangle_count == 12
    assert part.mesh is None
    assert part.volume_mm3 == 0.0
