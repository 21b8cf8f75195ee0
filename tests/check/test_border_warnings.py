"""Borders of major connectors beside margins that are known circles, and real ones."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from ball_tooth import PlainCrown, PlainTeeth
from bodies import ball_on_plate, cast_of
from said import assert_near, assert_said
from sample_arch import known_arch
from scipy.spatial.distance import cdist

from blockout.case import border_settings
from blockout.case.border_settings import BorderSettings
from blockout.case.prescription import Prescription
from blockout.case.relief_settings import BeadSettings, ReliefSettings
from blockout.cast.cast import Cast
from blockout.cast.scan import read_scan
from blockout.check.border_warnings import border_gaps, border_warnings
from blockout.check.margins import margin_gap
from blockout.drawn.curve import surface_curve
from blockout.mesh import Floats
from blockout.samples.prescriptions import demo_case
from blockout.samples.scenario import LOWER
from blockout.teeth.margin import outlines_around
from blockout.teeth.named import teeth_of

CASTS = Path(__file__).parents[2] / "../shared/casts"
RADIUS_MM = 4.0
"""The ball of radius 5 about z = 3 meets the plate z = 0 in a circle of radius 4."""
Place = tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Line:
    """A crown of which only the margin is known."""

    number: int
    margin_mm: Floats


@dataclass(frozen=True, eq=False)
class Lines:
    crowns: tuple[Line, ...]


@pytest.fixture(scope="module")
def cast() -> Cast:
    body, scanned = ball_on_plate(radius_mm=5.0, equator_mm=3.0, around=64, plate_mm=14.0)
    return cast_of(body, scanned=scanned)


@pytest.fixture(scope="module")
def teeth(cast: Cast) -> PlainTeeth:
    """46 with the circle for its margin; 47 far away."""
    angle = np.linspace(0.0, 2.0 * np.pi, 96, endpoint=False)
    ring = RADIUS_MM * np.column_stack([np.cos(angle), np.sin(angle), 0.0 * angle])
    none = np.zeros(0, dtype=np.int64)
    crowns = [PlainCrown(46, none, ring, np.eye(3), np.zeros(3))]
    crowns.append(PlainCrown(47, none, ring - np.array([40.0, 0.0, 0.0]), np.eye(3), np.zeros(3)))
    return PlainTeeth(cast, tuple(crowns))


def across(off_mm: float) -> tuple[Place, ...]:
    """Points of a straight line on the plate, ``off_mm`` from the circle."""
    y = RADIUS_MM + off_mm
    return tuple((x, y, 0.0) for x in (-4.0, -1.0, 2.0, 5.0))


def bar(off_mm: float, **more: object) -> Prescription:
    relief = {
        "over": "lingual bar",
        "upper_border": across(off_mm),
        "lower_border": across(off_mm + 4.0),
    }
    return Prescription(relief=(ReliefSettings.model_validate(relief | more),))


def beads(*off_mm: float) -> Prescription:
    return Prescription(
        bead=tuple(BeadSettings(name=f"bead {k}", line=across(y)) for k, y in enumerate(off_mm))
    )


@pytest.mark.parametrize("off_mm", [0.5, 2.0, 5.0])
def test_the_distance_is_that_between_line_and_circle(
    cast: Cast, teeth: PlainTeeth, off_mm: float
) -> None:
    ((name, gap),) = border_gaps(cast, teeth, bar(off_mm))
    assert name == "upper border of the lingual bar"
    # the ring has a corner at the circle's top, of 3.75 degrees: following it in steps of 0.05 mm
    # may pass by it at 0.8 um
    assert gap.distance_mm == pytest.approx(off_mm, abs=0.05**2 / (8 * off_mm) + 8.5e-4)
    assert gap.tooth == 46
    assert_near(gap.line_at_mm, (0.0, RADIUS_MM + off_mm, 0.0), 0.2)
    assert_near(gap.margin_at_mm, (0.0, RADIUS_MM, 0.0), 0.2)


def test_a_lower_bar_keeps_three_millimetres(cast: Cast, teeth: PlainTeeth) -> None:
    assert border_warnings(cast, teeth, bar(3.02)) == ()
    (warning,) = border_warnings(cast, teeth, bar(2.97))
    assert_said(
        warning, "border_near_margin",
        "upper border of the lingual bar", "2.97 mm", "margin of tooth 46", "under 3 ",
        "3 or 4 mm, sources differ", "move it away",
    )  # fmt: skip
    assert_near(warning.places_mm[0], (0.0, RADIUS_MM + 2.97, 0.0), 0.2)
    assert_near(warning.places_mm[1], (0.0, RADIUS_MM, 0.0), 0.2)


def test_an_upper_border_keeps_six_millimetres(cast: Cast, teeth: PlainTeeth) -> None:
    upper = replace(cast, arch="upper")
    assert border_warnings(upper, teeth, beads(6.03, 8.0)) == ()
    (warning,) = border_warnings(upper, teeth, beads(6.03, 5.96))
    assert_said(
        warning, "border_near_margin",
        "border along the bead 1", "5.96 mm", "tooth 46", "under 6 ", "keeps 6 mm", "move it away",
    )  # fmt: skip
    # the same line on a lower cast is far enough
    assert border_warnings(cast, teeth, beads(5.96)) == ()


def test_either_end_of_what_sources_say_may_be_asked_for(cast: Cast, teeth: PlainTeeth) -> None:
    four = BorderSettings(lower_from_margin_mm=4.0)
    assert border_warnings(cast, teeth, bar(3.5)) == ()
    assert len(border_warnings(cast, teeth, bar(3.5), settings=four)) == 1
    assert border_warnings(cast, teeth, bar(4.02), settings=four) == ()
    # published: 6 mm; 3 or 4 mm
    defaults = {parameter.name: parameter.default for parameter in border_settings.ALL}
    assert defaults == {"upper_from_margin_mm": 6.0, "lower_from_margin_mm": 3.0}


def test_only_a_lingual_bar_s_upper_border_is_a_border(cast: Cast, teeth: PlainTeeth) -> None:
    outline = (*across(1.0), (5.0, 9.0, 0.0), (-4.0, 9.0, 0.0))
    zone = ReliefSettings(over="outline", outline=outline, thickness_mm=0.3)
    assert border_gaps(cast, teeth, Prescription(relief=(zone,))) == ()
    assert border_gaps(cast, teeth, Prescription()) == ()
    named = border_warnings(cast, teeth, bar(2.0, name="front bar"))
    assert "The upper border of the front bar comes" in named[0].message


def test_without_teeth_there_is_nothing_to_measure_to(cast: Cast, teeth: PlainTeeth) -> None:
    assert border_warnings(cast, None, bar(1.0)) == ()
    assert border_warnings(cast, replace(teeth, crowns=()), bar(1.0)) == ()


def test_an_assumed_arch_is_said_to_be_assumed(cast: Cast, teeth: PlainTeeth) -> None:
    assumed = replace(cast, arch_stated=False)
    (warning,) = border_warnings(assumed, teeth, bar(2.0))
    assert_said(warning, "border_near_margin", "under 3 ", "lower arch assumed", "--arch upper")
    assert "assumed" not in border_warnings(cast, teeth, bar(2.0))[0].message


def test_on_the_demo_s_arch_the_nearest_tooth_and_place_are_named() -> None:
    """The demo's bar on a coarser cast of the same arch, and the same bar moved up and down."""
    cast = known_arch(replace(LOWER.plan, spacing_mm=0.5)).cast
    case = demo_case(LOWER, file="scan.stl")
    teeth = teeth_of(cast, case.teeth)
    assert teeth is not None
    ((name, asked),) = border_gaps(cast, teeth, case)
    assert name == "upper border of the lingual bar"
    assert len(border_warnings(cast, teeth, case)) == (asked.distance_mm < 2.995)
    bar = surface_curve(cast.mesh, case.relief[0].upper_border).points_mm
    for up_mm in (-1.0, 0.0, 1.5):
        line = bar + up_mm * cast.frame.up
        gap = margin_gap(line, teeth)
        assert gap is not None
        least = {
            crown.number: float(cdist(_dense(line), _dense(crown.margin_mm, ring=True)).min())
            for crown in teeth.crowns
        }
        assert gap.tooth == min(least, key=lambda number: least[number])
        assert gap.distance_mm == pytest.approx(min(least.values()), abs=0.01)
        of_one = margin_gap(line, teeth, tooth=35)
        assert of_one is not None
        assert of_one.distance_mm == pytest.approx(least[35], abs=0.01)
        assert (gap == asked) == (up_mm == 0.0)
    assert margin_gap(bar, teeth, tooth=36) is None


def _dense(line: Floats, *, ring: bool = False, steps: int = 8) -> Floats:
    """Points along a line, by a way of their own: equal shares of each piece."""
    ends = np.vstack([line, line[:1]]) if ring else line
    share = np.arange(steps)[None, :, None] / steps
    between = ends[:-1, None] + share * np.diff(ends, axis=0)[:, None]
    return np.vstack([between.reshape(-1, 3), ends[-1:]])


@pytest.mark.skipif(
    not CASTS.is_dir(), reason="the folder of real arches, ../shared/casts, is not here"
)
def test_beside_real_margins() -> None:
    """The true outlines of real crowns, from their labels; a border 2.5 mm off one of them."""
    scan = read_scan(CASTS / "lower_partial_open.ply").mesh
    tooth = np.load(CASTS / "lower_partial_open_labels.npz")["tooth"]
    assert len(tooth) == len(scan.vertices)
    margins = {}
    for number in (31, 32, 41, 42, 43):
        lines = [line for line, _ in outlines_around(scan, tooth == number)]
        margins[number] = max(lines, key=len)
    teeth = Lines(tuple(Line(number, line) for number, line in margins.items()))
    # file: +z is occlusal and +y anterior, so the tongue's side is -y
    near = margins[41][margins[41][:, 1].argmin()]
    line = near + np.array([0.0, -1.5, -2.0]) + np.outer(np.linspace(-7, 7, 8), [1.0, 0.0, 0.0])
    gap = margin_gap(line, teeth)
    assert gap is not None
    least = {
        number: cdist(_dense(line), _dense(one, ring=True)).min() for number, one in margins.items()
    }
    assert gap.tooth == min(least, key=lambda number: least[number])
    assert gap.distance_mm == pytest.approx(min(least.values()), abs=0.01)
    assert gap.distance_mm <= 2.5 + 1e-9
