"""From a case to the paths of insertion worth choosing from."""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from blockout.case.case import Case
from blockout.case.edit import set_path
from blockout.cast.prepare import Prepared
from blockout.choosing.answer import choice_csv, choice_facts
from blockout.choosing.choose import Choice, choose_path
from blockout.choosing.ground import choosing_ground
from blockout.job.casts import cast_of_case
from blockout.job.desk import Stopwatch, write_json
from blockout.progress import Progress, silent
from blockout.report.pictures import write_picture
from blockout.report.tilt_disk import tilt_pictures
from blockout.teeth.named import teeth_of
from blockout.writing import replacing_folder

CHOICES: Final = "choices.json"
CHOICE_FILES: Final = (CHOICES, "choices.csv", "*.png")
"""All that a folder of a choice of paths holds."""


@dataclass(frozen=True, eq=False)
class Chosen:
    """Paths tried and ranked, their facts as ``choices.json`` holds them, and its folder."""

    choice: Choice
    facts: dict[str, Any]
    out: Path | None = None


def choose_path_of(
    case: Case,
    *,
    out: Path | str | None = None,
    pick: int | None = None,
    case_file: Path | str | None = None,
    prepared: Prepared | None = None,
    progress: Progress = silent,
) -> Chosen:
    """Try, score and rank paths of insertion; ``case.cast.file`` is seen from the working folder.

    Parameters
    ----------
    out : Path, optional
        Folder for list and pictures.
    pick : int, optional
        Which path of the list is written into ``case_file``, after all else is done.

    Raises
    ------
    ReadError, UnitError, DefectError, CaseError, InputError, OutputError
        On any error nothing is written.
    """
    watch = Stopwatch()
    folder_of = (
        nullcontext(None)
        if out is None
        else replacing_folder(Path(out), ours=CHOICE_FILES, signed_by=CHOICES)
    )
    with folder_of as folder:
        with watch.stage("prepare"):
            prepared = prepared or cast_of_case(case, progress)
        with watch.stage("teeth"):
            teeth = teeth_of(prepared.cast, case.teeth, progress=progress)
        with watch.stage("search"):
            ground = choosing_ground(
                prepared.cast,
                prescription=case,
                teeth=teeth,
                settings=case.choosing,
                progress=progress,
            )
            choice = choose_path(ground, progress=progress)
        facts = choice_facts(choice)
        picked = None if pick is None else choice.pick(pick)
        if folder is not None:
            with watch.stage("pictures"):
                progress("drawing pictures")
                for name, picture in tilt_pictures(choice):
                    write_picture(folder / f"{name}.png", picture)
            (folder / "choices.csv").write_text(choice_csv(facts), encoding="utf-8")
        facts["timings_s"] = watch.all_s()
        if folder is not None:
            write_json(folder / CHOICES, facts)
    if picked is not None and case_file is not None:
        set_path(
            Path(case_file),
            anterior_tilt_deg=picked.anterior_deg,
            lateral_tilt_deg=picked.lateral_deg,
        )
        facts["picked"] = {
            "number": pick,
            "anterior_tilt_deg": picked.anterior_deg,
            "lateral_tilt_deg": picked.lateral_deg,
        }
    return Chosen(choice, facts, None if out is None else Path(out))
