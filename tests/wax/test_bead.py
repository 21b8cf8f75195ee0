"""Beads: volumes by closed form, fading, spared places, laws, and where none belongs."""

from __future__ import annotations

import itertools
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from bodies import ball, cast_of
from invariants import assert_contains, assert_solid, assert_within, distance_to_mm
from pydantic import ValidationError

sys.path.insert(0, str(Path(__file__).parents[1] / "drawn"))
from patches import cast_over, cylinder, patch, plane

from blockout.case.relief_settings import BeadSettings
from blockout.errors import InputError
from blockout.kernel.solids import Solid
from blockout.mesh import Mesh
from blockout.wax.bead import bead_bulk

STRAIGHT = [(-6.0, 0.0, 0.0), (6.0, 0.0, 0.0)]


def level_cast(arch="upper"):
    surface = patch(plane, u=(-10.0, 10.0), v=(-6.0, 6.0), steps=(43, 29))
    return cast_over(surface, floor_mm=-8.0, arch=arch)


def groove_of(cast, bulk):
    """What the bead takes away; with the model's side of it checked."""
    stone = Solid.from_mesh(cast.mesh)
    taken, left = (bulk.solid ^ stone).mesh(), (stone - bulk.solid).mesh()
    assert_solid(taken)
    assert_solid(left)
    assert left.volume_mm3 + taken.volume_mm3 == pytest.approx(cast.mesh.volume_mm3, rel=1e-9)
    return taken


@pytest.mark.parametrize("radius_mm", [0.25, 0.375, 0.5])
def test_a_half_round_bead_on_a_plane(radius_mm):
    """Closed form: V = pi r^2 L / 2."""
    cast = level_cast()
    settings = BeadSettings(
        line=STRAIGHT, width_mm=2.0 * radius_mm, depth_mm=radius_mm, fade_mm=0.0
    )
    bulk = bead_bulk(cast, settings)
    taken = groove_of(cast, bulk)
    exact = np.pi * radius_mm**2 * 12.0 / 2.0
    assert taken.volume_mm3 == pytest.approx(exact, rel=1e-6)
    assert bulk.level_volume_mm3 == pytest.approx(exact, rel=1e-9)
    assert taken.bounds_mm[0, 2] == pytest.approx(-radius_mm, abs=1.5e-3 * radius_mm)
    assert_within(np.ptp(taken.vertices, axis=0)[:2], np.array([12.0, 2.0 * radius_mm]), 0.002)
    # its section is round: points lie on the cylinder but for the polygon's bulge
    low = taken.vertices[taken.vertices[:, 2] < -1e-6]
    assert_within(np.hypot(low[:, 1], low[:, 2]), radius_mm, 0.003 * radius_mm)


def test_a_v_bead_on_a_plane():
    """Closed form: half of width times depth times length."""
    cast = level_cast()
    bulk = bead_bulk(
        cast, BeadSettings(line=STRAIGHT, section="v", width_mm=1.0, depth_mm=0.7, fade_mm=0.0)
    )
    assert groove_of(cast, bulk).volume_mm3 == pytest.approx(0.5 * 0.7 * 12.0, rel=1e-9)


def test_a_bead_fades_at_its_ends_and_over_a_marked_place():
    """Closed form: width and depth both fall evenly, so the section falls with the square: a fade
    of length f counts for f / 3 (less the last 2 %: 8e-6 of that).
    """
    cast = level_cast()
    area = np.pi / 4.0 * 0.8 * 0.5
    plain = BeadSettings(line=STRAIGHT, width_mm=0.8, depth_mm=0.5, fade_mm=2.0)
    bulk = bead_bulk(cast, plain)
    assert groove_of(cast, bulk).volume_mm3 == pytest.approx(area * (8.0 + 4.0 / 3.0), rel=1e-4)
    assert bulk.level_volume_mm3 == pytest.approx(area * (8.0 + 4.0 / 3.0), rel=1e-4)
    spared = plain.model_validate(
        plain.model_dump() | {"spared": [{"place": (0.5, 0.4, 0.0), "reach_mm": 0.5}]}
    )
    broken = bead_bulk(cast, spared)
    taken = groove_of(cast, broken)
    # 5.0 mm of it are changed about x = 0.5: 1 mm is spared and 2 mm fade to each side
    exact = area * (8.0 + 4.0 / 3.0 - 5.0 + 4.0 / 3.0)
    assert taken.volume_mm3 == pytest.approx(exact, rel=1e-4)
    assert len(np.unique(taken.face_components())) == 2
    assert (np.abs(taken.vertices[:, 0] - 0.5) > 0.5).all()
    depth = -taken.vertices[:, 2]
    room = np.minimum(6.0 - np.abs(taken.vertices[:, 0]), np.abs(taken.vertices[:, 0] - 0.5) - 0.5)
    assert (depth <= 0.5 * np.clip(room / 2.0, 0.0, 1.0) * 1.002 + 1e-6).all()


def test_a_bead_is_as_deep_as_asked_along_a_curved_surface():
    radius_mm = 8.0
    shape = cylinder(-radius_mm)
    surface = patch(shape, u=(-1.2, 1.2), v=(-8.0, 8.0), steps=(100, 80))
    cast = cast_over(surface, floor_mm=-14.0, arch="upper")
    angle = np.linspace(-0.8, 0.8, 7)
    line = shape(angle, np.linspace(-4.0, 4.0, 7))
    bulk = bead_bulk(cast, BeadSettings(line=line.tolist(), width_mm=0.8, depth_mm=0.5))
    taken = groove_of(cast, bulk)
    # closed form for a level surface; a hollow one rises beside the line by w^2 / 8R = 10 um
    rise = 0.8**2 / 8.0 / radius_mm
    assert taken.volume_mm3 == pytest.approx(bulk.level_volume_mm3, rel=1.5 * rise / 0.5 + 0.005)
    deepest = np.hypot(taken.vertices[:, 0], taken.vertices[:, 2]).max() - radius_mm
    assert deepest == pytest.approx(0.5, abs=0.003)
    assert bulk.notes == ()


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_a_bead_is_open_above_where_tissue_rises_beside_its_line(side):
    """Closed form: half the ellipse, and under a rise a sin^2(pi x / w) over the half width w / 2
    to one side a quarter of a w more, times the length.
    """
    rise_mm, width_mm, depth_mm = 0.3, 1.0, 0.5

    def beside(u, v):
        within = (side * u > 0.0) & (np.abs(u) < width_mm)
        return np.stack([u, v, within * rise_mm * np.sin(np.pi * u / width_mm) ** 2], axis=-1)

    surface = patch(beside, u=(-2.0, 2.0), v=(-4.0, 4.0), steps=(160, 8))
    cast = cast_over(surface, floor_mm=-6.0, arch="upper")
    line = [(0.0, -3.0, 0.0), (0.0, 3.0, 0.0)]
    bulk = bead_bulk(
        cast, BeadSettings(line=line, width_mm=width_mm, depth_mm=depth_mm, fade_mm=0.0)
    )
    exact = 6.0 * width_mm * (np.pi / 4.0 * depth_mm + rise_mm / 4.0)
    # 0.1 % wider than the ellipse, as its polygon is; facets of the rise
    assert groove_of(cast, bulk).volume_mm3 == pytest.approx(exact, rel=4e-3)


def test_wider_or_deeper_never_takes_less():
    body = ball(9.0, subdivisions=5)
    cast = replace(cast_of(body), arch="upper")
    line = [(-4.0, 0.5, 8.0), (0.0, -0.5, 9.0), (4.0, 0.5, 8.0)]
    taken = [
        groove_of(cast, bead_bulk(cast, BeadSettings(line=line, width_mm=w, depth_mm=d)))
        for w, d in [(0.5, 0.5), (0.8, 0.5), (0.8, 0.9)]
    ]
    for small, large in itertools.pairwise(taken):
        assert large.volume_mm3 > small.volume_mm3
        assert_contains(large, small, slack_mm3=1e-5)
    assert distance_to_mm(body, taken[-1].vertices).max() <= 0.9 + 0.003


def test_a_bead_belongs_on_an_upper_cast():
    asked = BeadSettings(line=STRAIGHT)
    with pytest.raises(InputError) as caught:
        bead_bulk(level_cast("lower"), asked)
    said = str(caught.value)
    assert "on a lower cast" in said
    assert "on_lower = true" in said
    assumed = replace(level_cast("lower"), arch_stated=False)
    with pytest.raises(InputError, match="arch not stated, lower assumed"):
        bead_bulk(assumed, asked)
    allowed = bead_bulk(level_cast("lower"), asked.model_copy(update={"on_lower": True}))
    assert allowed.solid.volume_mm3 > 0.0
    assert allowed.notes == ("a bead on a lower cast, as asked",)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"line": [(0, 0, 0), (0, 0, 3)]}, "is not on the surface"),
        ({"line": [(8, 0, 0), (10, 0, -1.2)]}, "onto the base"),
        ({"line": STRAIGHT, "spared": [{"place": (0, 5, 0)}]}, "not on the bead"),
        ({"line": STRAIGHT, "spared": [{"place": (0, 0, 0), "reach_mm": 9}]}, "nothing is left"),
        (
            {"line": [(-1, 0, 0), (0, 0.25, 0), (-1, 0.5, 0)], "width_mm": 1.5, "fade_mm": 0.0},
            "bends too sharply",
        ),
    ],
)
def test_what_cannot_be_is_refused_with_words(asked, words):
    with pytest.raises(InputError, match=words):
        bead_bulk(level_cast(), BeadSettings(**asked))


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({}, "line"),
        ({"line": STRAIGHT[:1]}, "at least 2 items"),
        ({"line": STRAIGHT, "width_mm": 3.0}, "less than or equal to 2"),
        ({"line": STRAIGHT, "section": "square"}, "'round' or 'v'"),
    ],
)
def test_settings_that_make_no_sense_are_refused(asked, words):
    with pytest.raises(ValidationError, match=words):
        BeadSettings(**asked)


def test_unusual_sizes_and_short_beads_are_said():
    bulk = bead_bulk(
        level_cast(), BeadSettings(line=[(-2, 0, 0), (2, 0, 0)], width_mm=1.2, depth_mm=0.3)
    )
    assert len(bulk.notes) == 3
    assert "1.2 mm wide, usually 0.5 to 1.0 mm" in bulk.notes[0]
    assert "0.3 mm deep" in bulk.notes[1]
    assert "fades from both ends" in bulk.notes[2]


def test_a_bead_on_noise_takes_what_it_takes_on_smooth_tissue():
    surface = patch(plane, u=(-10.0, 10.0), v=(-6.0, 6.0), steps=(80, 48))
    rng = np.random.default_rng(6)
    noise = rng.normal(scale=0.01, size=(len(surface.vertices), 1)) * [0.0, 0.0, 1.0]
    rough = cast_over(Mesh(surface.vertices + noise, surface.faces), floor_mm=-8.0, arch="upper")
    bulk = bead_bulk(rough, BeadSettings(line=STRAIGHT, width_mm=0.8, depth_mm=0.6))
    assert groove_of(rough, bulk).volume_mm3 == pytest.approx(bulk.level_volume_mm3, rel=0.03)
