"""The demo: one case of our own making, all in one go."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Final

from blockout.case.edit import write_case
from blockout.case.settings import Arch, PrepareSettings
from blockout.job.builds import BUILD_FILES, Built, build_case
from blockout.job.casts import prepare_file
from blockout.job.exports import export_model
from blockout.job.surveys import SURVEY_FILES, survey_file
from blockout.kernel.files import write_stl
from blockout.progress import Progress, silent
from blockout.samples.prescriptions import demo_case
from blockout.samples.scenario import LOWER, UPPER, demo_scan
from blockout.writing import replacing_folder

_DEMO_FILES: Final = (
    "scan.stl",
    "case.toml",
    "cast.ply",
    "model.3mf",
    *(f"survey/{name}" for name in SURVEY_FILES),
    *(f"build/{name}" for name in BUILD_FILES),
)


def demo(out: Path | str, progress: Progress = silent, *, arch: Arch = "lower") -> Built:
    """A case of our own making, from scan to exported model, in one folder.

    Parameters
    ----------
    arch : "lower" or "upper"
        Which of the two demo cases.

    Raises
    ------
    OutputError
        The folder holds other files, or cannot be written.
    """
    out = Path(out)
    scenario = {"lower": LOWER, "upper": UPPER}[arch]
    with replacing_folder(out, ours=_DEMO_FILES, signed_by="case.toml") as folder:
        progress("making up a scan")
        write_stl(folder / "scan.stl", demo_scan(scenario))
        case = demo_case(scenario, file="scan.stl")
        write_case(folder / "case.toml", case)
        made = prepare_file(
            folder / "scan.stl",
            settings=PrepareSettings(arch=arch),
            out=folder / "cast.ply",
            progress=progress,
        )
        survey_file(
            folder / "cast.ply",
            path_of_insertion=case.path,
            settings=case.survey,
            out=folder / "survey",
            progress=progress,
        )
        built = build_case(case, out=folder / "build", prepared=made.prepared, progress=progress)
        progress("exporting the model")
        export_model(folder / "build", file_format="3mf", out=folder / "model.3mf")
    return replace(built, out=out)
