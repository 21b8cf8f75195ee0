"""A try-in as plain values, units in their names: what ``try_in.json`` holds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from blockout.mesh import Floats
from blockout.teeth.numbers import tooth_name
from blockout.trying.gaps import Gap
from blockout.trying.interference import Interference
from blockout.trying.terminals import Engagement
from blockout.trying.tilts import Limit, Range, leaning
from blockout.trying.try_in import TryIn, Where, places_in_words

TRY_IN_SCHEMA: Final = "blockout-try-in/1"

_LEANS: Final = (
    "right side down",
    "front and right side down",
    "front down",
    "front and left side down",
    "left side down",
    "back and left side down",
    "back down",
    "back and right side down",
)


def lean_words(azimuth_deg: float) -> str:
    """Which way the cast leans, to the nearest eighth of a turn.

    >>> lean_words(0.0), lean_words(100.0), lean_words(350.0)
    ('right side down', 'front down', 'right side down')
    """
    return _LEANS[round(azimuth_deg / 45.0) % 8]


def try_in_facts(done: TryIn) -> dict[str, Any]:
    """All but the cast, the path and the versions, which every document tells in one way."""
    settings = done.settings
    return {
        "goes_to_place": done.goes_to_place,
        "allowance_mm": settings.allowance_mm,
        "first_touch_mm": done.first_touch_mm,
        "framework": {
            "source": done.framework.source.name,
            "source_sha256": done.framework.source.sha256,
            "unit": done.framework.unit,
            "triangles": done.framework.mesh.triangle_count,
            "volume_mm3": done.framework.mesh.volume_mm3,
        },
        "interferences": [
            _interference(number, one, where)
            for number, (one, where) in enumerate(
                zip(done.interferences, done.where, strict=True), start=1
            )
        ],
        "touching": {
            "pieces": done.touching.pieces,
            "volume_mm3": done.touching.volume_mm3,
        },
        "terminals": [_terminal(one) for one in done.terminals],
        "gaps": [_gap(one) for one in done.gaps],
        "other_paths": _range(done, done.paths) | {"elsewhere": _elsewhere(done)},
        "turned_framework": _range(done, done.turns)
        | {
            "turn_deg": done.turned.angle_deg,
            "ways": done.turned.ways,
            "stopped_ways": done.turned.stopped,
        },
        "notes": list(done.framework.notes),
    }


def tilts_deg(done: TryIn, azimuth_deg: float, tilt_deg: float) -> tuple[float, float]:
    """Anterior and lateral tilt of the path that leans further by ``tilt_deg``."""
    side = 1.0 if done.cast.arch == "lower" else -1.0
    along = leaning(np.array(azimuth_deg), np.array(tilt_deg), arch_side=side)
    x, y, z = done.cast.frame.directions_to_cast(along @ done.path.to_path)
    return math.degrees(math.atan2(-y, z)) + 0.0, math.degrees(math.atan2(-side * x, z)) + 0.0


def _interference(
    number: int, one: Interference, reached: Sequence[tuple[Where, float]]
) -> dict[str, Any]:
    where = reached[0][0]
    return {
        "number": number,
        "where": where.words,
        "tooth": where.tooth,
        "tooth_name": None if where.tooth is None else tooth_name(where.tooth),
        "aspect": where.aspect,
        "at_mm": _point(one.at_mm),
        "depth_mm": one.depth_mm,
        "into_mm": one.into_mm,
        "way": one.way,
        "in_cast": one.in_cast,
        "surface_mm": one.surface_mm,
        "volume_mm3": one.volume_mm3,
        "first_touch_mm": one.first_touch_mm,
        "touches_at_mm": _point(one.touches_at_mm),
        "reaches": [{"where": place.words, "into_mm": into_mm} for place, into_mm in reached],
    }


def _terminal(one: Engagement) -> dict[str, Any]:
    return {
        "name": one.name,
        "tooth": one.tooth,
        "asked_mm": one.asked_mm,
        "engages": one.engages,
        "depth_mm": one.depth_mm,
        "at_mm": _point(one.at_mm),
        "volume_mm3": one.volume_mm3,
    }


def _gap(one: Gap) -> dict[str, Any]:
    return {
        "kind": one.kind,
        "name": one.name,
        "least_mm": one.least_mm,
        "median_mm": one.median_mm,
        "area_mm2": one.area_mm2,
        "at_mm": _point(one.at_mm),
    }


def _range(done: TryIn, found: Range) -> dict[str, Any]:
    least, most = found.across_deg
    return {
        "within_deg": found.within_deg,
        "narrowest": _limit(done, found, found.narrowest),
        "widest": _limit(done, found, found.widest),
        "across_least_deg": least,
        "across_most_deg": most,
        "limits": [_limit(done, found, one) for one in found.limits],
    }


def _limit(done: TryIn, found: Range, one: Limit) -> dict[str, Any]:
    facts: dict[str, Any] = {
        "azimuth_deg": one.azimuth_deg,
        "leans": lean_words(one.azimuth_deg),
        "angle_deg": one.angle_deg,
        "open": one.open,
        "stopped_at_mm": _point(one.at_mm),
        "stopped_at": None
        if one.at_mm is None
        else places_in_words(done.cast, done.teeth, one.at_mm[None])[0].words,
    }
    if found.sense == "path":
        anterior, lateral = tilts_deg(done, one.azimuth_deg, one.angle_deg)
        facts |= {"anterior_tilt_deg": anterior, "lateral_tilt_deg": lateral}
    return facts


def _elsewhere(done: TryIn) -> dict[str, Any] | None:
    if done.elsewhere is None:
        return None
    azimuth_deg, tilt_deg = done.elsewhere
    anterior, lateral = tilts_deg(done, azimuth_deg, tilt_deg)
    return {
        "azimuth_deg": azimuth_deg,
        "leans": lean_words(azimuth_deg),
        "angle_deg": tilt_deg,
        "anterior_tilt_deg": anterior,
        "lateral_tilt_deg": lateral,
    }


def _point(at_mm: Floats | None) -> list[float] | None:
    return None if at_mm is None else [float(value) for value in at_mm]
