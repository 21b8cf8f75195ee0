"""One row of the log, read from the document that a build or a comparison wrote."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal

Kind = Literal["build", "compare"]

NAMELESS: Final = ""


@dataclass(frozen=True)
class Entry:
    """One build, or one scan of a comparison.

    What a document does not hold is None, or empty.

    Parameters
    ----------
    at_utc : str
        ISO 8601 to the second, ending in ``Z``.
    kind : "build" or "compare"
    case_name, case_file : str
    cast_sha256 : str
        Of the scan the cast was prepared from.
    case_sha256 : str
        Of every value the case uses, see :func:`case_checksum`.
    version : str
        Of this package.
    versions : mapping
        Of Python and the libraries, by name.
    anterior_tilt_deg, lateral_tilt_deg : float
    undercut_mm3 : float
    blockout_mm3 : mapping
        Planned wax by kind.
    model_mm3 : float
        Of the blocked-out model.
    warnings : tuple of str
        Codes.
    scan_name, scan_sha256 : str
        The scan that was compared.
    expected_mm3, actual_mm3, missing_mm3, excess_mm3 : float
        Wax, where the scan shows anything.
    rms_mm, p95_mm : float
        Of the deviation of the wax.
    share_within, within_mm : float
        Share of the wax within this deviation.
    passed : bool
        The verdict.
    number : int
        Of the row in its log; None before it is written.
    """

    at_utc: str
    kind: Kind
    case_name: str = NAMELESS
    case_file: str = NAMELESS
    cast_sha256: str | None = None
    case_sha256: str | None = None
    version: str | None = None
    versions: Mapping[str, str] = field(default_factory=dict)
    anterior_tilt_deg: float | None = None
    lateral_tilt_deg: float | None = None
    undercut_mm3: float | None = None
    blockout_mm3: Mapping[str, float] = field(default_factory=dict)
    model_mm3: float | None = None
    warnings: tuple[str, ...] = ()
    scan_name: str | None = None
    scan_sha256: str | None = None
    expected_mm3: float | None = None
    actual_mm3: float | None = None
    missing_mm3: float | None = None
    excess_mm3: float | None = None
    rms_mm: float | None = None
    p95_mm: float | None = None
    share_within: float | None = None
    within_mm: float | None = None
    passed: bool | None = None
    number: int | None = None

    @property
    def off_percent(self) -> float | None:
        """Actual less expected volume, in percent of the expected; None where none was expected.

        >>> when = "2030-01-01T00:00:00Z"
        >>> Entry(when, "compare", expected_mm3=200.0, actual_mm3=203.0).off_percent
        1.5
        """
        if not self.expected_mm3 or self.actual_mm3 is None:
            return None
        return 100.0 * (self.actual_mm3 - self.expected_mm3) / self.expected_mm3


def case_checksum(case: Mapping[str, Any]) -> str:
    """SHA-256 of the facts of a case: JSON with sorted keys and no spaces, in UTF-8.

    The order of keys makes no difference; any value does.

    >>> case_checksum({"a": 1, "b": 2}) == case_checksum({"b": 2, "a": 1})
    True
    """
    text = json.dumps(case, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def build_entry(summary: Mapping[str, Any], *, at_utc: str, case_file: str | None = None) -> Entry:
    """The row of one build, from what ``summary.json`` holds."""
    undercut, model = summary.get("undercut") or {}, summary.get("model") or {}
    return Entry(
        at_utc=at_utc,
        kind="build",
        **_shared(summary, summary.get("case"), summary["parts"], case_file),
        undercut_mm3=undercut.get("volume_mm3"),
        model_mm3=model.get("volume_mm3"),
        warnings=tuple(warning["code"] for warning in summary.get("warnings", ())),
    )


def comparison_entries(
    facts: Mapping[str, Any],
    *,
    at_utc: str,
    case: Mapping[str, Any] | None = None,
    case_file: str | None = None,
) -> tuple[Entry, ...]:
    """One row for each scan of a comparison, from what ``compare.json`` holds.

    ``case`` is that of the build's ``summary.json``: the comparison's own document names no case.
    """
    shared = _shared(facts, case or facts.get("case"), facts["planned"]["parts"], case_file)
    return tuple(_scan_entry(scan, at_utc, shared) for scan in facts["scans"])


def _scan_entry(scan: Mapping[str, Any], at_utc: str, shared: Mapping[str, Any]) -> Entry:
    volume = scan["volume"]
    spread = scan["deviation"]["wax"].get("all") or {}
    return Entry(
        at_utc=at_utc,
        kind="compare",
        **shared,
        scan_name=scan["name"],
        scan_sha256=scan["sha256"],
        expected_mm3=volume["shown_mm3"],
        actual_mm3=volume["actual_mm3"],
        missing_mm3=volume["missing_mm3"],
        excess_mm3=volume["excess_mm3"],
        rms_mm=spread.get("rms_mm"),
        p95_mm=spread.get("p95_mm"),
        share_within=spread.get("share_within"),
        within_mm=spread.get("within_mm"),
        passed=scan["passed"],
    )


def _shared(
    facts: Mapping[str, Any],
    case: Mapping[str, Any] | None,
    parts: Sequence[Mapping[str, Any]],
    case_file: str | None,
) -> dict[str, Any]:
    versions = dict(facts.get("versions", {}))
    return {
        "case_name": (case or {}).get("name") or NAMELESS,
        "case_file": case_file or NAMELESS,
        "cast_sha256": facts["cast"].get("source_sha256"),
        "case_sha256": None if case is None else case_checksum(case),
        "version": versions.pop("blockout", None),
        "versions": versions,
        "anterior_tilt_deg": facts["path"].get("anterior_tilt_deg"),
        "lateral_tilt_deg": facts["path"].get("lateral_tilt_deg"),
        "blockout_mm3": _by_kind(parts),
    }


def _by_kind(parts: Sequence[Mapping[str, Any]]) -> dict[str, float]:
    volumes: dict[str, float] = {}
    for part in parts:
        volumes[part["kind"]] = volumes.get(part["kind"], 0.0) + (part["volume_mm3"] or 0.0)
    return volumes
