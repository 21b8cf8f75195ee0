"""Ridge, gingiva, flanges and palate as one field over the arch curve; cast frame, mm.

A section across the arch is told by the offset from the curve and the height. The crest follows
the gingival margins with a papilla at every contact; in an edentulous span it is lower and rounder.
Under the crest the flanges bulge and fall back again (the tissue undercut), and run out into the
sulcus at the bottom, on an upper cast into the palate.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from scipy.interpolate import CubicSpline, PchipInterpolator

from blockout.mesh import Floats
from blockout.samples.blend import smooth_max, smooth_min
from blockout.samples.curve import ArchCurve
from blockout.samples.plan import CastPlan
from blockout.samples.standing import Standing

_MARGIN_ABOVE_NECK_MM: Final = 0.55
_COLLAR_MM: Final = 0.75
_RESORBED_MM: Final = 2.2
_HEALED_HALF_MM: Final = 2.7
_PAPILLA_SHARE: Final = 0.7
_SULCUS_MM: Final = -19.5
_BEHIND_MM: Final = 6.0
_ROUND_CREST_MM: Final = 2.2
_TABLE_MM: Final = 0.02


@dataclass(frozen=True, eq=False)
class Section:
    """What a section needs to know of its place, (n,) each; shared by all heights of a column."""

    offset_mm: Floats
    margin_mm: Floats
    papilla_mm: Floats
    middle_mm: Floats
    buccal_mm: Floats
    lingual_mm: Floats
    eminence_mm: Floats
    uneven_mm: Floats
    bottom_mm: Floats
    outside_mm: Floats


@dataclass(frozen=True, eq=False)
class Ridge:
    """The tissue of one cast."""

    plan: CastPlan
    curve: ArchCurve
    standings: tuple[Standing, ...]

    @property
    def behind_mm(self) -> float:
        """Arch length at which the cast ends behind the last molars."""
        last = self.standings[-1]
        return abs(last.along_mm) + last.crown.form.mesiodistal_mm / 2.0 + _BEHIND_MM

    @cached_property
    def back_mm(self) -> float:
        """y at which the cast ends."""
        return float(self.curve.point(self.behind_mm)[1])

    @cached_property
    def _knots(self) -> PchipInterpolator:
        rows: list[tuple[float, ...]] = []
        stands = self.standings
        for index, tooth in enumerate(stands):
            rows.append(self._at_tooth(tooth))
            if index + 1 < len(stands):
                rows.append(self._at_contact(tooth, stands[index + 1]))
        for index, side in ((0, -1.0), (-1, 1.0)):
            end = stands[index]
            far = end.along_mm + side * (end.crown.form.mesiodistal_mm / 2.0 + 1.5)
            low = self._at_tooth(end)[1] - (0.3 if end.present else 0.0)
            rows.append((far, low, 0.0, 0.0, 3.4, 3.2, 0.0))
            rows.append((far + side * 6.0, low - 1.2, 0.0, 0.0, 3.2, 3.0, 0.0))
            rows.append((far + side * 14.0, low - 2.0, 0.0, 0.0, 3.0, 3.0, 0.0))
        table = np.array(sorted(rows))
        return PchipInterpolator(table[:, 0], table[:, 1:])

    def _at_tooth(self, tooth: Standing) -> tuple[float, ...]:
        neck = float(tooth.regular_neck_mm[2])
        outward = self.curve.outward(tooth.along_mm)
        off = float((tooth.neck_mm[:2] - self.curve.point(tooth.along_mm)) @ outward)
        if not tooth.present:
            low = neck - _RESORBED_MM - self.plan.recession_mm / 2.0
            return (tooth.along_mm, low, 0.0, off, _HEALED_HALF_MM, _HEALED_HALF_MM, 0.0)
        _, buccal, lingual = tooth.crown.half_widths_mm(np.zeros(1))
        margin = neck + _MARGIN_ABOVE_NECK_MM - self.plan.recession_mm
        wide = (float(buccal[0]) + _COLLAR_MM, float(lingual[0]) + _COLLAR_MM)
        return (tooth.along_mm, margin, 0.0, off, *wide, 0.24)

    def _at_contact(self, one: Standing, other: Standing) -> tuple[float, ...]:
        here, there = self._at_tooth(one), self._at_tooth(other)
        # midway between the two proximal faces
        at = (
            one.along_mm + one.crown.form.mesiodistal_mm / 2.0
            + other.along_mm - other.crown.form.mesiodistal_mm / 2.0
        ) / 2.0  # fmt: skip
        mean = [(a + b) / 2.0 for a, b in zip(here, there, strict=True)]
        if one.present and other.present:
            tall = _PAPILLA_SHARE * (one.crown.contact_mm + other.crown.contact_mm) / 2.0
            return (at, mean[1], tall, mean[3], 0.86 * mean[4], 0.86 * mean[5], -0.2)
        if one.present or other.present:
            low = min(here[1], there[1]) + 0.35 * abs(here[1] - there[1])
            return (at, low, 0.0, mean[3], mean[4], mean[5], 0.0)
        return (at, *mean[1:6], 0.0)

    @cached_property
    def _waves(self) -> tuple[Floats, Floats, Floats]:
        random = np.random.default_rng(self.plan.seed)
        count = 14
        return (
            random.uniform(0.15, 0.9, count),
            random.uniform(0.0, 2.0 * np.pi, (2, count)),
            random.normal(0.0, 0.035, (2, count)),
        )

    @cached_property
    def _table(self) -> tuple[float, Floats]:
        """All that follows from the arch length alone, at close even steps."""
        end = 85.0
        along = np.arange(-end, end, _TABLE_MM)
        rate, phase, size = self._waves
        angle = along[:, None] * rate
        waves = [(np.sin(angle + phase[k]) * size[k]).sum(axis=1) for k in range(2)]
        frenum = np.exp(-((along / 4.0) ** 2))
        return -end, np.column_stack([self._knots(along), *waves, frenum])

    def section(self, points_mm: Floats) -> Section:
        """What the field needs at columns (n, 2)."""
        return self.section_at(points_mm, *self.curve.locate(points_mm))

    def section_at(self, points_mm: Floats, along: Floats, offset: Floats) -> Section:
        """The same for columns whose place on the arch is known."""
        start, table = self._table
        place = np.clip((along - start) / _TABLE_MM, 0.0, len(table) - 1.001)
        step = place.astype(np.int64)
        row = table[step] + (place - step)[:, None] * (table[step + 1] - table[step])
        margin, papilla, middle, buccal, lingual, eminence, out_wave, in_wave, frenum = row.T
        blend = 0.5 + 0.5 * np.tanh(offset / 1.5)
        sulcus = _SULCUS_MM + 1.2 * frenum + 2.5 * out_wave
        return Section(
            offset_mm=offset,
            margin_mm=margin,
            papilla_mm=papilla,
            middle_mm=middle,
            buccal_mm=buccal,
            lingual_mm=lingual,
            eminence_mm=eminence,
            uneven_mm=blend * out_wave + (1.0 - blend) * in_wave,
            bottom_mm=self._bottom(points_mm, offset, blend, sulcus),
            outside_mm=self._outside(points_mm, along, offset),
        )

    def _outside(self, points_mm: Floats, along: Floats, offset: Floats) -> Floats:
        """Positive beyond the cast's outline."""
        far = np.minimum(np.abs(along) / 50.0, 1.0)
        outer = offset - (7.8 + 2.2 * far)
        if self.plan.arch == "lower":
            outer = smooth_max(outer, -offset - (8.8 + 0.8 * far), 2.0)
        return smooth_max(outer, self.back_mm - points_mm[:, 1], 5.0)

    def _bottom(self, points_mm: Floats, offset: Floats, blend: Floats, sulcus: Floats) -> Floats:
        """Height of sulcus, floor of the mouth or palate."""
        if self.plan.arch == "lower":
            return np.asarray(sulcus + 0.8 * (1.0 - blend))
        inward = np.maximum(-offset, 0.0)
        vault = -10.5 - 9.0 * (1.0 - np.exp(-((inward / 9.0) ** 2)))
        x, y = points_mm.T
        front = float(self.curve.point(0.0)[1])
        deep = front - y
        raphe = 0.35 * np.exp(-((x / 1.1) ** 2)) * _rise(deep, 14.0, 18.0)
        papilla = 1.1 * np.exp(-((x / 1.5) ** 2) - ((deep - 9.5) / 2.6) ** 2)
        fold = np.sin((deep + 0.04 * x**2 - 0.55 * np.abs(x)) * 2.0 * np.pi / 4.2)
        rugae = 0.22 * fold * _rise(deep, 9.0, 12.0) * _rise(-deep, -24.0, -20.0)
        rugae *= np.exp(-((x / 10.0) ** 4)) * _rise(np.abs(x), 0.8, 2.4)
        palate = vault + raphe + papilla + rugae
        return np.asarray(blend * sulcus + (1.0 - blend) * palate)

    def field(self, section: Section, height_mm: Floats) -> Floats:
        """Negative inside the tissue and base; shapes broadcast, so that a grid's columns share
        one section.
        """
        s = section
        n = s.offset_mm - s.middle_mm
        depth = s.margin_mm - height_mm
        share = depth / (s.margin_mm - _SULCUS_MM)
        buccal_profile, lingual_profile = self._profiles
        at = np.clip(share, -0.2, 1.3)
        low = np.clip(at / 0.25, 0.0, 1.0) * np.clip((1.0 - at) / 0.4, 0.0, 1.0)
        swell = low * low * (3.0 - 2.0 * low)
        buccal = s.buccal_mm + buccal_profile(at) + s.eminence_mm * swell + s.uneven_mm
        lingual = s.lingual_mm + lingual_profile(at) + 0.5 * s.eminence_mm * swell + s.uneven_mm
        sides = smooth_max(n - buccal, -n - lingual, 1.0)
        wide = (s.buccal_mm + s.lingual_mm) / 2.0
        across = n / wide
        # a papilla leans with the crowns, toward the contact over the curve
        leaning = (s.offset_mm - 0.35 * s.middle_mm) / wide
        crest = s.margin_mm + s.papilla_mm * np.exp(-(leaning**2) * 2.0) - 0.5 * across**2
        ridge = smooth_max(sides, 0.9 * (height_mm - crest), _ROUND_CREST_MM)
        body = smooth_min(ridge, height_mm - s.bottom_mm, 3.5)
        return smooth_max(body, s.outside_mm, 1.2)

    @cached_property
    def _profiles(self) -> tuple[CubicSpline[np.float64], CubicSpline[np.float64]]:
        """How far the flanges stand out, by share of the way from margin to sulcus."""
        # the run-out into the sulcus fills some of it again
        back = 1.42 * self.plan.tissue_undercut_mm
        shares = (-0.2, 0.0, 0.14, 0.34, 0.52, 0.74, 0.9, 1.3)
        buccal = (-0.5, 0.0, 0.55, 1.05, 1.05 - 0.25 * back, 1.05 - back, 1.05 - back, 1.05 - back)
        down = 1.45 - 1.08 * back
        lingual = (-0.5, 0.0, 0.6, 1.35, 1.45 - 0.3 * back, down, down, down)
        return (
            CubicSpline(shares, buccal, bc_type="natural"),
            CubicSpline(shares, lingual, bc_type="natural"),
        )


def _rise(value: Floats, start: float, end: float) -> Floats:
    """0 before ``start``, 1 after ``end``, smooth between."""
    t = np.clip((value - start) / (end - start), 0.0, 1.0)
    return np.asarray(t * t * t * (t * (6.0 * t - 15.0) + 10.0))
