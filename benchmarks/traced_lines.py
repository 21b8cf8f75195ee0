"""A plugin of pytest for :mod:`mutants`: which tests run which lines of the wax and surveying
rooms.

Written to the file that ``TRACED_LINES`` names: of each test that passed its name, its seconds and
its lines. What a fixture made for several tests runs counts for all that have it. Random examples
are the same whatever is loaded: else a fault in a constant would change them.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis.internal.conjecture import providers

ROOMS = ("blockout/wax", "blockout/surveying")
_OUT = os.environ.get("TRACED_LINES")
_run: dict[str, set[tuple[str, int]]] = defaultdict(set)
_seconds: dict[str, float] = {}
_failed: set[str] = set()
_now = ["import"]


def _traced(frame: Any, _event: str, _arg: Any) -> Any:
    _, house, within = frame.f_code.co_filename.rpartition("/blockout/")
    name = house.lstrip("/") + within
    if not name.startswith(ROOMS):
        return None
    _run[_now[0]].add((name, frame.f_lineno))
    return _traced


def pytest_configure() -> None:
    """Begin."""
    providers._get_local_constants = lambda: providers._local_constants
    if _OUT:
        threading.settrace(_traced)
        sys.settrace(_traced)


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """Lines that run from here on are this test's."""
    _now[0], begun = item.nodeid, time.perf_counter()
    yield
    _seconds[item.nodeid] = time.perf_counter() - begun
    for name in getattr(item, "fixturenames", ()):
        _run[item.nodeid] |= _run.get(f"fixture {name}", set())


@pytest.hookimpl(hookwrapper=True)
def pytest_fixture_setup(fixturedef: Any) -> Iterator[None]:
    """Lines of what is made for several tests."""
    before = _now[0]
    if fixturedef.scope != "function":
        _now[0] = f"fixture {fixturedef.argname}"
    yield
    _now[0] = before


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """A test that does not pass on the code as it is tells nothing of a fault."""
    if report.outcome != "passed":
        _failed.add(report.nodeid)


def pytest_sessionfinish() -> None:
    """Write it down."""
    sys.settrace(None)
    if _OUT:
        rows = [[t, s, sorted(_run[t])] for t, s in _seconds.items() if t not in _failed]
        Path(_OUT).write_text(json.dumps(rows), encoding="utf-8")
