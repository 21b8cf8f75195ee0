"""Facts as short lines for people: units, what was assumed, warnings, where the files are."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

Facts = Mapping[str, Any]

_REGIONS_SHOWN: Final = 12
_PLURALS: Final = {"vertex": "vertices"}


def count(number: int, word: str) -> str:
    """``1 hole``, ``12,345 triangles``.

    >>> count(1, "hole"), count(12345, "triangle"), count(2, "vertex")
    ('1 hole', '12,345 triangles', '2 vertices')
    """
    if number == 1:
        return f"1 {word}"
    return f"{number:,} {_PLURALS.get(word, word + 's')}"


def volume(mm3: float | None) -> str:
    """A volume to five digits or a tenth of a cubic millimetre, whichever says more."""
    return "none" if mm3 is None else f"{mm3:,.1f} mm3" if abs(mm3) >= 1.0 else f"{mm3:.3g} mm3"


def size(sides_mm: Sequence[float]) -> str:
    """Length, width and height to a tenth of a millimetre.

    >>> size([64.78, 50.0, 20.25])
    '64.8 x 50.0 x 20.2 mm'
    """
    return " x ".join(f"{side:.1f}" for side in sides_mm) + " mm"


def cast_line(cast: Facts) -> str:
    """The cast in one line, with what was assumed of it."""
    closed = "closed" if cast["closed"] else "not closed"
    arch = f"{cast['arch']} arch" + (
        "" if cast["arch_stated"] else " (assumed; say it with --arch)"
    )
    return (
        f"Cast: {count(cast['triangles'], 'triangle')}, {closed}, {volume(cast['volume_mm3'])}, "
        f"{size(cast['size_mm'])}, {arch}"
    )


def noise_line(cast: Facts) -> str:
    """The estimated standard deviation of the scan's noise, in micrometres."""
    return f"Estimated noise of the scan: {1000.0 * cast['noise_mm']:.1f} um"


def path_line(path: Facts) -> str:
    """Both tilts, and the direction in which the framework is removed."""
    x, y, z = path["direction"]
    return (
        f"Path: anterior tilt {path['anterior_tilt_deg']:.2f} deg, lateral tilt "
        f"{path['lateral_tilt_deg']:.2f} deg, removal along ({x:.4f}, {y:.4f}, {z:.4f})"
    )


def undercut_lines(undercut: Facts) -> Iterator[str]:
    """Undercut in all, then by region."""
    left = (
        f"shallower than {undercut['noise_depth_mm']:.3f} mm left alone: "
        f"{volume(undercut['left_alone']['volume_mm3'])}"
    )
    if undercut["volume_mm3"] <= 0.0:
        yield f"Undercut: none along this path ({left})"
        return
    yield (
        f"Undercut: {volume(undercut['volume_mm3'])} under {undercut['area_mm2']:.1f} mm2 of "
        f"scanned surface, deepest {undercut['max_depth_mm']:.2f} mm ({left})"
    )
    regions = [region for region in undercut["regions"] if region.get("area_mm2", 0.0) > 0.0]
    for region in regions[:_REGIONS_SHOWN]:
        depth = region.get("max_depth_mm")
        yield (
            f"  {region.get('name', 'region')}: {volume(region.get('volume_mm3'))}, "
            f"{region['area_mm2']:.1f} mm2" + ("" if depth is None else f", {depth:.2f} mm deep")
        )


def part_line(part: Facts) -> str:
    """One wax part: volume, triangles, closed or not; or that it is empty."""
    if part["triangles"] == 0:
        return f"Wax {part['name']}: empty, nothing to fill along this path"
    closed = "closed" if part["closed"] else "not closed"
    return (
        f"Wax {part['name']} ({part['kind']}): {volume(part['volume_mm3'])}, "
        f"{count(part['triangles'], 'triangle')}, {closed}"
    )


def model_line(model: Facts) -> str:
    """The blocked-out model: triangles, closed or not, volume."""
    closed = "closed" if model["closed"] else "not closed"
    return (
        f"Model: {count(model['triangles'], 'triangle')}, {closed}, {volume(model['volume_mm3'])}"
    )


def mould_line(mould: Facts) -> str:
    """What is left of undercut for the duplicating mould, and the wall it asks for."""
    depth_mm = mould["remaining_undercut_mm"]
    arm = mould["remaining_undercut_arm"]
    where = f" in the window of the arm {arm}" if arm else ""
    return (
        f"Mould: the deepest undercut left is {depth_mm:.2f} mm{where}; its wall must be at least "
        f"{mould['least_wall_mm']:.1f} mm, {mould['wall_mm']:g} mm is assumed"
    )


def change_lines(changes: Sequence[Facts]) -> Iterator[str]:
    """What preparing did to the scan, one line for each change, indented."""
    for change in changes:
        yield f"  {change['message']}"


def note_lines(notes: Sequence[str]) -> Iterator[str]:
    """What was found or assumed, one sentence each."""
    for note in notes:
        yield f"Note: {note[:1].upper()}{note[1:].rstrip('.')}."


def warning_lines(warnings: Sequence[Facts]) -> Iterator[str]:
    """Cautions, each with its code."""
    for warning in warnings:
        yield f"Warning {warning['code']}: {warning['message']}"


def time_line(timings_s: Mapping[str, float]) -> Iterator[str]:
    """Seconds in all; nothing where no time was kept."""
    if timings_s:
        total = timings_s.get("total", sum(timings_s.values()))
        yield f"Took {total:.1f} s"


def written_line(out: Path) -> str:
    """Where the answer lies."""
    return f"Written to {out}"
