"""The teeth as a case says them."""

from __future__ import annotations

import jsonschema
import pytest
from pydantic import ValidationError

from blockout.case.tooth_settings import (
    TOOTH_PARAMETERS,
    CrownSettings,
    TeethSettings,
    ToothSettings,
)


def test_each_tooth_by_number_and_point():
    teeth = TeethSettings.model_validate(
        {
            "tooth": [
                {"number": 46, "point_mm": [1, 2, 3]},
                {
                    "number": 34,
                    "point_mm": [0, 0, 0],
                    "outline_mm": [[0, 0, 0], [1, 0, 0], [0, 1, 0]],
                },
                {"number": 35, "outline_mm": [[0, 0, 0], [1, 0, 0], [0, 1, 0]]},
            ],
            "missing": [36, 37],
            "not_replaced": [37],
            "crown": {"crown_reach_mm": "0.5 in"},
        }
    )
    assert teeth.points_mm == {46: (1.0, 2.0, 3.0), 34: (0.0, 0.0, 0.0)}
    assert list(teeth.outlines_mm) == [34, 35]
    assert teeth.crown.crown_reach_mm == pytest.approx(12.7)
    assert teeth.crown.crease_blur_mm == CrownSettings().crease_blur_mm


def test_counting_along_the_arch_starts_from_one_tooth():
    teeth = TeethSettings.model_validate(
        {"tooth": [{"number": 46, "point_mm": [1, 2, 3]}], "count_along_arch": True}
    )
    assert teeth.count_along_arch


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"tooth": [{"number": 49, "point_mm": [0, 0, 0]}]}, "49 is not an ISO 3950 number"),
        ({"tooth": [{"number": 46}]}, "tooth 46 has neither point_mm nor outline_mm"),
        ({"missing": [10]}, "10 is not an ISO 3950 number"),
        ({"missing": [36, 36]}, "tooth 36 is named twice"),
        (
            {"tooth": [{"number": 36, "point_mm": [0, 0, 0]}], "missing": [36]},
            "tooth 36 is said to stand and to be missing",
        ),
        ({"not_replaced": [37]}, "37 is said not to be replaced but is not missing"),
        ({"count_along_arch": True}, "starts from one tooth with a point, 0 are named"),
        ({"crown": {"crown_reach_mm": 5.9}}, "greater than or equal to 6"),
        ({"crown": {"crease_radius": 3}}, "Extra inputs"),
    ],
)
def test_what_makes_no_sense_is_refused(given, words):
    with pytest.raises(ValidationError, match=words):
        TeethSettings.model_validate(given)


@pytest.mark.parametrize("parameter", TOOTH_PARAMETERS, ids=lambda parameter: parameter.name)
def test_every_number_knows_its_unit_range_default_and_source(parameter):
    field = CrownSettings.model_fields[parameter.name]
    assert field.default == parameter.default
    assert parameter.low <= parameter.default <= parameter.high
    assert parameter.unit == "mm"
    assert parameter.name.endswith("_mm")
    assert parameter.source
    schema = CrownSettings.model_json_schema()["properties"][parameter.name]
    assert schema["unit"] == "mm"
    assert schema["description"] == parameter.help
    for value, fits in ((parameter.low, True), (parameter.high + 1.0, False)):
        document = {parameter.name: value}
        if fits:
            CrownSettings.model_validate(document)
        else:
            with pytest.raises(ValidationError):
                CrownSettings.model_validate(document)


def test_the_schema_agrees_with_what_is_accepted():
    schema = TeethSettings.model_json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    good = {"tooth": [{"number": 46, "point_mm": [1, 2, 3]}], "missing": [36]}
    jsonschema.validate(good, schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"tooth": [{"number": 50, "point_mm": [1, 2, 3]}]}, schema)


def test_settings_are_frozen():
    tooth = ToothSettings(number=46, point_mm=(0.0, 0.0, 0.0))
    with pytest.raises(ValidationError, match="frozen"):
        tooth.number = 45
