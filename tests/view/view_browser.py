"""A bench server and a browser without a head, for the tests of the view."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest

from blockout.cast.cast import Cast, Source
from blockout.cast.frame import CastFrame
from blockout.cast.record import write_cast
from blockout.mesh import Floats, Mesh
from blockout.samples.bodies import cone_on_plate, sphere_on_plate

HERE: Final = Path(__file__).parent
CHROMIUM: Final = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER: Final = shutil.which("chromedriver")
needs_browser = pytest.mark.skipif(
    CHROMIUM is None or DRIVER is None, reason="no Chromium with its driver is on this machine"
)
FLAGS: Final = (
    "--headless=new", "--no-sandbox", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--use-angle=swiftshader", "--enable-unsafe-swiftshader", "--hide-scrollbars",
)  # fmt: skip
PATIENCE_S: Final = 25.0

TURN: Final = 0.4  # rad about z, so that file and cast frame are not the same
SHIFT: Final = np.array([120.0, -340.0, 57.0])


def turned_frame() -> CastFrame:
    matrix = np.eye(4)
    matrix[:2, :2] = [[np.cos(TURN), -np.sin(TURN)], [np.sin(TURN), np.cos(TURN)]]
    matrix[:3, 3] = SHIFT
    return CastFrame(matrix)


def body_cast(body: Mesh, *, foot_mm: float) -> Cast:
    """A body as a cast: what stands over the plate is scanned, and file and cast frame differ."""
    frame = turned_frame()
    mesh = Mesh(frame.points_to_file(body.vertices), body.faces)
    height = body.vertices[body.faces][:, :, 2]
    scanned = (height > foot_mm - 1e-9).all(axis=1) & (height.max(axis=1) > foot_mm + 1e-6)
    return Cast(
        mesh=mesh,
        scanned=scanned,
        frame=frame,
        arch="lower",
        arch_stated=True,
        noise_mm=0.0,
        floor_mm=float(body.vertices[:, 2].min()),
        source=Source("body", "0" * 64),
    )


def ball() -> Cast:
    return body_cast(sphere_on_plate(radius_mm=5.0, equator_mm=4.5, around=64), foot_mm=0.0)


def cone() -> Cast:
    return body_cast(cone_on_plate(), foot_mm=0.0)


@contextmanager
def bench(cast: Cast, folder: Path, *, cut: int = 0) -> Iterator[str]:
    """Serve a cast; gives the address of the page."""
    file = folder / "cast.ply"
    write_cast(file, cast)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    log = (folder / "bench.log").open("w", encoding="utf-8")
    code = [sys.executable, str(HERE / "view_bench.py"), str(port), str(file), "--cut", str(cut)]
    # NiceGUI looks for this, and then wants a harness of its own
    about = {name: value for name, value in os.environ.items() if name != "PYTEST_CURRENT_TEST"}
    process = subprocess.Popen(code, stdout=log, stderr=subprocess.STDOUT, cwd=folder, env=about)
    address = f"http://127.0.0.1:{port}"
    try:
        for _ in range(240):
            try:
                urllib.request.urlopen(f"{address}/count", timeout=5).read()
                break
            except OSError:
                assert process.poll() is None, (folder / "bench.log").read_text(encoding="utf-8")
                time.sleep(0.25)
        yield address
    finally:
        process.terminate()
        process.wait(timeout=20)
        log.close()


class Browser:
    """One page with the view on it."""

    def __init__(self, driver: Any, address: str) -> None:
        self.driver = driver
        self.address = address

    def open(self, query: str = "", *, depths: bool = True) -> None:
        """Open the page and wait for the mesh, and for the first depths too."""
        self.driver.get(f"{self.address}/?{query}")
        self.until(lambda: self.state() and self.state()["triangles"], "the mesh is on the screen")
        if depths:
            self.until(lambda: self.state()["depths_taken"], "the first depths have come")

    def js(self, code: str, *given: Any) -> Any:
        """Run code with ``v``, the element of the page, and ``view``, the view in it."""
        return self.driver.execute_script(
            "const box = document.querySelector('.blockout-view');"
            "const v = box ? getElement(+box.id.slice(1)) : null;"
            f"const view = v ? v.view : null; {code}",
            *given,
        )

    def later(self, code: str) -> Any:
        """Run code that ends by calling ``done``."""
        return self.driver.execute_async_script(
            "const done = arguments[0]; const box = document.querySelector('.blockout-view');"
            f"const v = box ? getElement(+box.id.slice(1)) : null; const view = v?.view; {code}"
        )

    def state(self) -> Any:
        return self.js("return v && v.view ? v.state() : null;")

    def until(self, met: Callable[[], Any], what: str) -> Any:
        ends = time.monotonic() + PATIENCE_S
        while time.monotonic() < ends:
            found = met()
            if found:
                return found
            time.sleep(0.05)
        console = self.driver.get_log("browser")
        raise AssertionError(f"waited {PATIENCE_S:g} s in vain: {what}; console {console}")

    def asked(self, path: str) -> Any:
        with urllib.request.urlopen(f"{self.address}{path}", timeout=30) as answer:
            content: bytes = answer.read()
            json_said = "json" in (answer.headers["Content-Type"] or "")
        return json.loads(content) if json_said else content

    def told(self, name: str) -> list[Any]:
        """Events of this name that reached Python."""
        return [event[name] for event in self.asked("/events") if name in event]

    def levels(self) -> bytes:
        """The bytes that the shader has, one a vertex."""
        return bytes(self.js("return Array.from(view.layers.get('cast').levels.array);"))

    def settled(self) -> Any:
        """State once the camera has arrived."""
        self.until(lambda: not self.js("return view.moving;"), "the camera has arrived")
        return self.state()

    def pixel(self, x: int, y: int) -> list[int]:
        """Colour drawn at a place, page pixels from the upper left."""
        found: list[int] = self.js(
            "view.picture.calm(); view.draw(); const p = new Uint8Array(4);"
            "const g = view.picture.renderer.getContext();"
            "g.readPixels(arguments[0], g.drawingBufferHeight - 1 - arguments[1], 1, 1, g.RGBA,"
            "g.UNSIGNED_BYTE, p); return Array.from(p);",
            x,
            y,
        )
        return found[:3]

    def place(self, point_mm: Floats) -> tuple[float, float]:
        """Where a place in file coordinates is in the picture."""
        seen = self.js(
            "const s = view.camera.toPicture(view.toScene(arguments[0])); return [s.x, s.y];",
            [float(part) for part in point_mm],
        )
        return float(seen[0]), float(seen[1])

    def pointer(self, *steps: tuple[str, float, float] | str, shift: bool = False) -> None:
        """Press, move and release the pointer at places of the picture, as a hand would."""
        from selenium.webdriver.common.action_chains import ActionChains
        from selenium.webdriver.common.by import By
        from selenium.webdriver.common.keys import Keys

        canvas = self.driver.find_element(By.CSS_SELECTOR, ".blockout-view canvas")
        middle = (canvas.size["width"] / 2, canvas.size["height"] / 2)
        hand = ActionChains(self.driver, duration=20)
        if shift:
            hand.key_down(Keys.SHIFT)
        for step in steps:
            if isinstance(step, str):
                getattr(hand, {"down": "click_and_hold", "up": "release"}[step])()
            else:
                x, y = round(step[1] - middle[0]), round(step[2] - middle[1])
                hand.move_to_element_with_offset(canvas, x, y)
        if shift:
            hand.key_up(Keys.SHIFT)
        hand.perform()

    def click(self, x: float, y: float, *, shift: bool = False) -> None:
        self.pointer(("move", x, y), "down", "up", shift=shift)

    def key(self, *keys: str) -> None:
        from selenium.webdriver.common.action_chains import ActionChains

        self.js("box.focus();")
        ActionChains(self.driver).send_keys(*keys).perform()


@contextmanager
def browser(address: str, *more: str, size: tuple[int, int] = (800, 600)) -> Iterator[Browser]:
    from selenium import webdriver
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        options = Options()
        options.binary_location = str(CHROMIUM)
        for flag in (*FLAGS, f"--user-data-dir={profile}", *more):
            options.add_argument(flag)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
        driver = webdriver.Chrome(options=options, service=Service(str(DRIVER)))
        try:
            driver.set_script_timeout(60)
            driver.execute_cdp_cmd(
                "Emulation.setDeviceMetricsOverride",
                {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": False},
            )
            yield Browser(driver, address)
        finally:
            driver.quit()
