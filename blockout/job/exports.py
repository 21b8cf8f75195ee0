"""From a built folder to a model in another format, or ready to print."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from blockout.case.printing_settings import PrintSettings
from blockout.cast.cast import Cast
from blockout.cast.record import read_cast
from blockout.cast.scan import read_scan
from blockout.check.wall_warnings import void_warnings
from blockout.check.walls import ThinWall, thin_walls
from blockout.errors import InputError, ReadError
from blockout.job.builds import model_metadata
from blockout.job.desk import SUMMARY, Stopwatch, not_the_input, summary_of, write_json
from blockout.kernel.files import NamedMesh
from blockout.mesh import Mesh
from blockout.model.export import FORMATS, Format, check_stl, in_cast_frame, write_model
from blockout.model.touching import pulled_apart
from blockout.printing.label import case_label
from blockout.printing.print_files import PrintFile, unit_of_file, write_print_file
from blockout.printing.ready import PrintReady, done_facts, make_ready
from blockout.progress import Progress, silent
from blockout.report.cautions import CAUTIONS
from blockout.report.facts import json_ready, versions
from blockout.tolerances import TOLERANCES
from blockout.units import MM_PER_UNIT
from blockout.writing import replacing_file

PRINT_SCHEMA: Final = "blockout-print/1"
MANIFEST_ENDING: Final = ".manifest.json"
_THIN_SHOWN: Final = 50
_POOL_LEAST_MM3: Final = 1.0
"""A drop: less is not warned of."""


@dataclass(frozen=True)
class Exported:
    """A model written in another format or frame."""

    out: Path
    file_format: Format
    triangles: int
    volume_mm3: float


def export_model(
    folder: Path | str, *, file_format: str, out: Path | str, frame: str = "scan"
) -> Exported:
    """Write a built model in another format, in the scan's coordinates or the cast frame.

    Raises
    ------
    InputError
        The folder holds no build, or format or frame are unknown.
    OutputError, CheckError
    """
    folder, out = Path(folder), Path(out)
    known = _known_format(file_format)
    summary = summary_of(folder)
    not_the_input(folder / SUMMARY, out)
    cast = _cast_of(folder)
    parts = [NamedMesh("cast", cast.mesh, "cast")]
    for part in summary["parts"]:
        if part["triangles"]:
            mesh = read_scan(folder / "wax" / f"{part['name']}.stl", unit="mm").mesh
            parts.append(NamedMesh(part["name"], mesh, part["kind"]))
    model = read_scan(folder / "model.stl", unit="mm").mesh
    if frame == "cast":
        model = in_cast_frame(model, cast.frame)
        parts = [replace(part, mesh=in_cast_frame(part.mesh, cast.frame)) for part in parts]
    elif frame != "scan":
        raise InputError(
            f"{frame!r} is no frame", measured="known are scan, cast", fix="Write --frame cast."
        )
    write_model(out, model, parts, file_format=known, metadata=model_metadata(summary, frame))
    if known == "stl":
        check_stl(out, model)
    return Exported(out, known, model.triangle_count, model.volume_mm3)


def _cast_of(folder: Path) -> Cast:
    cast = read_cast(folder / "cast.ply")
    if cast is None:
        raise ReadError(
            "the build's cast carries no record of how it was prepared",
            where=str(folder / "cast.ply"),
            fix="Run `blockout build` again.",
        )
    return cast


def _known_format(text: str) -> Format:
    for known in FORMATS:
        if text == known:
            return known
    raise InputError(
        f"{text!r} is no format", measured=f"known are {', '.join(FORMATS)}", fix="Write --format."
    )


# --- ready to print ------------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class Printed:
    """Files for a printer.

    Parameters
    ----------
    out : Path
        The model.
    manifest : Path
        The JSON document beside it.
    facts : dict
        What that document holds.
    """

    out: Path
    manifest: Path
    facts: dict[str, Any]


def print_model(
    folder: Path | str,
    *,
    file_format: str,
    out: Path | str,
    settings: PrintSettings | None = None,
    progress: Progress = silent,
) -> Printed:
    """Make a built model ready to print and write it, with a manifest beside it.

    Every file is read back before any takes its place; the manifest comes last.

    Raises
    ------
    InputError
        The folder holds no build; the format is unknown; the model does not fit, is too slender to
        be hollow, or has no room for its label.
    OutputError, DefectError, CheckError
    """
    folder, out = Path(folder), Path(out)
    known = _known_format(file_format)
    settings = settings or PrintSettings()
    watch = Stopwatch()
    summary = summary_of(folder)
    for name in (SUMMARY, "model.stl", "model.3mf", "cast.ply"):
        not_the_input(folder / name, out)
    settings = _with_label(settings, summary)
    unit = unit_of_file(known, settings.unit)
    cast = _cast_of(folder)
    scan = read_scan(folder / "model.stl", unit="mm")
    with watch.stage("ready"):
        ready = make_ready(scan.mesh, cast.frame, settings=settings, progress=progress)
    parts = [NamedMesh("model", ready.mesh, "model")]
    if settings.wax_apart:
        parts += _wax_parts(folder, summary, ready)
    # sheets that only touch are pulled apart for the numbers that will stand in the file
    size = MM_PER_UNIT[unit]
    parts = [
        replace(
            part,
            mesh=pulled_apart(part.mesh.scaled(1.0 / size), steps=TOLERANCES.touch_steps).scaled(
                size
            ),
        )
        for part in parts
    ]
    with watch.stage("checks"):
        progress("checking walls")
        walls = thin_walls(parts[0].mesh, limit_mm=settings.least_wall_mm)
    manifest = out.with_name(out.name + MANIFEST_ENDING)
    places = [out, *(out.with_name(f"{out.stem}.wax-{p.name}{out.suffix}") for p in parts[1:])]
    metadata = _print_metadata(summary, ready)
    with ExitStack() as stack:
        # left in the opposite order: the manifest appears when all it tells of is there
        unfinished_manifest = stack.enter_context(replacing_file(manifest))
        written = []
        for part, place in zip(parts, places, strict=True):
            progress(f"writing {place.name}")
            unfinished = stack.enter_context(replacing_file(place))
            written.append(
                write_print_file(
                    unfinished, part, file_format=known, unit=settings.unit, metadata=metadata
                )
            )
        facts = _manifest(
            summary, ready, settings, walls, list(zip(places, parts, written, strict=True))
        )
        facts |= {
            "format": known,
            "source": {
                "model_sha256": scan.source.sha256,
                "summary_sha256": hashlib.sha256((folder / SUMMARY).read_bytes()).hexdigest(),
                "scan_sha256": summary["cast"]["source_sha256"],
            },
            "timings_s": watch.all_s(),
        }
        write_json(unfinished_manifest, facts)
    return Printed(out, manifest, facts)


def _with_label(settings: PrintSettings, summary: Mapping[str, Any]) -> PrintSettings:
    """The label's text written out: from the build where it is to be so, the date last."""
    text = settings.label
    if text.strip().lower() == "auto":
        path, name = summary["path"], summary.get("case", {}).get("name", "")
        text = case_label(
            name or Path(summary["cast"]["source"]).stem,
            anterior_tilt_deg=path["anterior_tilt_deg"],
            lateral_tilt_deg=path["lateral_tilt_deg"],
        )
    if settings.label_date:
        text = f"{text}|{settings.label_date}"
    return settings.model_copy(update={"label": text, "label_date": ""})


def _wax_parts(folder: Path, summary: Mapping[str, Any], ready: PrintReady) -> list[NamedMesh]:
    """Each part of wax where the model stands; a bead is no wax but a groove."""
    parts = []
    for part in summary["parts"]:
        if part["triangles"] and part["kind"] != "bead":
            mesh = read_scan(folder / "wax" / f"{part['name']}.stl", unit="mm").mesh
            placed = Mesh(ready.placing(mesh.vertices), mesh.faces)
            parts.append(NamedMesh(part["name"], placed, part["kind"]))
    return parts


def _scan_to_print(ready: PrintReady) -> np.ndarray:
    """(4, 4) from the scan's coordinates to the printed ones: rigid, but for the scale."""
    origin, *axes = ready.placing(np.vstack([np.zeros(3), np.eye(3)]))
    matrix = np.eye(4)
    matrix[:3, :3] = (np.array(axes) - origin).T
    matrix[:3, 3] = origin
    return matrix


def _printed_direction(summary: Mapping[str, Any], ready: PrintReady) -> list[float]:
    along = _scan_to_print(ready)[:3, :3] @ np.array(summary["path"]["direction"])
    return [float(value) for value in along / np.linalg.norm(along)]


def _print_metadata(summary: Mapping[str, Any], ready: PrintReady) -> dict[str, str]:
    direction = " ".join(repr(value) for value in _printed_direction(summary, ready))
    return model_metadata(summary, "cast") | {"coordinates": "print", "path_direction": direction}


def _manifest(
    summary: Mapping[str, Any],
    ready: PrintReady,
    settings: PrintSettings,
    walls: tuple[ThinWall, ...],
    files: list[tuple[Path, NamedMesh, PrintFile]],
) -> dict[str, Any]:
    """What was done and what came back from the files."""
    density = settings.resin_density_g_per_cm3
    path = summary["path"]
    warnings = [
        {"code": warning.code, "message": warning.message}
        for warning in void_warnings(files[0][2].mesh)
    ]
    if ready.hollow is not None and ready.hollow.pool_mm3 >= _POOL_LEAST_MM3:
        warnings.append(
            {
                "code": "resin_pool",
                "message": f"About {ready.hollow.pool_mm3:.0f} mm3 of resin stay in the hollow "
                "when the model stands on its base: turn it over before curing.",
            }
        )
    return dict(
        json_ready(
            {
                "schema": PRINT_SCHEMA,
                "files": [
                    {
                        "file": place.name,
                        "part": part.name,
                        "kind": part.kind,
                        **file.facts(),
                        "resin_g": file.mesh.volume_mm3 * density / 1000.0,
                    }
                    for place, part, file in files
                ],
                "unit": files[0][2].unit,
                "frame": {
                    "name": "print",
                    "meaning": "base at z = 0, occlusal surface up; front along +y before the turn",
                    "scan_to_print_mm": _scan_to_print(ready).tolist(),
                },
                "path": {
                    "anterior_tilt_deg": path["anterior_tilt_deg"],
                    "lateral_tilt_deg": path["lateral_tilt_deg"],
                    "direction": _printed_direction(summary, ready),
                },
                "done": done_facts(ready, settings),
                "build_volume_mm": settings.build_volume_mm,
                "resin_density_g_per_cm3": density,
                "walls": {
                    "limit_mm": settings.least_wall_mm,
                    "thin_count": len(walls),
                    "thin": [
                        {
                            "thickness_mm": wall.thickness_mm,
                            "area_mm2": wall.area_mm2,
                            "at_mm": list(wall.at_mm),
                        }
                        for wall in walls[:_THIN_SHOWN]
                    ],
                },
                "warnings": warnings,
                "cautions": [*CAUTIONS, *ready.cautions],
                "settings": settings.model_dump(mode="json"),
                "versions": versions(),
            }
        )
    )
