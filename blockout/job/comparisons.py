"""Holding scans of what was made against what was planned."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from blockout.case.comparing_settings import CompareSettings
from blockout.case.settings import PathSettings, PrepareSettings
from blockout.comparing.built import plan_of_folder, read_summary, settings_in
from blockout.comparing.compare import Comparison, compare, given_scan
from blockout.comparing.plan import Plan, plan_from_model
from blockout.comparing.regions import regions_of_arch
from blockout.errors import InputError
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


def compare_files(
    scans: Sequence[Path],
    *,
    folder: Path | None = None,
    expected: Path | None = None,
    cast: Path | None = None,
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
    scans : sequence of Path
    folder : Path
        Of a build; or else
    expected, cast : Path
        The planned model or its wax, and the cast.
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
    if folder is not None:
        summary = read_summary(folder)
        plan = plan_of_folder(folder, summary=summary, progress=progress)
        settings = tolerances or settings_in(summary)
    else:
        plan = _plan_of_files(expected, cast, path, prepare, progress)
        settings = tolerances or CompareSettings()
    given = [
        given_scan(scan, plan, unit=unit, is_in_place=in_place, is_wax_alone=wax_alone)
        for scan in scans
    ]

    def worked() -> Comparison:
        return compare(plan, given, settings=settings, progress=progress)

    if out is None:
        return comparison_facts(worked(), timings_s=watch.all_s())
    with replacing_folder(out, ours=COMPARE_FILES, signed_by=DOCUMENT) as written:
        comparison = worked()
        progress("writing files and pictures")
        for number, scan in enumerate(comparison.scans, start=1):
            write_scan(written / scan_folder(number, scan.name), scan, comparison)
        facts = comparison_facts(comparison, timings_s=watch.all_s())
        write_json(written / DOCUMENT, facts)
    return facts


def _plan_of_files(
    expected: Path | None,
    cast_file: Path | None,
    path: PathSettings | None,
    prepare: PrepareSettings | None,
    progress: Progress,
) -> Plan:
    if expected is None or cast_file is None:
        raise InputError(
            "there is no plan to compare with",
            fix="Give a build's folder, or a planned model and its cast.",
        )
    cast = load_cast(cast_file, settings=prepare, progress=progress).cast
    along = insertion_path(cast.frame, arch=cast.arch, settings=path or PathSettings())
    planned = inspect_file(expected, unit="mm").scan.mesh
    regions = regions_of_arch(cast, along)
    return plan_from_model(cast, along, planned, regions=regions, name=expected.name)
