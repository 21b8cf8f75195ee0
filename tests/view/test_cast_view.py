"""The 3-D view in a real browser: a ball on a plate, whose every answer is known in closed form."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pytest
from seen_ball import FACET_MM, MIDDLE_MM, RADIUS_MM, from_cast, last, to_cast
from view_browser import (
    TURN,
    Browser,
    ball,
    bench,
    browser,
    cone,
    needs_browser,
    turned_frame,
)

from blockout.case.settings import PathSettings
from blockout.cast.frame import CastFrame
from blockout.surveying.path import insertion_path

pytestmark = needs_browser


# --- the page ------------------------------------------------------------------------------------
def test_three_comes_from_the_page_itself(page: Browser) -> None:
    revision = page.later("import('nicegui-scene').then((m) => done(m.THREE.REVISION));")
    assert int(revision) >= 150
    names = page.later("import('blockout-view').then((m) => done(Object.keys(m)));")
    assert "createView" in names
    state = page.state()
    assert state["webgl"]
    assert state["triangles"] == ball().mesh.triangle_count
    loaded = page.told("loaded")[0]
    assert (loaded["name"], loaded["triangles"]) == ("cast", ball().mesh.triangle_count)


def test_the_view_is_named_and_reached_by_keys(view: Browser) -> None:
    found = view.js(
        "return [box.tabIndex, box.getAttribute('aria-label'), "
        "document.getElementById(box.getAttribute('aria-describedby')).textContent];"
    )
    assert found[:2] == [0, "The cast in three dimensions"]
    assert "Arrows: turn" in found[2]
    before = view.state()
    view.key("f")
    after = view.settled()
    assert after["view"] == "front"
    assert np.allclose(after["toward"], [-np.sin(TURN), np.cos(TURN), 0.0], atol=1e-6)
    view.key("+")
    assert view.state()["half_height_mm"] < after["half_height_mm"]
    from selenium.webdriver.common.keys import Keys

    view.key(Keys.ARROW_UP)
    assert view.state()["toward"][2] > 0.05
    view.key("p")
    assert np.allclose(view.settled()["toward"], before["toward"], atol=1e-9)


def test_what_is_nearer_than_ahead_is_left_out_and_not_read(view: Browser) -> None:
    """Behind the ball, 2 mm ahead of a place: the ball is not drawn, and rays start past it."""
    behind = MIDDLE_MM + np.array([0.0, RADIUS_MM + 3.0, 0.0])
    toward = turned_frame().directions_to_file(np.array([0.0, -1.0, 0.0]))

    def fly(ahead_mm: float | None) -> Any:
        view.js(
            "v.flyTo(arguments[0], arguments[1], 12, arguments[2]);",
            from_cast(behind).tolist(),
            toward.tolist(),
            ahead_mm,
        )
        view.settled()
        width, height = view.js("return view.camera.size;")
        origin = view.js(
            "return view.toFile(view.camera.ray(arguments[0], arguments[1]).origin);",
            width / 2,
            height / 2,
        )
        colour = view.pixel(round(width / 2), round(height / 2))
        return float((np.array(origin) - from_cast(behind)) @ toward), colour

    try:
        view.js("v.setProjection('orthographic'); v.showSpindle(false);")
        away_mm, plaster = fly(None)
        assert away_mm > 3.0 + 2.0 * RADIUS_MM
        away_mm, ground = fly(2.0)
        assert away_mm == pytest.approx(2.0)
        assert min(ground) > 240 > min(plaster)
        view.js("v.setProjection('perspective');")
        assert fly(2.0)[0] == pytest.approx(2.0)
        view.js("v.setView('front');")
        assert view.js("return view.camera.ahead;") is None  # infinity is no JSON
    finally:
        view.js("v.setProjection('orthographic'); v.showSpindle(true); v.setView('path');")
        view.settled()


def test_a_view_that_is_left_by_hand_is_told(view: Browser) -> None:
    from selenium.webdriver.common.keys import Keys

    view.js("v.setView('path');")
    view.settled()
    told = len(view.told("turned"))
    view.key("f")
    view.settled()
    view.key(Keys.ARROW_UP)
    view.until(lambda: len(view.told("turned")) >= told + 2, "both are told")
    assert [one["view"] for one in view.told("turned")[told:]] == ["front", ""]
    view.key("p")
    view.settled()


def test_nothing_is_drawn_while_nothing_changes(view: Browser) -> None:
    view.until(lambda: view.js("return view.picture.resting;"), "it rests")
    frames = view.state()["frames"]
    time.sleep(0.8)
    assert view.state()["frames"] == frames
    view.js("view.redraw(); view.redraw();")
    view.until(lambda: view.state()["frames"] > frames, "it is drawn when asked")


def test_what_python_says_is_done_and_kept(page: Browser) -> None:
    from urllib.parse import quote

    def say(method: str, *given: Any) -> None:
        page.asked(f"/say/{method}?given={quote(json.dumps(given))}")

    def cast_layer() -> Any:
        return next(layer for layer in page.state()["layers"] if layer["name"] == "cast")

    page.open()
    # said before the browser had a view
    page.until(lambda: {"name": "ring", "shown": False} in page.state()["lines"], "it is kept")
    say("show_layer", "cast", False)
    page.until(lambda: not cast_layer()["shown"], "the layer is hidden")
    say("set_opacity", "cast", 0.5)
    page.until(lambda: cast_layer()["opacity"] == 0.5, "the layer shines through")
    say("tilt", 4.0, -3.0)
    page.until(lambda: abs(page.state()["anterior_tilt_deg"] - 4.0) < 1e-9, "the path is tilted")
    assert page.state()["lateral_tilt_deg"] == pytest.approx(-3.0, abs=1e-9)
    # the whole element is sent again: nothing of this is lost
    say("update")
    say("set_view", "left")
    page.until(lambda: page.state()["view"] == "left", "the view is turned")
    assert (cast_layer()["shown"], cast_layer()["opacity"]) == (False, 0.5)
    say("show_layer", "cast", True)
    say("set_opacity", "cast", 1.0)
    page.open()


# --- tilts ---------------------------------------------------------------------------------------
def test_tilts_and_directions_are_those_of_the_package(page: Browser) -> None:
    """Compared with blockout.surveying.path over a grid, on a frame turned about all axes."""
    axes = CastFrame.from_axes(
        origin_mm=np.array([3.0, -8.0, 11.0]),
        up=np.array([0.3, -0.4, 0.8]),
        front=np.array([0.9, 0.4, 0.1]),
    )
    grid = [(float(a), float(b)) for a in range(-28, 29, 8) for b in range(-28, 29, 8)]
    page.js(
        "window.found = null; import('blockout-view').then((m) => {"
        "const [frame, grid] = arguments; window.found = ['lower', 'upper'].map((arch) =>"
        " grid.map(([a, b]) => {const d = m.directionOfTilts(frame, arch, a, b);"
        " return [...d, ...m.tiltsOfDirection(frame, arch, d)];}));});",
        axes.matrix.ravel().tolist(),
        grid,
    )
    found = page.until(lambda: page.js("return window.found;"), "the tilts are worked out")
    for arch, rows in zip(("lower", "upper"), found, strict=True):
        for (anterior, lateral), row in zip(grid, rows, strict=True):
            settings = PathSettings(
                anterior_tilt_deg=anterior, lateral_tilt_deg=lateral, max_tilt_deg=60.0
            )
            path = insertion_path(axes, arch=arch, settings=settings)  # type: ignore[arg-type]
            assert np.allclose(row[:3], path.direction, atol=1e-14), (arch, anterior, lateral)
            assert np.allclose(row[3:], (anterior, lateral), atol=1e-11), (arch, anterior, lateral)


def test_depths_are_those_of_the_ball(view: Browser) -> None:
    """Closed form: u = R - sqrt(R^2 - h^2) at a height h under the equator."""
    levels = np.frombuffer(view.levels(), dtype=np.uint8)
    assert levels.tobytes() == view.asked("/depths?anterior=0&lateral=0")
    points = to_cast(ball().mesh.vertices)
    under = MIDDLE_MM[2] - points[:, 2]
    on_ball = (np.abs(np.linalg.norm(points - MIDDLE_MM, axis=1) - RADIUS_MM) < 1e-9) & (
        points[:, 2] > 0.05
    )
    asked = on_ball & (under > 0.3) & (under < 2.8)
    depth_mm = RADIUS_MM - np.sqrt(RADIUS_MM**2 - under[asked] ** 2)
    assert asked.sum() > 300
    read_mm = levels[asked] / 255.0
    assert np.abs(read_mm - np.minimum(depth_mm, 1.0)).max() < FACET_MM + 0.5 / 255.0
    assert not levels[on_ball & (under < -0.1)].any()


def test_of_many_tilts_the_last_wins(view: Browser) -> None:
    view.asked("/slow?depth_s=0.4")
    asked_before = view.asked("/count")["depth"]
    heard_before = len(view.told("depth"))
    view.later(
        "let k = 0; const step = () => { k += 1; window.dispatchEvent(new CustomEvent("
        "'blockout-tilt', {detail: {anterior_tilt_deg: k, lateral_tilt_deg: -k / 2}}));"
        "if (k < 15) setTimeout(step, 15); else done(); }; step();"
    )
    state = view.state()
    assert state["anterior_tilt_deg"] == pytest.approx(15.0, abs=1e-9)
    assert state["lateral_tilt_deg"] == pytest.approx(-7.5, abs=1e-9)
    view.until(
        lambda: (
            view.js("return view.path.depths.idle;")
            and view.state()["depth_at"]["anterior_tilt_deg"] > 14.9
        ),
        "the last depths have come",
    )
    assert view.asked("/count")["depth"] - asked_before <= 3
    assert view.levels() == view.asked("/depths?anterior=15&lateral=-7.5")
    sequences = [event["sequence"] for event in view.told("depth")[heard_before:]]
    assert sequences
    assert sequences == sorted(set(sequences))
    told = view.told("tilted")
    last(view, "tilted", len(told) - 1)
    assert view.told("tilted")[-1]["anterior_tilt_deg"] == pytest.approx(15.0, abs=1e-9)


def test_an_answer_of_an_earlier_question_is_dropped(view: Browser) -> None:
    before = view.levels()
    view.js(
        "const count = view.layers.get('cast').levels.array.length;"
        "view.path.takeDepth({answered: 1, sequence: 2, question: {},"
        "bytes: new Uint8Array(count).fill(77)});"
    )
    assert view.levels() == before


def test_shading_follows_in_the_same_frame(view: Browser) -> None:
    """A place on the ball 20 degrees over the equator at the front looks down once the front is
    lowered by 30 degrees, and is tinted before any depth has come.
    """
    view.js(
        "v.showSpindle(false); v.setView('front');"
        "v.setShading({hatch: false, gauges: false, survey_line: false});"
    )
    view.settled()
    over = np.radians(20.0)
    place = MIDDLE_MM + RADIUS_MM * np.array([0.0, np.cos(over), np.sin(over)])
    x, y = (round(part) for part in view.place(from_cast(place)))
    plain = view.pixel(x, y)
    assert max(plain) - min(plain) < 25  # plaster
    view.asked("/slow?depth_s=1.5")
    tinted = view.js(
        "v.tilt(30, 0); view.picture.calm(); view.draw();"
        "const p = new Uint8Array(4); const g = view.picture.renderer.getContext();"
        "g.readPixels(arguments[0], g.drawingBufferHeight - 1 - arguments[1], 1, 1, g.RGBA,"
        "g.UNSIGNED_BYTE, p); return Array.from(p);",
        x,
        y,
    )
    # the ramp begins with a pale yellow: much red and green, little blue
    assert min(tinted[0], tinted[1]) - tinted[2] > 80, tinted


def test_a_slider_tilts_without_the_server(page: Browser) -> None:
    page.open("bars=1", depths=False)
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    page.js("document.querySelector('.q-slider [tabindex]').focus();")
    ActionChains(page.driver).send_keys(Keys.ARROW_RIGHT).perform()
    page.until(
        lambda: abs(page.state()["anterior_tilt_deg"] - 0.5) < 1e-9, "the view follows the slider"
    )
    page.open()


def test_the_knob_is_dragged_to_tilt(view: Browser) -> None:
    told = len(view.told("tilted"))
    view.js("v.setView('front');")
    view.settled()
    tip = view.js("return view.toFile(view.path.spindle.tip);")
    pivot = view.js("return view.toFile(view.path.spindle.pivot);")
    length = float(np.linalg.norm(np.subtract(tip, pivot)))
    x, y = view.place(np.array(tip))
    turn = np.radians(12.0)
    # seen from the front the patient's right, +x of a lower cast, is at the left of the picture
    there = np.array(pivot) + turned_frame().directions_to_file(
        length * np.array([np.sin(turn), 0.0, np.cos(turn)])
    )
    to_x, to_y = view.place(there)
    view.pointer(("move", x, y), "down", ("move", x - 8, y), ("move", to_x, to_y), "up")
    view.until(lambda: view.state()["direction"] == view.told("tilted")[-1]["direction"], "told")
    assert len(view.told("tilted")) > told
    found = view.told("tilted")[-1]
    # closed form: d = (sin 12, 0, cos 12) raises the right, lateral tilt -12; pixels are 0.1 degree
    assert found["lateral_tilt_deg"] == pytest.approx(-12.0, abs=0.4)
    assert found["anterior_tilt_deg"] == pytest.approx(0.0, abs=0.4)
    assert view.told("tilting")
    assert view.state()["direction"] == pytest.approx(found["direction"], abs=1e-12)
    view.js("v.setDirection([0.9, 0.0, 0.1]);")
    steepest = np.array(view.state()["direction"])
    assert np.degrees(np.arccos(steepest[2])) == pytest.approx(30.0, abs=1e-6)


# --- layers, section, markers, lines -------------------------------------------------------------
def test_layers_are_hidden_and_shine_through(view: Browser) -> None:
    view.js("v.showSpindle(false);")
    middle = (400, 300)
    solid = view.pixel(*middle)
    view.js("v.showLayer('cast', false);")
    ground = view.pixel(*middle)
    assert np.abs(np.subtract(solid, ground)).max() > 10
    view.js("v.showLayer('cast', true); v.setOpacity('cast', 0.5);")
    half = view.pixel(*middle)
    assert np.allclose(half, (np.add(solid, ground)) / 2.0, atol=2.0)
    view.js("v.setOpacity('cast', 1); v.setColour('cast', [0.2, 0.4, 0.8]);")
    blue = view.pixel(*middle)
    assert blue[2] > 1.5 * blue[0]
    view.js("v.setColour('cast', [0.90, 0.885, 0.855]);")
    assert view.pixel(*middle) == solid


def test_a_section_cuts_and_shows_the_cut(view: Browser) -> None:
    view.js("v.showSpindle(false); v.setView('front');")
    view.settled()
    x, y = (round(part) for part in view.place(from_cast([0.0, 0.0, 6.0])))
    whole = view.pixel(x, y)
    side_x, side_y = (round(part) for part in view.place(from_cast([4.0, 0.0, 6.6])))
    normal = turned_frame().directions_to_file(np.array([0.0, 1.0, 0.0]))
    view.js(
        "v.setSection({point: arguments[0], normal: arguments[1]});",
        from_cast(MIDDLE_MM).tolist(),
        normal.tolist(),
    )
    cut, at_side = view.pixel(x, y), view.pixel(side_x, side_y)
    assert cut != whole
    # the face of the cut is painted flat: the same at the middle and near the rim, but for hatching
    assert np.abs(np.subtract(cut, at_side)).max() <= 20
    view.js("v.setOpacity('cast', 1); v.setSection(null);")
    assert view.pixel(x, y) == whole


def test_markers_are_labels_that_keep_off_each_other(view: Browser) -> None:
    view.js("v.setView('occlusal');")
    view.settled()
    places = [from_cast([0.1 * k, 0.0, 9.5]).tolist() for k in range(4)]
    view.js(
        "v.setMarkers(arguments[0].map((at_mm, k) => ({at_mm, text: `place ${k}`, shape: 'warning',"
        " key: `w${k}`, normal: null}))); view.draw();",
        places,
    )
    boxes = view.js(
        "return [...box.querySelectorAll('.mark')].map((m) => {"
        "const b = m.getBoundingClientRect();"
        "return [b.left, b.top, b.right, b.bottom, m.textContent]; });"
    )
    assert [label[4] for label in boxes] == [f"place {k}" for k in range(4)]
    for k, one in enumerate(boxes):
        for other in boxes[:k]:
            apart = (
                one[0] >= other[2] or other[0] >= one[2] or one[1] >= other[3] or other[1] >= one[3]
            )
            assert apart, (one, other)
    told = len(view.told("selected"))
    view.js("box.querySelectorAll('button.mark')[2].click();")
    assert last(view, "selected", told) == {"key": "w2"}


def test_flying_to_a_place_brings_it_to_the_middle(view: Browser) -> None:
    place = from_cast([0.0, 5.0, 4.5])
    toward = turned_frame().directions_to_file(np.array([0.0, 0.8, 0.6]))
    view.js("v.flyTo(arguments[0], arguments[1], 8);", place.tolist(), toward.tolist())
    state = view.settled()
    assert np.allclose(state["toward"], toward, atol=1e-9)
    assert np.allclose(state["target_mm"], place, atol=1e-4)
    assert np.allclose(view.place(place), (400.0, 300.0), atol=0.01)


def test_exact_lines_show_only_at_their_path(view: Browser) -> None:
    up = [0.0, 0.0, 1.0]
    view.js(
        "v.setLinesFrom('survey', '/lines/ring', {survey: true, at_direction: arguments[0]});", up
    )
    shown = lambda: {line["name"]: line["shown"] for line in view.state()["lines"]}  # noqa: E731
    view.until(lambda: shown().get("survey"), "the lines are there")
    assert view.js("return view.shared.shows.value.w;") == 0
    view.js("v.tilt(3, 0);")
    assert not shown()["survey"]
    assert view.js("return view.shared.shows.value.w;") == 1
    view.js("v.tilt(0, 0);")
    assert shown()["survey"]
    view.js("v.removeLines('survey');")
    assert "survey" not in shown()


# --- manners -------------------------------------------------------------------------------------
def test_fifty_meshes_leave_no_buffers_behind(view: Browser) -> None:
    layers = "JSON.parse(JSON.stringify(v.layers))"
    extra = "{...v.layers[0], name: 'swap', map: 'none', surveyed: false, url: `/swap/${k}`}"
    view.later(
        "let k = 0; let last = null; const next = () => { if (k === 50) { done(); return; } k += 1;"
        f"v.setLayers([...{layers}, {extra}]);"
        "const wait = () => { const l = view.layers.get('swap');"
        "if (l.read && l.read !== last) { view.draw(); last = l.read; next(); }"
        "else setTimeout(wait, 2); }; wait(); }; next();"
    )
    held = view.js("return {...view.picture.renderer.info.memory};")
    assert view.asked("/count")["swap"] == 50
    view.js(f"v.setLayers({layers}); view.draw();")
    after = view.js("return {...view.picture.renderer.info.memory};")
    assert held["geometries"] - after["geometries"] == 1
    # cast, three parts of the spindle; lines only where there are some
    assert after["geometries"] <= 6
    assert after["textures"] <= 2
    assert len(view.state()["layers"]) == 1


def test_without_webgl_words_and_pictures_stand_in(page: Browser) -> None:
    with browser(page.address, "--disable-3d-apis") as plain:
        plain.driver.get(f"{page.address}/")
        words = plain.until(
            lambda: plain.js("return box?.querySelector('.still p')?.textContent;"),
            "words stand in",
        )
        assert "cannot draw in three dimensions" in words
        assert "server" in words
        pictures = plain.js(
            "return [...box.querySelectorAll('img')].map((i) => [new URL(i.src).pathname, i.alt]);"
        )
        assert pictures == [
            ["/picture/occlusal", "From above"],
            ["/picture/front", "From the front"],
        ]
        assert plain.js("v.tilt(3, 3); v.setMarkers([]); return v.state().webgl;") is False
        plain.until(
            lambda: any(told["what"] == "no webgl" for told in plain.told("trouble")),
            "Python is told",
        )


def test_light_and_dark_follow_the_page(view: Browser) -> None:
    view.js("v.showLayer('cast', false); v.showSpindle(false);")
    assert min(view.pixel(5, 5)) > 230
    view.js("document.body.classList.replace('body--light', 'body--dark');")
    view.until(lambda: max(view.pixel(5, 5)) < 60, "the ground is dark")
    view.js("document.body.classList.replace('body--dark', 'body--light');")
    view.until(lambda: min(view.pixel(5, 5)) > 230, "the ground is light again")


def test_tilting_a_large_cast(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Times are told, not judged: 172 032 triangles, drawn to the end in each frame."""
    with bench(cone(), tmp_path, cut=3) as address, browser(address, size=(1280, 800)) as large:
        large.open(depths=False)
        first_ms = large.told("loaded")[0]["since_opening_ms"]
        assert large.state()["triangles"] == 64 * cone().mesh.triangle_count == 172_032
        took_ms = {
            name: large.later(
                f"view.path.url = ''; view.picture.calm(); view.picture.slow = {slow};"
                "const g = view.picture.renderer.getContext(); const p = new Uint8Array(4);"
                "const took = []; let k = 0; const one = () => { const t = performance.now();"
                "v.tilt(8 * Math.sin(k / 3), 2); view.draw();"
                "g.readPixels(0, 0, 1, 1, g.RGBA, g.UNSIGNED_BYTE, p);"
                "took.push(performance.now() - t);"
                "k += 1; if (k < 5) requestAnimationFrame(one); else done(took); }; one();"
            )
            for name, slow in (("in motion", "true"), ("all faces", "false"))
        }
        assert [len(row) for row in took_ms.values()] == [5, 5]
        assert large.js("return view.layers.get('cast').coarse;") is False
    said = ", ".join(f"{name} {np.median(row):.0f} ms" for name, row in took_ms.items())
    with capsys.disabled():
        print(f"\n172 k triangles: first picture {first_ms:.0f} ms after opening; a frame: {said}")


def test_nothing_is_fetched_from_anywhere_else(page: Browser) -> None:
    home = urlsplit(page.address).netloc
    asked = set()
    page.open()
    for entry in page.driver.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            asked.add(urlsplit(message["params"]["request"]["url"]))
        if message["method"] == "Network.webSocketCreated":
            asked.add(urlsplit(message["params"]["url"]))
    assert any(url.path == "/mesh/cast" for url in asked)
    # the browser's own pages, chrome://, come from itself
    web = [url for url in asked if url.scheme in ("http", "https", "ws", "wss", "ftp")]
    assert {url.netloc for url in web} == {home}, web
