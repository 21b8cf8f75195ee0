"""Looking for the best path: a coarse grid over the disk of tilts, finer where it may matter.

1. A grid of triangles over the whole disk, and its rim.
2. Twice the fineness doubles around every tilt whose total, rising on as steeply as it does toward
   its neighbours, could come up to the best one found.
3. From each of the best tilts that lie apart, and from the best of each factor, steps in twelve
   directions, halved whenever none is better, down to a few hundredths of a degree.

Every tilt is tried once, and some at a time: their rays go out together, over all cores.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.spatial import cKDTree

from blockout.choosing.factors import Measures, Score, measure, score
from blockout.choosing.ground import Ground
from blockout.choosing.tilts import LEVEL, Tilt, around, hexagons, rim
from blockout.mesh import Floats
from blockout.progress import Progress, silent

_GRID_STEP_DEG: Final = 2.0
_FINEST_GRID_DEG: Final = 0.5
_STEPS_LEAST: Final = 7.5
"""Steps from the middle to the rim of the disk, as far as they are not finer than that."""
_DOUBLINGS: Final = 2
_MOST_REFINED: Final = (40, 25)
_HOPEFUL: Final = 0.6
"""Of a step: how far between two tilts of the grid a better one can hide."""
_STARTS: Final = 4
_LAST_STEP_DEG: Final = 0.03
_LAST_FACTOR_STEP_DEG: Final = 0.1
_AT_ONCE: Final = 16

Objective = Callable[[Score], float]


@dataclass(frozen=True, eq=False)
class Searched:
    """All tilts that were tried.

    Parameters
    ----------
    scores : tuple of Score
        In the order in which they were tried; the level path is the first.
    tops : tuple of Tilt
        Where the steps ended that followed the total, best first.
    factor_tops : mapping from factor to Tilt
        Where those ended that followed one factor.
    """

    scores: tuple[Score, ...]
    tops: tuple[Tilt, ...]
    factor_tops: dict[str, Tilt]

    @property
    def level(self) -> Score:
        return self.scores[0]

    @property
    def best(self) -> Score:
        return max(self.scores, key=lambda each: each.total)


class Trials:
    """Tilts that were tried on one ground, each once."""

    def __init__(self, ground: Ground) -> None:
        self.ground = ground
        self.level: Measures = measure(ground, [LEVEL])[0]
        self.known: dict[Tilt, Score] = {LEVEL: score(self.level, self.level, ground.settings)}

    def try_all(self, tilts: Iterable[Tilt]) -> list[Score]:
        """Their scores."""
        asked = list(tilts)
        new = [tilt for tilt in dict.fromkeys(asked) if tilt not in self.known]
        for k in range(0, len(new), _AT_ONCE):
            for found in measure(self.ground, new[k : k + _AT_ONCE]):
                self.known[found.tilt] = score(found, self.level, self.ground.settings)
        return [self.known[tilt] for tilt in asked]


def search(ground: Ground, *, progress: Progress = silent) -> Searched:
    """Look for the best path within ``settings.within_deg`` of level.

    Parameters
    ----------
    ground : Ground
        Usually :meth:`~blockout.choosing.ground.Ground.sampled`.
    """
    within_deg = ground.settings.within_deg
    trials = Trials(ground)
    step_deg = max(min(_GRID_STEP_DEG, within_deg / _STEPS_LEAST), _FINEST_GRID_DEG)
    grid_step_deg = step_deg
    grid = [*hexagons(within_deg, step_deg), *rim(within_deg, step_deg)]
    progress(f"trying {len(grid)} tilts over the disk")
    trials.try_all(grid)
    for most in _MOST_REFINED[:_DOUBLINGS]:
        hopeful = _hopeful(list(trials.known.values()), step_deg)[:most]
        step_deg /= 2.0
        finer = [t for tilt in hopeful for t in around(tilt, step_deg) if _inside(t, within_deg)]
        progress(f"trying {len(set(finer))} tilts where it may matter")
        trials.try_all(finer)

    progress("closing in on the best tilts")
    starts = _local_tops(list(trials.known.values()), 1.5 * grid_step_deg)[:_STARTS]
    climbers = [_Climber(start, step_deg / 2.0, _LAST_STEP_DEG, _total) for start in starts]
    names = list(trials.known[LEVEL].marks)
    for objective in map(_mark, names):
        first = _ordered(trials, objective)[0].tilt
        climbers.append(_Climber(first, step_deg / 2.0, _LAST_FACTOR_STEP_DEG, objective))
    _climb(trials, climbers, within_deg)
    best = max(trials.known.values(), key=_total).tilt
    tops = {best, *(climber.here for climber in climbers[: len(starts)])}
    return Searched(
        scores=tuple(trials.known.values()),
        tops=tuple(sorted(tops, key=lambda tilt: -trials.known[tilt].total)),
        factor_tops={
            name: climber.here for name, climber in zip(names, climbers[len(starts) :], strict=True)
        },
    )


def apart(tilts: Sequence[Tilt], least_deg: float, *, most: int) -> list[Tilt]:
    """The first of the tilts that lie apart from each other."""
    chosen: list[Tilt] = []
    for tilt in tilts:
        if all(tilt.apart_deg(other) >= least_deg for other in chosen):
            chosen.append(tilt)
        if len(chosen) == most:
            break
    return chosen


def places_deg(scores: Sequence[Score]) -> Floats:
    """(k, 2) lateral and anterior tilt of each."""
    return np.array([(s.tilt.lateral_deg, s.tilt.anterior_deg) for s in scores])


def _total(found: Score) -> float:
    return found.total


def _mark(name: str) -> Objective:
    # the total parts what a factor cannot tell apart
    return lambda found: found.marks[name] + 1e-3 * found.total


def _ordered(trials: Trials, objective: Objective) -> list[Score]:
    return sorted(trials.known.values(), key=lambda found: -objective(found))


def _inside(tilt: Tilt, within_deg: float) -> bool:
    return tilt.from_level_deg <= within_deg + 1e-9


def _local_tops(scores: list[Score], around_deg: float) -> list[Tilt]:
    """Tilts than which none within reach is better, the best first."""
    places = places_deg(scores)
    totals = np.array([found.total for found in scores])
    near = cKDTree(places).query_ball_point(places, around_deg)
    tops = [k for k, others in enumerate(near) if totals[k] >= totals[others].max()]
    return [scores[k].tilt for k in sorted(tops, key=lambda k: -totals[k])]


def _hopeful(scores: list[Score], step_deg: float) -> list[Tilt]:
    """Tilts about which a better one than the best may hide, the most hopeful first."""
    places = places_deg(scores)
    totals = np.array([found.total for found in scores])
    pairs = cKDTree(places).query_pairs(1.3 * step_deg, output_type="ndarray")
    slope = np.zeros(len(scores))
    if len(pairs):
        run = np.linalg.norm(places[pairs[:, 0]] - places[pairs[:, 1]], axis=1)
        rise = np.abs(totals[pairs[:, 0]] - totals[pairs[:, 1]]) / np.maximum(run, 1e-9)
        for side in (0, 1):
            np.maximum.at(slope, pairs[:, side], rise)
    could = totals + _HOPEFUL * step_deg * slope
    order = np.argsort(-could, kind="stable")
    return [scores[k].tilt for k in order.tolist() if could[k] >= totals.max()]


@dataclass
class _Climber:
    """One way up: where it stands, how far it steps, and in which of the two hexagons."""

    here: Tilt
    step_deg: float
    last_step_deg: float
    objective: Objective
    turned: bool = False

    @property
    def at_top(self) -> bool:
        return self.step_deg < self.last_step_deg


def _climb(trials: Trials, climbers: Sequence[_Climber], within_deg: float) -> None:
    """Take every climber to where no step up is left; all step at once, so that many tilts are
    tried together.
    """
    walking = [climber for climber in climbers if not climber.at_top]
    while walking:
        ways = [
            [
                tilt
                for tilt in around(climber.here, climber.step_deg, turned=climber.turned)
                if _inside(tilt, within_deg)
            ]
            for climber in walking
        ]
        trials.try_all(tilt for way in ways for tilt in way)
        for climber, way in zip(walking, ways, strict=True):
            here = trials.known[climber.here]
            best = max(trials.try_all(way), key=climber.objective, default=here)
            if climber.objective(best) > climber.objective(here):
                climber.here = best.tilt
            elif not climber.turned:
                climber.turned = True
            else:
                climber.step_deg, climber.turned = climber.step_deg / 2.0, False
        walking = [climber for climber in walking if not climber.at_top]
