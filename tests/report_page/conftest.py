"""One built folder of a ball for a tooth, and its report, once for all tests of this folder."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from ball_case import write_build

from blockout import job
from blockout.report.page.inner_side import inner_pictures


@pytest.fixture(scope="session", autouse=True)
def small_inner_pictures() -> Iterator[None]:
    """Pictures a quarter as wide: what is on them is not what these tests look at."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(inner_pictures.__kwdefaults__, "size_px", (300, 225))
        yield


@pytest.fixture(scope="session")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder; no test changes it."""
    folder = tmp_path_factory.mktemp("reported") / "b"
    write_build(folder)
    return folder


@pytest.fixture(scope="session")
def summary(built: Path) -> dict[str, Any]:
    return dict(json.loads((built / "summary.json").read_text(encoding="utf-8")))


@pytest.fixture(scope="session")
def written(built: Path) -> job.Reported:
    return job.report_folder(built, out=built.parent / "report.html")


@pytest.fixture(scope="session")
def html(written: job.Reported) -> str:
    return written.out.read_text(encoding="utf-8")
