"""Laws of every kind of wax, on random bodies: a squashed and turned ball in a plate, which stands
for a tooth, with other bodies about it.

A body that a kind of wax cannot be laid on is refused with a place. That is an answer, but not to
most: each law says how many bodies it was tried on in earnest; half of them is the least, and a
third where all kinds are laid on one.
"""

from __future__ import annotations

import itertools
import sys
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "arms"))

from ball_tooth import PlainCrown, PlainTeeth
from bodies import ball, box, cast_of, moved_cast, surveyed, turn_about, united
from hypothesis import given, settings
from hypothesis import strategies as st
from invariants import assert_apart, assert_contains, assert_solid, distance_to_mm, joined_mm3
from made_arm import arm_of
from random_casts import tilts

from blockout.arms.arm import Arm
from blockout.arms.wall import LocalDepth
from blockout.case.arm_settings import LedgeSettings
from blockout.case.prescription import Prescription
from blockout.case.relief_settings import BeadSettings, ReliefSettings
from blockout.cast.cast import Cast
from blockout.errors import InputError
from blockout.kernel.rays import RayScene
from blockout.kernel.solids import Solid
from blockout.mesh import Floats, Mesh
from blockout.model.build import build_model
from blockout.surveying.survey import Survey
from blockout.wax.bead import bead_bulk
from blockout.wax.ledge import ledge_bulk
from blockout.wax.pour import Poured, pour
from blockout.wax.relief import relief_bulk
from blockout.wax.space import free_space
from blockout.wax.wax import Wax

few = settings(max_examples=10)
FILM_MM = 0.002
"""A window reaches this far under the level of its ledge's shelf, so that no wax is between."""


# --- bodies, and places on them ------------------------------------------------------------------
@dataclass(frozen=True, eq=False, repr=False)
class Body:
    """A cast, and the ball on it that stands for a tooth: its middle and half its height."""

    cast: Cast
    middle: Floats
    half_mm: float
    tooth: Mesh

    def __repr__(self) -> str:
        return f"a body of {self.cast.mesh.triangle_count} facets"

    def _repr_pretty_(self, printer: Any, cycle: bool) -> None:
        printer.text(repr(self))

    @property
    def teeth(self) -> Any:
        """The ball as the tooth room would give it, without a known margin."""
        off_mm = distance_to_mm(self.tooth, self.cast.mesh.vertices)
        face = np.flatnonzero((off_mm[self.cast.mesh.faces] < 1e-6).all(axis=1))
        crown = PlainCrown(46, face, np.zeros((0, 3)), np.eye(3), self.middle)
        return PlainTeeth(self.cast, (crown,))

    def under(self, plan: Any) -> list[list[float]]:
        """Places seen from above at (x, y)."""
        start = np.column_stack([np.array(plan), np.full(len(plan), 30.0)])
        down = np.array([0.0, 0.0, -1.0])
        reach = RayScene(self.cast.mesh).first_hit(start, down).distance_mm
        places: list[list[float]] = (start + reach[:, None] * down).tolist()
        return places

    def round_tooth(self, level: float, from_deg: float, span_deg: float, count: int) -> Floats:
        """Places round the ball, ``level`` of half its height over its middle, seen from
        outside.
        """
        turn = np.radians(from_deg + np.linspace(0.0, span_deg, count))
        out = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(count)])
        start = self.middle + [0.0, 0.0, level * self.half_mm] + 4.0 * out
        reach = RayScene(self.cast.mesh).first_hit(start, -out).distance_mm
        return start - reach[:, None] * out


@st.composite
def bodies(draw: st.DrawFn, arch: str = "lower") -> Body:
    width = [draw(st.floats(2.0, 3.0)) for _ in range(3)]
    middle = np.array([draw(st.floats(-0.5, 0.5)), draw(st.floats(-0.5, 0.5)), 0.0])
    lean = turn_about([1.0, draw(st.floats(-1.0, 1.0)), 0.0], draw(st.floats(-15.0, 15.0)))
    round_ = ball(1.0, subdivisions=2)
    tooth = Mesh((round_.vertices * width) @ lean.T + middle, round_.faces)
    parts = [box((-8.0, -8.0, -4.0), (8.0, 8.0, -1.5)), tooth]
    for _ in range(draw(st.integers(0, 2))):
        turn, far = np.radians(draw(st.floats(0.0, 360.0))), draw(st.floats(4.5, 5.5))
        size = [draw(st.floats(0.6, 1.2)) for _ in range(3)]
        part = box((-1.0, -1.0, -1.0), (1.0, 1.0, 1.0))
        if draw(st.booleans()):
            part = ball(1.0, subdivisions=1)
        roll = turn_about([1.0, 1.0, 0.5], draw(st.floats(0.0, 180.0)))
        place = [far * np.cos(turn), far * np.sin(turn), draw(st.floats(-1.5, 0.0))]
        parts.append(Mesh((part.vertices * size) @ roll.T + place, part.faces))
    body = united(parts)
    rim = np.abs(np.abs(body.corners[:, :, :2]) - 8.0).min(axis=2) < 1e-9
    base = rim.all(axis=1) & (body.face_centres[:, 2] < -1.5)
    base |= (np.abs(body.corners[:, :, 2] + 4.0) < 1e-9).all(axis=1)
    cast = cast_of(body, scanned=~base, floor_mm=-4.0, arch="upper" if arch == "upper" else "lower")
    return Body(cast, middle, width[2], tooth)


CIRCLE = np.column_stack([f(np.arange(8) * np.pi / 4.0) for f in (np.cos, np.sin)])
azimuths = st.floats(0.0, 360.0)
plans = st.tuples(st.floats(-5.0, 5.0), st.floats(-5.0, 5.0))


class Tally:
    """How many bodies were refused. A refusal has a place; all else goes on up."""

    def __init__(self) -> None:
        self.tried = self.refused = 0
        self.reasons: list[str] = []

    def __enter__(self) -> None:
        self.tried += 1

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> bool:
        if not isinstance(error, InputError):
            return False
        self.refused += 1
        self.reasons.append(str(error))
        return bool(error.places_mm)

    def assert_most_ran(self, *, of: float = 0.5) -> None:
        assert self.tried >= 5
        assert self.tried - self.refused >= of * self.tried, self.reasons


def taken(found: Survey, solid: Solid) -> Mesh:
    """The wax that a body comes to on its cast: a solid, apart from the cast, that adds up with it
    to the model.
    """
    cast, space = found.cast, free_space(found.cast, found.path)
    wax, left = space.take(space.stand(solid))
    model = build_model(left, [Wax("wax", "relief", wax, wax.volume_mm3)]).mesh
    assert_solid(wax)
    assert_solid(model)
    assert_apart(wax, cast.mesh, slack_mm3=1e-6)
    assert model.volume_mm3 == pytest.approx(cast.mesh.volume_mm3 + wax.volume_mm3, rel=1e-9)
    return wax


# --- ledges --------------------------------------------------------------------------------------
def arm_on(body: Body, found: Survey, level: float, from_deg: float, span_deg: float) -> Arm:
    lower = body.round_tooth(level, from_deg, span_deg, 40)
    depth_mm = LocalDepth(found, lower)(lower)
    return arm_of(lower, depth_mm=float(depth_mm[-1]), about_mm=body.middle.copy())


def test_ledges() -> None:
    """A wider shelf holds a narrower one, a level one holds a falling one, and a ledge reaches no
    further into its arm's window than the film by which they meet.
    """
    tally = Tally()

    @few
    @given(
        body=bodies(),
        tilt_deg=tilts,
        level=st.floats(-0.5, 0.1),
        from_deg=azimuths,
        span_deg=st.floats(50.0, 110.0),
        shelf_mm=st.tuples(st.floats(0.3, 0.8), st.floats(0.05, 0.6)),
        fall_deg=st.floats(0.5, 10.0),
    )
    def law(
        body: Body,
        tilt_deg: tuple[float, float],
        level: float,
        from_deg: float,
        span_deg: float,
        shelf_mm: tuple[float, float],
        fall_deg: float,
    ) -> None:
        found = surveyed(body.cast, tilt_deg=tilt_deg)
        with tally:
            arm = arm_on(body, found, level, from_deg, span_deg)
            plain, wide, falling = (
                ledge_bulk(found, arm, LedgeSettings(shelf_mm=shelf, fall_deg=fall))
                for shelf, fall in (
                    (shelf_mm[0], 0.0),
                    (sum(shelf_mm), 0.0),
                    (shelf_mm[0], fall_deg),
                )
            )
            for bulk in (plain, wide, falling):
                # within the tooth the shelf goes on by up to 0.7 mm
                film_mm3 = 1.1 * FILM_MM * (bulk.shelf_area_mm2 + 0.7 * arm.length_mm)
                assert (bulk.solid ^ bulk.window).volume_mm3 <= film_mm3
            wax, wider, less = (taken(found, bulk.solid) for bulk in (plain, wide, falling))
            assert less.volume_mm3 < wax.volume_mm3 < wider.volume_mm3
            assert_contains(wax, less, slack_mm3=1e-9)
            # a wider ledge is followed further past its ends, and has other facets there
            assert_contains(wider, wax, slack_mm3=2e-3 * wax.volume_mm3)

    law()
    tally.assert_most_ran()


# --- relief --------------------------------------------------------------------------------------
def test_relief() -> None:
    """A thicker sheet holds a thinner one, and a butt one a feathered one."""
    tally = Tally()

    @settings(max_examples=6)
    @given(
        body=bodies(),
        tilt_deg=tilts,
        at=plans,
        radius_mm=st.floats(0.6, 1.6),
        thickness_mm=st.tuples(st.floats(0.1, 0.5), st.floats(0.02, 0.3)),
        feather_mm=st.floats(0.2, 0.8),
    )
    def law(
        body: Body,
        tilt_deg: tuple[float, float],
        at: tuple[float, float],
        radius_mm: float,
        thickness_mm: tuple[float, float],
        feather_mm: float,
    ) -> None:
        ring = body.under(at + radius_mm * CIRCLE)
        found = surveyed(body.cast, tilt_deg=tilt_deg)
        with tally:
            thin, thick, feathered = (
                relief_bulk(
                    body.cast,
                    ReliefSettings(outline=ring, thickness_mm=t, edge=edge, feather_mm=feather_mm),
                )
                for t, edge in (
                    (thickness_mm[0], "butt"),
                    (sum(thickness_mm), "butt"),
                    (thickness_mm[0], "feather"),
                )
            )
            wax, thicker, less = (taken(found, bulk.solid) for bulk in (thin, thick, feathered))
            assert less.volume_mm3 < wax.volume_mm3 < thicker.volume_mm3
            # outer surfaces are facets, each sheet's its own
            facets_mm3 = 2e-3 * wax.volume_mm3
            assert_contains(wax, less, slack_mm3=facets_mm3)
            # in a sharp hollow the edge stands along normals evened out, the further the thicker:
            # there a thick sheet's edge lies otherwise
            if thick.sheet.smoothed_mm == 0.0:
                assert_contains(thicker, wax, slack_mm3=facets_mm3)

    law()
    tally.assert_most_ran()


# --- beads ---------------------------------------------------------------------------------------
def test_beads() -> None:
    """A deeper or wider bead takes away what a lesser one does, and more; cast less bead and bead
    are the cast.
    """
    tally = Tally()

    @few
    @given(
        body=bodies(arch="upper"),
        tilt_deg=tilts,
        at=plans,
        way=azimuths,
        length_mm=st.floats(1.5, 4.0),
        width_mm=st.tuples(st.floats(0.3, 0.8), st.floats(0.05, 0.4)),
        depth_mm=st.tuples(st.floats(0.2, 0.5), st.floats(0.05, 0.4)),
        section=st.sampled_from(["round", "v"]),
    )
    def law(
        body: Body,
        tilt_deg: tuple[float, float],
        at: tuple[float, float],
        way: float,
        length_mm: float,
        width_mm: tuple[float, float],
        depth_mm: tuple[float, float],
        section: str,
    ) -> None:
        ahead = np.array([np.cos(np.radians(way)), np.sin(np.radians(way))])
        line = body.under(at + length_mm * np.linspace(-0.5, 0.5, 4)[:, None] * ahead)
        found = surveyed(body.cast, tilt_deg=tilt_deg)
        space = free_space(body.cast, found.path)
        with tally:
            carved = []
            for width, depth in (
                (width_mm[0], depth_mm[0]),
                (sum(width_mm), depth_mm[0]),
                (width_mm[0], sum(depth_mm)),
            ):
                bead = BeadSettings(
                    line=line, width_mm=width, depth_mm=depth, fade_mm=0.5, section=section
                )
                bulk = bead_bulk(body.cast, bead)
                groove, left = space.carve(space.stand(bulk.solid))
                model = build_model(
                    left, [], grooves=[Wax("bead", "bead", groove, groove.volume_mm3)]
                ).mesh
                assert_solid(groove)
                assert_solid(model)
                assert_contains(body.cast.mesh, groove, slack_mm3=1e-6)
                assert_apart(model, groove, slack_mm3=1e-6)
                assert model.volume_mm3 + groove.volume_mm3 == pytest.approx(
                    body.cast.mesh.volume_mm3, rel=1e-9
                )
                carved.append(groove)
            plain, wider, deeper = carved
            assert plain.volume_mm3 < wider.volume_mm3
            assert plain.volume_mm3 < deeper.volume_mm3
            # over an edge the sections lean together, and deep down cross by a hair
            assert_contains(deeper, plain, slack_mm3=1e-4 * plain.volume_mm3)
            # frames are evened out over the width, so a wider bead leans otherwise on an edge
            assert_contains(wider, plain, slack_mm3=0.01 * plain.volume_mm3)

    law()
    tally.assert_most_ran()


# --- arbitrary blockout --------------------------------------------------------------------------
@pytest.mark.long
@settings(max_examples=6)
@given(
    body=bodies(),
    tilt_deg=tilts,
    cut=st.floats(-2.0, 2.0),
    way=azimuths,
    draft_deg=st.tuples(st.floats(0.3, 6.0), st.floats(0.3, 4.0)),
)
def test_arbitrary_blockout(
    body: Body,
    tilt_deg: tuple[float, float],
    cut: float,
    way: float,
    draft_deg: tuple[float, float],
) -> None:
    """It fills what parallel blockout was kept out of, and more draft holds less."""
    found = surveyed(body.cast, tilt_deg=tilt_deg)
    zone = half(body, cut, way)

    def blocked(draft: float | None) -> Poured:
        outside = {} if draft is None else {"keep_out": [zone]}
        return pour(
            found,
            Prescription(parallel=outside, arbitrary={"draft_deg": draft or 0.0}),
            None,
        )

    whole, straight, some, more = (blocked(d) for d in (None, 0.0, *np.cumsum(draft_deg)))
    for poured in (straight, some, more):
        assert_poured(body.cast, poured)
    assert volume_mm3(straight.waxes) == pytest.approx(volume_mm3(whole.waxes), rel=1e-6)
    own = [
        next((wax.mesh for wax in poured.waxes if wax.kind == "arbitrary"), None)
        for poured in (straight, some, more)
    ]
    if own[0] is not None:
        for inner, outer in itertools.pairwise(own):
            assert_contains(outer, inner, slack_mm3=1e-6)


# --- all of it at once ---------------------------------------------------------------------------
def half(body: Body, cut: float, way: float) -> list[list[float]]:
    """An outline on the plate about all that lies beyond a line, seen from above."""
    corners = np.array([[cut, -5.2], [5.2, -5.2], [5.2, 5.2], [cut, 5.2]])
    turn = np.radians(way)
    flat = corners @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    return [[float(x), float(y), -1.5] for x, y in flat]


def volume_mm3(waxes: tuple[Wax, ...]) -> float:
    return sum(wax.volume_mm3 for wax in waxes)


def assert_poured(cast: Cast, poured: Poured) -> Mesh:
    """Parts are solids, apart from each other and from the cast less its beads; windows are free;
    and joined they are as large as apart.
    """
    model = build_model(poured.left, poured.waxes, grooves=poured.grooves).mesh
    assert_solid(model)
    expected_mm3 = cast.mesh.volume_mm3 + volume_mm3(poured.waxes) - volume_mm3(poured.grooves)
    # specks of wax that are dropped from a part stay in the model
    assert model.volume_mm3 == pytest.approx(expected_mm3, rel=1e-6)
    carved = Solid.from_mesh(cast.mesh)
    for groove in poured.grooves:
        assert_solid(groove.mesh)
        assert_contains(cast.mesh, groove.mesh, slack_mm3=1e-6)
        carved = carved - Solid.from_mesh(groove.mesh)
    parts = {wax.name: wax for wax in poured.waxes if wax.mesh is not None}
    for wax in parts.values():
        assert_solid(wax.mesh)
        assert_apart(wax.mesh, carved.mesh(), slack_mm3=1e-5)
    for one, other in itertools.combinations(parts.values(), 2):
        assert_apart(one.mesh, other.mesh, slack_mm3=1e-5)
    for arm, ledge in zip(poured.arms, poured.ledges, strict=True):
        own = f"ledge-{ledge.name.replace(' ', '-')}"
        for name, wax in parts.items():
            film_mm3 = 1.1 * FILM_MM * (ledge.shelf_area_mm2 + 0.7 * arm.length_mm)
            shared_mm3 = (Solid.from_mesh(wax.mesh) ^ ledge.window).volume_mm3
            assert shared_mm3 <= (film_mm3 if name == own else 1e-6), name
    whole_mm3 = joined_mm3([carved.mesh(), *(wax.mesh for wax in parts.values())])
    assert whole_mm3 == pytest.approx(expected_mm3, rel=1e-6)
    return model


@pytest.mark.long
def test_a_whole_pour() -> None:
    """All kinds of wax on one cast; turning cast and path together changes no volume of any."""
    tally = Tally()

    @settings(max_examples=5)
    @given(
        body=bodies(arch="upper"),
        tilt_deg=tilts,
        level=st.floats(-0.45, -0.1),
        way=azimuths,
        span_deg=st.floats(60.0, 100.0),
        taper_deg=st.sampled_from([0.0, 3.0]),
        thickness_mm=st.floats(0.15, 0.4),
        axis=st.tuples(*[st.floats(-1.0, 1.0)] * 3).filter(lambda a: sum(v * v for v in a) > 0.1),
        angle_deg=st.floats(-180.0, 180.0),
    )
    def law(
        body: Body,
        tilt_deg: tuple[float, float],
        level: float,
        way: float,
        span_deg: float,
        taper_deg: float,
        thickness_mm: float,
        axis: tuple[float, float, float],
        angle_deg: float,
    ) -> None:
        def asked(turn: Floats) -> Prescription:
            def there(points: Any) -> list[list[float]]:
                return (np.array(points) @ turn.T).tolist()

            arms = [
                {
                    "tooth": 46, "aspect": aspect, "origin": "mesial", "role": role,
                    "width_mm": 0.8, "points": there(body.round_tooth(up, start, span_deg, 6)),
                }
                for aspect, role, up, start in (
                    ("buccal", "retentive", level, way),
                    ("lingual", "reciprocal", 0.25, way + 180.0),
                )
            ]  # fmt: skip
            turned = np.radians(way + 90.0)
            out = np.array([np.cos(turned), np.sin(turned)])
            aside = np.array([-out[1], out[0]])
            tangent = 4.6 * out + np.linspace(-1.5, 1.5, 4)[:, None] * aside
            return Prescription(
                parallel={"keep_out": [there(half(body, 0.5, way + 40.0))], "taper_deg": taper_deg},
                arm=arms,
                relief=[
                    {"outline": there(body.under(-3.5 * out + 1.0 * CIRCLE)),
                     "thickness_mm": thickness_mm},
                ],
                bead=[{"line": there(body.under(tangent)), "fade_mm": 0.5}],
            )  # fmt: skip

        def done(cast: Cast, turn: Floats) -> Poured:
            found = surveyed(cast, tilt_deg=tilt_deg)
            crown = body.teeth.crowns[0]
            moved = PlainCrown(46, crown.face, np.zeros((0, 3)), turn.T, turn @ crown.centre_mm)
            return pour(found, asked(turn), PlainTeeth(cast, (moved,)))

        with tally:
            here = done(body.cast, np.eye(3))
            assert_poured(body.cast, here)
            kinds = {wax.kind for wax in here.waxes if wax.mesh is not None}
            assert {"ledge", "relief"} <= kinds
            turn = turn_about(axis, angle_deg)
            there = done(moved_cast(body.cast, turn=turn, shift_mm=(0.0, 0.0, 0.0)), turn)
            for one, other in zip(
                here.waxes + here.grooves, there.waxes + there.grooves, strict=True
            ):
                assert one.name == other.name
                # a sheet is split where an edge is too long, which rounding decides among equals
                split = 1e-3 if "relief" in one.name else 1e-6
                assert other.volume_mm3 == pytest.approx(one.volume_mm3, rel=split, abs=1e-6)

    law()
    # a body must take an arm, a relief and a bead at once
    tally.assert_most_ran(of=1.0 / 3.0)
