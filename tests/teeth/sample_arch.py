"""A sample cast whose crowns are known: which vertex is whose, and how each tooth stands."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from bodies import cast_of

from blockout.cast.cast import Cast
from blockout.mesh import Floats, Ints
from blockout.samples.arch import CastField, SampleCast, closed_cast
from blockout.samples.plan import CastPlan, Drift
from blockout.teeth.crowns import Teeth, find_crowns

PLAN = CastPlan(
    arch="lower",
    missing=(36, 46),
    drifts=(
        Drift(35, turn_deg=25.0),
        Drift(37, mesial_tip_deg=20.0, lingual_tip_deg=10.0),
        Drift(43, buccal_mm=1.0, turn_deg=-20.0),
    ),
    recession_mm=1.0,
    spacing_mm=0.45,
    up="-y",
    front="+z",
    off_level_deg=(3.0, -2.0),
    shift_mm=(12.5, -31.0, 47.25),
    seed=3,
)
"""Turned, tipped and shifted teeth on a cast that lies askew in its file."""


@dataclass(frozen=True, eq=False)
class KnownArch:
    """A sample as a cast, with the truth about its teeth.

    Parameters
    ----------
    sample : SampleCast
    cast : Cast
    tooth : (n,) int
        Number of the crown that each vertex lies on, 0 for gum: whichever field is nearest.
    """

    sample: SampleCast
    cast: Cast
    tooth: Ints

    def click(self, number: int, *, off_mm: float = 0.0, seed: int = 0) -> Floats:
        """A vertex of the crown near the middle of its top, or up to ``off_mm`` from there."""
        place = self.sample.tooth(number)
        top = place.neck_mm + place.axis * place.crown.form.height_mm
        mine = np.flatnonzero(self.tooth == number)
        points = self.cast.mesh.vertices[mine]
        middle = np.argmin(np.linalg.norm(points - self.sample.frame.points_to_file(top), axis=1))
        near = np.flatnonzero(np.linalg.norm(points - points[middle], axis=1) <= off_mm + 1e-9)
        picked: Floats = points[np.random.default_rng(seed + number).choice(near)]
        return picked

    def clicks(self, *, off_mm: float = 0.0, seed: int = 0) -> dict[int, Floats]:
        """One on each crown."""
        numbers = [place.number for place in self.sample.standings if place.present]
        return {n: self.click(n, off_mm=off_mm, seed=seed) for n in numbers}


@functools.cache
def known_arch(plan: CastPlan = PLAN) -> KnownArch:
    """The sample cast of a plan with its truth; made once."""
    sample = closed_cast(plan)
    field = CastField(plan)
    points = sample.frame.points_to_cast(sample.mesh.vertices)
    nearest = field.ridge.field(field.ridge.section(points[:, :2]), points[:, 2])
    tooth = np.zeros(len(points), dtype=np.int64)
    for place in field.standings:
        if place.present:
            near = np.flatnonzero(place.reaches(points))
            value = place.field(points[near])
            mine = value < nearest[near]
            tooth[near[mine]] = place.number
            nearest[near[mine]] = value[mine]
    cast = cast_of(
        sample.mesh,
        scanned=sample.skin,
        arch=plan.arch,
        matrix=np.array(sample.frame.matrix),
    )
    return KnownArch(sample, cast, tooth)


@functools.cache
def found_teeth(plan: CastPlan = PLAN) -> Teeth:
    """Its crowns, from points in the middle of each; found once."""
    arch = known_arch(plan)
    return find_crowns(arch.cast, arch.clicks())


def overlap(cast: Cast, tooth: Ints, number: int, face: Ints) -> float:
    """Intersection over union, by area, of a crown's faces with those two of whose corners at least
    are ``number`` in ``tooth`` (n,).
    """
    true = (tooth[cast.mesh.faces] == number).sum(axis=1) >= 2
    found = np.zeros(len(true), dtype=bool)
    found[face] = True
    area = cast.mesh.face_areas_mm2
    return float(area[true & found].sum() / area[true | found].sum())
