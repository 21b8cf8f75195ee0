"""``blockout inspect``: what a mesh is, and what is wrong with it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from blockout.cli import words
from blockout.cli.asked import unit_asked
from blockout.cli.groups import Speaking
from blockout.cli.options import ScanFile, Unit
from blockout.cli.terminal import terminal


def inspect(
    scan: ScanFile,
    unit: Unit = None,
    *,
    speaking: Speaking,
) -> None:
    """Say what a mesh is and what is wrong with it. Changes nothing."""
    with terminal(speaking) as here:
        asked_unit = unit_asked(unit)

        from blockout import job
        from blockout.report.facts import inspect_facts

        with here.progress() as tell:
            tell("reading and inspecting")
            inspected = job.inspect_file(scan, unit=asked_unit)
        facts = inspect_facts(inspected.scan, inspected.inspection)
        here.answer(facts, _lines(facts, inspected.inspection.sentences()))


def _lines(facts: dict[str, Any], faults: tuple[str, ...]) -> Iterator[str]:
    mesh = facts["mesh"]
    yield f"{facts['source']}: {facts['format']}, unit {facts['unit']} ({facts['unit_from']})"
    yield (
        f"{words.count(mesh['triangles'], 'triangle')}, {words.count(mesh['vertices'], 'vertex')}, "
        f"{words.size(mesh['size_mm'])}, area {mesh['area_mm2']:,.1f} mm2"
    )
    if mesh["closed"]:
        yield f"Closed, volume {words.volume(mesh['volume_mm3'])}"
    lengths = mesh["edge_length_mm"]
    yield (
        f"Edges {lengths['median']:.3f} mm in the middle, 5 % under {lengths['p05']:.3f}, "
        f"5 % over {lengths['p95']:.3f}"
    )
    yield words.noise_line(mesh)
    yield from words.note_lines(facts["notes"])
    yield from faults
    yield "It is a solid." if mesh["is_solid"] else "It is not a solid yet: run blockout prepare."
