"""The whole job in a real browser: from a scan to a downloaded model, held against the command
line's own answers.
"""

import json
import math
import re
import shutil
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import numpy as np
import pytest
from page_server import served
from view_browser import browser, needs_browser

from blockout.case.case import read_case

pytestmark = needs_browser
SAMPLES = Path(__file__).parents[2] / "sample_meshes"
LONG_S = 240.0


class Page:
    """A person at the page: presses what is written, reads what is shown."""

    def __init__(self, tab):
        self.tab, self.driver = tab, tab.driver

    def until(self, met, what, patience_s=LONG_S):
        from selenium.common.exceptions import StaleElementReferenceException

        ends = time.monotonic() + patience_s
        while time.monotonic() < ends:
            try:
                found = met()
            except (StaleElementReferenceException, IndexError):
                found = None
            if found:
                return found
            time.sleep(0.1)
        shot = Path("page-failed.png").absolute()
        self.driver.save_screenshot(str(shot))
        raise AssertionError(f"waited {patience_s:g} s in vain: {what}; {self.text()[-600:]}")

    def all(self, css):
        from selenium.webdriver.common.by import By

        return [
            one for one in self.driver.find_elements(By.CSS_SELECTOR, css) if one.is_displayed()
        ]

    def text(self):
        return self.all("body")[0].text

    def step(self, name):
        self.until(lambda: self.all(".q-tab"), "the steps are there")
        next(one for one in self.all(".q-tab") if one.text.endswith(name)).click()
        self.until(lambda: self.all(".step .card"), f"the step {name} is open")

    def press(self, words):
        def pressed():
            found = [
                one
                for one in self.all("button, a.download")
                if words in (one.text.strip(), one.get_attribute("aria-label"))
            ]
            if not found or not found[0].is_enabled():
                return False
            found[0].click()
            return True

        self.until(pressed, f"{words!r} can be pressed", 30.0)

    def says(self, words, patience_s=LONG_S):
        return self.until(
            lambda: re.search(words, self.text()), f"the page says {words}", patience_s
        )

    def choose(self, label, option):
        """Take one of a list's words; a list that a late drawing of the panel has shut again is
        opened again, as a hand would.
        """
        opened_s = -math.inf

        def offered():
            nonlocal opened_s
            found = [one for one in self.all(".q-menu .q-item") if one.text == option]
            if not found and time.monotonic() > opened_s + 10.0:
                lists = [one for one in self.all(".q-select") if label in one.text]
                lists[0].click()
                opened_s = time.monotonic()
            return found

        self.until(offered, f"{option} in the list {label}")[0].click()

    def ready(self):
        self.until(lambda: "/table/" in self.driver.current_url, "the case is on the table")
        self.until(lambda: (self.tab.state() or {}).get("triangles"), "the cast is drawn")
        self.says(r"Deepest\s+\d|Which arch is it")

    def click_cast(self, point_mm):
        """Click where a place of the cast is drawn, as a hand would."""
        self.until(lambda: not self.tab.js("return view.moving;"), "the camera has arrived")
        x, y = self.tab.place(point_mm)
        self.tab.click(x, y)

    def upload(self, file, *, at=0):
        from selenium.webdriver.common.by import By

        boxes = self.driver.find_elements(By.CSS_SELECTOR, "input[type=file]")
        [one for one in boxes if one.get_attribute("class")][at].send_keys(str(file))


def command(*arguments, folder, code=0):
    run = "from blockout.cli.main import run; run()"
    done = subprocess.run(
        [sys.executable, "-c", run, *map(str, arguments)],
        cwd=folder, capture_output=True, text=True, encoding="utf-8",
    )  # fmt: skip
    assert done.returncode == code, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("laboratory")


@pytest.fixture(scope="module")
def server(folder):
    with served(folder) as running:
        yield running


def test_from_a_scan_to_a_downloaded_model(server, folder, tmp_path):
    scan = shutil.copy(SAMPLES / "lower_scan.stl", tmp_path / "my scan.stl")
    with browser(server.address, size=(1280, 800)) as tab:
        page = Page(tab)
        tab.driver.get(server.address)
        page.says("Which cast goes on the table")
        assert "key=" not in tab.driver.current_url
        page.upload(scan)
        page.ready()
        case_file = folder / "my_scan.case.toml"
        assert case_file.exists()

        # which arch it is, and the path, by typed degrees
        page.step("Cast")
        page.choose("Which arch is it?", "lower arch")
        page.until(lambda: "does not tell which arch" not in page.text(), "the arch is said")
        page.step("Path")
        for name, deg in (("anterior_tilt_deg", "-4"), ("lateral_tilt_deg", "2")):
            _type(page, f".degrees-{name} input", deg)
        page.says(r"Anterior tilt\s+-4\.00(.|\n)*Lateral tilt\s+\+2\.00")
        shown = page.text()

        # a tooth by a click on its crown
        page.step("Teeth")
        page.press("tooth 47 ")
        page.says("Click on the crown of tooth 47", 30.0)
        molar_mm = _top_of_the_last_molar(folder)
        page.click_cast(molar_mm)
        page.says(r"47\s+mesial \d", 60.0)
        # undo and redo by the keyboard's names for them
        page.press("Undo")
        page.until(lambda: not re.search(r"47\s+mesial", page.text()), "it is undone", 30.0)
        page.press("Redo")
        page.says(r"47\s+mesial \d", 60.0)
        # an arm is on its tooth as soon as it is asked for
        page.step("Arms")
        page.press("Lay it")
        laid = page.says(r"47 buccal retentive\n[\d.]+ mm long, ([\d.]+) mm deep", 60.0)[1]
        page.press("Save")
        page.says("Saved to", 30.0)

        page.step("Build")
        page.press("Build the model")
        page.says("To keep")
        built = page.text()
        tab.driver.execute_cdp_cmd(
            "Browser.setDownloadBehavior",
            {"behavior": "allow", "downloadPath": str(tmp_path), "eventsEnabled": True},
        )
        for words in ("Model, STL", "Wax parts, STL in a ZIP", "All figures, JSON", "Report, HTML"):
            page.press(words)
        names = ("model.stl", "wax.zip", "summary.json", "report.html")
        kept = {name: tmp_path / f"my_scan-{name}" for name in names}
        page.until(lambda: all(file.exists() for file in kept.values()), "downloads have come", 90)
        outside = _hosts_asked(tab) - {f"127.0.0.1:{server.port}"}
        assert outside == set()
        _no_faults(tab)

    # the same file by the command line
    case = read_case(case_file)
    assert (case.path.anterior_tilt_deg, case.path.lateral_tilt_deg) == (-4.0, 2.0)
    assert case.cast.arch == "lower"
    assert case.teeth.tooth[0].number == 47
    assert np.linalg.norm(np.array(case.teeth.tooth[0].point_mm) - molar_mm) < 1.0
    out = tmp_path / "b"
    summary = json.loads(command("build", case_file, "--out", out, "--json", folder=tmp_path))
    assert f"{summary['arms'][0]['terminal_depth_mm']:.2f}" == laid
    assert f"{summary['parts'][0]['volume_mm3']:.2f}" in built
    assert f"{summary['model']['volume_mm3']:,.1f} mm3" in built
    assert f"Deepest\n{summary['undercut']['max_depth_mm']:.2f} mm" in shown
    assert f"Area\n{summary['undercut']['area_mm2']:.1f} mm2" in shown
    wax = out / "wax" / "parallel.stl"
    assert kept["model.stl"].read_bytes() == (out / "model.stl").read_bytes()
    with zipfile.ZipFile(kept["wax.zip"]) as packed:
        assert packed.read("parallel.stl") == wax.read_bytes()
    told = json.loads(kept["summary.json"].read_text(encoding="utf-8"))
    assert told["parts"] == summary["parts"]
    report = kept["report.html"].read_text(encoding="utf-8")
    assert f"{summary['model']['volume_mm3']:,.1f}" in report


def _top_of_the_last_molar(folder):
    """The highest place of the right-hand end of the arch, file coordinates."""
    from blockout.web.sitting import open_sitting

    cast = open_sitting(folder / "my_scan.case.toml").cast
    at = cast.frame.points_to_cast(cast.mesh.vertices)
    behind = (at[:, 0] > 15.0) & (at[:, 1] < np.percentile(at[:, 1], 30))
    return cast.mesh.vertices[behind][np.argmax(at[behind, 2])]


def _hosts_asked(tab):
    """Every host that the browser spoke to."""
    hosts = set()
    for entry in tab.driver.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        if message["method"] in ("Network.requestWillBeSent", "Network.webSocketCreated"):
            address = message["params"].get("url") or message["params"]["request"]["url"]
            found = re.match(r"(?:https?|wss?)://([^/]+)", address)
            if found:
                hosts.add(found[1])
    return hosts


def _no_faults(tab):
    severe = [line for line in tab.driver.get_log("browser") if line["level"] == "SEVERE"]
    assert severe == []


@pytest.mark.long
def test_two_tabs_do_not_mix_and_nothing_drawn_is_lost(folder, tmp_path):
    """Two sittings at one case; then the server is killed, and what was not saved is offered."""
    place = tmp_path / "shared"
    place.mkdir()
    shutil.copy(SAMPLES / "lower_scan.stl", place / "lower_scan.stl")
    case_file = Path(shutil.copy(SAMPLES / "lower_case.toml", place / "case.toml"))
    before = case_file.read_bytes()
    with served(place) as running, browser(running.address, size=(1280, 800)) as tab:
        page = Page(tab)
        addresses = []
        for _ in range(2):
            tab.driver.get(running.address)
            page.press("case.toml")
            page.ready()
            addresses.append(tab.driver.current_url)
        assert addresses[0] != addresses[1]
        page.step("Cast")
        _type(page, 'input[aria-label="name"]', "the second tab's")
        page.says("not saved", 30.0)
        tab.driver.get(addresses[0])
        page.ready()
        assert "Demo case A" in page.all(".case-name")[0].text
        assert page.all(".saved-state")[0].text == "saved"
        # a reload of the page keeps what is drawn
        tab.driver.get(addresses[1])
        page.ready()
        assert page.all(".case-name")[0].text == "the second tab's"
        assert case_file.read_bytes() == before
        running.kill()
    with served(place) as again, browser(again.address, size=(1280, 800)) as tab:
        page = Page(tab)
        tab.driver.get(again.address)
        page.press("case.toml")
        page.says("Changes that were not saved")
        page.press("Go on with them")
        page.until(
            lambda: page.all(".case-name")[0].text == "the second tab's", "they are taken up", 30.0
        )
        page.press("Save")
        page.says("Saved to", 30.0)
        _no_faults(tab)
    text = case_file.read_text(encoding="utf-8")
    assert read_case(case_file).name == "the second tab's"
    assert "# beside this file" in text  # a person's comments stay


def _type(page, box, words):
    from selenium.webdriver.common.keys import Keys

    boxes = page.until(lambda: page.all(box), f"the box {box} is there")
    boxes[0].send_keys(Keys.CONTROL, "a")
    boxes[0].send_keys(words, Keys.TAB)
