"""The comparison with other ways runs and judges rightly: on the ball, with its own fill and the
coarsest height field. What it measures of time is not tested.
"""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

import compare
from ways import WAYS


@pytest.fixture(scope="module")
def ball(tmp_path_factory):
    """The body upright, its truth, and its folder."""
    folder = tmp_path_factory.mktemp("ball")
    upright = compare.make_body("ball", folder)
    to_upright = np.load(folder / "upright.npz")["to_upright"]
    return upright, compare.ball_truth(upright, to_upright), folder


def test_the_truth_is_that_of_the_round_ball_but_for_its_facets(ball):
    """Closed form: pi h^3 / 3 with h = 4.5 (a column less the part of the ball in it). The 64-gon's
    area is 0.99839 of the circle's; rings at other heights than the equator add as little.
    """
    _, truth, folder = ball
    axis = np.load(folder / "upright.npz")["to_upright"][:2, 3]  # the file's stands on (0, 0)
    assert truth.volume_mm3 == pytest.approx(math.pi * 4.5**3 / 3.0, rel=0.005)
    radius_mm = np.hypot(*(truth.wall_points[:, :2] - axis).T)
    # no ring need lie at the equator: the widest is at most half a ring's angle off it
    ring_deg = (90.0 + math.degrees(math.asin(0.9))) / 28
    widest_mm = 5.0 * math.cos(math.radians(ring_deg / 2.0))
    assert radius_mm.max() <= 5.0
    assert radius_mm.min() >= widest_mm * math.cos(math.pi / 64)


def test_a_wall_moved_aside_is_measured_as_far_as_it_was_moved(ball):
    """A round wall moved by s lies |s cos a| off its place: 2 s / pi on average (closed form)."""
    upright, truth, _ = ball
    points, faces = WAYS["prisms"].run(upright)
    there = compare.judged((points, faces), truth)
    assert abs(there["volume_error"]) < 1e-6
    assert there["wall_95_um"] < 0.01
    assert there["solid"]
    assert there["closed_by_trimesh"]
    # 1 mm under the equator the wax is 0.1 mm thick, and its other side is never the nearer one
    low = truth.wall_points[truth.wall_points[:, 2] < truth.wall_points[:, 2].max() - 1.0]
    moved = compare.judged(
        (points + np.array([0.05, 0.0, 0.0]), faces), replace(truth, wall_points=low)
    )
    assert moved["wall_mean_um"] == pytest.approx(2.0 * 50.0 / math.pi, rel=0.02)
    assert moved["wall_95_um"] == pytest.approx(50.0, rel=0.02)
    opened = compare.judged((points, faces[1:]), truth)
    assert not opened["solid"]
    assert not opened["closed_by_trimesh"]


def test_it_runs_and_its_numbers_are_sane():
    said: list[str] = []
    own, heights = compare.compare("ball", ["own", "heights-0.1"], limit_s=120, told=said.append)
    for one in (own, heights):
        assert one.failed == ""
        assert one.solid
        assert one.closed_by_trimesh
        assert 0.0 < one.cpu_s < 120.0
        assert 20.0 < one.peak_mb < 4000.0
    assert own.wall_95_um < 0.01
    assert abs(own.volume_error) < 1e-6
    # a wall somewhere in a cell, drawn across it: a third of the cell off on average
    assert 10.0 < heights.wall_mean_um < 60.0
    assert 1e-4 < abs(heights.volume_error) < 0.05
    rows = compare.table([own, heights]).splitlines()
    assert len(rows) == 4
    assert "height field, 0.1 mm" in rows[3]
    told = compare.verdict([own, heights])
    assert "first on wall error: yes" in told
    assert told.endswith("time over own: none.")


def test_a_way_that_does_not_come_through_is_said(ball):
    _, _, folder = ball
    outcome = compare.tried("ball", "prisms", folder, limit_s=0.05)
    assert outcome.failed == "not done in 0 s"
    assert "not done" in compare.table([compare.Outcome("ball", "own", "own", 1, 1, 1), outcome])
