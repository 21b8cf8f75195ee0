"""``blockout choose-path``: which tilt of the cast, and why."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from blockout.case import choosing_parameters as c
from blockout.cli import words
from blockout.cli.asked import case_asked, given, number_asked, settings_asked
from blockout.cli.groups import CastOptions, Speaking
from blockout.cli.options import CaseOrScan, number_option
from blockout.cli.terminal import terminal

Facts = Mapping[str, Any]

_COLUMNS: Final = (
    ("retention", "Retention"),
    ("interferences", "Interferences"),
    ("guiding planes", "Guiding"),
    ("appearance", "Looks"),
)


Within = Annotated[str | None, number_option(c.WITHIN)]
RetentionWeight = Annotated[str | None, number_option(c.RETENTION_WEIGHT)]
InterferencesWeight = Annotated[str | None, number_option(c.INTERFERENCES_WEIGHT)]
GuidingWeight = Annotated[str | None, number_option(c.GUIDING_WEIGHT)]
AppearanceWeight = Annotated[str | None, number_option(c.APPEARANCE_WEIGHT)]


def choose_path(
    case: CaseOrScan,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FOLDER",
            help="Where the list goes as choices.csv and choices.json, with pictures; only printed "
            "when left out.",
            show_default=False,
        ),
    ] = None,
    pick: Annotated[
        int | None,
        typer.Option(
            "--pick",
            metavar="N",
            help="Write the tilts of path N of the list into the case file; its comments stay.",
            show_default=False,
        ),
    ] = None,
    within: Within = None,
    retention_weight: RetentionWeight = None,
    interferences_weight: InterferencesWeight = None,
    guiding_planes_weight: GuidingWeight = None,
    appearance_weight: AppearanceWeight = None,
    *,
    cast: CastOptions,
    speaking: Speaking,
) -> None:
    """Choose the path of insertion: tilts tried, scored and ranked.

    Retention, interferences, guiding planes and appearance are scored apart for hundreds of tilts;
    the best and the trade-offs are listed beside the level path. The choice stays yours: --pick
    writes it into the case file. Teeth, missing teeth and arms are read from the case; a cast alone
    is scored by its undercut only.
    """
    with terminal(speaking) as here:
        from blockout.case.choosing_settings import ChoosingSettings
        from blockout.errors import InputError

        if pick is not None and case.suffix.lower() != ".toml":
            raise InputError(
                "there is no case file to write the path into",
                where=str(case),
                fix="Give a case file ending in .toml, or leave --pick out.",
            )
        asked = case_asked(
            case,
            cast=cast,
        )
        options = {
            "within_deg": ("--within", within),
            "retention_weight": ("--retention-weight", retention_weight),
            "interferences_weight": ("--interferences-weight", interferences_weight),
            "guiding_planes_weight": ("--guiding-planes-weight", guiding_planes_weight),
            "appearance_weight": ("--appearance-weight", appearance_weight),
        }
        said = given(**{key: number_asked(*option) for key, option in options.items()})
        told = asked.choosing.model_dump(exclude_unset=True)
        settings = settings_asked(ChoosingSettings, {**told, **said})
        asked = asked.model_copy(update={"choosing": settings})

        from blockout import job

        with here.progress() as tell:
            done = job.choose_path_of(asked, out=out, pick=pick, case_file=case, progress=tell)
        here.answer(done.facts, choice_lines(done.facts, case, out))


# --- for people ----------------------------------------------------------------------------------
def choice_lines(facts: Facts, case: Path, out: Path | None) -> Iterator[str]:
    """The list, the best in detail, and what to do next."""
    yield from table_lines(facts["paths"])
    yield "Marks are 0 to 100, higher is better. Interferences: 50 is as much undercut as at level."
    yield ""
    yield from detail_lines(facts["paths"])
    yield ""
    yield f"Best: {facts['best_reason']}."
    yield f"{facts['level_reason']}."
    yield from words.note_lines(facts["notes"])
    yield from words.time_line(facts.get("timings_s", {}))
    if out is not None:
        yield words.written_line(out)
    picked = facts.get("picked")
    if picked is not None:
        yield (
            f"Path {picked['number']} is now in {case}: anterior tilt "
            f"{picked['anterior_tilt_deg']:.2f} deg, lateral tilt "
            f"{picked['lateral_tilt_deg']:.2f} deg"
        )
    elif case.suffix.lower() == ".toml":
        yield f"Next: blockout choose-path {case} --pick 1 writes path 1 into the case file"
    else:
        tilt = facts["paths"][0]
        yield (
            f"Next: blockout survey {case} --tilt {tilt['anterior_tilt_deg']:g},"
            f"{tilt['lateral_tilt_deg']:g} --out FOLDER shows path 1"
        )


def table_lines(paths: list[Facts]) -> Iterator[str]:
    """The list as a table: only factors that are scored have a column."""
    factors = [(name, head) for name, head in _COLUMNS if name in paths[0]["marks"]]
    wide = max(len("Tilt of the cast, degrees"), *(len(path["words"]) for path in paths))
    heads = "".join(f"  {head:>{max(len(head), 5)}}" for _, head in factors)
    yield f"Path  {'Tilt of the cast, degrees':<{wide}}  Total{heads}  Listed for"
    for path in paths:
        marks = "".join(
            f"  {path['marks'][name]:>{max(len(head), 5)}.0f}" for name, head in factors
        )
        why = "; ".join([", ".join(path["why"]), *_cautions(path)])
        yield f"{path['number']:>4}  {path['words']:<{wide}}  {path['total']:>5.0f}{marks}  {why}"


def _cautions(path: Facts) -> Iterator[str]:
    if path["as_good_as_best"] and path["number"] > 1:
        yield "as good as path 1"
    if path["steep"]:
        yield "steep"
    if path["made_by_tilt_alone"]:
        yield "undercut made by tilt"


def detail_lines(paths: list[Facts]) -> Iterator[str]:
    """What is measured on the best path, with the level one in brackets."""
    best = paths[0]
    level = next(path for path in paths if path["words"] == "level")
    yield "Path 1 in detail, level in brackets:"
    if best["retention"]:
        at_level = {site["name"]: site for site in level["retention"]["sites"]}
        for site in best["retention"]["sites"]:
            if not site["counts"]:
                continue
            short = "; SHORT" if site["lacking_mm"] > 0.02 else ""
            made = "; made by the tilt alone" if site["name"] in best["made_by_tilt_alone"] else ""
            yield (
                f"  undercut {site['name']}: {site['offered_mm']:.2f} mm of "
                f"{site['asked_mm']:.2f} asked ({at_level[site['name']]['offered_mm']:.2f}), about "
                f"{site['force_n']:.1f} N{short}{made}"
            )
        both = [path["retention"] for path in (best, level)]
        yield (
            f"  spread between arms: {both[0]['spread_mm']:.2f} mm ({both[1]['spread_mm']:.2f}), "
            f"{both[0]['spread_n']:.1f} N ({both[1]['spread_n']:.1f})"
        )
    for guide, other in zip(
        best["guiding_planes"] or (), level["guiding_planes"] or (), strict=True
    ):
        lean = "undercut" if guide["angle_deg"] < 0.0 else "flares"
        yield (
            f"  guiding plane {guide['tooth']} {guide['aspect']}: {abs(guide['angle_deg']):.1f} "
            f"deg, {lean} ({abs(other['angle_deg']):.1f}), parallel over "
            f"{guide['parallel_height_mm']:.1f} mm ({other['parallel_height_mm']:.1f})"
        )
    yield from _undercut_lines(best["interferences"], level["interferences"])
    if best["appearance"]:
        both = [path["appearance"] for path in (best, level)]
        yield (
            f"  front teeth: survey line at {100 * both[0]['line_share']:.0f} % of crown height "
            f"({100 * both[1]['line_share']:.0f}), gap seen from the front "
            f"{both[0]['gap_mm2']:.1f} mm2 ({both[1]['gap_mm2']:.1f})"
        )


def _undercut_lines(best: Facts, level: Facts) -> Iterator[str]:
    for kind in ("teeth", "tissue"):
        one, other = best["volume_mm3"][kind], level["volume_mm3"][kind]
        if one > 0.0 or other > 0.0:
            yield (
                f"  undercut on {kind}: {one:.0f} mm3 ({other:.0f}), deepest "
                f"{best['deepest_mm'][kind]:.1f} mm ({level['deepest_mm'][kind]:.1f})"
            )
    for name, volume in best["zone_volume_mm3"].items():
        yield f"  under {name}: {volume:.1f} mm3 ({level['zone_volume_mm3'][name]:.1f})"
