"""What a hand does on the cast in the view: picking, hovering, drawing; in a real browser."""

from __future__ import annotations

import numpy as np
import pytest
from seen_ball import BALL_MM, MIDDLE_MM, RADIUS_MM, ball_hit, from_cast, last, to_cast
from view_browser import Browser, needs_browser, turned_frame

pytestmark = needs_browser


# --- picking -------------------------------------------------------------------------------------
@pytest.mark.parametrize("projection", ["orthographic", "perspective"])
def test_a_click_finds_the_place_on_the_ball(view: Browser, projection: str) -> None:
    view.js("v.showSpindle(false); v.setProjection(arguments[0]); v.setView('front');", projection)
    view.settled()
    for place in ([0.0, 4.2, 6.5], [2.4, 3.5, 5.0], [-1.5, 3.0, 1.5]):
        x, y = (round(part) for part in view.place(from_cast(place)))
        told = len(view.told("clicked"))
        view.click(x, y)
        found = last(view, "clicked", told)
        ray = found["ray"]
        along = turned_frame().directions_to_cast(np.array(ray["direction"]))
        expected = ball_hit(to_cast(ray["origin_mm"]), along)
        # a facet's error grows as the ray grazes it
        steep = abs(float((expected - MIDDLE_MM) @ along)) / RADIUS_MM
        assert np.linalg.norm(to_cast(found["point_mm"]) - expected) < BALL_MM / steep
        back = view.place(np.array(found["point_mm"]))
        assert np.hypot(back[0] - x, back[1] - y) < 0.6
        assert found["said"].split("\n")[1] == "click"


def test_a_click_beside_the_cast_finds_nothing(view: Browser) -> None:
    told = len(view.told("clicked"))
    view.click(20, 300)
    assert last(view, "clicked", told)["point_mm"] is None


def test_hovering_reads_and_never_piles_up(view: Browser) -> None:
    view.js("v.showSpindle(false);")
    before = view.asked("/count").get("probe hover", 0)
    moves = [("move", 300 + 4 * k, 300 + k) for k in range(30)]
    view.pointer(*moves)
    words = view.until(
        lambda: view.js("const r = box.querySelector('.reading'); return r.style.display === ''"
                        " ? r.textContent : null;"),
        "a reading is shown",
    )  # fmt: skip
    assert words.endswith("hover")
    assert "mm" in words
    spot = view.js("const b = box.querySelector('.spot').getBoundingClientRect();"
                   "return [b.x + b.width / 2, b.y + b.height / 2];")  # fmt: skip
    assert np.hypot(spot[0] - 416, spot[1] - 329) < 40
    assert 1 <= view.asked("/count")["probe hover"] - before <= 30
    view.js("v.setProbing(false);")
    assert view.js("return box.querySelector('.reading').style.display;") == "none"


# --- drawing -------------------------------------------------------------------------------------
def test_points_are_added_moved_put_between_and_removed(view: Browser) -> None:
    from selenium.webdriver.common.keys import Keys

    view.js("v.showSpindle(false);")
    corners = [from_cast([1.5, 1.5, 9.0]), from_cast([-1.5, 1.5, 9.0])]
    view.js(
        "v.setDrawing({points: arguments[0], closed: false, kind: 'relief', editable: true});",
        [corner.tolist() for corner in corners],
    )
    # added at the end
    told = len(view.told("drawn"))
    x, y = view.place(from_cast([-1.5, -1.5, 9.0]))
    view.click(x, y)
    drawn = last(view, "drawn", told)
    assert (drawn["kind"], drawn["closed"], len(drawn["points"])) == ("relief", False, 3)
    _assert_on_ball(drawn["points"][2])
    assert np.hypot(*np.subtract(view.place(np.array(drawn["points"][2])), (x, y))) < 1.0
    # between the first two
    told = len(view.told("drawn"))
    x, y = view.place(from_cast([0.2, 1.7, 9.0]))
    view.click(x, y, shift=True)
    drawn = last(view, "drawn", told)
    assert len(drawn["points"]) == 4
    assert np.hypot(*np.subtract(view.place(np.array(drawn["points"][1])), (x, y))) < 1.0
    # dragged along the surface
    told = len(view.told("drawn"))
    x, y = view.place(np.array(drawn["points"][1]))
    view.pointer(("move", x, y), "down", ("move", x + 20, y + 10), ("move", x + 40, y + 30), "up")
    moved = last(view, "drawn", told)
    _assert_on_ball(moved["points"][1])
    assert np.hypot(*np.subtract(view.place(np.array(moved["points"][1])), (x + 40, y + 30))) < 1.0
    assert moved["points"][0] == drawn["points"][0]
    assert moved["points"][2:] == drawn["points"][2:]
    # the chosen one removed by key, then the pen put down
    told = len(view.told("drawn"))
    assert view.state()["chosen"] == 1
    view.key(Keys.DELETE)
    left = last(view, "drawn", told)
    assert left["points"] == [moved["points"][k] for k in (0, 2, 3)]
    ended = len(view.told("ended"))
    view.key(Keys.ESCAPE)
    assert last(view, "ended", ended)["points"] == left["points"]
    drawn_count = len(view.told("drawn"))
    view.click(x, y)
    last(view, "clicked", 0)
    assert len(view.told("drawn")) == drawn_count


def _assert_on_ball(point_mm: list[float]) -> None:
    off_mm = RADIUS_MM - np.linalg.norm(to_cast(point_mm) - MIDDLE_MM)
    assert -1e-4 < off_mm < BALL_MM


def test_a_point_is_moved_by_keys(view: Browser) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    view.js(
        "v.setDrawing({points: arguments[0], closed: true, kind: '', editable: true});",
        [from_cast([1.0, y, 9.0]).tolist() for y in (1.0, -1.0)],
    )
    told = len(view.told("drawn"))
    view.key("]")
    ActionChains(view.driver).key_down(Keys.ALT).send_keys(Keys.ARROW_RIGHT).key_up(
        Keys.ALT
    ).perform()
    found = last(view, "drawn", told)
    step = to_cast(found["points"][0]) - [1.0, 1.0, 9.0]
    assert step[0] == pytest.approx(0.25, abs=0.05)
    assert abs(step[1]) < 0.05
