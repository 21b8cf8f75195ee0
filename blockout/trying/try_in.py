"""Trying a framework in: does it go to place along the path, and what stops it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blockout.arms.arm import Arm
from blockout.case.arm_settings import LedgeSettings
from blockout.case.trying_settings import TryInSettings
from blockout.cast.cast import Cast
from blockout.kernel.surfaces import nearest_places
from blockout.mesh import Floats
from blockout.progress import Progress, silent
from blockout.surveying.path import InsertionPath
from blockout.surveying.regions import NAMES, region_of_faces
from blockout.surveying.survey import Survey
from blockout.teeth.aspects import ASPECTS, aspect_word
from blockout.teeth.crowns import Teeth
from blockout.tolerances import TOLERANCES, Tolerances
from blockout.trying.blocked import BlockedOut
from blockout.trying.framework import Framework, solid_of
from blockout.trying.gaps import Gap, gaps_of
from blockout.trying.interference import Interference, Touching, interferences_of
from blockout.trying.overlap import overlap, spared_space, under_cast
from blockout.trying.terminals import Engagement, engagements, terminal_windows
from blockout.trying.tilts import AZIMUTHS, Range, Trial


@dataclass(frozen=True)
class Where:
    """A place in the trade's words.

    Parameters
    ----------
    words : str
        Such as ``34 mesial``, or ``tissue, left outer``.
    tooth : int or None
    aspect : str or None
    """

    words: str
    tooth: int | None
    aspect: str | None


@dataclass(frozen=True, eq=False)
class Turned:
    """The framework turned on the cast by one angle, every way.

    Parameters
    ----------
    angle_deg : float
    ways, stopped : int
        How many ways were tried, and in how many it no longer seats.
    """

    angle_deg: float
    ways: int
    stopped: int


@dataclass(frozen=True, eq=False)
class TryIn:
    """A framework tried in along one path.

    Parameters
    ----------
    cast, path, framework, settings, teeth
    interferences : tuple of Interference
        The first to touch first.
    where : tuple of tuple of (Where, float)
        Of each interference, every side that it reaches and how far it lies inside there, mm; the
        deepest first.
    touching : Touching
        Overlap within the allowance.
    terminals : tuple of Engagement
    gaps : tuple of Gap
    paths : Range
        Other paths along which the seated framework would still go to place.
    turns : Range
        Turns of the framework on the cast along this path.
    turned : Turned
    elsewhere : (azimuth_deg, tilt_deg) or None
        Where it does not go to place: the least tilted path tried along which it would.
    depth_mm : (n,) float
        At each vertex of the framework, how far it lies inside the blocked-out region square to
        the path; 0 outside, within the allowance, and in terminals' windows.
    """

    cast: Cast
    path: InsertionPath
    framework: Framework
    settings: TryInSettings
    teeth: Teeth | None
    interferences: tuple[Interference, ...]
    where: tuple[tuple[tuple[Where, float], ...], ...]
    touching: Touching
    terminals: tuple[Engagement, ...]
    gaps: tuple[Gap, ...]
    paths: Range
    turns: Range
    turned: Turned
    elsewhere: tuple[float, float] | None
    depth_mm: Floats

    @property
    def goes_to_place(self) -> bool:
        """Whether nothing stops it. This disproves fit where it is False; it never proves it."""
        return not self.interferences

    @property
    def first_touch_mm(self) -> float:
        """Height above seat at which it first touches; 0 where nothing stops it."""
        return max((one.first_touch_mm for one in self.interferences), default=0.0)


def try_in(
    cast: Cast,
    path: InsertionPath,
    framework: Framework,
    *,
    settings: TryInSettings | None = None,
    teeth: Teeth | None = None,
    missing: Sequence[int] = (),
    survey: Survey | None = None,
    arms: Sequence[Arm] = (),
    ledge: LedgeSettings | None = None,
    progress: Progress = silent,
    tolerances: Tolerances = TOLERANCES,
) -> TryIn:
    """Try a rigid framework in along a path.

    It goes to place exactly when it does not lie in the blocked-out region, everything at or under
    the cast, deeper than the allowance. The terminals of retentive arms may, in their windows.

    Parameters
    ----------
    cast : Cast
    path : InsertionPath
    framework : Framework
        In the cast's coordinates.
    settings : TryInSettings
    teeth : Teeth, optional
        For the names of places, and for gaps.
    missing : sequence of int
        Teeth said to be missing.
    survey, arms, ledge
        Arms laid on the same cast along the same path, and the survey they were laid by.

    Raises
    ------
    InputError
        A rest's point is off the cast.
    KernelError
    """
    settings = settings or TryInSettings()
    allowance_mm = settings.allowance_mm
    to_path = path.to_path
    metal = framework.mesh.reshaped(framework.mesh.vertices @ to_path.T)
    windows = () if survey is None else terminal_windows(survey, arms, ledge)

    progress("laying the framework on the cast")
    bare = BlockedOut(cast, path, tolerances=tolerances)
    solid = solid_of(metal)
    floor_mm = float(bare.mesh.vertices[:, 2].min())
    under = under_cast(bare.mesh, metal.bounds_mm, floor_mm=floor_mm, tolerances=tolerances)
    holes = [window.solid for window in windows]
    spared = [space.mesh() for space in spared_space(under, holes)]
    blocked = BlockedOut(cast, path, spared=spared, tolerances=tolerances) if spared else bare
    shared = overlap(solid, under, windows=holes, tolerances=tolerances)

    progress("measuring interferences")
    found = interferences_of(shared, blocked, allowance_mm=allowance_mm)
    depth_mm = np.zeros(len(metal.vertices))
    deep = (
        np.flatnonzero(blocked.deeper(metal.vertices, allowance_mm))
        if found.interferences
        else (np.zeros(0, dtype=np.int64))
    )
    depth_mm[deep] = blocked.depth_mm(metal.vertices[deep])

    progress("reading terminals and gaps")
    held = engagements(solid, under, windows, bare)
    gaps = gaps_of(cast, path, framework.mesh, settings=settings, teeth=teeth, missing=missing)

    progress("tilting the path")
    trial = Trial(
        blocked, metal, allowance_mm=allowance_mm, flexible=tuple(w.mesh() for w in holes)
    )
    paths = trial.range("path", within_deg=settings.tilt_within_deg)
    elsewhere = None
    if found.interferences:
        elsewhere = trial.nearest_passing(within_deg=settings.tilt_within_deg)
    progress("turning the framework")
    turns = trial.range("framework", within_deg=min(settings.tilt_within_deg, 10.0))
    stopped = trial.stopped_at("framework", angle_deg=settings.turn_deg)
    return TryIn(
        cast=cast,
        path=path,
        framework=framework,
        settings=settings,
        teeth=teeth,
        interferences=found.interferences,
        where=tuple(_reached(cast, teeth, one) for one in found.interferences),
        touching=found.touching,
        terminals=held,
        gaps=gaps,
        paths=paths,
        turns=turns,
        turned=Turned(settings.turn_deg, AZIMUTHS, int(stopped.sum())),
        elsewhere=elsewhere,
        depth_mm=depth_mm,
    )


def places_in_words(cast: Cast, teeth: Teeth | None, points_mm: Floats) -> tuple[Where, ...]:
    """Tooth and aspect of the cast's surface nearest to each place (k, 3), or its part of the
    arch.
    """
    face = nearest_places(cast.mesh, points_mm).face
    region = region_of_faces(cast, face)
    number = np.zeros(len(face), dtype=np.int64)
    aspect = np.zeros(len(face), dtype=np.int64)
    if teeth is not None:
        number = teeth.tooth_of_face[face].astype(np.int64)
        aspects = np.zeros(cast.mesh.triangle_count, dtype=np.int64)
        for crown in teeth.crowns:
            aspects[crown.face] = crown.aspect
        aspect = aspects[face]
    key = np.stack([number, aspect, region * (number == 0), cast.scanned[face]], axis=1)
    kinds, row = np.unique(key, axis=0, return_inverse=True)
    said = [
        _in_words(int(n), int(a), int(r), scanned=bool(s), told=teeth is not None)
        for n, a, r, s in kinds
    ]
    return tuple(said[k] for k in row.reshape(-1))


def _in_words(number: int, aspect: int, region: int, *, scanned: bool, told: bool) -> Where:
    if number:
        side = ASPECTS[aspect]
        return Where(f"{number} {aspect_word(side, number)}", number, side)
    kind = ("tissue, " if told else "") if scanned else "base, "
    return Where(f"{kind}{NAMES[region]}", None, None)


def _reached(cast: Cast, teeth: Teeth | None, one: Interference) -> tuple[tuple[Where, float], ...]:
    points = np.concatenate([one.at_mm[None], one.places_mm])
    into = np.concatenate([[one.into_mm], one.places_into_mm])
    most: dict[Where, float] = {}
    for where, into_mm in zip(places_in_words(cast, teeth, points), into.tolist(), strict=True):
        most[where] = max(most.get(where, 0.0), into_mm)
    return tuple(sorted(most.items(), key=lambda item: -item[1]))
