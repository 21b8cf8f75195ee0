"""The four factors of one path: what is measured, and a mark from 0 to 100 for each.

Marks, each a plain formula of what is measured:

- retention: half for reach, the mean over arms of offered depth over asked depth, at most 1, and
  half for balance, ``a / (a + s)`` with ``a`` the mean asked depth and ``s`` the spread of what is
  lacking. Undercut that is there only because of the tilt reaches nothing, unless the settings say
  that it counts.
- interferences: three quarters ``V0 / (V0 + V)`` with ``V`` the weighted volume and ``V0`` that at
  level, and one quarter the same of the deepest undercut: 50 is as at level, 100 is none at all.
- guiding planes: the mean over surfaces of half ``1 - angle / limit``, not under 0, and half
  ``height / enough height``, at most 1.
- appearance: the mean over front teeth of how low the survey line lies: 1 where its mean height is
  in the gingival third, 0 in the incisal third, straight between; for a tooth beside a gap half of
  that and half ``1 - gap / limit``.

The total is the mean of the marks by the weights of the settings; what cannot be measured is left
out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.case.choosing_settings import ChoosingSettings
from blockout.choosing.appearance import Appearance, FrontLook, read_appearance
from blockout.choosing.ground import Ground
from blockout.choosing.guiding import GuidingPlanes, read_guiding
from blockout.choosing.interferences import Interferences, read_interferences
from blockout.choosing.retention import Retention, SiteDepth, read_retention
from blockout.choosing.tilts import Tilt, path_of

FACTORS: Final = ("retention", "interferences", "guiding planes", "appearance")
_VOLUME_PART: Final = 0.75
_LEAST_MM3: Final = 1.0
_LEAST_MM: Final = 0.1
"""A level path with less undercut than this counts as having this, so that marks stay finite."""


@dataclass(frozen=True)
class Measures:
    """What is measured along one path; None for what the case gives no ground for.

    Parameters
    ----------
    tilt : Tilt
    retention : Retention or None
    interferences : Interferences
    guiding : GuidingPlanes or None
    appearance : Appearance or None
    """

    tilt: Tilt
    retention: Retention | None
    interferences: Interferences
    guiding: GuidingPlanes | None
    appearance: Appearance | None


@dataclass(frozen=True)
class Score:
    """A path with its measures, its marks by factor, and their weighted mean.

    ``tilt_made`` names the sites whose undercut is not there along the level path.
    """

    measures: Measures
    marks: Mapping[str, float]
    total: float
    tilt_made: tuple[str, ...]

    @property
    def tilt(self) -> Tilt:
        return self.measures.tilt


def measure(ground: Ground, tilts: Sequence[Tilt]) -> list[Measures]:
    """The four factors along each of several paths; some dozen at once is quickest."""
    directions = np.array([path_of(ground.cast, tilt).direction for tilt in tilts]).reshape(-1, 3)
    retention = read_retention(ground.surface, ground.sites, directions)
    interferences = read_interferences(
        ground.cast,
        ground.whole,
        ground.surface,
        ground.places,
        directions,
        gauged=ground.gauged,
        rounds=ground.rounds,
    )
    within_deg, front = ground.settings.parallel_within_deg, ground.cast.frame.front
    return [
        Measures(
            tilt=tilt,
            retention=retention[k],
            interferences=interferences[k],
            guiding=read_guiding(ground.guides, directions[k], parallel_within_deg=within_deg),
            appearance=read_appearance(ground.fronts, directions[k], front=front),
        )
        for k, tilt in enumerate(tilts)
    ]


def score(measures: Measures, level: Measures, settings: ChoosingSettings) -> Score:
    """Marks and total of one path, with the level path to compare with."""
    marks: dict[str, float] = {}
    tilt_made: tuple[str, ...] = ()
    if measures.retention is not None:
        tilt_made = _tilt_made(measures.retention, level.retention, settings)
        uncounted = () if settings.count_tilt_made else tilt_made
        marks["retention"] = retention_mark(measures.retention, uncounted=uncounted)
    marks["interferences"] = interferences_mark(measures.interferences, level.interferences)
    if measures.guiding is not None:
        marks["guiding planes"] = guiding_mark(measures.guiding, settings)
    if measures.appearance is not None:
        marks["appearance"] = appearance_mark(measures.appearance, settings)
    return Score(measures, marks, total_of(marks, settings), tilt_made)


def total_of(marks: Mapping[str, float], settings: ChoosingSettings) -> float:
    """Mean of the marks by their weights; their plain mean where all of those weights are 0."""
    weights = {name: settings.weights[name] for name in marks}
    whole = sum(weights.values())
    if whole <= 0.0:
        return sum(marks.values()) / len(marks)
    return sum(weights[name] * mark for name, mark in marks.items()) / whole


def retention_mark(retention: Retention, *, uncounted: tuple[str, ...] = ()) -> float:
    """0 to 100; sites named in ``uncounted`` reach nothing."""
    sites = retention.counted
    reach = [
        0.0 if site.name in uncounted else min(site.offered_mm / site.asked_mm, 1.0)
        for site in sites
    ]
    asked_mm = sum(site.asked_mm for site in sites) / len(sites)
    balance = asked_mm / (asked_mm + retention.spread_mm)
    return 50.0 * sum(reach) / len(reach) + 50.0 * balance


def interferences_mark(found: Interferences, level: Interferences) -> float:
    """0 to 100; 50 as at level."""
    volume = max(level.weighted_mm3, _LEAST_MM3)
    depth = max(level.deepest_of_all_mm, _LEAST_MM)
    by_volume = volume / (volume + found.weighted_mm3)
    by_depth = depth / (depth + found.deepest_of_all_mm)
    return 100.0 * (_VOLUME_PART * by_volume + (1.0 - _VOLUME_PART) * by_depth)


def guiding_mark(guiding: GuidingPlanes, settings: ChoosingSettings) -> float:
    """0 to 100."""
    parts = [
        0.5 * max(1.0 - abs(guide.angle_deg) / settings.guiding_angle_limit_deg, 0.0)
        + 0.5 * min(guide.parallel_height_mm / settings.guiding_height_mm, 1.0)
        for guide in guiding.guides
    ]
    return 100.0 * sum(parts) / len(parts)


def appearance_mark(appearance: Appearance, settings: ChoosingSettings) -> float:
    """0 to 100."""
    parts = [_look_part(tooth, settings) for tooth in appearance.teeth]
    return 100.0 * sum(parts) / len(parts)


def _look_part(tooth: FrontLook, settings: ChoosingSettings) -> float:
    line = min(max(2.0 - 3.0 * tooth.line_share, 0.0), 1.0)
    if tooth.gap_mm2 is None:
        return line
    return 0.5 * line + 0.5 * max(1.0 - tooth.gap_mm2 / settings.front_gap_limit_mm2, 0.0)


def _tilt_made(
    retention: Retention, level: Retention | None, settings: ChoosingSettings
) -> tuple[str, ...]:
    """Names of the sites that offer an undercut which is not there at level."""
    at_level: dict[str, SiteDepth] = {} if level is None else {s.name: s for s in level.sites}
    return tuple(
        site.name
        for site in retention.counted
        if site.offered_mm >= settings.least_at_level_mm
        and site.name in at_level
        and at_level[site.name].offered_mm < settings.least_at_level_mm
    )
