"""The view on a ball on a plate, opened once for the tests of a file."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from view_browser import Browser, ball, bench, browser


@pytest.fixture(scope="module")
def page(tmp_path_factory: Any) -> Iterator[Browser]:
    with (
        bench(ball(), tmp_path_factory.mktemp("ball")) as address,
        browser(address) as opened,
    ):
        opened.open()
        yield opened


@pytest.fixture
def view(page: Browser) -> Browser:
    """The page as it was opened: level, from above, nothing drawn."""
    page.asked("/slow?depth_s=0")
    page.js(
        "v.setDrawing(null); v.setMarkers([]); v.setSection(null); v.setOpacity('cast', 1);"
        "v.showLayer('cast', true); v.showSpindle(true); v.setProjection('orthographic');"
        "v.setUpright('cast'); v.setProbing(true); v.tilt(0, 0); v.setView('path');"
        "v.setShading({undercut: true, hatch: true, gauges: true, survey_line: true});"
    )
    page.settled()
    page.until(lambda: page.js("return view.path.depths.idle;"), "all depths have come")
    return page
