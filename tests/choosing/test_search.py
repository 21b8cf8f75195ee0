"""The search: known best tilts, brute force, laws, and what is put on the list."""

from __future__ import annotations

import csv
import io
import json

import numpy as np
import pytest
from bodies import moved_cast, turn_about
from known_teeth import BallTooth, ball_depth_mm, balls_cast
from scipy.optimize import minimize

from blockout.case.choosing_settings import ChoosingSettings
from blockout.case.prescription import Prescription
from blockout.choosing.answer import choice_csv, choice_facts
from blockout.choosing.choose import choose_path
from blockout.choosing.factors import FACTORS, measure, score, total_of
from blockout.choosing.ground import choosing_ground
from blockout.choosing.ranking import flat_about, pareto_front
from blockout.choosing.search import search
from blockout.choosing.tilts import LEVEL, Tilt, around, hexagons, path_of, rim, tilt_of
from blockout.errors import InputError
from blockout.report.tilt_disk import tilt_picture, tilt_pictures
from blockout.teeth.crowns import Teeth

TEETH = [
    BallTooth(44, (12.0, -2.0, 0.0), (0.0, 1.0), (1.0, 0.0)),
    BallTooth(42, (4.0, 10.0, 0.5), (-1.0, 0.0), (0.0, 1.0)),
    BallTooth(34, (-12.0, -2.0, -0.5), (0.0, 1.0), (-1.0, 0.0)),
]
ARMS = (
    {"tooth": 44, "aspect": "buccal", "origin": "mesial", "role": "retentive", "undercut_mm": 1.2},
    {"tooth": 42, "aspect": "labial", "origin": "mesial", "role": "retentive", "undercut_mm": 1.0,
     "above_margin_mm": 1.6},
    {"tooth": 34, "aspect": "buccal", "origin": "distal", "role": "retentive", "undercut_mm": 1.4},
)  # fmt: skip
CASE = Prescription.model_validate({"arm": ARMS, "teeth": {"missing": (43, 41, 31, 32, 33)}})


@pytest.fixture(scope="module")
def three():
    return balls_cast(TEETH, subdivisions=3)


@pytest.fixture(scope="module")
def choice(three):
    cast, teeth = three
    return choose_path(choosing_ground(cast, teeth=teeth, prescription=CASE), places=1500)


def only(factor: str, **more) -> ChoosingSettings:
    keys = {name: f"{name.replace(' ', '_')}_weight" for name in FACTORS}
    return ChoosingSettings(**{keys[n]: 0.0 for n in FACTORS if n != factor}, **more)


# --- tilts ---------------------------------------------------------------------------------------
def test_tilts_are_told_in_hundredths_and_in_words_of_the_table():
    tilt = Tilt.of(3.456, -2.0)
    assert (tilt.anterior_deg, tilt.lateral_deg) == (3.46, -2.0)
    assert tilt.words == "front down 3.5, left side down 2.0"
    assert Tilt.of(-0.004, 0.003) == LEVEL
    assert LEVEL.words == "level"
    # oracle: two tilts square to each other add as their tangents do
    assert Tilt.of(10, 10).from_level_deg == pytest.approx(
        np.degrees(np.arctan(np.sqrt(2.0) * np.tan(np.radians(10.0))))
    )
    assert Tilt.of(0, 5).apart_deg(Tilt.of(0, -4)) == pytest.approx(9.0)


def test_the_grid_covers_the_disk_and_stays_in_it():
    grid = [*hexagons(15.0, 2.0), *rim(15.0, 2.0)]
    assert max(tilt.from_level_deg for tilt in grid) <= 15.0
    places = np.array([(t.lateral_deg, t.anterior_deg) for t in grid])
    anywhere = np.random.default_rng(3).uniform(-15.0, 15.0, (4000, 2))
    inside = np.hypot(*np.tan(np.radians(anywhere)).T) <= np.tan(np.radians(15.0))
    off = np.linalg.norm(anywhere[inside][:, None] - places[None], axis=2).min(axis=1)
    # the middle of a triangle of side 2 is 2 / sqrt 3 from its corners
    assert off.max() <= 2.0 / np.sqrt(3.0) + 0.02
    assert all(LEVEL.apart_deg(tilt) == pytest.approx(1.0, abs=0.02) for tilt in around(LEVEL, 1.0))


def test_a_direction_gives_back_the_tilt_it_was_made_of(three):
    cast, _ = three
    for tilt in (Tilt.of(3.21, -7.65), Tilt.of(-12, 4)):
        assert tilt_of(cast, path_of(cast, tilt).direction) == tilt


# --- the best path -------------------------------------------------------------------------------
def test_the_balanced_tilt_is_found_where_the_closed_form_has_it(three):
    """Three balls, each with its own asked depth: the best of the retention mark, from the closed
    form of every place's depth, maximised apart by another method.
    """
    cast, teeth = balls_cast(TEETH, subdivisions=5)
    settings = only("retention", count_tilt_made=True)
    ground = choosing_ground(cast, teeth=teeth, prescription=CASE, settings=settings)
    asked = np.array([site.asked_mm for site in ground.sites])

    def mark(tilts) -> float:
        lateral, anterior = np.tan(np.radians([tilts[1], tilts[0]]))
        direction = np.array([-lateral, -anterior, 1.0])
        direction /= np.linalg.norm(direction)
        offered = np.array(
            [
                ball_depth_mm(site.points_mm, tooth.centre_mm, direction).max()
                for site, tooth in zip(ground.sites, TEETH, strict=True)
            ]
        )
        lacking = np.maximum(asked - offered, 0.0)
        reach = np.minimum(offered / asked, 1.0).mean()
        mean = asked.mean()
        return 50.0 * reach + 50.0 * mean / (mean + np.ptp(lacking))

    grid = hexagons(15.0, 1.0)
    start = max(grid, key=lambda t: mark((t.anterior_deg, t.lateral_deg)))
    best = minimize(
        lambda t: -mark(t), (start.anterior_deg, start.lateral_deg), method="Nelder-Mead",
        options={"xatol": 1e-3, "fatol": 1e-6},
    )  # fmt: skip
    wanted = Tilt.of(*best.x)
    assert wanted.from_level_deg < 14.9
    found = search(ground.sampled(800)).best
    assert found.tilt.apart_deg(wanted) < 0.1
    assert found.total == pytest.approx(-best.fun, abs=0.3)
    direction = path_of(cast, found.tilt).direction
    for site, depth, tooth in zip(ground.sites, found.measures.retention.sites, TEETH, strict=True):
        own = ball_depth_mm(site.points_mm, tooth.centre_mm, direction).max()
        assert depth.offered_mm == pytest.approx(own, abs=0.005 + 0.002)


def test_a_scan_of_one_degree_never_beats_the_search_by_a_hundredth():
    within_deg = 15.0
    cast, teeth = balls_cast(TEETH, subdivisions=2)
    ground = choosing_ground(
        cast, teeth=teeth, prescription=CASE, settings=ChoosingSettings(within_deg=within_deg)
    ).sampled(1000)
    found = search(ground)
    level = measure(ground, [LEVEL])[0]
    tilts = hexagons(within_deg, 1.0)
    scan = [
        score(each, level, ground.settings).total
        for k in range(0, len(tilts), 32)
        for each in measure(ground, tilts[k : k + 32])
    ]
    assert max(scan) <= 1.01 * found.best.total
    assert all(each.tilt.from_level_deg <= within_deg + 1e-9 for each in found.scores)
    # every tilt is tried once
    assert len({each.tilt for each in found.scores}) == len(found.scores)


def test_turning_cast_and_path_together_changes_no_measure(three):
    cast, teeth = three
    turn = turn_about((2.0, -1.0, 0.5), 64.0)
    moved = moved_cast(cast, turn=turn, shift_mm=(-20.0, 5.0, 13.0))
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = turn, (-20.0, 5.0, 13.0)
    crowns = tuple(
        _moved_crown(crown, turn, np.array([-20.0, 5.0, 13.0])) for crown in teeth.crowns
    )
    again = Teeth(moved, crowns, teeth.tooth_of_face, teeth.tooth_of_vertex, teeth.curve)
    tilts = [LEVEL, Tilt.of(7, -5), Tilt.of(-11, 3)]
    for one, other in zip(
        measure(choosing_ground(cast, teeth=teeth, prescription=CASE), tilts),
        measure(choosing_ground(moved, teeth=again, prescription=CASE), tilts),
        strict=True,
    ):
        _assert_alike(one, other)


def test_the_mirrored_cast_is_the_same_with_the_lateral_tilt_turned_round(three):
    cast, teeth = three
    flip = np.diag([-1.0, 1.0, 1.0])
    mirrored = type(cast)(
        mesh=type(cast.mesh)(cast.mesh.vertices @ flip, cast.mesh.faces[:, ::-1]),
        scanned=cast.scanned.copy(), frame=cast.frame, arch=cast.arch, arch_stated=True,
        noise_mm=0.0, floor_mm=cast.floor_mm, source=cast.source,
    )  # fmt: skip
    crowns = tuple(_moved_crown(crown, flip, np.zeros(3)) for crown in teeth.crowns)
    again = Teeth(mirrored, crowns, teeth.tooth_of_face, teeth.tooth_of_vertex, teeth.curve)
    tilts = [Tilt.of(7, -5), Tilt.of(-4, 9)]
    turned = [Tilt.of(t.anterior_deg, -t.lateral_deg) for t in tilts]
    for one, other in zip(
        measure(choosing_ground(cast, teeth=teeth, prescription=CASE), tilts),
        measure(choosing_ground(mirrored, teeth=again, prescription=CASE), turned),
        strict=True,
    ):
        _assert_alike(one, other)


def _moved_crown(crown, turn, shift):
    from dataclasses import replace

    margin = replace(crown.margin, points_mm=crown.margin.points_mm @ turn.T + shift)
    return replace(
        crown,
        margin=margin,
        centre_mm=turn @ crown.centre_mm + shift,
        axes=crown.axes @ turn.T,
    )


def _assert_alike(one, other):
    assert [s.offered_mm for s in other.retention.sites] == pytest.approx(
        [s.offered_mm for s in one.retention.sites], abs=0.003
    )
    assert other.interferences.volume_mm3 == pytest.approx(one.interferences.volume_mm3, rel=1e-4)
    assert [g.angle_deg for g in other.guiding.guides] == pytest.approx(
        [g.angle_deg for g in one.guiding.guides], abs=1e-6
    )
    assert [g.parallel_height_mm for g in other.guiding.guides] == pytest.approx(
        [g.parallel_height_mm for g in one.guiding.guides], abs=0.02
    )
    assert other.appearance.line_share == pytest.approx(one.appearance.line_share, abs=0.003)
    assert other.appearance.gap_mm2 == pytest.approx(one.appearance.gap_mm2, rel=0.02)


# --- the list ------------------------------------------------------------------------------------
def test_the_list_is_ranked_has_the_level_path_and_its_paths_differ(choice):
    ranked = choice.ranking.candidates
    assert [each.number for each in ranked] == list(range(1, len(ranked) + 1))
    totals = [each.score.total for each in ranked]
    assert totals == sorted(totals, reverse=True)
    assert choice.ranking.level.tilt == LEVEL
    tilts = [each.tilt for each in ranked]
    for k, tilt in enumerate(tilts):
        for other in tilts[:k]:
            assert tilt.apart_deg(other) >= 2.0 - 1e-9
    assert "best total" in ranked[0].why
    assert choice.ranking.best.pareto
    assert choice.pick(2) == ranked[1].tilt
    with pytest.raises(InputError, match="the list has 1 to"):
        choice.pick(len(ranked) + 1)


def test_the_pareto_set_is_that_of_pairwise_comparison(choice):
    marks = np.array([list(each.marks.values()) for each in choice.searched.scores])
    kept = pareto_front(marks)
    slow = [not any((b >= a).all() and (b > a).any() for b in marks) for a in marks[:120]]
    assert kept[:120].tolist() == slow
    assert {each.tilt for each in choice.ranking.pareto} == {
        each.tilt for each, keep in zip(choice.searched.scores, kept, strict=True) if keep
    }


def test_level_is_judged_by_its_total_and_by_the_arms_that_fall_short(choice):
    ranking = choice.ranking
    best, level = ranking.best.score, ranking.level.score
    lacking = [
        sum(site.lacking_mm > 0.02 for site in each.measures.retention.counted)
        for each in (best, level)
    ]
    near = level.total >= 0.95 * best.total
    assert ranking.level_good_enough == (near and lacking[1] <= lacking[0])
    said = "Level is good enough" if ranking.level_good_enough else "Level is not good enough"
    assert ranking.level_reason.startswith(said)
    assert ranking.best_reason.startswith(f"Tilted {ranking.best.tilt.words} deg it has")


def test_a_flat_best_is_said_with_its_width():
    """Nothing but a plate: no tilt is better than another (closed form: no undercut at all)."""
    cast, _ = balls_cast([])
    found = choose_path(choosing_ground(cast, settings=ChoosingSettings(within_deg=5.0)))
    flat = found.ranking.flat
    assert flat.narrowest_deg > 9.0
    assert found.ranking.best.tilt == LEVEL
    assert found.ranking.level_good_enough
    assert any("the best is flat" in note for note in found.ranking.notes)
    assert found.ranking.best_reason.startswith("Level is the best path tried")


def test_the_width_of_a_cone_is_its_own():
    """Totals that fall straight with the distance from a tilt: within a share s of the top T the
    width is 2 s T / slope (closed form).
    """
    from types import SimpleNamespace

    top, slope, share = 80.0, 2.0, 0.05
    tilts = hexagons(15.0, 0.5)
    scores = [
        SimpleNamespace(
            tilt=t, total=top - slope * np.hypot(t.lateral_deg - 2.0, t.anterior_deg + 3.0)
        )
        for t in [*tilts, Tilt.of(-3.0, 2.0)]
    ]
    flat = flat_about(SimpleNamespace(scores=scores), Tilt.of(-3.0, 2.0), share)
    width = 2.0 * share * top / slope
    assert flat.widest_deg == pytest.approx(width, abs=0.25)
    assert flat.narrowest_deg == pytest.approx(width, abs=0.25)
    assert flat.anterior_deg == pytest.approx((-3.0 - width / 2, -3.0 + width / 2), abs=0.2)


def test_weights_are_plain_numbers_and_a_factor_without_ground_is_left_out():
    settings = ChoosingSettings(retention_weight=3.0, guiding_planes_weight=1.0)
    marks = {"retention": 80.0, "guiding planes": 40.0}
    assert total_of(marks, settings) == pytest.approx((3 * 80.0 + 40.0) / 4.0)
    nothing = ChoosingSettings(
        retention_weight=0, interferences_weight=0, guiding_planes_weight=0, appearance_weight=1
    )
    assert total_of(marks, nothing) == pytest.approx(60.0)
    with pytest.raises(ValueError, match="all four weights are 0"):
        only("none of them")


def test_the_answer_is_json_and_a_table_with_the_same_numbers(choice):
    facts = choice_facts(choice)
    again = json.loads(json.dumps(facts, allow_nan=False))
    assert again == facts
    rows = list(csv.DictReader(io.StringIO(choice_csv(facts))))
    assert len(rows) == len(choice.ranking.candidates)
    for row, each in zip(rows, choice.ranking.candidates, strict=True):
        assert float(row["anterior_tilt_deg"]) == each.tilt.anterior_deg
        assert float(row["total"]) == pytest.approx(each.score.total, abs=0.005)
        for name, mark in each.score.marks.items():
            assert float(row[f"{name.replace(' ', '_')}_mark"]) == pytest.approx(mark, abs=0.005)
        for site in each.score.measures.retention.sites:
            assert float(row[f"{site.name} offered_mm"]) == pytest.approx(
                site.offered_mm, abs=0.0005
            )
    assert len(facts["tried"]) == len(choice.searched.scores)
    assert sum(each["pareto"] for each in facts["tried"]) == len(facts["pareto"])
    assert facts["sampling"]["largest_volume_error_share"] < 0.08


def test_the_same_case_gives_the_same_list(three, choice):
    cast, teeth = three
    again = choose_path(choosing_ground(cast, teeth=teeth, prescription=CASE), places=1500)
    assert choice_facts(again) == choice_facts(choice)


def test_an_interruption_goes_through(three, monkeypatch):
    from blockout.choosing import search as module

    cast, teeth = three
    ground = choosing_ground(cast, teeth=teeth, prescription=CASE)
    calls = []

    def interrupted(ground, tilts):
        calls.append(len(tilts))
        if len(calls) == 3:
            raise KeyboardInterrupt
        return measure(ground, tilts)

    monkeypatch.setattr(module, "measure", interrupted)
    with pytest.raises(KeyboardInterrupt):
        choose_path(ground)
    assert len(calls) == 3


# --- pictures ------------------------------------------------------------------------------------
def test_there_is_a_picture_of_the_total_and_of_every_factor(choice):
    pictures = dict(tilt_pictures(choice, size_px=(600, 450)))
    assert list(pictures) == ["total", *(name.replace(" ", "-") for name in FACTORS)]
    for picture in pictures.values():
        assert picture.shape == (450, 600, 3)
        assert picture.dtype == np.uint8
    assert not np.array_equal(pictures["retention"], pictures["interferences"])


def test_the_picture_is_palest_where_the_mark_is_best(choice):
    picture = tilt_picture(choice, "interferences", size_px=(1200, 900)).astype(float)
    scores = choice.searched.scores
    marks = np.array([each.marks["interferences"] for each in scores])
    width, top, room = 988, 86, (900 - 86) / 2.0
    scale = room / (15.0 * 1.12 * 1.06)
    listed = [each.tilt for each in choice.ranking.candidates]

    shown = [
        k
        for k in np.argsort(marks).tolist()
        if scores[k].tilt.from_level_deg < 13.0
        and all(scores[k].tilt.apart_deg(tilt) > 1.2 for tilt in listed)
    ]

    def brightness(k: int) -> float:
        tilt = scores[k].tilt
        x = width / 2.0 + tilt.lateral_deg * scale
        y = top + room - tilt.anterior_deg * scale
        patch = picture[round(y) - 2 : round(y) + 3, round(x) - 2 : round(x) + 3]
        return float(np.median(patch.reshape(-1, 3) @ [0.2126, 0.7152, 0.0722]))

    assert len(shown) > 120
    best = np.mean([brightness(k) for k in shown[-25:]])
    assert best > np.mean([brightness(k) for k in shown[:25]]) + 40.0
