"""From a built folder to the report people keep."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from blockout.job.desk import Stopwatch, not_the_input
from blockout.progress import Progress, silent
from blockout.report.page.inner_side import inner_pictures
from blockout.report.page.material import Material, arm_sections
from blockout.report.page.page import report_html
from blockout.report.page.reading import read_built, read_companions
from blockout.report.pictures import png_bytes
from blockout.writing import replacing_file


@dataclass(frozen=True)
class Reported:
    """A report that was written.

    Parameters
    ----------
    out : Path
    size_bytes : int
    pictures, sections, companions : int
        How many of each it shows.
    timings_s : dict
    """

    out: Path
    size_bytes: int
    pictures: int
    sections: int
    companions: int
    timings_s: dict[str, float]


def report_folder(
    folder: Path | str,
    *,
    out: Path | str,
    companions: Sequence[Path | str] = (),
    progress: Progress = silent,
) -> Reported:
    """Make one self-contained HTML file of a built folder.

    Parameters
    ----------
    folder : Path
        That ``build`` wrote.
    out : Path
        The file.
    companions : sequence of Path
        Folders that ``choose-path``, ``tripod``, ``try-in`` and ``compare`` wrote for the same
        cast, or JSON documents of theirs and of ``sureness``.

    Raises
    ------
    InputError, ReadError, DefectError
        The folder holds no build, one of another version, or files that are not of one build; a
        companion is none, or of another cast.
    OutputError
        The place cannot be written. On any error nothing is written.
    """
    folder, out = Path(folder), Path(out)
    watch = Stopwatch()
    with watch.stage("read"):
        progress("reading the build")
        built = read_built(folder)
        beside = read_companions([Path(one) for one in companions], built.summary)
        for mark in built.files:
            not_the_input(folder / mark.name, out)
    with watch.stage("sections"):
        progress("cutting sections")
        sections = arm_sections(built.summary, built.cast, built.waxes, built.path)
    with watch.stage("pictures"):
        progress("drawing inner sides")
        inner = {
            name: png_bytes(picture)
            for name, picture in inner_pictures(
                built.cast, built.waxes, np.asarray(built.path.direction)
            )
        }
    with watch.stage("page"):
        progress("writing the report")
        material = Material(
            summary=built.summary,
            pictures=built.pictures | inner,
            sections=sections,
            files=built.files,
            companions=beside,
        )
        text = report_html(material).encode("utf-8")
        with replacing_file(out) as unfinished:
            unfinished.write_bytes(text)
    return Reported(
        out=out,
        size_bytes=len(text),
        pictures=len(material.pictures) + sum(len(one.pictures) for one in beside),
        sections=len(sections),
        companions=len(beside),
        timings_s=watch.all_s(),
    )
