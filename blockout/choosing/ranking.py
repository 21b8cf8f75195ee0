"""Which of the tilts that were tried are put before the technician, and what is said of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.interpolate import LinearNDInterpolator
from scipy.ndimage import label

from blockout.case.choosing_settings import ChoosingSettings
from blockout.case.parameters import TILT_WARNING
from blockout.choosing.factors import Score
from blockout.choosing.search import Searched, places_deg
from blockout.choosing.tilts import LEVEL, Tilt
from blockout.mesh import Bools

MOST: Final = 7
"""Paths listed at most."""
_FLAT_STEP_DEG: Final = 0.1
_AT_RIM_DEG: Final = 0.1
_LACKS_MM: Final = 0.02
"""Gauges of 0.010 in and 0.25 mm are one."""


@dataclass(frozen=True)
class Candidate:
    """A path on the list.

    Parameters
    ----------
    number : int
        From 1, the best total first.
    score : Score
    why : tuple of str
        What it is on the list for.
    pareto : bool
        No path tried is better in one factor without being worse in another.
    as_good : bool
        Its total is as near to the best as the settings call as good.
    steep : bool
        Tilted further than is warned of.
    """

    number: int
    score: Score
    why: tuple[str, ...]
    pareto: bool
    as_good: bool
    steep: bool

    @property
    def tilt(self) -> Tilt:
        return self.score.tilt


@dataclass(frozen=True)
class Flat:
    """How wide the best lies.

    Parameters
    ----------
    share : float
        Of the best total: what counts as as good.
    anterior_deg, lateral_deg : (low, high)
        Tilts over which the total stays as good without a break.
    widest_deg, narrowest_deg : float
        Its width in the direction in which it is widest, and in which it is narrowest.
    """

    share: float
    anterior_deg: tuple[float, float]
    lateral_deg: tuple[float, float]
    widest_deg: float
    narrowest_deg: float


@dataclass(frozen=True)
class Ranking:
    """The list, and what is said of it.

    Parameters
    ----------
    candidates : tuple of Candidate
    pareto : tuple of Score
        All tried paths that no other one beats in every factor.
    flat : Flat
    level_good_enough : bool
    best_reason, level_reason : str
        One sentence each.
    notes : tuple of str
        Ties, a flat best, steep tilts, retention made by tilt alone.
    """

    candidates: tuple[Candidate, ...]
    pareto: tuple[Score, ...]
    flat: Flat
    level_good_enough: bool
    best_reason: str
    level_reason: str
    notes: tuple[str, ...]

    @property
    def best(self) -> Candidate:
        return self.candidates[0]

    @property
    def level(self) -> Candidate:
        return next(each for each in self.candidates if each.tilt == LEVEL)


def listed(searched: Searched, settings: ChoosingSettings) -> dict[Tilt, tuple[str, ...]]:
    """The tilts to put on the list and why, in no order: they differ by ``settings.apart_deg``, but
    for the level path, which is always there.
    """
    best = searched.best
    by_tilt = {found.tilt: found for found in searched.scores}
    wished: list[tuple[Tilt, str]] = [(best.tilt, "best total"), (LEVEL, "level")]
    good = [s for s in searched.scores if s.total >= (1.0 - settings.as_good_share) * best.total]
    least = min(good, key=lambda found: found.tilt.from_level_deg).tilt
    wished.append((least, "least tilt that is as good"))
    wished += [(tilt, f"best {name}") for name, tilt in searched.factor_tops.items()]
    worth = max(searched.level.total, (1.0 - settings.level_good_share) * best.total)
    wished += [(t, "another top") for t in searched.tops if by_tilt[t].total >= worth]
    chosen: dict[Tilt, list[str]] = {}
    for tilt, why in wished:
        near = [other for other in chosen if tilt.apart_deg(other) < settings.apart_deg]
        if why == "level" and tilt not in chosen:
            # it is what every other path is compared with, however near the best lies to it
            chosen[tilt] = [why]
        elif why == "level":
            chosen[tilt].append(why)
        elif not near:
            if len(chosen) < MOST:
                chosen[tilt] = [why]
        elif why.startswith("best ") and _much_the_same(by_tilt, near[0], tilt, why[5:]):
            chosen[near[0]].append(why)
    return {tilt: tuple(whys) for tilt, whys in chosen.items()}


def _much_the_same(by_tilt: dict[Tilt, Score], one: Tilt, other: Tilt, name: str) -> bool:
    marks = by_tilt[other].marks
    return name in marks and by_tilt[one].marks[name] > marks[name] - 1.0


def ranking(
    searched: Searched,
    settings: ChoosingSettings,
    *,
    closely: Sequence[Score],
    why: dict[Tilt, tuple[str, ...]],
) -> Ranking:
    """The list in order.

    Parameters
    ----------
    searched : Searched
    closely : sequence of Score
        The tilts of :func:`listed`, asked at every facet.
    why : dict
        As :func:`listed` gives it.
    """
    ordered = sorted(closely, key=lambda found: (-found.total, found.tilt.from_level_deg))
    best = ordered[0]
    whole = list(searched.scores)
    front = pareto_front(np.array([list(found.marks.values()) for found in whole]))
    optimal = {found.tilt for found, kept in zip(whole, front.tolist(), strict=True) if kept}
    warn_deg = float(TILT_WARNING.default or 0.0)
    candidates = tuple(
        Candidate(
            number=number,
            score=found,
            why=_whys(why[found.tilt], number),
            pareto=found.tilt in optimal,
            as_good=found.total >= (1.0 - settings.as_good_share) * best.total,
            steep=found.tilt.from_level_deg > warn_deg,
        )
        for number, found in enumerate(ordered, 1)
    )
    level = next(found for found in ordered if found.tilt == LEVEL)
    flat = flat_about(searched, best.tilt, settings.as_good_share)
    good_enough = level_good_enough(best, level, settings)
    return Ranking(
        candidates=candidates,
        pareto=tuple(found for found in whole if found.tilt in optimal),
        flat=flat,
        level_good_enough=good_enough,
        best_reason=best_reason(best, level),
        level_reason=level_reason(best, level, good_enough=good_enough),
        notes=_notes(candidates, flat, within_deg=settings.within_deg),
    )


def _whys(whys: tuple[str, ...], number: int) -> tuple[str, ...]:
    """Asked at every facet another one may have come first."""
    plain = tuple(each for each in whys if each != "best total")
    return ("best total", *plain) if number == 1 else plain or ("another top",)


def pareto_front(marks: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> Bools:
    """(k,) which rows of marks (k, f) no other row reaches in every column and beats in one.

    >>> pareto_front(np.array([[1.0, 2.0], [2.0, 1.0], [1.0, 1.0]])).tolist()
    [True, True, False]
    """
    kept = np.ones(len(marks), dtype=bool)
    for k in range(len(marks)):
        reach = (marks >= marks[k]).all(axis=1) & (marks > marks[k]).any(axis=1)
        kept[k] = not reach.any()
    return kept


def flat_about(searched: Searched, tilt: Tilt, share: float) -> Flat:
    """The patch around a tilt over which the total stays within a share of the best, between the
    tilts that were tried.
    """
    places = places_deg(searched.scores)
    totals = np.array([found.total for found in searched.scores])
    least = (1.0 - share) * totals.max()
    here = np.array([tilt.lateral_deg, tilt.anterior_deg])
    surface = LinearNDInterpolator(places, totals)
    low, high = places.min(axis=0), places.max(axis=0)
    axes = [np.arange(low[k], high[k] + _FLAT_STEP_DEG, _FLAT_STEP_DEG) for k in (0, 1)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    good = np.nan_to_num(surface(grid), nan=-np.inf) >= least
    cell = tuple(int(np.abs(axis - at).argmin()) for axis, at in zip(axes, here, strict=True))
    good[cell] = True
    patch = label(good)[0]
    points = grid[patch == patch[cell]]
    turns = np.radians(np.arange(0.0, 180.0, 5.0))
    across = points @ np.stack([np.cos(turns), np.sin(turns)])
    widths = across.max(axis=0) - across.min(axis=0)
    span = np.stack([points.min(axis=0), points.max(axis=0)])
    return Flat(
        share=share,
        anterior_deg=(float(span[0, 1]), float(span[1, 1])),
        lateral_deg=(float(span[0, 0]), float(span[1, 0])),
        widest_deg=float(widths.max()),
        narrowest_deg=float(widths.min()),
    )


# --- what is said --------------------------------------------------------------------------------
def lacking_sites(found: Score) -> list[str]:
    """The sites that count and do not reach their depth, with what they offer."""
    if found.measures.retention is None:
        return []
    return [
        f"{site.name} {site.offered_mm:.2f} of {site.asked_mm:.2f} mm"
        for site in found.measures.retention.counted
        if site.lacking_mm > _LACKS_MM
    ]


def level_good_enough(best: Score, level: Score, settings: ChoosingSettings) -> bool:
    """Near enough to the best in all, with no more arms short of their depth."""
    near = level.total >= (1.0 - settings.level_good_share) * best.total
    return near and len(lacking_sites(level)) <= len(lacking_sites(best))


def best_reason(best: Score, level: Score) -> str:
    """Why the best is the best."""
    if best.tilt == LEVEL:
        return f"Level is the best path tried, with {best.total:.0f} of 100 points"
    gains = sorted(
        ((best.marks[name] - level.marks[name], name) for name in best.marks), reverse=True
    )
    gained, most = gains[0]
    lost, least = gains[-1]
    said = (
        f"Tilted {best.tilt.words} deg it has {best.total:.0f} of 100 points, "
        f"{best.total - level.total:.0f} more than level, most of all for {most} "
        f"({gained:+.0f}: {_told(most, best, level)})"
    )
    if lost < -0.5 and least != most:
        said += f", at some cost in {least} ({lost:+.0f}: {_told(least, best, level)})"
    return said


def level_reason(best: Score, level: Score, *, good_enough: bool) -> str:
    """Why the level path is, or is not, good enough."""
    if best.tilt == LEVEL:
        return "Level is good enough: nothing that was tried is better"
    behind = best.total - level.total
    if good_enough:
        arms = (
            ""
            if level.measures.retention is None
            else (
                ", and no more arms fall short of their undercut"
                if lacking_sites(level)
                else ", and every arm finds its undercut"
            )
        )
        return f"Level is good enough: only {behind:.1f} points behind the best{arms}"
    short = lacking_sites(level)
    more = len(short) - len(lacking_sites(best))
    if more > 0:
        return (
            f"Level is not good enough: {more} more "
            f"{'arm falls' if more == 1 else 'arms fall'} short of the undercut asked for "
            f"({'; '.join(short[:4])}), {behind:.0f} points behind the best"
        )
    _, worst = max((best.marks[name] - level.marks[name], name) for name in best.marks)
    return (
        f"Level is not good enough: {behind:.0f} points behind the best, most of all for {worst} "
        f"({_told(worst, level, best, other='the best')})"
    )


def _told(factor: str, here: Score, there: Score, *, other: str = "level") -> str:
    """What is measured of one factor at two paths, in a few words."""
    one, two = here.measures, there.measures
    if factor == "interferences":
        return (
            f"{one.interferences.total_mm3:.0f} mm3 undercut, {other} "
            f"{two.interferences.total_mm3:.0f}"
        )
    if factor == "retention" and one.retention is not None and two.retention is not None:
        count = len(one.retention.counted)
        reached = [count - len(lacking_sites(found)) for found in (here, there)]
        return f"{reached[0]} of {count} reach their undercut, {other} {reached[1]}"
    if factor == "guiding planes" and one.guiding is not None and two.guiding is not None:
        means = [
            (
                float(np.mean([abs(guide.angle_deg) for guide in found.guides])),
                float(np.mean([guide.parallel_height_mm for guide in found.guides])),
            )
            for found in (one.guiding, two.guiding)
        ]
        return (
            f"on average {means[0][0]:.0f} deg off the path and parallel over "
            f"{means[0][1]:.1f} mm, {other} {means[1][0]:.0f} deg and {means[1][1]:.1f} mm"
        )
    if one.appearance is not None and two.appearance is not None:
        lines = [100.0 * found.line_share for found in (one.appearance, two.appearance)]
        gaps = [found.gap_mm2 for found in (one.appearance, two.appearance)]
        return (
            f"survey line at {lines[0]:.0f} % of crown height and {gaps[0]:.1f} mm2 of gap in "
            f"front, {other} {lines[1]:.0f} % and {gaps[1]:.1f}"
        )
    return ""


def _notes(candidates: Sequence[Candidate], flat: Flat, *, within_deg: float) -> tuple[str, ...]:
    best = candidates[0]
    notes = []
    tied = [each for each in candidates[1:] if each.as_good]
    if tied:
        numbers = " and ".join(str(each.number) for each in tied)
        notes.append(
            f"path {numbers} {'is' if len(tied) == 1 else 'are'} as good as path 1: within "
            f"{100.0 * flat.share:g} % of its total"
        )
    notes.append(
        f"the best is {'flat' if flat.narrowest_deg > 2.0 else 'sharp'}: the total stays within "
        f"{100.0 * flat.share:g} % of it over {flat.narrowest_deg:.1f} to {flat.widest_deg:.1f} deg"
    )
    if best.tilt.from_level_deg > within_deg - _AT_RIM_DEG:
        notes.append(
            f"path 1 lies at the edge of what was tried, {within_deg:g} deg: further tilts may "
            "score higher still"
        )
    if best.steep:
        notes.append(
            f"path 1 is tilted {best.tilt.from_level_deg:.1f} deg, over the "
            f"{TILT_WARNING.default:g} deg that are warned of"
        )
    notes += [
        f"on path {each.number} the undercut of {', '.join(each.score.tilt_made)} is made by the "
        "tilt alone: level shows none, so it does not hold a framework that is pulled straight off "
        "the teeth"
        for each in candidates
        if each.score.tilt_made
    ]
    return tuple(notes)
