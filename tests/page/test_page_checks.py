"""The last steps in a real browser: a framework tried in, a scan held against the plan; what the
page says is what the command line says.
"""

import json
import re
import time

import pytest
from bodies import cast_of
from page_server import served
from test_page_job import Page, command
from view_browser import browser, needs_browser

from blockout.cast.record import write_cast
from blockout.samples.arch import closed_cast
from blockout.samples.plan import CastPlan

pytestmark = [needs_browser, pytest.mark.long]
CASE = """schema = "blockout-case/1"
name = "checks"

[cast]
file = "cast.ply"
arch = "lower"

[path]
anterior_tilt_deg = -4
lateral_tilt_deg = 2
"""


def test_a_framework_is_tried_in_and_a_scan_compared(tmp_path):
    """The wax itself as a framework stands in the undercut; the model as a scan is as planned."""
    made = closed_cast(CastPlan(arch="lower", missing=(36, 37, 45, 46), spacing_mm=1.2))
    cast = cast_of(made.mesh, scanned=made.skin.copy(), matrix=made.frame.matrix)
    write_cast(tmp_path / "cast.ply", cast)
    case = tmp_path / "plan.case.toml"
    case.write_text(CASE, encoding="utf-8")
    built = tmp_path / "plan-build"
    command("build", case, "--out", built, "--no-log", folder=tmp_path)
    framework, scan = built / "wax" / "parallel.stl", built / "model.stl"
    with served(tmp_path, str(case)) as server, browser(server.address, size=(1280, 800)) as tab:
        page = Page(tab)
        tab.driver.get(server.address)
        page.ready()
        page.step("Check")
        page.upload(framework)
        page.says(r"parallel\.stl")
        page.press("Try it in")
        cancel = page.until(lambda: [b for b in page.all("button") if b.text == "Cancel"], "Cancel")
        time.sleep(1.0)  # progress goes on; the button is still the one that was there
        cancel[0].click()
        page.says("Ended before it was done")
        page.press("Try it in")
        page.says("It does NOT go to place")
        said = page.text()
        page.upload(scan, at=1)
        page.says(r"model\.stl")
        page.press("Compare")
        page.says("Passes: ")
        compared = page.text()
        layers = {one["name"]: one["shown"] for one in tab.state()["layers"]}
        assert layers["framework"]
        assert layers["scan-1"] is False  # it covers all else until it is asked for
        page.press("Go to interference 1")
        page.until(lambda: not tab.state()["view"], "the view went there", 30.0)

    # found beside the case, and told by the command line of the same files
    tried = json.loads((tmp_path / "plan-try-in" / "try_in.json").read_text(encoding="utf-8"))
    again = json.loads(command("try-in", case, framework, "--json", folder=tmp_path, code=1))
    assert tried["interferences"] == again["interferences"]
    first = again["interferences"][0]
    assert (
        f"1: {first['where']}, {first['depth_mm']:.2f} mm too deep, {first['volume_mm3']:.2f} mm3, "
        f"first touches {first['first_touch_mm']:.2f} mm above seat"
    ) in said
    volume = json.loads(command("compare", built, scan, "--json", "--no-log", folder=tmp_path))[
        "scans"
    ][0]["volume"]
    assert f"Wax found\n{volume['actual_mm3']:.1f} mm3" in compared
    assert re.search(rf"Missing\n{volume['missing_mm3']:.2f} mm3", compared)
    # the plan is what the summary of the build says
    planned = json.loads((built / "summary.json").read_text(encoding="utf-8"))["parts"]
    assert volume["actual_mm3"] == pytest.approx(
        sum(part["volume_mm3"] for part in planned), rel=1e-3
    )
