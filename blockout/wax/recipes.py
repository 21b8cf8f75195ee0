"""Recipes of relief: a few points, and what a technician makes of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.case import relief_settings as r
from blockout.case.parameters import Parameter
from blockout.case.relief_settings import Over, ReliefSettings, StopSettings
from blockout.cast.cast import Cast
from blockout.drawn.band import Band, band_around, strip_between
from blockout.drawn.curve import SurfaceCurve, points_along, stretch, surface_curve
from blockout.errors import InputError
from blockout.mesh import Bools, Floats


@dataclass(frozen=True, eq=False)
class Stop:
    """A tissue stop to be: its middle, the direction of the crest there, and its sides."""

    centre_mm: Floats
    along: Floats
    length_mm: float
    width_mm: float


@dataclass(frozen=True, eq=False)
class Zone:
    """Where a relief lies and how it ends.

    Parameters
    ----------
    outline : SurfaceCurve
        Closed.
    feathered : tuple of (k, 3) float
        Rows of points along the stretches of the outline that are feathered; the rest is butt.
    finish_lines : tuple of (k, 3) float
        Rows of points along the internal finish lines.
    stops : tuple of Stop
    thickness : Parameter
        The usual thickness of such a relief: its default and its usual range.
    """

    outline: SurfaceCurve
    feathered: tuple[Floats, ...]
    finish_lines: tuple[Floats, ...]
    stops: tuple[Stop, ...]
    thickness: Parameter


def relief_zone(cast: Cast, settings: ReliefSettings, *, name: str) -> Zone:
    """The zone that a relief's settings describe on a cast.

    Raises
    ------
    InputError
        Points off the cast, lines too short, or a finish line off the outline.
    """
    return _RECIPES[settings.over](cast, settings, name)


def _by_outline(cast: Cast, settings: ReliefSettings, name: str) -> Zone:
    outline = surface_curve(cast.mesh, settings.outline or (), closed=True, name=name)
    edge = settings.edge or ("feather" if settings.over == "torus" else "butt")
    butt = np.zeros(len(outline.face), dtype=bool)
    if settings.finish_line:
        butt = _marked(outline, settings.finish_line, name)
    thickness = r.UPPER_TORUS_RELIEF if cast.arch == "upper" else r.LOWER_TORUS_RELIEF
    if settings.over == "outline":
        thickness = r.RELIEF_THICKNESS
        if settings.thickness_mm is None:
            raise InputError(
                f"the {name} has no thickness",
                fix='Give thickness_mm, such as 0.25 or "30 ga".',
            )
    return Zone(
        outline=outline,
        feathered=_stretches(outline, ~butt) if edge == "feather" else (),
        finish_lines=_stretches(outline, butt),
        stops=_asked_stops(settings, None, name),
        thickness=thickness,
    )


def _under_lingual_bar(cast: Cast, settings: ReliefSettings, name: str) -> Zone:
    upper = surface_curve(cast.mesh, settings.upper_border, name=f"upper border of the {name}")
    lower = surface_curve(cast.mesh, settings.lower_border, name=f"lower border of the {name}")
    straight = np.linalg.norm(upper.points_mm[0] - lower.points_mm[0])
    if np.linalg.norm(upper.points_mm[-1] - lower.points_mm[0]) < straight:
        upper = upper.reversed()
    band = strip_between(cast.mesh, upper, lower, share=settings.lower_share, name=name)
    # only the edge toward the teeth is smoothed: the others end at the bar's own border
    feathered = {None: (band.left.points_mm,), "butt": (), "feather": _all_lines(band)}
    return Zone(
        outline=band.outline,
        feathered=feathered[settings.edge],
        finish_lines=(),
        stops=_asked_stops(settings, lower, name),
        thickness=r.LINGUAL_BAR_RELIEF,
    )


def _under_base_mesh(cast: Cast, settings: ReliefSettings, name: str) -> Zone:
    whole = surface_curve(cast.mesh, settings.crest, name=f"crest of the {name}")
    end_mm = whole.length_mm - (settings.finish_gap_mm if settings.between_teeth else 0.0)
    crest = stretch(cast.mesh, whole, settings.finish_gap_mm, end_mm)
    width_mm = r.MESH_HALF_WIDTH_MM if settings.width_mm is None else settings.width_mm
    band = band_around(cast.mesh, crest, width_mm=width_mm, name=name)
    finish = [band.at_start.points_mm]
    feathered = [band.right.points_mm, band.left.points_mm]
    (finish if settings.between_teeth else feathered).append(band.at_end.points_mm)
    if settings.stops is None and not settings.between_teeth:
        stops: tuple[Stop, ...] = (_stop_near_end(crest, settings, name),)
    else:
        stops = _asked_stops(settings, crest, name)
    return Zone(
        outline=band.outline,
        feathered=tuple(feathered) if settings.edge == "feather" else (),
        finish_lines=tuple(finish),
        stops=stops,
        thickness=r.BASE_MESH_RELIEF,
    )


def _over_gingival_margin(cast: Cast, settings: ReliefSettings, name: str) -> Zone:
    margin = surface_curve(cast.mesh, settings.margin, name=f"margin of the {name}")
    width_mm = r.MARGIN_HALF_WIDTH_MM if settings.width_mm is None else settings.width_mm
    band = band_around(cast.mesh, margin, width_mm=width_mm, name=name)
    return Zone(
        outline=band.outline,
        feathered=() if settings.edge == "butt" else _all_lines(band),
        finish_lines=(),
        stops=_asked_stops(settings, margin, name),
        thickness=r.GINGIVAL_MARGIN_RELIEF,
    )


_RECIPES: Final[dict[Over, Callable[[Cast, ReliefSettings, str], Zone]]] = {
    "outline": _by_outline,
    "torus": _by_outline,
    "lingual bar": _under_lingual_bar,
    "base mesh": _under_base_mesh,
    "gingival margin": _over_gingival_margin,
}


def _all_lines(band: Band) -> tuple[Floats, ...]:
    return tuple(line.points_mm for line in (band.right, band.at_end, band.left, band.at_start))


def _stop_near_end(crest: SurfaceCurve, settings: ReliefSettings, name: str) -> Stop:
    at_mm = crest.length_mm - settings.stop_from_end_mm
    size_mm = float(r.STOP_SIZE.default or 0.0)
    if at_mm < size_mm:
        raise InputError(
            f"the {name} is too short for a tissue stop",
            measured=f"{crest.length_mm:.2f} mm of crest, the stop {settings.stop_from_end_mm:g} "
            "mm from its end",
            fix="Give stop_from_end_mm, or stops = [] for none.",
        )
    return Stop(points_along(crest, np.array([at_mm]))[0], _along(crest, at_mm), size_mm, size_mm)


def _along(crest: SurfaceCurve, at_mm: float) -> Floats:
    """The crest's direction, taken over a millimetre to each side."""
    ends = np.clip([at_mm - 1.0, at_mm + 1.0], 0.0, crest.length_mm)
    one, other = points_along(crest, ends)
    along: Floats = (other - one) / np.linalg.norm(other - one)
    return along


def _asked_stops(
    settings: ReliefSettings, crest: SurfaceCurve | None, name: str
) -> tuple[Stop, ...]:
    return tuple(_asked_stop(stop, crest, name) for stop in settings.stops or ())


def _asked_stop(stop: StopSettings, crest: SurfaceCurve | None, name: str) -> Stop:
    centre = np.array(stop.centre)
    if stop.along is not None:
        along = np.array(stop.along) / np.linalg.norm(stop.along)
    elif crest is not None:
        near = int(np.linalg.norm(crest.points_mm - centre, axis=1).argmin())
        along = _along(crest, float(crest.along_mm[near]))
    else:
        raise InputError(
            f"a tissue stop of the {name} has no direction",
            places_mm=[stop.centre],
            fix="Give along, the direction of the crest there.",
        )
    return Stop(centre, along, stop.length_mm, stop.width_mm)


def _marked(
    outline: SurfaceCurve, line: tuple[tuple[float, float, float], ...], name: str
) -> Bools:
    """(k,) points of the outline from the first to the last of a row of points, the way round
    that comes nearer to the others; the shorter way for two.
    """
    points = np.array(line)
    apart = np.linalg.norm(outline.points_mm[:, None] - points[None], axis=2)
    if apart.min(axis=0).max() > 1.5:
        far = points[int(apart.min(axis=0).argmax())]
        raise InputError(
            f"a finish line of the {name} is not on its outline",
            measured=f"{apart.min(axis=0).max():.2f} mm from it, limit 1.5",
            places_mm=[(float(far[0]), float(far[1]), float(far[2]))],
        )
    at = apart.argmin(axis=0)
    count = len(outline.face)
    first, last = int(at[0]), int(at[-1])
    number = np.arange(count)
    onward = (number - first) % count <= (last - first) % count
    backward = (first - number) % count <= (first - last) % count
    middle = at[1:-1]
    if len(middle):
        return onward if onward[middle].sum() >= backward[middle].sum() else backward
    return onward if onward.sum() <= backward.sum() else backward


def _stretches(outline: SurfaceCurve, chosen: Bools) -> tuple[Floats, ...]:
    """Rows of points along the chosen stretches of a closed outline."""
    if not chosen.any():
        return ()
    points = outline.points_mm
    if chosen.all():
        return (np.vstack([points, points[:1]]),)
    first = int(np.flatnonzero(chosen & ~np.roll(chosen, 1))[0])
    turned = np.roll(np.arange(len(points)), -first)
    breaks = np.flatnonzero(np.diff(chosen[turned].astype(np.int8)) != 0) + 1
    runs = np.split(turned, breaks)
    return tuple(points[run] for run in runs if chosen[run[0]] and len(run) > 1)
