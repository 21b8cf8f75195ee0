"""Pictures and meshes of a try-in: the framework on its cast, and how far the path may lean."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from blockout.kernel.files import write_ply, write_stl
from blockout.mesh import Floats, Ints
from blockout.report.colours import (
    BASE,
    FAINT_INK,
    INK,
    PAPER,
    PLASTER,
    Colour,
    bytes_of,
    depth_colours,
)
from blockout.report.pictures import Picture, draw_bodies, write_picture
from blockout.report.scene import Body, Line, Paint, face_paint
from blockout.report.sheet import Bar, Entry, Layout, Sheet, Stroke, Swatch, Text
from blockout.report.view import VIEWS, bench_view

if TYPE_CHECKING:
    from blockout.trying.try_in import TryIn

TRY_IN: Final = "try_in.json"
TRY_IN_FILES: Final = (TRY_IN, "framework.ply", "interference-*.stl", "*.png")
"""All that a try-in's folder holds."""

_METAL: Final[Colour] = (0.62, 0.66, 0.70)
_SEATS: Final[Colour] = (0.55, 0.74, 0.80)
_STOPPED: Final[Colour] = (0.93, 0.90, 0.86)
_MARKED: Final = 9
_RING_MM: Final = 1.6
_FULL_MM: Final = 0.5
_SIZE_PX: Final = (1200, 900)
_FINE: Final = 3


def write_try_in(folder: Path, done: TryIn, *, size_px: tuple[int, int] = _SIZE_PX) -> None:
    """The coloured framework, each interference as a solid, and the pictures.

    Raises
    ------
    OutputError
    """
    mesh = done.framework.mesh
    colours = bytes_of(_metal_colours(done))
    write_ply(
        folder / "framework.ply",
        mesh,
        comments=[
            "blockout unit mm",
            "depth_mm is how far a vertex lies inside the blocked-out cast, square to the path",
        ],
        vertex_fields={
            "depth_mm": done.depth_mm.astype(np.float32),
            "red": colours[:, 0],
            "green": colours[:, 1],
            "blue": colours[:, 2],
        },
    )
    for number, one in enumerate(done.interferences, start=1):
        write_stl(folder / f"interference-{number:02d}.stl", one.mesh)
    for name, picture in try_in_pictures(done, size_px=size_px):
        write_picture(folder / f"{name}.png", picture)


def try_in_pictures(
    done: TryIn, *, size_px: tuple[int, int] = _SIZE_PX
) -> Iterator[tuple[str, Picture]]:
    """Name and picture: the framework seated, from each side; and the range of paths."""
    mesh = done.framework.mesh
    tones = np.where(done.cast.scanned[:, None], PLASTER, BASE)
    bodies = (Body(done.cast.mesh, face_paint(tones)), Body(mesh, _paint(done)))
    verdict = "goes to place" if done.goes_to_place else "does not go to place"
    for name in VIEWS:
        view = bench_view(
            name,
            frame=done.cast.frame,
            direction=done.path.direction,
            arch=done.cast.arch,
            arch_stated=done.cast.arch_stated,
        )
        high = float((done.cast.mesh.vertices @ view.toward).max())
        high = max(high, float((mesh.vertices @ view.toward).max())) + 1.0
        rings = []
        for one in done.interferences[:_MARKED]:
            middle = one.at_mm + (high - float(one.at_mm @ view.toward)) * view.toward
            turn = np.linspace(0.0, 2.0 * np.pi, 49)[:-1]
            ring = middle + _RING_MM * (
                np.outer(np.cos(turn), view.right) + np.outer(np.sin(turn), view.up)
            )
            rings.append(Line(ring, True, INK, 2.2))
        yield (
            name,
            draw_bodies(
                bodies,
                view=view,
                heading=f"Try-in: {verdict}. {view.title}",
                lines=rings,
                words=_words(done),
                legend=_legend(done),
                size_px=size_px,
            ),
        )
    yield "other-paths", draw_range(done, size_px=size_px)


def draw_range(done: TryIn, *, size_px: tuple[int, int] = _SIZE_PX) -> Picture:
    """The disk of paths about this one: along which of them the seated framework would still go to
    place. The place of a path is the way the cast leans further.
    """
    layout = Layout.of(size_px)
    found = done.paths
    limits = np.array([one.angle_deg for one in found.limits])
    azimuth = np.radians([one.azimuth_deg for one in found.limits])
    shown_deg = _shown_deg(limits, found.within_deg)
    sheet = Sheet(layout, _disk(layout, azimuth, limits, shown_deg))
    least, most = found.narrowest, found.widest
    across = found.across_deg
    if done.goes_to_place:
        words = (
            f"at least {least.angle_deg:.2f} degrees, at most "
            f"{'over ' if most.open else ''}{most.angle_deg:.2f} degrees to one side; "
            f"{across[0]:.2f} to {across[1]:.2f} degrees across"
        )
    else:
        words = "it does not go to place along this path, so there is no range about it"
    sheet.title(
        "Paths along which it would still go to place",
        words,
        f"about anterior tilt {done.path.anterior_tilt_deg:.1f}, lateral tilt "
        f"{done.path.lateral_tilt_deg:.1f} degrees; touching allowed to "
        f"{done.settings.allowance_mm:g} mm",
    )
    sheet.edges("", "", "front down", "back down")
    turns = done.turns
    entries: list[Entry] = [
        Swatch("goes to place", _SEATS),
        Swatch("is stopped", _STOPPED),
        Text(f"tried to {found.within_deg:g} degrees", faint=True),
        Text(""),
        Text("Turned on the cast:"),
        Text(f"seats to {turns.narrowest.angle_deg:.2f} degrees", faint=True),
        Text(f"in the narrowest way, {turns.widest.angle_deg:.2f}", faint=True),
        Text("in the widest", faint=True),
    ]
    sheet.legend(entries)
    return sheet.pixels()


def _shown_deg(limits: Floats, within_deg: float) -> float:
    for shown in (1.0, 2.0, 5.0, 10.0, 20.0, 30.0):
        if limits.max() <= 0.9 * shown:
            return min(shown, within_deg)
    return within_deg


def _disk(layout: Layout, azimuth: Floats, limits: Floats, shown_deg: float) -> Floats:
    width, height = (side * _FINE for side in layout.drawing)
    scale = 0.86 * min(width, height) / 2.0 / shown_deg
    middle = np.array([width / 2.0, height / 2.0])
    image = Image.new("RGB", (width, height), _ink(PAPER))
    pen = ImageDraw.Draw(image)
    around = np.linspace(0.0, 2.0 * np.pi, 361)

    def places(turn: Floats, reach_deg: Floats | float) -> list[tuple[float, float]]:
        out = scale * np.minimum(np.broadcast_to(reach_deg, turn.shape), shown_deg)
        x, y = middle[0] + out * np.cos(turn), middle[1] - out * np.sin(turn)
        return [(float(a), float(b)) for a, b in zip(x, y, strict=True)]

    pen.polygon(places(around, shown_deg), fill=_ink(_STOPPED))
    if limits.max() > 0.0:
        pen.polygon(places(azimuth, limits), fill=_ink(_SEATS), outline=_ink(INK), width=2 * _FINE)
    step = shown_deg / 4.0
    size = max(7.0, 15.0 * layout.scale) * _FINE
    font = ImageFont.load_default(size)
    for ring_deg in step * np.arange(1, 5):
        pen.line(places(around, ring_deg), fill=_ink(FAINT_INK), width=_FINE)
        x, y = places(np.array([np.pi / 3.4]), float(ring_deg))[0]
        pen.text(
            (x, y), f"{ring_deg:g} deg", fill=_ink(FAINT_INK), font=font, anchor="mm",
            stroke_width=3 * _FINE, stroke_fill=_ink(PAPER),
        )  # fmt: skip
    for turn in (0.0, np.pi / 2.0):
        ends = places(np.array([turn, turn + np.pi]), shown_deg)
        pen.line(ends, fill=_ink(FAINT_INK), width=_FINE)
    for turn, said, anchor in ((0.0, "right\nside\ndown", "lm"), (np.pi, "left\nside\ndown", "rm")):
        x, y = places(np.array([turn]), shown_deg)[0]
        beside = 0.4 * size * np.cos(turn)
        pen.text(
            (x + beside, y), said, fill=_ink(FAINT_INK), font=font, anchor=anchor, align="center"
        )
    radius = 5.0 * layout.scale * _FINE
    x, y = middle
    pen.ellipse([x - radius, y - radius, x + radius, y + radius], fill=_ink(INK))
    small = image.reduce(_FINE)
    return np.asarray(small, dtype=np.float64) / 255.0


def _metal_colours(done: TryIn) -> Floats:
    deep = done.depth_mm > 0.0
    ramp = depth_colours(done.depth_mm, deepest_mm=_FULL_MM)
    return np.where(deep[:, None], ramp, np.asarray(_METAL))


def _paint(done: TryIn) -> Paint:
    mesh, colours = done.framework.mesh, _metal_colours(done)

    def paint(faces: Ints, weights: Floats) -> Floats:
        mixed: Floats = np.einsum("ij,ijc->ic", weights, colours[mesh.faces[faces]])
        return mixed

    return paint


def _words(done: TryIn) -> tuple[str, str]:
    path = done.path
    first = (
        f"anterior tilt {path.anterior_tilt_deg:.1f}, lateral tilt {path.lateral_tilt_deg:.1f} "
        f"degrees; touching allowed to {done.settings.allowance_mm:g} mm"
    )
    if done.goes_to_place:
        return first, "software can disprove a fit, not prove it"
    one, where = done.interferences[0], done.where[0][0][0]
    return first, (
        f"{len(done.interferences)} interferences; first touches {one.first_touch_mm:.2f} mm above "
        f"seat at {where.words}"
    )


def _legend(done: TryIn) -> list[Entry]:
    entries: list[Entry] = [Swatch("framework", _METAL), Swatch("cast", PLASTER)]
    if not done.interferences:
        return entries
    ramp = depth_colours(np.linspace(0.0, _FULL_MM, 256), deepest_mm=_FULL_MM)
    ticks = ((0.0, "0 mm"), (0.5, f"{_FULL_MM / 2:g} mm"), (1.0, f"{_FULL_MM:g} mm"))
    entries.append(Bar("metal inside, square to path", ramp, ticks))
    entries.append(Stroke("interference", INK, 2.2, (), PLASTER))
    for one, where in list(zip(done.interferences, done.where, strict=True))[:6]:
        entries.append(Text(f"{where[0][0].words}: {one.into_mm:.2f} mm", faint=True))
    if len(done.interferences) > 6:
        entries.append(Text(f"and {len(done.interferences) - 6} more", faint=True))
    return entries


def _ink(colour: Colour) -> tuple[int, int, int]:
    red, green, blue = (int(value) for value in bytes_of(colour))
    return red, green, blue
