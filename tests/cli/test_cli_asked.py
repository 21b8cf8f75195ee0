"""Options become settings, and what cannot be used is told with its option."""

from pathlib import Path

import pytest

from blockout.case import parameters as p
from blockout.case.case import read_case
from blockout.case.settings import ParallelSettings, PrepareSettings, SurveySettings
from blockout.cli import asked
from blockout.cli.groups import CastOptions, PathOptions
from blockout.errors import CaseError, InputError, PathError, UnitError

CASE = """\
schema = "blockout-case/1"
name = "from the file"
[cast]
file = "scans/a.stl"
arch = "upper"
land_mm = 4
[path]
anterior_tilt_deg = 4
lateral_tilt_deg = -2
max_tilt_deg = 25
[survey]
gauges_mm = [0.25, "0.020 in"]
[parallel]
taper_deg = 2
"""


def _path(**options):
    return asked.path_settings(asked.path_asked(PathOptions(**options)))


def _case(file, *, cast=None, path=None, survey=None, parallel=None):
    return asked.case_asked(
        file,
        cast=CastOptions(**cast or {}),
        path=PathOptions(**path or {}),
        survey=survey or {},
        parallel=parallel or {},
    )


def test_nothing_given_is_the_defaults():
    path = _path()
    assert (path.anterior_tilt_deg, path.lateral_tilt_deg, path.direction) == (0.0, 0.0, None)
    assert path.max_tilt_deg == p.TILT_LIMIT.default
    assert asked.settings_asked(SurveySettings, {}).gauges_mm == p.GAUGES_MM
    assert asked.settings_asked(ParallelSettings, {}).taper_deg == p.TAPER.default


@pytest.mark.parametrize(
    ("text", "tilts"),
    [("4,-2", (4.0, -2.0)), ("-8,6", (-8.0, 6.0)), ("0,0", (0.0, 0.0)), ("1.5,+.5", (1.5, 0.5))],
)
def test_tilt(text, tilts):
    path = _path(tilt=text)
    assert (path.anterior_tilt_deg, path.lateral_tilt_deg) == tilts


@pytest.mark.parametrize("text", ["", "4", "4;2", "4,2,1", "4,", "four,two", "4,2deg"])
def test_a_tilt_that_is_not_two_numbers(text):
    with pytest.raises(PathError, match=r"is not 2 numbers.*Write --tilt A,L"):
        _path(tilt=text)


@pytest.mark.parametrize("text", ["nan,0", "0,inf", "-inf,0", "1e400,0"])
def test_a_tilt_that_is_no_finite_number_names_the_option(text):
    with pytest.raises(PathError, match=r"_tilt_deg.*a finite number is due\. Mend --tilt\."):
        _path(tilt=text)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"tilt": "95,0"}, "anterior tilt .*; 95.00 degrees, limit 30: allowed -30 to 30"),
        ({"tilt": "0,-95"}, "lateral tilt .*; -95.00 degrees, limit 30: allowed -30 to 30"),
        ({"tilt": "30.1,0"}, "; 30.10 degrees, limit 30: .* raise the limit with --max-tilt"),
        ({"tilt": "46,0", "max_tilt": "45"}, "; 46.00 degrees, limit 45: allowed -45 to 45"),
        ({"tilt": "95,0", "max_tilt": "60"}, "limit 60: .* raises the limit to 60 at most"),
        ({"tilt": "95,0", "max_tilt": "95"}, r"max_tilt_deg = 95.0 .*; allowed 0 to 60 deg\."),
    ],
)
def test_a_tilt_too_far_is_told_the_limit_that_applies(options, words):
    with pytest.raises(PathError, match=words):
        _path(**options)


def test_the_greatest_tilts_allowed():
    assert _path(tilt="30,0").anterior_tilt_deg == 30.0
    assert _path(tilt="0,-60", max_tilt="60").lateral_tilt_deg == -60.0


def test_a_case_files_limit_holds_for_the_option(tmp_path):
    file = tmp_path / "case.toml"
    file.write_text(CASE)
    with pytest.raises(PathError, match="limit 25: allowed -25 to 25"):
        _case(file, path={"tilt": "26,0"})


def test_direction():
    assert _path(direction="0,-0.5,2").direction == (0.0, -0.5, 2.0)


@pytest.mark.parametrize("text", ["0,0,1,0", "0,0", "a,b,c"])
def test_a_direction_that_is_not_three_numbers(text):
    with pytest.raises(PathError, match="is not 3 numbers"):
        _path(direction=text)


@pytest.mark.parametrize("text", ["0,0,0", "nan,0,1", "inf,0,1"])
def test_a_direction_that_is_none(text):
    with pytest.raises(PathError, match=r"Mend --direction\."):
        _path(direction=text)


def test_the_path_is_said_once():
    with pytest.raises(PathError, match="said twice"):
        _path(tilt="1,1", direction="0,0,1")


@pytest.mark.parametrize(
    ("model", "values", "option"),
    [
        (ParallelSettings, {"taper_deg": 12.0}, "--taper"),
        (ParallelSettings, {"taper_deg": float("nan")}, "--taper"),
        (ParallelSettings, {"floor_mm": "low"}, "--floor"),
        (SurveySettings, {"noise_depth_mm": "5 mm"}, "--noise-depth"),
        (SurveySettings, {"noise_depth_mm": "-0.1"}, "--noise-depth"),
        (SurveySettings, {"gauges_mm": ["0.25", "0"]}, "--gauge"),
        (PrepareSettings, {"up": "+w"}, "--up"),
        (PrepareSettings, {"front": "0,0,0"}, "--front"),
        (PrepareSettings, {"arch": "middle"}, "--arch"),
        (PrepareSettings, {"land_mm": "99"}, "--land"),
        (PrepareSettings, {"base_height_mm": "5 in"}, "--base-height"),
    ],
)
def test_a_value_that_cannot_be_used_names_its_option(model, values, option):
    with pytest.raises(InputError) as caught:
        asked.settings_asked(model, values)
    assert option in caught.value.fix
    assert caught.value.exit_code == 2


def test_lengths_are_read_in_the_trades_units():
    # 1 inch = 25.4 mm exactly; gauge 30 by ASTM B258: 0.127 mm x 92^((36 - 30) / 39)
    settings = asked.settings_asked(
        SurveySettings, {"gauges_mm": ["0.010 in", "30 ga"], "noise_depth_mm": "8 um"}
    )
    assert settings.gauges_mm[0] == pytest.approx(0.254, abs=1e-15)
    assert settings.gauges_mm[1] == pytest.approx(0.127 * 92 ** (6 / 39), rel=1e-15)
    assert settings.noise_depth_mm == pytest.approx(0.008, abs=1e-15)


def test_units():
    assert [asked.unit_asked(text) for text in (None, "mm", "in")] == [None, "mm", "in"]
    with pytest.raises(UnitError, match=r"'feet' is not a unit; known are mm, cm, m, in.*--unit"):
        asked.unit_asked("feet")


def test_numbers():
    assert asked.number_asked("--taper", "2.5") == 2.5
    assert asked.number_asked("--taper", None) is None
    with pytest.raises(InputError, match="after --taper"):
        asked.number_asked("--taper", "steep")


def test_outlines_are_parted_by_empty_lines(tmp_path):
    file = tmp_path / "zones.txt"
    file.write_text("\ufeff# first\n1,2,3\n4 5 6\n# still the first\n7;8;9 # end\n\n\n-1,0,1e1\n")
    assert asked.outlines_asked(file) == (
        ((1.0, 2.0, 3.0), (4.0, 5.0, 6.0), (7.0, 8.0, 9.0)),
        ((-1.0, 0.0, 10.0),),
    )


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "holds no points"),
        (b"# nothing\n\n", "holds no points"),
        (b"1,2,3\n1,2\n", "zones.txt line 2"),
        (b"x,y,z\n1,2,3\n", "zones.txt line 1"),
        (b"1,2,3,4\n", "4 parts, due three numbers"),
        (b"\xff\xfe\x00\x81", "is not text"),
    ],
)
def test_outlines_that_cannot_be_read(tmp_path, content, words):
    file = tmp_path / "zones.txt"
    file.write_bytes(content)
    with pytest.raises(InputError, match=words):
        asked.outlines_asked(file)


@pytest.mark.parametrize("place", ["missing.txt", "."])
def test_outlines_that_are_not_there(tmp_path, place):
    with pytest.raises(InputError, match="cannot be read"):
        asked.outlines_asked(tmp_path / place)


def test_an_outline_of_two_points_is_none(tmp_path):
    file = tmp_path / "zones.txt"
    file.write_text("1,2,3\n4,5,6\n")
    with pytest.raises(InputError, match=r"three.*Mend --keep-in\."):
        asked.settings_asked(ParallelSettings, {"keep_in": asked.outlines_asked(file)})


def test_a_scan_alone_makes_a_case_of_the_options():
    case = _case(
        Path("in/scan.stl"), cast={"unit": "mm"}, path={"tilt": "3,0"},
        parallel={"taper_deg": 2.0},
    )  # fmt: skip
    assert (case.cast.file, case.cast.unit, case.name) == ("in/scan.stl", "mm", "scan")
    assert (case.path.anterior_tilt_deg, case.parallel.taper_deg) == (3.0, 2.0)
    assert case.survey.gauges_mm == p.GAUGES_MM


def test_a_case_file_alone_is_taken_as_it_says(tmp_path):
    file = tmp_path / "case.toml"
    file.write_text(CASE)
    case = _case(file)
    assert Path(case.cast.file) == tmp_path / "scans/a.stl"
    assert (case.name, case.cast.arch, case.cast.land_mm) == ("from the file", "upper", 4.0)
    assert (case.path.anterior_tilt_deg, case.path.lateral_tilt_deg) == (4.0, -2.0)
    assert (case.survey.gauges_mm, case.parallel.taper_deg) == ((0.25, 0.508), 2.0)


def test_options_go_before_the_case_file(tmp_path):
    file = tmp_path / "case.toml"
    file.write_text(CASE)
    case = _case(
        file,
        cast={"arch": "lower"},
        path={"direction": "0,0,1"},
        parallel={"taper_deg": 6.0},
    )
    assert (case.cast.arch, case.cast.land_mm) == ("lower", 4.0)
    assert case.path.direction == (0.0, 0.0, 1.0)
    assert (case.path.anterior_tilt_deg, case.path.max_tilt_deg) == (0.0, 25.0)
    assert case.parallel.taper_deg == 6.0


def test_what_no_option_touches_stays_as_the_case_file_has_it(tmp_path):
    file = tmp_path / "case.toml"
    file.write_text(
        f"{CASE}[teeth]\nmissing = [16, 17]\n"
        '[[arm]]\ntooth = 15\naspect = "buccal"\norigin = "distal"\nrole = "retentive"\n'
        'undercut_mm = "0.010 in"\n'
    )
    read = read_case(file)
    asked_for = _case(file, parallel={"taper_deg": 6.0})
    assert asked_for.teeth == read.teeth
    assert asked_for.arm == read.arm
    assert asked_for.model_fields_set - read.model_fields_set == set()
    one = read.model_dump(exclude={"cast": {"file"}, "parallel": {"taper_deg"}})
    assert asked_for.model_dump(exclude={"cast": {"file"}, "parallel": {"taper_deg"}}) == one


def test_a_tilt_goes_before_the_case_files_direction(tmp_path):
    file = tmp_path / "case.toml"
    file.write_text(CASE.replace("anterior_tilt_deg = 4", "direction = [0, 0, 1]").replace(
        "lateral_tilt_deg = -2\n", ""))  # fmt: skip
    case = _case(file, path={"tilt": "5,1"})
    assert case.path.direction is None
    assert (case.path.anterior_tilt_deg, case.path.lateral_tilt_deg) == (5.0, 1.0)


def test_a_wrong_key_of_a_case_file_is_told_with_its_line(tmp_path):
    file = tmp_path / "case.toml"
    file.write_text(CASE.replace("taper_deg", "tapper_deg"))
    with pytest.raises(CaseError, match=r"case\.toml line 14.*nearest is taper_deg"):
        _case(file)
