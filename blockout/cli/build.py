"""``blockout build``: blocked-out models, from a cast, a case file or many case files."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import astuple
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from blockout.cli import words
from blockout.cli.asked import (
    case_asked,
    given,
    number_asked,
    outlines_asked,
)
from blockout.cli.groups import CastOptions, PathOptions, Speaking
from blockout.cli.history import LogFile, NoLog, add_to_log, log_asked
from blockout.cli.many import Jobs, Scheduler, many_lines
from blockout.cli.options import Floor, Gauges, KeepIn, KeepOut, NoiseDepth, Taper
from blockout.cli.terminal import Terminal, terminal
from blockout.errors import InputError

if TYPE_CHECKING:
    from blockout.job import ManyBuilt


def build(
    cases: Annotated[
        list[Path],
        typer.Argument(
            metavar="CASE...",
            help="A scan, a prepared cast, or a case file ending in .toml. Never changed. Options "
            "given here override the case file. Of many case files each is built into a folder of "
            "its own under --out.",
        ),
    ],
    out: Annotated[
        Path, typer.Option("--out", metavar="FOLDER", help="Where model, wax and summary go.")
    ],
    jobs: Jobs = None,
    scheduler: Scheduler = None,
    taper: Taper = None,
    floor: Floor = None,
    keep_in: KeepIn = None,
    keep_out: KeepOut = None,
    gauge: Gauges = None,
    noise_depth: NoiseDepth = None,
    log: LogFile = None,
    no_log: NoLog = False,
    *,
    path: PathOptions,
    cast: CastOptions,
    speaking: Speaking,
) -> None:
    """Block out a cast and build the model.

    A scan that was not prepared is prepared first. Many case files are built one by one or, with
    --jobs, several at once; one that is broken does not stop the others, and what an earlier run
    built from the same files is skipped.
    """
    with terminal(speaking) as here:
        place = log_asked(log, no_log)
        if len(cases) > 1 or jobs is not None or scheduler is not None:
            changes = (
                *astuple(path), *astuple(cast), taper, floor, keep_in, keep_out, gauge, noise_depth,
            )  # fmt: skip
            if any(value not in (None, []) for value in changes):
                raise InputError(
                    "options that change a case are for one case alone",
                    measured=f"{len(cases)} cases",
                    fix="Write them into the case files, or leave --jobs and --scheduler out.",
                )
            many = _build_many(here, cases, out=out, jobs=jobs, scheduler=scheduler, log=place)
            if many.exit_code:
                raise typer.Exit(many.exit_code)
            return
        (case,) = cases
        asked = case_asked(
            case,
            cast=cast,
            path=path,
            survey=given(gauges_mm=gauge, noise_depth_mm=noise_depth),
            parallel=given(
                taper_deg=number_asked("--taper", taper),
                floor_mm=floor,
                keep_in=outlines_asked(keep_in),
                keep_out=outlines_asked(keep_out),
            ),
        )

        from blockout import job

        with here.progress() as tell:
            built = job.build_case(asked, out=out, progress=tell)
        _record(place, built.summary, case_file=str(case) if case.suffix == ".toml" else None)
        here.answer(built.summary, summary_lines(built.summary, out))


def _build_many(
    here: Terminal,
    cases: Sequence[Path],
    *,
    out: Path,
    jobs: int | None,
    scheduler: str | None,
    log: Path | None,
) -> ManyBuilt:
    from blockout import job

    with here.progress() as tell:
        many = job.build_many(cases, out=out, jobs=jobs, scheduler=scheduler, progress=tell)
    for row in many.rows:
        if row.outcome == "built":
            _record(log, job.summary_of(out / row.folder), case_file=row.case)
    here.answer(many.facts(), many_lines(many.facts(), out))
    return many


def _record(log: Path | None, summary: Mapping[str, Any], *, case_file: str | None) -> None:
    def append(place: Path) -> None:
        from blockout.history.log import append_build

        append_build(place, summary, case_file=case_file)

    add_to_log(log, append)


def summary_lines(summary: Mapping[str, Any], out: Path) -> Iterator[str]:
    """A built model in a few lines."""
    from blockout.report.cautions import CAUTION_LINE

    yield words.cast_line(summary["cast"])
    yield words.path_line(summary["path"])
    yield from words.undercut_lines(summary["undercut"])
    for part in summary["parts"]:
        yield words.part_line(part)
    yield words.model_line(summary["model"])
    yield words.mould_line(summary["mould"])
    yield from words.note_lines(summary.get("notes", ()))
    yield from words.warning_lines(summary["warnings"])
    yield from words.time_line(summary["timings_s"])
    yield words.written_line(out)
    yield CAUTION_LINE
