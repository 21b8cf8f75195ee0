"""``blockout export``: a built model as one file in another format or frame, or ready to print."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from blockout.case import printing_parameters as p
from blockout.cli import words
from blockout.cli.asked import given, number_asked, settings_asked, unit_asked
from blockout.cli.groups import Speaking
from blockout.cli.options import number_option
from blockout.cli.terminal import Terminal, terminal
from blockout.errors import InputError

FORMATS: Final = ("stl", "ply", "3mf", "glb")
FRAMES: Final = ("scan", "cast", "print")
STYLES: Final = ("engraved", "raised")
_THIN_SHOWN: Final = 5


Xy = Annotated[str | None, number_option(p.XY)]
TurnZ = Annotated[str | None, number_option(p.TURN_Z)]
LeastWall = Annotated[str | None, number_option(p.LEAST_WALL)]
Hollow = Annotated[str | None, number_option(p.HOLLOW_WALL)]
VentWidth = Annotated[str | None, number_option(p.VENT)]
Vents = Annotated[int | None, number_option(p.VENTS)]
LabelHeight = Annotated[str | None, number_option(p.LABEL_HEIGHT)]
LabelDepth = Annotated[str | None, number_option(p.LABEL_DEPTH)]
ResinDensity = Annotated[str | None, number_option(p.RESIN_DENSITY)]


def export(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="A folder that blockout build wrote.")
    ],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Where the model goes.")],
    file_format: Annotated[
        str | None,
        typer.Option(
            "--format",
            metavar="|".join(FORMATS),
            help="3mf keeps cast and wax as separate objects, but for printing; the ending of "
            "--out decides when left out.",
            show_default=False,
        ),
    ] = None,
    frame: Annotated[
        str | None,
        typer.Option(
            "--frame",
            metavar="|".join(FRAMES),
            help="Coordinates of the scan; of the cast, with the occlusal plane at z = 0; or for "
            "printing: as the cast, but the base flat at z = 0, trimmed where it is not. The "
            "options below are for printing, and choose it. [default scan]",
            show_default=False,
        ),
    ] = None,
    unit: Annotated[
        str | None,
        typer.Option(
            "--unit",
            metavar="mm|cm|m|in",
            help="Unit of the numbers in STL and PLY, told in the file. 3MF and GLB have "
            "their own, mm and metres, which every reader takes from them. [default mm]",
            show_default=False,
        ),
    ] = None,
    scale: Annotated[
        str | None,
        typer.Option(
            "--scale",
            metavar="S|X,Y,Z",
            help=f"{p.SCALE.sentence} One number, or one for each of x, y and z.",
            show_default=False,
        ),
    ] = None,
    turn: TurnZ = None,
    xy: Xy = None,
    build_volume: Annotated[
        str | None,
        typer.Option(
            "--build-volume",
            metavar="X,Y,Z",
            help="What the printer holds, mm: a model that does not fit is refused, with the turn "
            "by which it would.",
            show_default=False,
        ),
    ] = None,
    least_wall: LeastWall = None,
    hollow: Hollow = None,
    vent: VentWidth = None,
    vents: Vents = None,
    label: Annotated[
        str | None,
        typer.Option(
            "--label",
            metavar="TEXT",
            help="Text in the underside, lines parted by | ; auto writes the case's name and both "
            "tilts.",
            show_default=False,
        ),
    ] = None,
    label_date: Annotated[
        str | None,
        typer.Option(
            "--label-date", metavar="TEXT", help="The label's last line.", show_default=False
        ),
    ] = None,
    label_style: Annotated[
        str | None,
        typer.Option(
            "--label-style",
            metavar="|".join(STYLES),
            help="engraved: cut in; raised: standing in a sunk field, level with the underside. "
            "[default engraved]",
            show_default=False,
        ),
    ] = None,
    label_height: LabelHeight = None,
    label_depth: LabelDepth = None,
    resin_density: ResinDensity = None,
    wax_apart: Annotated[
        bool,
        typer.Option("--wax-apart", help="Write each part of wax to a file of its own, too."),
    ] = False,
    *,
    speaking: Speaking,
) -> None:
    """Write a built model in another format, or to print.

    The file is STL, PLY, 3MF or GLB. For printing a manifest is written beside it: checksums,
    volume, resin, and what was done.
    """
    with terminal(speaking) as here:
        chosen = _one_of("--format", file_format or out.suffix.lower().lstrip("."), FORMATS)
        if frame is not None:
            _one_of("--frame", frame, FRAMES)
        if label_style is not None:
            _one_of("--label-style", label_style, STYLES)
        asked = given(
            unit=unit_asked(unit),
            scale=_scale_asked(scale),
            turn_deg=number_asked("--turn", turn),
            xy_mm=xy,
            build_volume_mm=_three_asked("--build-volume", build_volume),
            least_wall_mm=least_wall,
            wall_mm=hollow,
            vent_mm=vent,
            vents=vents,
            label=label,
            label_date=label_date,
            label_style=label_style,
            label_height_mm=label_height,
            label_depth_mm=label_depth,
            resin_density_g_per_cm3=number_asked("--resin-density", resin_density),
            wax_apart=wax_apart or None,
        )
        if frame == "print" or (asked and frame is None):
            _print(here, folder, out, chosen, asked)
            return
        if asked:
            raise InputError(
                "options for printing are given, but another frame",
                measured=f"--frame {frame}",
                fix="Write --frame print, or leave --frame out.",
            )
        frame = frame or "scan"

        from blockout import job

        with here.progress() as tell:
            tell(f"writing {chosen}")
            done = job.export_model(folder, file_format=chosen, out=out, frame=frame)
        facts: dict[str, Any] = {
            "out": str(done.out),
            "format": chosen,
            "frame": frame,
            "model": {"triangles": done.triangles, "volume_mm3": done.volume_mm3},
        }
        here.answer(facts, _lines(facts, done.out))


def _print(here: Terminal, folder: Path, out: Path, chosen: str, asked: Mapping[str, Any]) -> None:
    from blockout.case.printing_settings import PrintSettings
    from blockout.job.exports import print_model

    settings = settings_asked(PrintSettings, asked)
    with here.progress() as tell:
        done = print_model(folder, file_format=chosen, out=out, settings=settings, progress=tell)
    facts = {"out": str(done.out), "manifest": str(done.manifest), **done.facts}
    here.answer(facts, _print_lines(facts))


def _one_of(option: str, text: str, known: tuple[str, ...]) -> str:
    if text not in known:
        raise InputError(
            f"{text!r} cannot be given to {option}",
            measured=f"known are {', '.join(known)}",
            fix=f"Write {option} {'|'.join(known)}.",
        )
    return text


def _three_asked(option: str, text: str | None) -> tuple[float, ...] | None:
    if text is None:
        return None
    try:
        numbers = tuple(float(part) for part in text.split(","))
    except ValueError:
        numbers = ()
    if len(numbers) != 3:
        raise InputError(
            f"{text!r} is not three numbers",
            measured=f"{len(text.split(','))} parts, due 3",
            fix=f"Write {option} X,Y,Z with decimal points and no spaces.",
        )
    return numbers


def _scale_asked(text: str | None) -> tuple[float, ...] | None:
    if text is None or "," in text:
        return _three_asked("--scale", text)
    factor = number_asked("--scale", text)
    return None if factor is None else (factor, factor, factor)


def _lines(facts: Mapping[str, Any], out: Path) -> Iterator[str]:
    model = facts["model"]
    yield (
        f"Model: {words.count(model['triangles'], 'triangle')}, "
        f"{words.volume(model['volume_mm3'])}, {facts['format']}, in the {facts['frame']}'s "
        "coordinates, mm"
    )
    yield words.written_line(out)


# --- lines for the print technician --------------------------------------------------------------
def _print_lines(facts: Mapping[str, Any]) -> Iterator[str]:
    model, *wax = facts["files"]
    yield (
        f"Model: {words.count(model['triangles'], 'triangle')}, closed, "
        f"{words.volume(model['volume_mm3'])}, {words.size(model['size_mm'])}, {facts['format']} "
        f"in {model['unit']}, base at z = 0; {model['resin_g']:.1f} g of resin at "
        f"{facts['resin_density_g_per_cm3']:g} g/cm3"
    )
    yield from _done_lines(facts["done"])
    if facts["build_volume_mm"] is not None:
        yield f"Fits the build volume of {words.size(facts['build_volume_mm'])}"
    yield from _wall_lines(facts["walls"])
    for part in wax:
        yield f"Wax {part['part']}: {words.volume(part['volume_mm3'])}, {part['file']}"
    yield from words.warning_lines(facts["warnings"])
    for caution in facts["cautions"]:
        yield f"Caution: {caution}"
    yield from words.time_line(facts["timings_s"])
    yield words.written_line(Path(facts["out"]))
    yield f"Manifest: {facts['manifest']}"


def _done_lines(done: Mapping[str, Any]) -> Iterator[str]:
    if done["base"]["trimmed_mm"]:
        yield (
            f"Base trimmed flat: {done['base']['trimmed_mm']:.2f} mm, "
            f"{words.volume(done['base']['trimmed_mm3'])} cut off"
        )
    if done["scale"] != [1.0, 1.0, 1.0]:
        yield f"Scaled by {', '.join(f'{factor:g}' for factor in done['scale'])} along x, y, z"
    if done["turn_deg"]:
        yield f"Turned about z by {done['turn_deg']:g} deg"
    if done["xy"] is not None:
        yield (
            f"Walls moved by {done['xy']['asked_mm']:g} mm square to z, measured "
            f"{done['xy']['measured_mm']:.3f}"
        )
    hollow = done["hollow"]
    if hollow is not None:
        places = ", ".join(
            f"({vent['at_mm'][0]:.1f}, {vent['at_mm'][1]:.1f})" for vent in hollow["vents"]
        )
        yield (
            f"Hollow: {words.volume(hollow['volume_mm3'])}, wall at least "
            f"{hollow['least_wall_mm']:.2f} mm, {words.count(len(hollow['vents']), 'vent')} of "
            f"{hollow['vents'][0]['diameter_mm']:g} mm at {places}"
        )
        left = hollow["left_solid"]
        if left["places_mm"]:
            yield (
                f"Left solid, no room for vents: {words.count(len(left['places_mm']), 'hollow')}, "
                f"{words.volume(left['volume_mm3'])}"
            )
        if hollow["pool_mm3"]:
            yield f"Resin that stays when it stands on its base: {words.volume(hollow['pool_mm3'])}"
    label = done["label"]
    if label is not None:
        x, y, _ = label["at_mm"]
        yield (
            f"Label {' | '.join(label['lines'])}: {label['style']} {label['depth_mm']:g} mm deep "
            f"in the underside at ({x:.1f}, {y:.1f})"
        )


def _wall_lines(walls: Mapping[str, Any]) -> Iterator[str]:
    if not walls["thin_count"]:
        yield f"Walls: none thinner than {walls['limit_mm']:g} mm"
        return
    yield (
        f"Walls: {words.count(walls['thin_count'], 'place')} thinner than {walls['limit_mm']:g} mm"
    )
    for wall in walls["thin"][:_THIN_SHOWN]:
        x, y, z = wall["at_mm"]
        yield (
            f"  {wall['thickness_mm']:.2f} mm over {wall['area_mm2']:.1f} mm2 at "
            f"({x:.1f}, {y:.1f}, {z:.1f})"
        )
