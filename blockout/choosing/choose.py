"""Choosing the path, from a case that is ready to the ranked list."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blockout.choosing.factors import Score, measure, score
from blockout.choosing.ground import SAMPLED, Ground
from blockout.choosing.ranking import Ranking, listed, ranking
from blockout.choosing.search import Searched, search
from blockout.choosing.tilts import LEVEL, Tilt
from blockout.errors import InputError
from blockout.progress import Progress, silent


@dataclass(frozen=True, eq=False)
class Choice:
    """What was tried and what is offered.

    Parameters
    ----------
    ground : Ground
        At every facet.
    searched : Searched
    ranking : Ranking
    places, sampled_places : int
        Places on the surface asked for the paths on the list, and while searching.
    sampling_error_share : float
        Largest difference of the weighted undercut volume between the two, over the list.
    sampling_error_points : float
        Largest difference of the total.
    """

    ground: Ground
    searched: Searched
    ranking: Ranking
    places: int
    sampled_places: int
    sampling_error_share: float
    sampling_error_points: float

    def pick(self, number: int) -> Tilt:
        """The tilt of one path of the list.

        Raises
        ------
        InputError
            The list has no such number.
        """
        for candidate in self.ranking.candidates:
            if candidate.number == number:
                return candidate.tilt
        raise InputError(
            f"there is no path {number} on the list",
            measured=f"the list has 1 to {len(self.ranking.candidates)}",
            fix="Pick one of these with --pick.",
        )


def choose_path(ground: Ground, *, places: int = SAMPLED, progress: Progress = silent) -> Choice:
    """Search, and rank what was found.

    The search asks the surface for undercut at about ``places`` places, each for a like share of
    its area; the paths that are listed are asked again at every facet, and the difference is told.
    """
    sampled = ground.sampled(places)
    searched = search(sampled, progress=progress)
    why = listed(searched, ground.settings)
    progress("asking the paths of the list at every facet")
    tilts = [LEVEL, *(tilt for tilt in why if tilt != LEVEL)]
    measures = [measure(ground, [tilt])[0] for tilt in tilts]
    closely = [score(found, measures[0], ground.settings) for found in measures]
    share, points = _sampling_error(searched, closely)
    return Choice(
        ground=ground,
        searched=searched,
        ranking=ranking(searched, ground.settings, closely=closely, why=why),
        places=len(ground.places.points_mm),
        sampled_places=len(sampled.places.points_mm),
        sampling_error_share=share,
        sampling_error_points=points,
    )


def _sampling_error(searched: Searched, closely: list[Score]) -> tuple[float, float]:
    known = {found.tilt: found for found in searched.scores}
    pairs = [(known[found.tilt], found) for found in closely]
    volumes = np.array([[s.measures.interferences.weighted_mm3 for s in pair] for pair in pairs])
    totals = np.array([[s.total for s in pair] for pair in pairs])
    scale = np.maximum(volumes[:, 1], 1.0)
    return (
        float((np.abs(volumes[:, 0] - volumes[:, 1]) / scale).max()),
        float(np.abs(totals[:, 0] - totals[:, 1]).max()),
    )
