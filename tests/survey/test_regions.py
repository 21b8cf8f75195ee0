"""Parts of the arch: names, sides of both arches, and sums."""

from __future__ import annotations

import numpy as np
import pytest
from bodies import box, cast_of, frustum, surveyed, turn_about, united

from blockout.case.settings import Arch
from blockout.cast.cast import Cast
from blockout.mesh import Mesh
from blockout.surveying.regions import NAMES
from blockout.surveying.survey import Survey

PLACES = {"front": (0.0, 18.0), "+x": (16.0, -14.0), "-x": (-16.0, -14.0)}


def posts(at: list[tuple[float, float]], *, arch: Arch = "lower", turned: bool = False) -> Cast:
    """Inverted cones on a plate that spans the whole arch."""
    plate = box((-24.0, -24.0, -3.0), (24.0, 24.0, 0.0))
    cone = frustum(2.0, 3.0, 5.0, around=24, rings=2)
    standing = [Mesh(cone.vertices + np.array([x, y, -0.5]), cone.faces) for x, y in at]
    body = united([plate, *standing])
    scanned = body.face_centres[:, 2] > -1e-6
    if not turned:
        return cast_of(body, scanned=scanned, arch=arch)
    matrix = np.eye(4)
    matrix[:3, :3] = turn_about((1.0, 2.0, -1.0), 100.0)
    matrix[:3, 3] = (4.0, 5.0, 6.0)
    return cast_of(body.moved(matrix), scanned=scanned, arch=arch, matrix=matrix)


def by_name(found: Survey) -> dict[str, float]:
    return {region.name: region.volume_mm3 for region in found.regions}


def test_names() -> None:
    assert NAMES == (
        "right outer", "right inner", "front outer", "front inner", "left outer", "left inner",
    )  # fmt: skip
    found = surveyed(posts([PLACES["front"]]))
    assert tuple(region.name for region in found.regions) == NAMES


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize(("arch", "side"), [("lower", "right"), ("upper", "left")])
def test_sides_of_both_arches(arch: Arch, side: str, turned: bool) -> None:
    # the patient's right is +x on a lower cast and -x on an upper one; so +x is an upper's left
    other = {"right": "left", "left": "right"}[side]
    found = surveyed(posts([PLACES["+x"]], arch=arch, turned=turned))
    volumes = by_name(found)
    assert volumes[f"{side} outer"] > 5.0
    assert volumes[f"{side} inner"] > 5.0
    for name in (f"{other} outer", f"{other} inner", "front outer", "front inner"):
        assert volumes[name] == 0.0
    mirrored = by_name(surveyed(posts([PLACES["-x"]], arch=arch, turned=turned)))
    assert mirrored[f"{other} outer"] == pytest.approx(volumes[f"{side} outer"], rel=1e-3)
    assert mirrored[f"{side} outer"] == 0.0


def test_sums_are_the_whole() -> None:
    found = surveyed(posts(list(PLACES.values())), tilt_deg=(3.0, 2.0))
    assert sum(r.volume_mm3 for r in found.regions) == pytest.approx(found.volume_mm3, rel=1e-12)
    assert sum(r.area_mm2 for r in found.regions) == pytest.approx(found.area_mm2, rel=1e-12)
    assert max(r.max_depth_mm for r in found.regions) == found.max_depth_mm
    assert all(r.volume_mm3 > 0.0 and r.area_mm2 > 0.0 for r in found.regions)


def test_three_like_posts_have_like_undercut() -> None:
    # closed form: an inverted cone's fill pi R^2 h - pi h / 3 (R^2 + R r + r^2) over the plate,
    # times the 24-gon's share; z 0 lies a tenth of the way up
    low, height = 2.1, 4.5
    closed_mm3 = np.pi * height * (9.0 - (9.0 + 3.0 * low + low**2) / 3.0)
    closed_mm3 *= 24.0 / (2.0 * np.pi) * np.sin(2.0 * np.pi / 24.0)
    volumes = by_name(surveyed(posts(list(PLACES.values()))))
    for part in ("right", "front", "left"):
        together = volumes[f"{part} outer"] + volumes[f"{part} inner"]
        assert together == pytest.approx(closed_mm3, rel=5e-3)


def test_where_the_arch_stands_in_its_frame_does_not_matter() -> None:
    here = posts(list(PLACES.values()))
    moved = Mesh(here.mesh.vertices + np.array([30.0, -20.0, 0.0]), here.mesh.faces)
    there = cast_of(moved, scanned=here.scanned, arch=here.arch)
    assert by_name(surveyed(there)) == pytest.approx(by_name(surveyed(here)), rel=1e-6)


def test_outer_looks_away_from_the_arch() -> None:
    # tilted so that only the walls on the patient's right of each post look down further, the
    # right post gains outside and the left one inside
    level = by_name(surveyed(posts([PLACES["+x"], PLACES["-x"]])))
    tilted = by_name(surveyed(posts([PLACES["+x"], PLACES["-x"]]), tilt_deg=(0.0, 8.0)))
    assert tilted["right outer"] > 1.2 * level["right outer"]
    assert tilted["right inner"] < 0.8 * level["right inner"]
    assert tilted["left inner"] > 1.2 * level["left inner"]
    assert tilted["left outer"] < 0.8 * level["left outer"]
