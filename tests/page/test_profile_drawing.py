"""The drawing of a section: its plane, and lengths in it by closed form."""

import re

import numpy as np
import pytest

from blockout.web.profile_drawing import Plane, profile_svg

UP = np.array([0.0, -0.6, 0.8])


def plane(normal=(1.0, 0.2, 0.1)):
    return Plane.through((3.0, 4.0, 5.0), normal=normal, path=UP)


@pytest.mark.parametrize("normal", [(1.0, 0.2, 0.1), (0.0, 1.0, 0.0), tuple(UP)])
def test_the_plane_holds_the_path_and_looks_square_on_the_surface(normal):
    cut = plane(normal)
    assert cut.normal @ UP == pytest.approx(0.0, abs=1e-12)
    assert np.linalg.norm(cut.normal) == pytest.approx(1.0)
    if normal != tuple(UP):  # closed form: it holds the surface's normal too
        assert cut.normal @ np.array(normal) == pytest.approx(0.0, abs=1e-12)


def test_lengths_and_angles_stay_in_the_drawing():
    cut = plane()
    points = cut.point_mm + np.outer([0.0, 2.0, 2.0], cut.right) + np.outer([0.0, 0.0, 3.0], UP)
    assert cut.flat(points) == pytest.approx(np.array([[0, 0], [2, 0], [2, 3]]), abs=1e-12)
    turned = cut.turned(np.pi / 2)
    assert turned.normal == pytest.approx(np.cross(UP, cut.normal), abs=1e-12)
    assert cut.moved(1.5).point_mm == pytest.approx(cut.point_mm + 1.5 * cut.normal)


def test_a_line_of_five_millimetres_is_as_long_as_the_scale():
    cut = plane()
    line = cut.point_mm + np.outer([0.0, 5.0], cut.right)
    svg = profile_svg(cut, {"cast": [line], "a<b": [line + UP]}, depth_mm=0.25)
    (x0, y0), (x1, y1) = (
        tuple(map(float, pair.split(",")))
        for pair in re.search(r'class="cast-cut" d="M (\S+) (\S+)"', svg).groups()
    )
    (scale,) = re.findall(r'd="M 16 \d+ h (\d+)"', svg)
    assert (x1 - x0, y1 - y0) == (float(scale), 0.0)
    assert "a&lt;b" in svg
    assert "a<b" not in svg
    assert "0.25 mm undercut" in svg
