"""How long the page makes a technician wait, in a real browser without a head.

    python benchmarks/page.py [--step 0.335] [--size 1280x800]

Needs Chromium and its driver. First picture: from opening the case's address to the cast on the
screen, the cast prepared. Depths and figures: from the last movement of a slider, until the new
depths are on the screen, and until exact figures and survey lines are. Each is the median of
several. Seconds, since a person waits in seconds; they are of the machine they were measured on.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).parent
for folder in ("tests", "tests/view", "tests/page"):
    sys.path.insert(0, str(HERE.parent / folder))
sys.path.insert(0, str(HERE))

from page_server import served  # noqa: E402
from stages import make_cast  # noqa: E402
from view_browser import browser  # noqa: E402

_ROUNDS = 7
_PATIENCE_S = 8.0
_TILT = """
window.timed = {};
const before = v.state().depths_taken, begun = performance.now();
const figures = () => [...document.querySelectorAll(".facts")].map((e) => e.textContent).join();
const look = () => {
  const said = figures().includes(arguments[1]);
  const { depths_taken, lines } = v.state();
  const drawn = lines.some(({ name, shown }) => shown && name === "survey line");
  const now = (performance.now() - begun) / 1000;
  if (depths_taken > before) window.timed.depths ??= now;
  if (said && drawn) window.timed.exact = now;
  else setTimeout(look, 10);
};
window.dispatchEvent(
  new CustomEvent("blockout-tilt", { detail: { lateral_tilt_deg: arguments[0] } }),
);
look();
"""
"""Tilts, and watches from within the page: being asked from outside would cost the browser time."""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--step", type=float, default=0.335, help="Facet size of the cast, mm.")
    parser.add_argument("--size", default="1280x800")
    asked = parser.parse_args()
    wide, high = (int(part) for part in asked.size.split("x"))
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "bench"
        folder.mkdir()
        make_cast(folder / "cast.ply", asked.step, 0.0)
        with (
            served(folder, "cast.ply") as running,
            browser(running.address, size=(wide, high)) as tab,
        ):
            begun = time.perf_counter()
            tab.driver.get(running.address)
            _until(lambda: "/table/" in tab.driver.current_url)
            print(f"opened, read and surveyed {time.perf_counter() - begun:.2f} s")
            _drawn(tab)
            print(f"{tab.state()['triangles']:,} triangles")
            first = []
            for _ in range(3):
                address = tab.driver.current_url
                tab.driver.get(f"{running.address}".split("?")[0])
                begun = time.perf_counter()
                tab.driver.get(address)
                _drawn(tab)
                first.append(time.perf_counter() - begun)
            _told("first picture", first)
            _until(lambda: tab.js("return !!document.querySelector('.facts');"))
            depths, figures = [], []
            for number in range(_ROUNDS):
                deg = 1.0 + 0.5 * number
                tab.js(_TILT, deg, f"{deg:+.2f} degrees")
                time.sleep(_PATIENCE_S)
                timed = tab.js("return window.timed;")
                depths.append(timed["depths"])
                figures.append(timed["exact"])
            _told("depths after the last movement", depths)
            _told("exact figures and survey lines after it", figures)


def _drawn(tab) -> None:  # type: ignore[no-untyped-def]
    _until(lambda: (tab.state() or {}).get("triangles"))


def _until(met, patience_s: float = 120.0) -> None:  # type: ignore[no-untyped-def]
    ends = time.monotonic() + patience_s
    while time.monotonic() < ends:
        if met():
            return
        time.sleep(0.01)
    raise SystemExit("waited in vain")


def _told(what: str, seconds: list[float]) -> None:
    print(
        f"{what}: median {statistics.median(seconds):.2f} s, "
        f"{min(seconds):.2f} to {max(seconds):.2f}"
    )


if __name__ == "__main__":
    main()
