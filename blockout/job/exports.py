"""From a built folder to a model in another format."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from blockout.cast.record import read_cast
from blockout.cast.scan import read_scan
from blockout.errors import InputError, ReadError
from blockout.job.builds import model_metadata
from blockout.job.desk import SUMMARY, not_the_input, summary_of
from blockout.kernel.files import NamedMesh
from blockout.model.export import FORMATS, Format, check_stl, in_cast_frame, write_model


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
    cast = read_cast(folder / "cast.ply")
    if cast is None:
        raise ReadError(
            "the build's cast carries no record of how it was prepared",
            where=str(folder / "cast.ply"),
            fix="Run `blockout build` again.",
        )
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


def _known_format(text: str) -> Format:
    for known in FORMATS:
        if text == known:
            return known
    raise InputError(
        f"{text!r} is no format", measured=f"known are {', '.join(FORMATS)}", fix="Write --format."
    )
