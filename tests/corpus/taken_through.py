"""One specimen taken through inspect, prepare, survey and build, and what came of it judged.

The outcome of each command is ``solid`` (or ``told`` where nothing is made), ``refused`` with the
kind of refusal, or ``failed`` with what went wrong: a traceback, a refusal without its parts, a
failed check of the product's own, an unsound result, a changed input, something left behind.
"""

from __future__ import annotations

import hashlib
import subprocess
import sys
import time
import traceback
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from judged import (
    assert_closed,
    closed_by_pairs,
    columns,
    stl_triangles,
    volume_mm3,
)
from specimen import Specimen, specimen

from blockout import job
from blockout.case.case import Case
from blockout.case.settings import PathSettings, PrepareSettings
from blockout.errors import BlockoutError, CheckError
from blockout.kernel.files import read_mesh_file
from blockout.report.pictures import model_pictures, survey_pictures

COMMANDS = ("inspect", "prepare", "survey", "build")
_SMALL_PX = (200, 150)


@dataclass
class Outcome:
    """What one specimen came to."""

    kind: str
    seed: int
    came: dict[str, str] = field(default_factory=dict)
    failed: list[str] = field(default_factory=list)
    said: dict[str, str] = field(default_factory=dict)
    seconds: float = 0.0

    def plain(self) -> dict[str, Any]:
        return asdict(self)


def small_pictures() -> None:
    """Pictures are no matter here, and take nine tenths of a small build."""
    for draw in (survey_pictures, model_pictures):
        draw.__kwdefaults__["size_px"] = _SMALL_PX


def taken_through(kind: str, seed: int, desk: Path, *, by_command: bool = False) -> Outcome:
    """Make the specimen in ``desk`` (empty), run all commands on it, judge."""
    made = specimen(kind, seed)
    outcome = Outcome(kind, seed)
    scan = desk / (f"scan.{made.suffix}" if made.suffix else "scan")
    scan.write_bytes(made.data)
    begun = time.perf_counter()
    run = _as_command if by_command else _as_call
    for command in COMMANDS:
        out = desk / ("cast.ply" if command == "prepare" else command)
        run(command, made, scan, out, outcome)
    _judge_places(desk, scan, made, outcome)
    results = {outcome.came[command] for command in COMMANDS[1:]}
    if made.wanted == "solid" and results != {"solid"}:
        outcome.failed.append(f"a solid was wanted: {outcome.came} {outcome.said}")
    if made.wanted == "refused" and "solid" in results:
        outcome.failed.append(f"a refusal was wanted: {outcome.came}")
    outcome.seconds = time.perf_counter() - begun
    return outcome


def _as_call(command: str, made: Specimen, scan: Path, out: Path, outcome: Outcome) -> None:
    calls: dict[str, Callable[[Specimen, Path, Path], None]] = {
        "inspect": _inspect, "prepare": _prepare, "survey": _survey, "build": _build,
    }  # fmt: skip
    try:
        calls[command](made, scan, out)
    except BlockoutError as error:
        kind = type(error).__name__
        outcome.came[command] = f"refused {kind}"
        outcome.said[command] = str(error)
        _judge_refusal(command, error, outcome)
    except AssertionError as error:
        outcome.came[command] = "failed"
        outcome.failed.append(f"{command}: {error}")
    except (Exception, MemoryError) as error:  # the point of it all: nothing else may come out
        outcome.came[command] = "failed"
        where = traceback.format_exc().strip().split("\n")
        outcome.failed.append(f"{command}: {type(error).__name__}: {error} | {where[-3:]}")
    else:
        outcome.came[command] = "told" if command == "inspect" else "solid"
        return
    if command != "inspect" and out.exists() and outcome.came[command] != "failed":
        outcome.failed.append(f"{command}: refused, yet {out.name} was written")


def _judge_refusal(command: str, error: BlockoutError, outcome: Outcome) -> None:
    lacks = [
        part
        for part, held in (
            ("what", error.what),
            ("measured or where", error.measured or error.where or error.places_mm),
            ("fix", error.fix or error.measured),
        )
        if not held
    ]
    if lacks:
        outcome.failed.append(f"{command}: a refusal without {lacks}: {error}")
    if isinstance(error, CheckError):
        outcome.failed.append(f"{command}: a failed check, where bad input is refused: {error}")


def _settings(made: Specimen) -> PrepareSettings:
    asked: dict[str, Any] = {"arch": "lower"}
    if made.up:
        asked["up"] = made.up
    if made.front:
        asked["front"] = made.front
    return PrepareSettings(**asked)


def _path(made: Specimen) -> PathSettings:
    return PathSettings(anterior_tilt_deg=made.tilt_deg[0], lateral_tilt_deg=made.tilt_deg[1])


def _inspect(made: Specimen, scan: Path, out: Path) -> None:
    found = job.inspect_file(scan, unit=made.unit)  # type: ignore[arg-type]
    inspection, mesh = found.inspection, found.scan.mesh
    faces = np.array(mesh.faces)
    assert inspection.closed == closed_by_pairs(faces), "inspect is wrong about closed"
    if made.mesh is not None and made.mesh.triangle_count == mesh.triangle_count:
        # from the file's bytes alone, where the mesh that went in is known
        known = np.array(made.mesh.corners)
        extent = np.abs(known).max()
        scale = np.abs(np.array(mesh.corners)).max() / extent if extent else 1.0
        off = np.abs(np.array(mesh.corners) - known * scale).max()
        assert off <= 1e-6 * np.abs(np.array(mesh.corners)).max() + 1e-5, "read another shape"
    facts = inspection.facts()
    assert facts["triangles"] == len(faces) > 0, "inspect counts other triangles"
    assert (facts["volume_mm3"] is None) == (not inspection.closed), "an open mesh has a volume"
    for text in inspection.sentences():
        assert text.strip(), "an empty sentence"


def _prepare(made: Specimen, scan: Path, out: Path) -> None:
    done = job.prepare_file(scan, unit=made.unit, settings=_settings(made), out=out)  # type: ignore[arg-type]
    back = read_mesh_file(out)
    faces = np.array(back.faces)
    assert closed_by_pairs(faces), "the prepared cast is not closed"
    held = volume_mm3(back.vertices, faces)
    assert held > 0.0, "the prepared cast is empty or inside out"
    assert abs(held - done.prepared.cast.mesh.volume_mm3) < 1e-6 * held, "another cast was written"
    assert done.prepared.cast.scanned.any(), "nothing of the cast is scanned"


def _survey(made: Specimen, scan: Path, out: Path) -> None:
    done = job.survey_file(
        scan,
        unit=made.unit,  # type: ignore[arg-type]
        prepare=_settings(made),
        path_of_insertion=_path(made),
        out=out,
    )
    depth = done.survey.depth_mm
    assert np.isfinite(depth).all(), "a depth is not a number"
    assert (depth >= 0.0).all(), "a depth is negative"
    assert (out / "survey.json").stat().st_size > 100, "no facts were written"


def _build(made: Specimen, scan: Path, out: Path) -> None:
    case = Case.model_validate(
        {
            "schema": "blockout-case/1",
            "cast": {"file": str(scan), "unit": made.unit}
            | _settings(made).model_dump(exclude_unset=True),
            "path": _path(made).model_dump(exclude_unset=True),
            "parallel": {"taper_deg": made.taper_deg},
        }
    )
    built = job.build_case(case, out=out)
    summary, read = built.summary, built.survey
    model = stl_triangles(out / "model.stl")
    vertices, faces = assert_closed(model, "model.stl")
    assert len(model) == summary["model"]["triangles"] > 0, "the summary counts other triangles"
    area = np.linalg.norm(np.cross(model[:, 1] - model[:, 0], model[:, 2] - model[:, 0]), axis=1)
    step = float(np.spacing(np.float32(np.abs(model).max())))
    slack = step * float(area.sum()) / 2.0 + 1e-6
    held = volume_mm3(vertices, faces)
    assert abs(held - summary["model"]["volume_mm3"]) < slack, "model.stl has another volume"
    wax_mm3, walls = 0.0, 0
    for part in summary["parts"]:
        file = out / "wax" / f"{part['name']}.stl"
        assert file.exists() == (not part["empty"]), "a part without its file"
        if part["empty"]:
            continue
        corners = stl_triangles(file)
        own = volume_mm3(*assert_closed(corners, file.name))
        walls += len(corners)
        assert abs(own - part["volume_mm3"]) < slack, f"{file.name} has another volume"
        wax_mm3 += part["volume_mm3"]
    cast = read.cast
    sum_mm3 = summary["cast"]["volume_mm3"] + wax_mm3
    assert abs(held - sum_mm3) < slack + 1e-6 * sum_mm3, "cast and wax are not the model"
    if made.taper_deg == 0.0:
        _judge_fill(built, wax_mm3)
    assert cast.scanned.any(), "nothing is scanned"


def _judge_fill(built: Any, wax_mm3: float) -> None:
    """The wax holds what columns find under the scanned surface, within four standard errors."""
    read = built.survey
    cast, up = read.cast, np.asarray(read.path.direction)
    frame_up = np.asarray(cast.frame.matrix)[:3, 2]
    floor_point = np.asarray(cast.frame.points_to_file(np.array([[0.0, 0.0, cast.floor_mm]])))[0]

    def floor_at(plan: Any, e1: Any, e2: Any) -> Any:
        foot = plan[:, :1] * e1 + plan[:, 1:] * e2
        return ((floor_point - foot) @ frame_up) / float(up @ frame_up)

    found, error = columns(
        np.array(cast.mesh.corners), np.array(cast.scanned), up, floor_at, count=1000, seed=3
    )
    left = read.left_alone.volume_mm3
    size = np.ptp(cast.mesh.bounds_mm, axis=0)
    slack = 4.0 * error + 1e-5 * float(np.prod(size)) + 0.01 * found
    said = (
        f"wax holds {wax_mm3:.3f} mm3 and {left:.3f} are left alone, columns find "
        f"{found:.3f} +- {error:.3f}"
    )
    # what is left alone may lie under what is filled, and is filled with it
    assert found - left - slack <= wax_mm3 <= found + slack, said
    if wax_mm3 == 0.0:
        assert abs(left - found) <= slack, said


def _as_command(command: str, made: Specimen, scan: Path, out: Path, outcome: Outcome) -> None:
    """The same by the program itself, in a process of its own."""
    asked = [command, str(scan)]
    if made.unit:
        asked += ["--unit", made.unit]
    if command != "inspect":
        asked += ["--out", str(out), "--arch", "lower"]
        asked += ["--up", made.up] if made.up else []
        asked += ["--front", made.front] if made.front else []
    if command in ("survey", "build"):
        asked += [f"--tilt={made.tilt_deg[0]!r},{made.tilt_deg[1]!r}"]
    if command == "build":
        asked += ["--taper", repr(made.taper_deg)]
    call = "import taken_through as t; t.small_pictures(); from blockout.cli.main import run; run()"
    done = subprocess.run(
        [sys.executable, "-c", call, *asked],
        capture_output=True,
        text=True,
        encoding="utf-8",
        errors="replace",
        env=_environment(),
        timeout=240,
        check=False,
    )
    said = done.stderr
    if done.returncode == 0:
        outcome.came[command] = "told" if command == "inspect" else "solid"
        if not done.stdout.strip():
            outcome.failed.append(f"{command}: exit code 0 and nothing said")
        if command == "build":
            assert_closed(stl_triangles(out / "model.stl"), "model.stl")
    elif done.returncode == 2 and said.strip():
        outcome.came[command] = "refused with 2"
        outcome.said[command] = said
    else:
        outcome.came[command] = "failed"
        outcome.failed.append(f"{command}: exit code {done.returncode}: {said[-500:]}")
    if "Traceback" in said or "fault of blockout" in said:
        outcome.failed.append(f"{command}: {said[-500:]}")
    if done.returncode and command != "inspect" and out.exists():
        outcome.failed.append(f"{command}: refused, yet {out.name} was written")


def _environment() -> dict[str, str]:
    import os

    return {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}


def _judge_places(desk: Path, scan: Path, made: Specimen, outcome: Outcome) -> None:
    """The input is as it was, and nothing stands about but results."""
    same = hashlib.sha256(scan.read_bytes()).digest() == hashlib.sha256(made.data).digest()
    if not same:
        outcome.failed.append("the input was changed")
    known = {scan.name, "cast.ply", "survey", "build"}
    strange = sorted(entry.name for entry in desk.iterdir() if entry.name not in known)
    if strange:
        outcome.failed.append(f"left behind: {strange}")
