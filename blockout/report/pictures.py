"""Pictures of a survey and of a blocked-out model, for people to look at."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from blockout.cast.cast import Cast
from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.report.colours import (
    BASE,
    INK,
    OTHER_WAX,
    PAPER,
    PLASTER,
    SURVEY_LINE,
    WAX,
    Colour,
    brightness,
    depth_colours,
)
from blockout.report.pen import draw_lines
from blockout.report.scene import (
    Body,
    Line,
    Paint,
    Scene,
    face_paint,
    fit_window,
    plain_paint,
)
from blockout.report.sheet import Bar, Entry, Layout, Sheet, Stroke, Swatch, Text
from blockout.report.view import VIEWS, View, bench_view
from blockout.writing import replacing_file

if TYPE_CHECKING:
    from blockout.surveying.path import InsertionPath
    from blockout.surveying.survey import Survey
    from blockout.wax.wax import Wax

Picture = NDArray[np.uint8]
"""(h, w, 3) bytes, red, green, blue."""

_DASHES: Final[tuple[tuple[float, ...], ...]] = ((), (9.0, 4.0), (2.5, 3.0), (9.0, 3.0, 2.5, 3.0))
_HATCHES_DEG: Final = (45.0, -45.0, 0.0, 90.0, 22.5)
_THROUGH: Final = 0.42


def draw_survey(survey: Survey, *, view: str, size_px: tuple[int, int] = (1200, 900)) -> Picture:
    """One view of a survey: plaster, undercut depth in colour, survey line, iso-lines.

    The path stands upright, as on the surveying table. Undercuts cannot be seen along the path;
    in the view from above they are drawn, hatched, through the surface that covers them.

    Parameters
    ----------
    survey : Survey
    view : str
        One of :data:`blockout.report.view.VIEWS`.
    size_px : (width, height)

    Returns
    -------
    (h, w, 3) uint8

    Raises
    ------
    ValueError
        No such view, or a picture too small to read.
    """
    ((_, picture),) = survey_pictures(survey, views=(view,), size_px=size_px)
    return picture


def survey_pictures(
    survey: Survey, *, views: Sequence[str] = VIEWS, size_px: tuple[int, int] = (1200, 900)
) -> Iterator[tuple[str, Picture]]:
    """Name and picture of each view; the survey is made ready for drawing once."""
    cast = survey.cast
    deepest_mm = max(survey.iso_lines, default=0.0) or max(survey.max_depth_mm, 1e-3)
    bodies = _survey_bodies(survey, deepest_mm)
    scene = Scene(bodies[:1])
    lines = _survey_lines(survey, deepest_mm)
    for name in views:
        view = _view_of(cast, survey.path, name)
        above = name == "occlusal"
        yield (
            name,
            _sheet(
                scene.with_bodies(*bodies[1:]) if above else scene,
                lines,
                view,
                size_px,
                heading=f"Survey. {view.title}",
                words=(_path_words(survey.path, cast), _undercut_words(survey)),
                legend=_survey_legend(survey, lines, deepest_mm, above=above and len(bodies) > 1),
            ),
        )


def draw_model(
    cast: Cast,
    waxes: Sequence[Wax],
    path: InsertionPath,
    *,
    view: str,
    size_px: tuple[int, int] = (1200, 900),
) -> Picture:
    """One view of the cast with its wax, each kind of wax in its own colour and hatching."""
    ((_, picture),) = model_pictures(cast, waxes, path, views=(view,), size_px=size_px)
    return picture


def model_pictures(
    cast: Cast,
    waxes: Sequence[Wax],
    path: InsertionPath,
    *,
    views: Sequence[str] = VIEWS,
    size_px: tuple[int, int] = (1200, 900),
) -> Iterator[tuple[str, Picture]]:
    """Name and picture of each view of the blocked-out model."""
    scene = Scene((Body(cast.mesh, face_paint(_tones(cast.scanned))),))
    glazes, beneath = [], []
    legend: list[Entry] = [Swatch("cast", PLASTER), Swatch("poured base", BASE)]
    for number, wax in enumerate(waxes):
        colour = WAX.get(wax.kind, OTHER_WAX)
        hatch_deg = _HATCHES_DEG[number % len(_HATCHES_DEG)]
        if wax.mesh is None:
            legend.append(Text(f"{wax.name}: nothing to fill", faint=True))
            continue
        paint = plain_paint(colour)
        glazes.append(Body(wax.mesh, paint, opacity=0.86, hatch_deg=hatch_deg))
        beneath.append(
            Body(wax.mesh, paint, opacity=_THROUGH, shown_through=True, hatch_deg=hatch_deg)
        )
        legend.append(Swatch(wax.name, colour, hatch_deg, f"{wax.volume_mm3:.1f} mm3"))
    through = [Text("Paler: wax under the", faint=True), Text("surface above it", faint=True)]
    for name in views:
        view = _view_of(cast, path, name)
        above = name == "occlusal" and bool(beneath)
        yield (
            name,
            _sheet(
                scene.with_bodies(*(beneath if above else ()), *glazes),
                (),
                view,
                size_px,
                heading=f"Blocked-out model. {view.title}",
                words=(_path_words(path, cast),),
                legend=[*legend, *through] if above else legend,
            ),
        )


def draw_bodies(
    bodies: Sequence[Body],
    *,
    view: View,
    heading: str,
    lines: Sequence[Line] = (),
    words: Sequence[str] = (),
    legend: Sequence[Entry] = (),
    size_px: tuple[int, int] = (1200, 900),
) -> Picture:
    """Any bodies and lines on a sheet of their own; what the other pictures are made with."""
    return _sheet(
        Scene(tuple(bodies)), lines, view, size_px, heading=heading, words=words, legend=legend,
    )  # fmt: skip


def write_picture(path: Path, pixels: Picture) -> None:
    """Write a PNG; nothing is left behind when it fails.

    Raises
    ------
    OutputError
        The place cannot be written.
    """
    with replacing_file(path) as place:
        Image.fromarray(pixels, "RGB").save(place, format="PNG")


def png_bytes(pixels: Picture) -> bytes:
    """The same file in memory."""
    held = io.BytesIO()
    Image.fromarray(pixels, "RGB").save(held, format="PNG")
    return held.getvalue()


# --- parts ---
def _view_of(cast: Cast, path: InsertionPath, name: str) -> View:
    return bench_view(
        name,
        frame=cast.frame,
        direction=path.direction,
        arch=cast.arch,
        arch_stated=cast.arch_stated,
    )


def _sheet(
    scene: Scene,
    lines: Sequence[Line],
    view: View,
    size_px: tuple[int, int],
    *,
    heading: str,
    words: Sequence[str],
    legend: Sequence[Entry],
) -> Picture:
    layout = Layout.of(size_px, legend=bool(legend))
    width, height = layout.drawing
    window = fit_window(
        [body.mesh for body in scene.bodies],
        view,
        width_px=width,
        height_px=height,
        margin_px=layout.px(62),
    )
    pixels = scene.look(view, window)
    cover = pixels.cover[..., None]
    drawing = np.asarray(PAPER) * (1.0 - cover) + pixels.colours * cover
    drawing = draw_lines(drawing, _scaled(lines, layout), view=view, window=window, pixels=pixels)
    sheet = Sheet(layout, drawing)
    sheet.title(heading, *words)
    sheet.edges(*view.edges)
    sheet.scale_bar(window)
    sheet.path_mark(toward_eye=view.name == "occlusal")
    if legend:
        sheet.legend(legend)
    return sheet.pixels()


def _scaled(lines: Sequence[Line], layout: Layout) -> Iterator[Line]:
    for line in lines:
        dash = tuple(length * layout.scale for length in line.dash_px)
        width = max(1.0, line.width_px * layout.scale)
        yield Line(line.points_mm, line.closed, line.colour, width, dash)


def _tones(scanned: Bools) -> Floats:
    return np.where(scanned[:, None], PLASTER, BASE)


def _survey_bodies(survey: Survey, deepest_mm: float) -> tuple[Body, ...]:
    cast = survey.cast
    under = survey.undercut_share > 0.0
    bodies = [Body(cast.mesh, _depth_paint(survey, deepest_mm))]
    if under.any():
        hidden = Mesh(cast.mesh.vertices, cast.mesh.faces[under])
        depth_mm = survey.depth_mm

        def paint(faces: Ints, weights: Floats) -> Floats:
            at = np.einsum("ij,ij->i", weights, depth_mm[hidden.faces[faces]])
            return depth_colours(at, deepest_mm=deepest_mm)

        bodies.append(Body(hidden, paint, opacity=_THROUGH, shown_through=True, hatch_deg=45.0))
    return tuple(bodies)


def _depth_paint(survey: Survey, deepest_mm: float) -> Paint:
    """Plaster where nothing is undercut, the base's tone on the base, else the depth's colour."""
    mesh, depth_mm = survey.cast.mesh, survey.depth_mm
    tones = _tones(survey.cast.scanned)
    scanned = survey.cast.scanned
    # what is shallower than the noise depth fades out, so that noise does not look like undercut
    fade_mm = max(survey.noise_depth_mm, 1e-3)

    def paint(faces: Ints, weights: Floats) -> Floats:
        at_mm = np.einsum("ij,ij->i", weights, depth_mm[mesh.faces[faces]])
        colours: Floats = tones[faces]
        under = np.flatnonzero(scanned[faces] & (at_mm > 0.0))
        deep = at_mm[under]
        strength = np.minimum(deep / fade_mm, 1.0)[:, None]
        ramp = depth_colours(deep, deepest_mm=deepest_mm)
        colours[under] = colours[under] * (1.0 - strength) + ramp * strength
        return colours

    return paint


def _contrast(depth_mm: float, deepest_mm: float) -> Colour:
    ground = depth_colours(depth_mm, deepest_mm=deepest_mm)
    return INK if brightness(ground) > 0.45 else (0.97, 0.97, 0.97)


def _survey_lines(survey: Survey, deepest_mm: float) -> list[Line]:
    lines = []
    for number, (gauge_mm, parts) in enumerate(sorted(survey.iso_lines.items())):
        colour, dash = _contrast(gauge_mm, deepest_mm), _DASHES[number % len(_DASHES)]
        lines += [Line(part.points_mm, part.closed, colour, 1.3, dash) for part in parts]
    lines += [Line(part.points_mm, part.closed, SURVEY_LINE, 3.0) for part in survey.survey_lines]
    return lines


def _survey_legend(
    survey: Survey, lines: Sequence[Line], deepest_mm: float, *, above: bool
) -> list[Entry]:
    gauges = sorted(survey.iso_lines)
    ticks = [(0.0, "0 mm")]
    ticks += [
        (gauge / deepest_mm, f"{gauge:.2f} mm" + (" and more" if gauge == gauges[-1] else ""))
        for gauge in gauges
    ] or [(1.0, f"{deepest_mm:.2f} mm")]
    ramp = depth_colours(np.linspace(0.0, deepest_mm, 256), deepest_mm=deepest_mm)
    legend: list[Entry] = [
        Bar("undercut depth", ramp, tuple(ticks)),
        Stroke("survey line", SURVEY_LINE, 3.0),
    ]
    for number, gauge in enumerate(gauges):
        ground = tuple(float(c) for c in depth_colours(gauge, deepest_mm=deepest_mm))
        legend.append(
            Stroke(
                f"{gauge:.2f} mm line",
                _contrast(gauge, deepest_mm),
                1.3,
                _DASHES[number % len(_DASHES)],
                (ground[0], ground[1], ground[2]),
            )
        )
    legend += [Swatch("not undercut", PLASTER), Swatch("base, not surveyed", BASE)]
    if above:
        middle = depth_colours(deepest_mm / 2.0, deepest_mm=deepest_mm)
        red, green, blue = (
            float(c) for c in _THROUGH * middle + (1.0 - _THROUGH) * np.asarray(PLASTER)
        )
        legend.append(Swatch("undercut beneath", (red, green, blue), 45.0))
    return legend


def _path_words(path: InsertionPath, cast: Cast) -> str:
    arch = f"{cast.arch} cast" + ("" if cast.arch_stated else " (assumed)")
    return (
        f"{arch}, anterior tilt {path.anterior_tilt_deg:.1f}°, "
        f"lateral tilt {path.lateral_tilt_deg:.1f}°, path upright"
    )


def _undercut_words(survey: Survey) -> str:
    if survey.volume_mm3 <= 0.0:
        return "nothing is undercut along this path"
    return (
        f"undercut {survey.volume_mm3:.1f} mm3 under {survey.area_mm2:.0f} mm2 of scanned surface, "
        f"deepest {survey.max_depth_mm:.2f} mm"
    )
