"""Numbering along the arch from one tooth, on a sample arch whose numbers are known."""

from __future__ import annotations

import numpy as np
import pytest
from sample_arch import PLAN, KnownArch, known_arch
from scipy.spatial import cKDTree

from blockout.errors import InputError
from blockout.teeth.row import number_along_arch


@pytest.fixture(scope="module")
def arch() -> KnownArch:
    return known_arch()


def _on(arch: KnownArch, point) -> int:
    return int(arch.tooth[cKDTree(arch.cast.mesh.vertices).query(point)[1]])


@pytest.mark.parametrize("number", [47, 41])
def test_every_crown_gets_its_number(arch, number):
    row = number_along_arch(arch.cast, number, arch.click(number, off_mm=1.5), missing=PLAN.missing)
    assert list(row.points_mm) == [47, 45, 44, 43, 42, 41, 31, 32, 33, 34, 35, 37]
    assert {n: _on(arch, p) for n, p in row.points_mm.items()} == {n: n for n in row.points_mm}
    assert row.notes == (
        "Third molar 48 was taken to be missing.",
        "Third molar 38 was taken to be missing.",
    )
    # a point in the middle of the crown as seen from above
    for tooth, point in row.points_mm.items():
        place = arch.sample.tooth(tooth)
        top = place.neck_mm + place.axis * place.crown.form.height_mm
        aside = arch.sample.frame.points_to_cast(point[None])[0] - top
        assert np.hypot(*aside[:2]) < 3.0, tooth


def test_third_molars_named_as_missing_need_no_note(arch):
    row = number_along_arch(arch.cast, 44, arch.click(44), missing=(*PLAN.missing, 38, 48))
    assert row.notes == ()
    assert len(row.points_mm) == 12


def test_the_number_given_decides(arch):
    # the same crown called 46 in a row whose second molar is missing
    row = number_along_arch(arch.cast, 46, arch.click(47), missing=(47, 36))
    assert list(row.points_mm)[:2] == [46, 45]
    assert _on(arch, row.points_mm[46]) == 47


def test_a_third_molar_is_told_by_the_count(arch):
    row = number_along_arch(arch.cast, 44, arch.click(44), missing=(45, 46, 36))
    assert list(row.points_mm)[:3] == [48, 47, 44]
    assert row.notes[0] == "The last crown on its side was taken for the third molar 48."


@pytest.mark.parametrize(
    ("number", "missing", "words"),
    [
        (44, (46,), "2 crowns toward the patient's right and 9 toward the left; by the list 2 and"),
        (44, (45, 46, 36, 48), "list 1 and 9 stand there"),
        (44, (44, 46, 36), "tooth 44 is pointed at and said to be missing"),
        (14, (46, 36), "tooth 14 does not belong to the lower arch"),
        (44, (46, 26), "tooth 26 does not belong to the lower arch"),
    ],
)
def test_a_list_that_does_not_match_is_refused(arch, number, missing, words):
    with pytest.raises(InputError, match=words):
        number_along_arch(arch.cast, number, arch.click(44), missing=missing)


def test_pointing_at_the_gum_or_the_air_is_refused(arch):
    gap = arch.sample.tooth(46)
    ridge = arch.sample.frame.points_to_file(gap.neck_mm)
    near = arch.cast.mesh.vertices[arch.cast.scanned_vertices]
    on_ridge = near[cKDTree(near).query(ridge)[1]]
    with pytest.raises(InputError, match="no crown where tooth 46 was pointed at"):
        number_along_arch(arch.cast, 46, on_ridge, missing=(36,))
    with pytest.raises(InputError, match=r"does not lie on the cast; \d+\.\d\d mm"):
        number_along_arch(
            arch.cast, 44, arch.click(44) + 20.0 * arch.cast.frame.up, missing=PLAN.missing
        )
    with pytest.raises(InputError, match="not three finite numbers"):
        number_along_arch(arch.cast, 44, [1.0, 2.0], missing=PLAN.missing)
