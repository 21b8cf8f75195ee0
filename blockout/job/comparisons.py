"""Holding scans of what was made against what was planned."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blockout.case.comparing_settings import CompareSettings
from blockout.case.settings import PathSettings, PrepareSettings
from blockout.comparing.built import plan_of_folder, read_summary, settings_in
from blockout.comparing.compare import Comparison, compare, given_scan
from blockout.comparing.plan import Plan, plan_from_model
from blockout.comparing.regions import regions_of_arch
from blockout.job.casts import inspect_file, load_cast
from blockout.job.desk import Stopwatch, write_json
from blockout.progress import Progress, silent
from blockout.report.comparison import (
    COMPARE_FILES,
    DOCUMENT,
    comparison_facts,
    scan_folder,
    write_scan,
)
from blockout.surveying.path import insertion_path
from blockout.units import LengthUnit
from blockout.writing import replacing_folder


@dataclass(frozen=True)
class Asked:
    """A build's folder, or a planned file and its cast; and the scans."""

    scans: tuple[Path, ...]
    folder: Path | None = None
    expected: Path | None = None
    cast: Path | None = None


def compare_files(
    asked: Asked,
    *,
    tolerances: CompareSettings | None = None,
    path: PathSettings | None = None,
    prepare: PrepareSettings | None = None,
    unit: LengthUnit | None = None,
    in_place: bool = False,
    wax_alone: bool = False,
    out: Path | None = None,
    progress: Progress = silent,
) -> dict[str, Any]:
    """Read plan and scans, compare them, and write the folder where one is asked for.

    Parameters
    ----------
    tolerances : CompareSettings
        Those of the build, or the defaults, when left out.
    path, prepare
        For a plan that is given as files: a build has its own.

    Returns
    -------
    dict
        The document that ``compare.json`` holds.

    Raises
    ------
    ReadError, UnitError, InputError, CaseError, OutputError, CheckError
    """
    watch = Stopwatch()
    plan, settings = _plan_and_settings(
        asked, tolerances, path or PathSettings(), prepare or PrepareSettings(), progress
    )
    scans = [
        given_scan(scan, plan, unit=unit, is_in_place=in_place, is_wax_alone=wax_alone)
        for scan in asked.scans
    ]

    def worked() -> Comparison:
        return compare(plan, scans, settings=settings, progress=progress)

    if out is None:
        return comparison_facts(worked(), timings_s=watch.all_s())
    with replacing_folder(out, ours=COMPARE_FILES, signed_by=DOCUMENT) as folder:
        comparison = worked()
        progress("writing files and pictures")
        for number, scan in enumerate(comparison.scans, start=1):
            write_scan(folder / scan_folder(number, scan.name), scan, comparison)
        facts = comparison_facts(comparison, timings_s=watch.all_s())
        write_json(folder / DOCUMENT, facts)
    return facts


def _plan_and_settings(
    asked: Asked,
    tolerances: CompareSettings | None,
    path: PathSettings,
    prepare: PrepareSettings,
    progress: Progress,
) -> tuple[Plan, CompareSettings]:
    if asked.folder is not None:
        summary = read_summary(asked.folder)
        plan = plan_of_folder(asked.folder, summary=summary, progress=progress)
        return plan, tolerances or settings_in(summary)
    assert asked.cast is not None
    assert asked.expected is not None
    cast = load_cast(asked.cast, settings=prepare, progress=progress).cast
    along = insertion_path(cast.frame, arch=cast.arch, settings=path)
    expected = inspect_file(asked.expected, unit="mm").scan.mesh
    regions = regions_of_arch(cast, along)
    plan = plan_from_model(cast, along, expected, regions=regions, name=asked.expected.name)
    return plan, tolerances or CompareSettings()
