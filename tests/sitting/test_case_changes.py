"""Cases changed value by value: the case given stays, and each change reads back from the file."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sitting_bodies import TEXT

from blockout.case import editing as e
from blockout.case.case import Case, parse_case, read_case
from blockout.case.edit import write_case
from blockout.case.toml_lines import toml_lines
from blockout.errors import InputError

A, B, C, D = (1.0, 2.0, 3.0), (4.0, 2.0, 3.5), (4.0, 6.0, 3.0), (1.5, 6.0, 2.0)

CHANGES: list[tuple[str, Callable[[Case], Case]]] = [
    ("path", lambda c: e.with_path(c, anterior_tilt_deg=-3.5, lateral_tilt_deg=1)),
    ("tooth", lambda c: e.with_tooth(c, 35, A)),
    ("second tooth", lambda c: e.with_tooth(c, 47, B)),
    ("tooth moved", lambda c: e.with_tooth(c, 35, D)),
    ("margin", lambda c: e.with_tooth_margin(c, 35, [A, B, C])),
    ("new tooth by margin", lambda c: e.with_tooth_margin(c, 44, [A, B, D])),
    ("margin gone", lambda c: e.with_tooth_margin(c, 35, None)),
    ("missing", lambda c: e.with_missing(c, [37, 36])),
    (
        "arm",
        lambda c: e.with_arm(
            c,
            tooth=35,
            aspect="buccal",
            origin="distal",
            role="retentive",
            alloy="steel wire",
            undercut_mm="0.010 in",
        ),
    ),
    (
        "arm by hand",
        lambda c: e.with_arm(
            c, tooth=35, aspect="lingual", origin="distal", role="reciprocal", points=[A, B, C]
        ),
    ),
    ("arm's points", lambda c: e.with_arm_points(c, 1, [A, C])),
    (
        "arm replaced",
        lambda c: e.with_arm(
            c,
            tooth=47,
            aspect="buccal",
            origin="mesial",
            role="retentive",
            undercut_mm=0.5,
            replace_index=0,
        ),
    ),
    (
        "relief",
        lambda c: e.with_relief(c, over="base mesh", points=[A, B, C], thickness_mm="24 ga"),
    ),
    ("stop", lambda c: e.with_stop(c, 0, B, length_mm=2.5)),
    (
        "bar",
        lambda c: e.with_relief(
            c, over="lingual bar", points=[A, B], lower_border=[D, C], name="bar", edge="butt"
        ),
    ),
    ("torus", lambda c: e.with_relief(c, over="torus", points=[A, B, C, D])),
    ("margin relief", lambda c: e.with_relief(c, over="gingival margin", points=[A, B])),
    ("bead", lambda c: e.with_bead(c, line=[A, B, C], on_lower=True)),
    ("place without bead", lambda c: e.with_item(c, "bead.0.spared", {"place": B})),
    ("zone", lambda c: e.with_keep_in(c, [A, B, C])),
    ("other zone", lambda c: e.with_keep_out(c, [A, B, C, D])),
    ("zone redrawn", lambda c: e.with_keep_out(c, [A, B, D], index=0)),
    ("values", lambda c: e.with_values(c, "parallel", {"taper_deg": 2})),
    ("arm's values", lambda c: e.with_values(c, "arm.1", {"width_mm": "0.06 in"})),
    ("name", lambda c: e.with_values(c, "", {"name": "Second"})),
    ("ledge", lambda c: e.with_values(c, "ledge", {"shelf_mm": 1})),
    ("no keep off", lambda c: e.with_item(c, "recording.keep_off", [A, B, C])),
    ("rest", lambda c: e.with_values(c, "try_in", {"turn_deg": 2})),
    ("bead's place gone", lambda c: e.without_item(c, "bead.0.spared", 0)),
    ("stop gone", lambda c: e.without_stop(c, 0, 0)),
    ("relief gone", lambda c: e.without_relief(c, 1)),
    ("bead gone", lambda c: e.without_bead(c, 0)),
    ("zone gone", lambda c: e.without_keep_in(c, 0)),
    ("other zone gone", lambda c: e.without_keep_out(c, 0)),
    ("arm gone", lambda c: e.without_arm(c, 0)),
    ("last arm gone", lambda c: e.without_arm(c, 0)),
    ("tooth gone", lambda c: e.without_tooth(c, 44)),
]


def full_case() -> Case:
    case = parse_case(TEXT)
    for words, change in CHANGES:
        case = change(case)
        if words == "ledge":
            return case
    raise AssertionError


def test_every_change_reads_back_from_the_users_file(tmp_path: Path) -> None:
    file = tmp_path / "a.toml"
    file.write_text(TEXT, encoding="utf-8")
    case = read_case(file)
    for words, change in CHANGES:
        before = case.model_dump()
        after = change(case)
        assert case.model_dump() == before, f"{words} changed the case it was given"
        assert after.model_dump() != before, words
        write_case(file, after)
        assert read_case(file).model_dump() == after.model_dump(), words
        case = after
        new = tmp_path / f"{words}.toml"
        write_case(new, case)
        assert read_case(new).model_dump() == case.model_dump(), words
    text = file.read_text(encoding="utf-8")
    comments = [comment for _, comment in toml_lines(TEXT).comments]
    assert sorted(comments) == sorted(comment for _, comment in toml_lines(text).comments)
    assert '"0.020 in"]  # in the old unit' in text


def test_every_named_change_is_tried() -> None:
    # a shortcut that no row of the table calls would be untested
    named = {name for name, _ in inspect.getmembers(e, inspect.isfunction) if name[:4] == "with"}
    source = inspect.getsource(inspect.getmodule(test_every_named_change_is_tried))  # type: ignore[arg-type]
    assert {name for name in named if f"e.{name}(" not in source} == set()


def test_what_is_left_out_stays_left_to_the_defaults(tmp_path: Path) -> None:
    case = e.with_path(parse_case(TEXT), anterior_tilt_deg=0, lateral_tilt_deg=0)
    assert case.path.model_fields_set == {"anterior_tilt_deg", "lateral_tilt_deg"}
    assert "parallel" not in case.model_fields_set
    there = e.with_values(case, "parallel", {"taper_deg": 3})
    assert e.with_values(there, "parallel", {"taper_deg": None}).parallel == case.parallel
    # a relief's stop is placed by itself until one is said; taken away, there is none
    relief = e.with_relief(case, over="base mesh", points=[A, B])
    assert relief.relief[0].stops is None
    assert e.without_stop(e.with_stop(relief, 0, A), 0, 0).relief[0].stops == ()


def test_a_path_by_direction_becomes_tilts() -> None:
    text = TEXT.replace("anterior_tilt_deg = 4", "direction = [0, 0, 1]").replace(
        "lateral_tilt_deg = -2\n", ""
    )
    case = e.with_path(parse_case(text), anterior_tilt_deg=2, lateral_tilt_deg=1)
    assert case.path.direction is None
    assert (case.path.anterior_tilt_deg, case.path.lateral_tilt_deg) == (2.0, 1.0)


def test_missing_teeth_keep_what_is_said_of_them() -> None:
    case = e.with_missing(parse_case(TEXT), [36, 37])
    case = e.with_values(case, "teeth", {"not_replaced": [37]})
    assert e.with_missing(case, [37]).teeth.not_replaced == (37,)
    assert e.with_missing(case, [36]).teeth.not_replaced == ()


WRONG: list[tuple[Callable[[Case], Any], str]] = [
    (lambda c: e.with_path(c, anterior_tilt_deg=95, lateral_tilt_deg=0), "is too large; allowed"),
    (lambda c: e.with_path(c, anterior_tilt_deg=float("nan"), lateral_tilt_deg=0), "finite"),
    (lambda c: e.with_tooth(c, 49, A), "49 is not an ISO 3950 number"),
    (lambda c: e.with_tooth(c, 36, A), "said to stand and to be missing"),
    (lambda c: e.with_tooth(c, 34, (1, 2)), "three are due"),
    (lambda c: e.with_tooth(c, 34, ("a", 1, 2)), "a point is three numbers"),
    (lambda c: e.with_missing(c, [35]), "said to stand and to be missing"),
    (lambda c: e.without_tooth(c, 11), "tooth 11 is not named"),
    (lambda c: e.with_arm_points(c, 1, [A]), "two points at least"),
    (lambda c: e.with_arm_points(c, 7, [A, B]), "arm has no item 8; 2 items"),
    (lambda c: e.without_arm(c, -1), "arm has no item 0"),
    (lambda c: e.with_values(c, "arm.0", {"undercut_mm": "3 ft"}), "unit 'ft'"),
    (lambda c: e.with_values(c, "arm.1", {"undercut_mm": 0.25}), "has no undercut"),
    (lambda c: e.with_relief(c, over="rugae", points=[A, B, C]), "is not known; allowed"),
    (lambda c: e.with_relief(c, over="lingual bar", points=[A, B]), "needs lower_border"),
    (lambda c: e.with_bead(c, line=[A]), "1 point"),
    (lambda c: e.with_keep_out(c, [A, B, A]), "three different points at least"),
    (lambda c: e.with_values(c, "paralel", {"taper_deg": 1}), "The nearest is [parallel]"),
    (lambda c: e.with_values(c, "cast.file.deep", {"x": 1}), "no cast.file.deep in a case"),
    (lambda c: e.with_item(c, "path", [A]), "path is not a list"),
    (lambda c: e.with_points(c, "arm.0.points", [A, B]), "nothing is drawn at"),
    (lambda c: e.with_points(c, "teeth.tooth.0.point_mm", [A, B]), "one point; 2 points, 1 is due"),
]


@pytest.mark.parametrize("number", range(len(WRONG)))
def test_what_cannot_be_used_is_refused_in_words(number: int) -> None:
    change, words = WRONG[number]
    case = full_case()
    with pytest.raises(InputError) as refused:
        change(case)
    assert words in str(refused.value)


def test_all_that_is_drawn_is_listed_and_moves_alone() -> None:
    case = e.with_item(full_case(), "recording.keep_off", [A, B, C])
    case = e.with_values(case, "try_in", {"rest": [{"name": "35", "point_mm": A}]})
    listed = e.drawn(case)
    # every list of three numbers in the case file is drawn somewhere
    in_file: list[tuple[float, ...]] = []

    def gather(value: Any) -> None:
        if isinstance(value, dict):
            for part in value.values():
                gather(part)
        elif isinstance(value, list):
            if len(value) == 3 and all(isinstance(part, float) for part in value):
                in_file.append(tuple(value))
            else:
                for part in value:
                    gather(part)

    stated = case.model_dump(mode="json", exclude_unset=True)
    stated["survey"] = {}
    gather(stated)
    assert sorted(in_file) == sorted(point for one in listed for point in one.points_mm)
    assert len({one.address for one in listed}) == len(listed) > 12
    for one in listed:
        moved = [(x + 0.5, y, z) for x, y, z in one.points_mm]
        after = {other.address: other for other in e.drawn(e.with_points(case, one.address, moved))}
        assert after[one.address].points_mm == tuple(moved)
        for other in listed:
            if other.address != one.address:
                assert after[other.address] == other
    closed = {one.address for one in listed if one.closed}
    assert "parallel.keep_out.0" in closed
    assert not {address for address in closed if address.startswith(("arm", "bead"))}


@given(st.lists(st.tuples(*[st.floats(-200, 200)] * 3), min_size=3, max_size=6, unique=True))
def test_any_points_are_kept_to_the_bit(points: list[tuple[float, float, float]]) -> None:
    case = e.with_keep_in(parse_case(TEXT), points)
    assert case.parallel.keep_in[0] == tuple(points)


LISTED = """\
schema = "blockout-case/1"
cast.file = "a.stl"
# above the arms

[[arm]]  # first
tooth = 35
aspect = "buccal" # cheek side
origin = "distal"
role = "retentive"
undercut_mm = "0.010 in" # by the gauge

# about the second
[[arm]]
tooth = 47
aspect = "buccal"
origin = "mesial"
role = "retentive"
undercut_mm = "0.5 mm"

[teeth] # who stands
missing = [36] # for long
# crowns

[teeth.crown]
crown_reach_mm = 12 # small

[[teeth.tooth]]
number = 35 # sound
point_mm = [1, 2, 3]
"""


def test_a_list_of_tables_keeps_what_was_not_changed(tmp_path: Path) -> None:
    file = tmp_path / "a.toml"
    file.write_text(LISTED, encoding="utf-8")
    case = read_case(file)
    comments = sorted(comment for _, comment in toml_lines(LISTED).comments)

    def written(changed: Case) -> str:
        write_case(file, changed)
        text = file.read_text(encoding="utf-8")
        assert read_case(file) == changed
        assert sorted(comment for _, comment in toml_lines(text).comments) == comments
        return text

    case = e.with_values(case, "arm.1", {"undercut_mm": 0.25})
    assert written(case) == LISTED.replace('"0.5 mm"', "0.25")
    case = e.with_arm(case, tooth=35, aspect="lingual", origin="distal", role="reciprocal")
    text = written(case)
    assert 'undercut_mm = "0.010 in" # by the gauge' in text
    case = e.with_tooth(e.with_missing(case, [36, 46]), 47, A)
    assert "number = 35 # sound" in written(case)
    case = e.without_arm(case, 1)
    text = written(case)
    assert 'undercut_mm = "0.010 in" # by the gauge' in text
    assert text.count("[[arm]]") == 2
    case = e.without_arm(e.without_arm(case, 0), 0)
    assert "[[arm]]" not in written(case)
    case = e.with_bead(case, line=[A, B])
    assert "[[bead]]" in written(case)


@pytest.mark.parametrize(
    "layout",
    [
        'arm = [{tooth = 35, aspect = "buccal", origin = "distal", role = "reciprocal"}] # one\n'
        'cast = {file = "a"}\n',
        'cast.file = "a"\n[teeth]\n# nobody yet\n\n# next\n[parallel]\ntaper_deg = 1\n',
        '[cast]\nfile = "a"\n[[bead]]\nline = [[1, 2, 3], [2, 2, 3]] # b\n[path]\n',
        '[cast]\nfile = "a"\n[teeth]\ntooth = [{number = 34, point_mm = [0, 0, 1]}]\n',
    ],
)
def test_lists_are_put_into_any_layout(tmp_path: Path, layout: str) -> None:
    file = tmp_path / "a.toml"
    text = 'schema = "blockout-case/1"\n' + layout
    file.write_text(text, encoding="utf-8")
    case = read_case(file)
    case = e.with_arm(case, tooth=35, aspect="lingual", origin="distal", role="reciprocal")
    write_case(file, case)
    case = e.with_tooth(e.with_missing(case, [36]), 35, A)
    write_case(file, case)
    case = e.with_item(e.with_bead(case, line=[A, B]), "bead.0.spared", {"place": A})
    write_case(file, case)
    assert read_case(file) == case
    new = file.read_text(encoding="utf-8")
    for _, comment in toml_lines(text).comments:
        assert comment in new
