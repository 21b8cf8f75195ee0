"""Documents and series made up for these tests, in the shape that build and compare write."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from blockout.history.entry import Entry

WHEN = datetime(2031, 5, 4, 13, 2, 1, tzinfo=UTC)

CASE = {"schema": "blockout-case/1", "name": "Ärztin's case 7", "path": {"warn": {"value": 10.0}}}

SUMMARY: dict[str, Any] = {
    "schema": "blockout-summary/1",
    "cast": {"source": "scan.stl", "source_sha256": "a" * 64},
    "path": {"anterior_tilt_deg": -4.0, "lateral_tilt_deg": 2.5},
    "undercut": {"volume_mm3": 833.125},
    "parts": [
        {"name": "parallel", "kind": "parallel", "volume_mm3": 700.5},
        {"name": "ledge-47", "kind": "ledge", "volume_mm3": 25.25},
        {"name": "under-relief", "kind": "parallel", "volume_mm3": 8.0},
        {"name": "empty", "kind": "relief", "volume_mm3": None},
    ],
    "model": {"volume_mm3": 36851.75},
    "warnings": [{"code": "steep-tilt", "message": "..."}, {"code": "thin-wall", "message": "..."}],
    "case": CASE,
    "versions": {"blockout": "0.1.0", "python": "3.12.1", "numpy": "2.4.6"},
}


def facts(*actual_mm3: float, passed: bool = True) -> dict[str, Any]:
    """A comparison of as many scans, 730 mm3 of wax planned where each shows anything."""
    return {
        "schema": "blockout-compare/1",
        "passed": passed,
        "cast": SUMMARY["cast"],
        "path": SUMMARY["path"],
        "planned": {"volume_mm3": 733.75, "parts": SUMMARY["parts"]},
        "versions": SUMMARY["versions"],
        "scans": [
            {
                "name": f"scan-{number}.stl",
                "sha256": f"{number}" * 64,
                "passed": passed,
                "volume": {
                    "planned_mm3": 733.75,
                    "shown_mm3": 730.0,
                    "actual_mm3": actual,
                    "missing_mm3": 1.5,
                    "excess_mm3": 2.25,
                },
                "deviation": {
                    "wax": {
                        "all": {
                            "rms_mm": 0.031,
                            "p95_mm": 0.062,
                            "share_within": 0.97,
                            "within_mm": 0.1,
                        }
                    }
                },
            }
            for number, actual in enumerate(actual_mm3, start=1)
        ],
    }


def off_by(*percent: float, case: str = "A") -> tuple[Entry, ...]:
    """Comparisons that differ from 200 mm3 by so many percent, one a day."""
    return tuple(
        Entry(
            f"2031-{1 + day // 28:02d}-{1 + day % 28:02d}T09:00:00Z",
            "compare",
            case_name=case,
            scan_name=f"scan-{day}.stl",
            expected_mm3=200.0,
            actual_mm3=200.0 * (1.0 + one / 100.0),
            rms_mm=0.03,
            passed=True,
            number=day + 1,
        )
        for day, one in enumerate(percent)
    )


def fifty_rows(log: str, name: str) -> None:
    """What each of two processes does at once."""
    from blockout.history.log import append_build

    for number in range(50):
        append_build(Path(log), {**SUMMARY, "case": {"name": f"{name}-{number}"}})
