"""The answer as plain facts: one document for JSON, and rows for CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Any, Final

from blockout.choosing.choose import Choice
from blockout.choosing.factors import FACTORS, Measures, Score
from blockout.choosing.ranking import Candidate
from blockout.choosing.tilts import Tilt, path_of

SCHEMA: Final = "blockout-choices/1"


def choice_facts(choice: Choice) -> dict[str, Any]:
    """All of a choice, with units in the names."""
    ranking, settings = choice.ranking, choice.ground.settings
    optimal = {found.tilt for found in ranking.pareto}
    flat = ranking.flat
    return {
        "schema": SCHEMA,
        "cast": {
            "file": choice.ground.cast.source.name,
            "sha256": choice.ground.cast.source.sha256,
            "arch": choice.ground.cast.arch,
            "triangles": choice.ground.cast.mesh.triangle_count,
        },
        "settings": settings.model_dump(mode="json"),
        "weights": settings.weights,
        "best_reason": ranking.best_reason,
        "level_good_enough": ranking.level_good_enough,
        "level_reason": ranking.level_reason,
        "notes": [*ranking.notes, *choice.ground.notes],
        "paths": [_candidate(choice, each) for each in ranking.candidates],
        "flat": {
            "share_of_best": flat.share,
            "anterior_deg": list(flat.anterior_deg),
            "lateral_deg": list(flat.lateral_deg),
            "narrowest_deg": flat.narrowest_deg,
            "widest_deg": flat.widest_deg,
        },
        "sampling": {
            "places": choice.places,
            "places_while_searching": choice.sampled_places,
            "largest_volume_error_share": choice.sampling_error_share,
            "largest_total_error_points": choice.sampling_error_points,
        },
        "pareto": [_tried(found) for found in ranking.pareto],
        "tried": [
            _tried(found) | {"pareto": found.tilt in optimal} for found in choice.searched.scores
        ],
    }


def _candidate(choice: Choice, each: Candidate) -> dict[str, Any]:
    direction = path_of(choice.ground.cast, each.tilt).direction
    return {
        "number": each.number,
        **_tilt(each.tilt),
        "words": each.tilt.words,
        "direction": [float(value) for value in direction],
        "why": list(each.why),
        "total": each.score.total,
        "marks": dict(each.score.marks),
        "pareto": each.pareto,
        "as_good_as_best": each.as_good,
        "steep": each.steep,
        "made_by_tilt_alone": list(each.score.tilt_made),
        **measure_facts(each.score.measures),
    }


def _tilt(tilt: Tilt) -> dict[str, float]:
    return {
        "anterior_tilt_deg": tilt.anterior_deg,
        "lateral_tilt_deg": tilt.lateral_deg,
        "tilt_deg": tilt.from_level_deg,
    }


def _tried(found: Score) -> dict[str, Any]:
    return {**_tilt(found.tilt), "total": found.total, "marks": dict(found.marks)}


def measure_facts(found: Measures) -> dict[str, Any]:
    """What was measured along one path; None for what the case gives no ground for."""
    retention, guiding, appearance = found.retention, found.guiding, found.appearance
    there = found.interferences
    return {
        "retention": None
        if retention is None
        else {
            "spread_mm": retention.spread_mm,
            "spread_n": retention.spread_n,
            "sites": [
                {
                    "name": site.name,
                    "tooth": site.tooth,
                    "side": site.side,
                    "counts": site.counts,
                    "asked_mm": site.asked_mm,
                    "offered_mm": site.offered_mm,
                    "lacking_mm": site.lacking_mm,
                    "force_n": site.force_n,
                    "place_mm": None if site.place_mm is None else list(site.place_mm),
                }
                for site in retention.sites
            ],
        },
        "interferences": {
            "volume_mm3": dict(there.volume_mm3),
            "deepest_mm": dict(there.deepest_mm),
            "zone_volume_mm3": dict(there.zone_volume_mm3),
            "weighted_mm3": there.weighted_mm3,
        },
        "guiding_planes": None
        if guiding is None
        else [
            {
                "tooth": guide.tooth,
                "aspect": guide.aspect,
                "angle_deg": guide.angle_deg,
                "parallel_height_mm": guide.parallel_height_mm,
            }
            for guide in guiding.guides
        ],
        "appearance": None
        if appearance is None
        else {
            "line_share": appearance.line_share,
            "gap_mm2": appearance.gap_mm2,
            "teeth": [
                {
                    "tooth": tooth.tooth,
                    "line_share": tooth.line_share,
                    "in_incisal_third_share": tooth.in_incisal_third_share,
                    "gap_mm2": tooth.gap_mm2,
                }
                for tooth in appearance.teeth
            ],
        },
    }


def choice_csv(facts: dict[str, Any]) -> str:
    """The list as a table: a row for each path, decimal points, commas between."""
    rows = list(_rows(facts))
    text = io.StringIO()
    writer = csv.DictWriter(text, fieldnames=list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def _rows(facts: dict[str, Any]) -> Iterator[dict[str, Any]]:
    for path in facts["paths"]:
        there = path["interferences"]
        row: dict[str, Any] = {
            "number": path["number"],
            "anterior_tilt_deg": path["anterior_tilt_deg"],
            "lateral_tilt_deg": path["lateral_tilt_deg"],
            "tilt_deg": round(path["tilt_deg"], 2),
            "total": round(path["total"], 2),
        }
        for name in FACTORS:
            mark = path["marks"].get(name)
            row[f"{name.replace(' ', '_')}_mark"] = "" if mark is None else round(mark, 2)
        for kind in ("teeth", "tissue"):
            row[f"{kind}_undercut_mm3"] = round(there["volume_mm3"][kind], 1)
            row[f"{kind}_deepest_mm"] = round(there["deepest_mm"][kind], 3)
        retention = path["retention"]
        for site in retention["sites"] if retention else ():
            row[f"{site['name']} offered_mm"] = round(site["offered_mm"], 3)
        if retention:
            row["retention_spread_mm"] = round(retention["spread_mm"], 3)
            row["retention_spread_n"] = round(retention["spread_n"], 2)
        for guide in path["guiding_planes"] or ():
            name = f"{guide['tooth']} {guide['aspect']}"
            row[f"{name} angle_deg"] = round(guide["angle_deg"], 2)
            row[f"{name} parallel_height_mm"] = round(guide["parallel_height_mm"], 2)
        if path["appearance"]:
            row["survey_line_share"] = round(path["appearance"]["line_share"], 3)
            row["front_gap_mm2"] = round(path["appearance"]["gap_mm2"], 2)
        row["pareto"] = path["pareto"]
        row["made_by_tilt_alone"] = "; ".join(path["made_by_tilt_alone"])
        row["why"] = "; ".join(path["why"])
        yield row
