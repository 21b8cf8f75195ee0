"""Facts: every key of the contract, plain values, units in names, the same words everywhere."""

import json
import math
import re
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from blockout import __version__
from blockout.cast.cast import Cast, Source
from blockout.cast.change import Change
from blockout.cast.frame import CastFrame
from blockout.errors import CheckError
from blockout.mesh import Mesh
from blockout.report import facts as f

# the output contract, written out here once more so that a key dropped from the code is noticed
CONTRACT = (
    *("schema", "frame", "versions", "timings_s"),
    *("cast.triangles", "cast.volume_mm3", "cast.closed", "cast.source_sha256"),
    *("path.anterior_tilt_deg", "path.lateral_tilt_deg", "path.direction"),
    *("undercut.volume_mm3", "undercut.area_mm2", "undercut.max_depth_mm"),
    *("parts.name", "parts.kind", "parts.volume_mm3", "parts.triangles", "parts.closed"),
    *("model.triangles", "model.volume_mm3", "model.closed"),
    *("warnings.code", "warnings.message"),
)


def box(low, high):
    x, y, z = np.meshgrid(*zip(low, high, strict=True), indexing="ij")
    vertices = np.stack([x.ravel(), y.ravel(), z.ravel()], axis=1)
    faces = [
        (0, 1, 3), (0, 3, 2), (4, 6, 7), (4, 7, 5), (0, 4, 5), (0, 5, 1),
        (2, 3, 7), (2, 7, 6), (0, 2, 6), (0, 6, 4), (1, 5, 7), (1, 7, 3),
    ]  # fmt: skip
    return Mesh(vertices, faces)


@dataclass(frozen=True)
class Region:
    name: str
    area_mm2: float
    volume_mm3: float
    max_depth_mm: float


@dataclass(frozen=True)
class LeftAlone:
    patch_count: int
    area_mm2: float
    volume_mm3: float


@dataclass(frozen=True)
class Warned:
    code: str
    message: str
    places_mm: tuple = ()


@pytest.fixture
def cast():
    return Cast(
        mesh=box((0, 0, 0), (10, 20, 5)),
        scanned=np.arange(12) < 4,
        frame=CastFrame.from_axes(
            origin_mm=np.array([1.0, 2.0, 3.0]), up=np.array([0.0, 0.0, 1.0]),
            front=np.array([0.0, 1.0, 0.0]),
        ),
        arch="lower",
        arch_stated=False,
        noise_mm=0.004,
        floor_mm=-3.0,
        source=Source("scan.stl", "ab" * 32),
    )  # fmt: skip


@pytest.fixture
def survey(cast):
    square = np.array([[0, 0, 5], [10, 0, 5], [10, 20, 5], [0, 20, 5]], dtype=float)
    return SimpleNamespace(
        cast=cast,
        path=SimpleNamespace(
            anterior_tilt_deg=np.float64(4.0), lateral_tilt_deg=-0.0, tilt_deg=4.0,
            direction=np.array([0.0, -0.06975647, 0.99756405]),
            direction_cast=np.array([0.0, -0.06975647, 0.99756405]),
        ),
        survey_lines=(
            SimpleNamespace(points_mm=square, closed=True),
            SimpleNamespace(points_mm=square[:2], closed=False),
        ),
        iso_lines={0.5: (), 0.25: ()},
        noise_depth_mm=0.012,
        volume_mm3=np.float32(12.5),
        area_mm2=31.0,
        max_depth_mm=0.8,
        max_depth_at_mm=(1.0, 2.0, 3.0),
        left_alone=LeftAlone(3, 0.5, 0.01),
        regions=(Region("front", 10.0, 4.0, 0.5), Region("left", 21.0, 8.5, 0.8)),
    )  # fmt: skip


WAX = SimpleNamespace(
    name="parallel", kind="parallel", mesh=box((10, 0, 0), (11, 2, 4)), volume_mm3=8.0, notes=("n",)
)
EMPTY = SimpleNamespace(name="spare", kind="parallel", mesh=None, volume_mm3=0.0, notes=())


def _summary(survey, **more):
    return f.build_summary(
        survey, waxes=(WAX, EMPTY), model=SimpleNamespace(mesh=box((0, 0, 0), (11, 20, 5))),
        warnings=[Warned("tilt-large", "The path is tilted 12 degrees, over 10.")],
        timings_s={"survey": 0.5, "total": 1.25}, **more,
    )  # fmt: skip


def _keys(value):
    """Every key of a document, with its place."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield key
            yield from _keys(item)
    elif isinstance(value, list):
        for item in value:
            yield from _keys(item)


def test_the_summary_holds_every_key_of_the_contract(survey):
    summary = json.loads(json.dumps(_summary(survey), allow_nan=False))
    for place in CONTRACT:
        key, _, inner = place.partition(".")
        value = summary[key]
        for item in value if isinstance(value, list) else [value]:
            assert not inner or inner in item, place
    assert f.missing_keys(summary) == ()


def test_the_list_of_keys_is_the_contract():
    listed = [f"{key}.{name}" for key, names in f.SUMMARY_KEYS.items() for name in names]
    listed += [key for key, names in f.SUMMARY_KEYS.items() if not names]
    assert sorted(listed) == sorted(CONTRACT)


@pytest.mark.parametrize("place", CONTRACT)
def test_a_missing_key_is_found(survey, place):
    summary = json.loads(json.dumps(_summary(survey)))
    key, _, inner = place.partition(".")
    if not inner:
        del summary[key]
    else:
        part = summary[key]
        del (part[-1] if isinstance(part, list) else part)[inner]
    assert f.missing_keys(summary) == (place,)


def test_the_summarys_values(survey):
    summary = _summary(survey)
    # closed form: 10 x 20 x 5 mm, 11 x 20 x 5 mm
    assert summary["cast"]["volume_mm3"] == pytest.approx(1000.0, rel=1e-12)
    assert summary["model"]["volume_mm3"] == pytest.approx(1100.0, rel=1e-12)
    assert (summary["cast"]["triangles"], summary["cast"]["closed"]) == (12, True)
    assert summary["cast"]["source_sha256"] == "ab" * 32
    assert summary["cast"]["arch_stated"] is False
    assert summary["cast"]["size_mm"] == [10.0, 20.0, 5.0]
    assert summary["path"]["anterior_tilt_deg"] == 4.0
    assert math.copysign(1.0, summary["path"]["lateral_tilt_deg"]) == 1.0
    assert summary["undercut"]["volume_mm3"] == 12.5
    # a square of 10 x 20 all round, and 10 more
    assert summary["undercut"]["survey_line_mm"] == pytest.approx(70.0, rel=1e-12)
    assert summary["undercut"]["gauges_mm"] == [0.25, 0.5]
    assert summary["undercut"]["regions"][1] == {
        "name": "left", "area_mm2": 21.0, "volume_mm3": 8.5, "max_depth_mm": 0.8,
    }  # fmt: skip
    assert summary["timings_s"] == {"survey": 0.5, "total": 1.25}
    assert summary["warnings"] == [
        {
            "code": "tilt-large",
            "message": "The path is tilted 12 degrees, over 10.",
            "places_mm": [],
        }
    ]
    assert len(summary["cautions"]) >= 4
    assert summary["versions"]["blockout"] == __version__


def test_the_builds_exact_undercut_volume_replaces_the_surveys(survey):
    summary = _summary(survey, undercut_volume_mm3=12.6)
    assert summary["undercut"]["volume_mm3"] == 12.6
    assert summary["undercut"]["area_mm2"] == 31.0


def test_parts_and_an_empty_part(survey):
    wax, empty = _summary(survey)["parts"]
    assert wax == {
        "name": "parallel", "kind": "parallel", "volume_mm3": 8.0, "triangles": 12,
        "closed": True, "empty": False, "notes": ["n"],
    }  # fmt: skip
    assert (empty["triangles"], empty["volume_mm3"]) == (0, 0.0)
    assert empty["empty"] is True


def test_the_frame_is_a_rigid_matrix_to_file_coordinates(survey, cast):
    frame = np.array(_summary(survey)["frame"])
    assert frame.shape == (4, 4)
    assert np.array_equal(frame, cast.frame.matrix)
    assert np.array_equal(frame[:3, 3], [1.0, 2.0, 3.0])


def test_the_documents_use_the_same_words(survey, cast):
    summary, surveyed = _summary(survey), f.survey_facts(survey)
    prepared = f.prepare_facts(cast)
    for key in ("cast", "frame", "path", "undercut"):
        assert surveyed[key] == summary[key]
    for key in ("cast", "frame"):
        assert prepared[key] == summary[key]
    schemas = {document["schema"] for document in (summary, surveyed, prepared)}
    assert len(schemas) == 3


def test_numbers_carry_their_unit(survey):
    """A float's key ends in a unit (or names a direction or matrix, which have none)."""
    unit = re.compile(r"_(mm|mm2|mm3|deg|s|um)$")
    without = {"direction", "direction_cast", "frame"}

    def floats(value, key, inside=()):
        if isinstance(value, dict):
            for name, item in value.items():
                floats(item, name, (*inside, name))
        elif isinstance(value, list):
            for item in value:
                floats(item, key, inside)
        elif isinstance(value, float):
            assert unit.search(key) or key in without or "timings_s" in inside, inside

    floats(_summary(survey), "")


def test_changes_and_notes_are_kept(survey):
    change = Change("holes", 2, "holes", "2 holes were filled.", ((1.0, 2.0, 3.0),), 0.7)
    summary = _summary(survey, changes=(change,), notes=("lower was assumed",))
    assert summary["changes"] == [
        {"step": "holes", "touched": 2, "unit": "holes", "message": "2 holes were filled.",
         "places_mm": [[1.0, 2.0, 3.0]], "extent_mm": 0.7}
    ]  # fmt: skip
    assert summary["notes"] == ["lower was assumed"]


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, np.float64("nan")])
def test_a_number_that_is_not_finite_is_refused_with_its_place(survey, value):
    survey.max_depth_mm = value
    with pytest.raises(CheckError, match=r"not a finite number.*undercut\.max_depth_mm"):
        _summary(survey)


@pytest.mark.parametrize(
    ("value", "plain"),
    [
        (np.int64(3), 3),
        (np.float32(0.5), 0.5),
        (np.bool_(True), True),
        (True, True),
        (np.arange(4).reshape(2, 2), [[0, 1], [2, 3]]),
        ({1: (2.0, None)}, {"1": [2.0, None]}),
        (frozenset({"b", "a"}), ["a", "b"]),
        (Path("a/b.stl"), "a/b.stl"),
        (Region("r", 1.0, 2.0, 3.0),
         {"name": "r", "area_mm2": 1.0, "volume_mm3": 2.0, "max_depth_mm": 3.0}),
        (-0.0, 0.0),
    ],
)  # fmt: skip
def test_plain_values(value, plain):
    made = f.json_ready(value)
    assert made == plain
    assert type(made) is type(plain)
    json.dumps(made)


def test_what_has_no_plain_form_is_an_error():
    with pytest.raises(TypeError, match="object at somewhere"):
        f.json_ready(object(), where="somewhere")


def test_versions_name_the_libraries():
    found = f.versions()
    assert found["numpy"] == np.__version__
    assert {"blockout", "python", "manifold3d", "embreex", "libigl", "shapely"} <= found.keys()
    assert "unknown" not in found.values()
