"""``blockout compare``: what was planned against scans of what was made."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from blockout.cli import words
from blockout.cli.asked import given, path_asked, path_settings, settings_asked, unit_asked
from blockout.cli.groups import PathOptions, Speaking
from blockout.cli.history import LogFile, NoLog, add_to_log, log_asked
from blockout.cli.options import ArchName, Direction, Tilt, Unit
from blockout.cli.terminal import terminal
from blockout.errors import InputError

_PLACES_SHOWN: Final = 8
_CHECKS_SHOWN: Final = 12


def compare(
    files: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[FOLDER SCAN...]",
            help="A folder that blockout build wrote, and one or more scans of the waxed or "
            "printed cast, or blocked-out models of other origin. Never changed.",
            show_default=False,
        ),
    ] = None,
    expected: Annotated[
        Path | None,
        typer.Option(
            "--expected",
            metavar="FILE",
            help="Instead of a folder: the planned blocked-out model, or its wax, as a closed mesh "
            "in the cast's coordinates.",
            show_default=False,
        ),
    ] = None,
    actual: Annotated[
        list[Path] | None,
        typer.Option(
            "--actual",
            metavar="FILE",
            help="A scan to compare, with --expected. Repeat it for several.",
            show_default=False,
        ),
    ] = None,
    cast: Annotated[
        Path | None,
        typer.Option(
            "--cast",
            metavar="FILE",
            help="The cast without wax, prepared or a scan, with --expected.",
            show_default=False,
        ),
    ] = None,
    case: Annotated[
        Path | None,
        typer.Option(
            "--case",
            metavar="FILE",
            help="A case file whose [compare] table holds the tolerances; those that the case of "
            "the build stated when left out.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FOLDER",
            help="Where facts, coloured meshes, missing and excess wax and pictures go; nothing is "
            "written when left out.",
            show_default=False,
        ),
    ] = None,
    unit: Unit = None,
    in_place: Annotated[
        bool,
        typer.Option(
            "--in-place", help="The scans lie in the cast's coordinates already; do not move them."
        ),
    ] = False,
    wax_alone: Annotated[
        bool,
        typer.Option(
            "--wax-alone",
            help="The scans are closed meshes of the wax alone, in the cast's coordinates.",
        ),
    ] = False,
    tilt: Tilt = None,
    direction: Direction = None,
    arch: ArchName = None,
    log: LogFile = None,
    no_log: NoLog = False,
    *,
    speaking: Speaking,
) -> None:
    """Hold scans of the blocked-out cast against the plan.

    Volumes, missing and excess wax, deviations, walls, ledges and reliefs, each against its
    tolerance. Several scans of one cast give trueness and precision (ISO 5725-1). The exit code
    is 1 when a scan fails.
    """
    with terminal(speaking) as here:
        from blockout import job
        from blockout.case.case import read_case
        from blockout.case.settings import PrepareSettings

        place = log_asked(log, no_log)
        asked = _asked(files or [], expected=expected, actual=actual or [], cast=cast)
        unit_of_scans = unit_asked(unit)
        path = path_settings(path_asked(PathOptions(tilt=tilt, direction=direction)))
        if asked.folder is not None and (path.model_fields_set or arch is not None):
            raise InputError(
                "path and arch of a build are in its folder",
                fix="Leave out --tilt, --direction and --arch.",
            )
        with here.progress() as tell:
            facts = job.compare_files(
                asked.scans,
                folder=asked.folder,
                expected=asked.expected,
                cast=asked.cast,
                tolerances=None if case is None else read_case(case).compare,
                path=path,
                prepare=settings_asked(PrepareSettings, given(arch=arch)),
                unit=unit_of_scans,
                in_place=in_place,
                wax_alone=wax_alone,
                out=out,
                progress=tell,
            )
        _record(place, facts, asked.folder)
        here.answer(facts, comparison_lines(facts, out))
        if not facts["passed"]:
            raise typer.Exit(1)


def _record(log: Path | None, facts: Mapping[str, Any], folder: Path | None) -> None:
    def append(place: Path) -> None:
        from blockout import job
        from blockout.history.log import append_comparison

        case = None if folder is None else job.summary_of(folder).get("case")
        append_comparison(place, facts, case=case)

    add_to_log(log, append)


# --- what is asked -------------------------------------------------------------------------------
@dataclass(frozen=True)
class Asked:
    """A build's folder, or a planned file and its cast; and the scans."""

    scans: tuple[Path, ...]
    folder: Path | None = None
    expected: Path | None = None
    cast: Path | None = None


def _asked(
    files: Sequence[Path], *, expected: Path | None, actual: Sequence[Path], cast: Path | None
) -> Asked:
    """Either way of saying it.

    Raises
    ------
    InputError
        Neither is whole, or they are mixed.
    """
    if expected is None and cast is None and not actual:
        if not files:
            raise InputError(
                "there is nothing to compare",
                fix="Write blockout compare FOLDER SCAN, or --expected, --actual and --cast.",
            )
        if len(files) < 2:
            raise InputError(
                "there is no scan to compare",
                where=str(files[0]),
                fix="Name one or more scans after the build's folder.",
            )
        return Asked(tuple(files[1:]), folder=files[0])
    if files:
        raise InputError(
            "the plan is said twice, by a folder and by options",
            measured=f"{', '.join(str(file) for file in files)} besides --expected, --actual or "
            "--cast",
            fix="Keep one of the two ways.",
        )
    missing = [
        name
        for name, value in (("--expected", expected), ("--actual", actual), ("--cast", cast))
        if not value
    ]
    if missing:
        raise InputError(
            f"{' and '.join(missing)} is missing",
            fix="Give --expected, --actual and --cast together.",
        )
    return Asked(tuple(actual), expected=expected, cast=cast)


# --- lines for people ----------------------------------------------------------------------------
def comparison_lines(facts: Mapping[str, Any], out: Path | None) -> Iterator[str]:
    """The verdict of each scan, then what it rests on."""
    from blockout.report.cautions import CAUTION_LINE

    several = len(facts["scans"]) > 1
    for scan in facts["scans"]:
        yield from _scan_lines(scan)
    if several:
        yield from _repeated_lines(facts["repeated"])
        passed = sum(scan["passed"] for scan in facts["scans"])
        yield f"{passed} of {len(facts['scans'])} scans pass"
    yield from words.time_line(facts["timings_s"])
    if out is not None:
        yield words.written_line(out)
    yield CAUTION_LINE


def _scan_lines(scan: Mapping[str, Any]) -> Iterator[str]:
    yield f"{'PASS' if scan['passed'] else 'FAIL'}  {scan['name']}"
    fit = scan["fit"]
    yield (
        f"  Fit on surface without wax: {1000 * fit['rms_mm']:.1f} um RMS, "
        f"{1000 * fit['p95_mm']:.1f} um 95th percentile, over {100 * fit['covered_share']:.0f} % "
        f"of it; turn known to {fit['turn_sigma_deg']:.3f} deg, place to "
        f"{1000 * fit['shift_sigma_mm']:.1f} um; scan in {scan['unit']}"
    )
    volume = scan["volume"]
    yield (
        f"  Wax: {words.volume(volume['actual_mm3'])}, planned {words.volume(volume['shown_mm3'])}"
        f" where the scan shows it ({_signed(volume['off_mm3'])} mm3, "
        f"{_signed(_percent(volume))} %); {volume['actual_g']:.3f} g, planned "
        f"{volume['planned_g']:.3f} g at {volume['density_g_per_cm3']:g} g/cm3"
    )
    yield (
        f"  Missing {words.volume(volume['missing_mm3'])}, excess "
        f"{words.volume(volume['excess_mm3'])}; uncertain by "
        f"{words.volume(volume['uncertain_mm3'])}"
    )
    for place in scan["places"][:_PLACES_SHOWN]:
        x, y, z = place["at_mm"]
        yield (
            f"    {place['kind']} {words.volume(place['volume_mm3'])}, {place['depth_mm']:.2f} mm, "
            f"at {place['region']} ({place['part']}), ({x:.1f}, {y:.1f}, {z:.1f})"
        )
    if len(scan["places"]) > _PLACES_SHOWN:
        yield f"    and {words.count(len(scan['places']) - _PLACES_SHOWN, 'more place')}"
    wax = scan["deviation"]["wax"]["all"]
    if wax is not None:
        yield (
            f"  Deviation of the wax: mean {_signed(wax['mean_mm'], 3)} mm, RMS "
            f"{wax['rms_mm']:.3f} mm, 95th percentile {wax['p95_mm']:.3f} mm, "
            f"{100 * wax['share_within']:.1f} % within {wax['within_mm']:g} mm"
        )
    for wall in scan["walls"][:1]:
        yield (
            f"  Wall to path: {wall['actual_deg']:.2f} deg, planned {wall['planned_deg']:.2f} deg, "
            f"{100 * wall['inward_share']:.0f} % leans inward"
        )
    for ledge in scan["ledges"]:
        if ledge["height_off_mm"] is not None:
            yield (
                f"  Ledge {ledge['name']}: height {_signed(ledge['height_off_mm'], 2)} mm, "
                f"undercut over it {ledge['actual_depth_mm']:.2f} mm, planned "
                f"{ledge['planned_depth_mm']:.2f} mm"
            )
    for relief in scan["reliefs"]:
        yield (
            f"  Relief {relief['name']}: {relief['actual_mm']:.3f} mm thick, planned "
            f"{relief['planned_mm']:.3f} mm"
        )
    for check in scan["failed"][:_CHECKS_SHOWN]:
        yield f"  Fails: {_check_words(check)}"
    if len(scan["failed"]) > _CHECKS_SHOWN:
        yield f"  and {words.count(len(scan['failed']) - _CHECKS_SHOWN, 'more failed check')}"
    for unknown in scan["unknown"]:
        yield f"  Not checked: {unknown}"
    for note in scan["notes"]:
        yield f"  Note: {note}."


def _repeated_lines(repeated: Mapping[str, Any] | None) -> Iterator[str]:
    if repeated is None:
        yield "The scans show no place in common, so that nothing can be said of all of them."
        return
    yield (
        f"Trueness over {repeated['scans']} scans: volume off by "
        f"{_signed(repeated['volume_bias_mm3'])} mm3 in the mean; the mean surface off by "
        f"{repeated['trueness_mm']:.3f} mm (RMS over places)"
    )
    yield (
        f"Precision: volumes scatter by {repeated['volume_sd_mm3']:.2f} mm3 and places by "
        f"{repeated['precision_mm']:.3f} mm (standard deviation about their mean)"
    )


def _check_words(check: Mapping[str, Any]) -> str:
    unit = "" if check["unit"] == "share" else f" {check['unit']}"
    value, limit = check["value"], check["limit"]
    if check["unit"] == "share":
        shown = f"{100 * value:.1f} %, at least {100 * limit:g} %"
    else:
        shown = f"{_signed(value, 3)}{unit}, limit {limit:.3g}{unit}"
    return f"{check['what']}, {check['where']}: {shown}"


def _signed(value: float, digits: int = 1) -> str:
    return f"{value:+.{digits}f}"


def _percent(volume: Mapping[str, Any]) -> float:
    return 100.0 * float(volume["off_mm3"]) / max(float(volume["shown_mm3"]), 1e-9)
