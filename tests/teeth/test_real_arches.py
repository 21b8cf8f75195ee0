"""Real tooth shapes: two partly edentulous arches whose every vertex is labelled.

The tooth shapes are those of an open data set; the folder is no part of this project, and where it
is absent these tests are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from real_arches import ARCHES, MISSING, labelled_points, needs_casts
from sample_arch import overlap
from scipy.spatial import cKDTree

from blockout.case.settings import Arch
from blockout.case.tooth_settings import CrownSettings
from blockout.cast.cast import Cast
from blockout.mesh import Floats, Ints
from blockout.teeth.crowns import Teeth, find_crowns
from blockout.teeth.ground import ground_of
from blockout.teeth.kennedy import kennedy
from blockout.teeth.margin import outlines_around
from blockout.teeth.regions import grow_regions
from blockout.teeth.row import CrownRow, number_along_arch

POINTED_AT: dict[Arch, int] = {"lower": 44, "upper": 24}

pytestmark = [pytest.mark.long, needs_casts]


@dataclass(frozen=True, eq=False)
class Labelled:
    """A prepared arch, the truth at its vertices (0 for gum), and what was found."""

    arch: Arch
    cast: Cast
    tooth: Ints
    row: CrownRow
    teeth: Teeth


@pytest.fixture(scope="module", params=ARCHES)
def labelled(request, real_arch, made_once) -> Labelled:
    arch: Arch = request.param
    return made_once(f"labelled {arch}", lambda: _labelled(arch, real_arch(arch).cast))


def _labelled(arch: Arch, cast: Cast) -> Labelled:
    # the cast keeps scanned vertices to the bit
    points, labels = labelled_points(arch)
    of_place = {p.tobytes(): int(n) for p, n in zip(points, labels, strict=True)}
    tooth = np.array([of_place.get(p.tobytes(), 0) for p in cast.mesh.vertices])
    assert set(np.unique(tooth)) == set(np.unique(labels))
    pointed_at = POINTED_AT[arch]
    row = number_along_arch(
        cast, pointed_at, _click(cast, tooth, pointed_at, 1.5, 0), missing=MISSING[arch]
    )
    return Labelled(arch, cast, tooth, row, find_crowns(cast, row.points_mm))


def _click(cast: Cast, tooth: Ints, number: int, off_mm: float, seed: int) -> Floats:
    """A vertex up to ``off_mm`` from the middle of the crown as it is seen from above."""
    mine = np.flatnonzero(tooth == number)
    points = cast.frame.points_to_cast(cast.mesh.vertices[mine])
    seen = cast.mesh.vertex_normals[mine] @ cast.frame.up > 0.5
    upper = seen & (points[:, 2] > np.median(points[:, 2]))
    middle = points[upper, :2].mean(axis=0)
    aside = np.where(upper, np.linalg.norm(points[:, :2] - middle, axis=1), np.inf)
    away = np.linalg.norm(points - points[np.argmin(aside)], axis=1)
    near = np.flatnonzero(away <= off_mm + 1e-9)
    picked: Floats = cast.mesh.vertices[mine[np.random.default_rng(seed + number).choice(near)]]
    return picked


def test_every_tooth_is_numbered_from_one_and_the_class_is_right(labelled):
    tree = cKDTree(labelled.cast.mesh.vertices)
    true = {n: int(labelled.tooth[tree.query(p)[1]]) for n, p in labelled.row.points_mm.items()}
    assert true == {n: n for n in true}
    assert set(true) == set(np.unique(labelled.tooth)) - {0}
    assert kennedy(labelled.arch, MISSING[labelled.arch]).text == "class II, modification 2"


def test_crowns_agree_with_the_truth(labelled):
    """Measured: lower 0.953 on average, 0.865 at the worst (31, whose inner margin has no
    hollow); upper 0.970 and 0.948.
    """
    shares = {
        c.number: overlap(labelled.cast, labelled.tooth, c.number, c.face)
        for c in labelled.teeth.crowns
    }
    # what was asked for: 0.9 and 0.8; what is reached, so that nothing is lost unseen
    worst, mean = (0.86, 0.95) if labelled.arch == "lower" else (0.94, 0.965)
    assert min(shares.values()) >= worst >= 0.8, shares
    assert np.mean(list(shares.values())) >= mean >= 0.9, shares


def test_margins_run_along_the_true_ones_and_doubt_is_where_they_do_not(labelled):
    surface = labelled.cast.mesh
    far, far_and_doubtful, doubtful, count = 0, 0, 0, 0
    for crown in labelled.teeth.crowns:
        true = np.concatenate(
            [line for line, _ in outlines_around(surface, labelled.tooth == crown.number)]
        )
        off_mm = cKDTree(true).query(crown.margin_mm)[0]
        assert np.median(off_mm) < 0.2, crown.number
        wrong = off_mm > 1.0
        far += int(wrong.sum())
        far_and_doubtful += int((wrong & crown.margin.doubtful).sum())
        doubtful += int(crown.margin.doubtful.sum())
        count += len(off_mm)
    # a margin more than 1 mm off is said to be doubtful, and little else is
    assert far_and_doubtful == far
    assert doubtful < 0.08 * count
    assert (far > 0) == (labelled.arch == "lower")


def test_where_on_a_crown_one_points_does_not_matter(labelled):
    ground = ground_of(labelled.cast, settings=CrownSettings())
    tree = cKDTree(ground.surface.vertices)
    starts = {
        n: int(tree.query(_click(labelled.cast, labelled.tooth, n, 1.5, 77))[1])
        for n in labelled.teeth.numbers
    }
    regions = grow_regions(
        ground, starts, up=labelled.cast.frame.up, reach_mm=15.0, with_rivals=False
    )
    for region in regions:
        first = labelled.teeth.tooth_of_vertex[ground.vertex] == region.number
        same = (first & region.inside).sum() / (first | region.inside).sum()
        assert same > 0.99, region.number
