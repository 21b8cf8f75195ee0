"""What a survey says of each tooth: undercut, survey line and gauges, aspect by aspect."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from blockout.errors import InputError, Place
from blockout.kernel.surfaces import nearest_places
from blockout.mesh import Floats, Ints, Mesh
from blockout.surveying.lines import level_segments
from blockout.surveying.reading import Reading
from blockout.teeth.aspects import ASPECTS, Aspect, aspect_word
from blockout.teeth.crowns import Crown, Teeth
from blockout.teeth.numbers import tooth_name


@dataclass(frozen=True)
class AspectSurvey:
    """One aspect of one tooth along the survey's path.

    Parameters
    ----------
    aspect : str
        One of :data:`~blockout.teeth.aspects.ASPECTS`.
    word : str
        What the mouth calls it on this tooth, such as labial.
    area_mm2, undercut_area_mm2 : float
        Surface, and how much of it is undercut deeper than the noise depth.
    max_depth_mm : float
        Of its vertices; 0 where none is undercut.
    max_depth_at_mm : (x, y, z) or None
        The place, file coordinates.
    line_length_mm : float
        How much survey line runs over it.
    line_height_min_mm, line_height_mean_mm : float or None
        Height of the survey line above the gingival margin below it, along the path; None where no
        survey line runs over the aspect. Negative where the line lies lower than the margin, as on
        a tooth that leans over.
    length_at_gauge_mm : mapping from gauge in mm to mm
        How long the line is along which a gauge of that size touches.
    """

    aspect: Aspect
    word: str
    area_mm2: float
    undercut_area_mm2: float
    max_depth_mm: float
    max_depth_at_mm: Place | None
    line_length_mm: float
    line_height_min_mm: float | None
    line_height_mean_mm: float | None
    length_at_gauge_mm: Mapping[float, float]

    def facts(self) -> dict[str, Any]:
        """As plain values with units in their names."""
        return {
            "aspect": self.aspect,
            "word": self.word,
            "area_mm2": self.area_mm2,
            "undercut_area_mm2": self.undercut_area_mm2,
            "max_depth_mm": self.max_depth_mm,
            "max_depth_at_mm": None if self.max_depth_at_mm is None else [*self.max_depth_at_mm],
            "line_length_mm": self.line_length_mm,
            "line_height_min_mm": self.line_height_min_mm,
            "line_height_mean_mm": self.line_height_mean_mm,
            "gauges": [
                {"gauge_mm": gauge_mm, "length_mm": length_mm}
                for gauge_mm, length_mm in self.length_at_gauge_mm.items()
            ],
        }


@dataclass(frozen=True)
class ToothSurvey:
    """One tooth along the survey's path.

    Parameters
    ----------
    number : int
        ISO 3950.
    aspects : tuple of AspectSurvey
        In the order of :data:`~blockout.teeth.aspects.ASPECTS`.
    margin_doubtful_share : float
        Share of the margin line that is doubtful; heights above it are as doubtful.
    margin_by_hand : bool
    """

    number: int
    aspects: tuple[AspectSurvey, ...]
    margin_doubtful_share: float
    margin_by_hand: bool

    def aspect(self, name: Aspect) -> AspectSurvey:
        """One of its aspects.

        Raises
        ------
        InputError
            There is no such aspect.
        """
        if name not in ASPECTS:
            raise InputError(
                f"{name!r} is no aspect of a tooth", fix=f"Choose from {', '.join(ASPECTS)}."
            )
        return self.aspects[ASPECTS.index(name)]

    @property
    def max_depth_mm(self) -> float:
        """Of all aspects."""
        return max(aspect.max_depth_mm for aspect in self.aspects)

    def facts(self) -> dict[str, Any]:
        """As plain values with units in their names."""
        return {
            "number": self.number,
            "name": tooth_name(self.number),
            "max_depth_mm": self.max_depth_mm,
            "undercut_area_mm2": sum(aspect.undercut_area_mm2 for aspect in self.aspects),
            "margin_doubtful_share": self.margin_doubtful_share,
            "margin_by_hand": self.margin_by_hand,
            "aspects": [aspect.facts() for aspect in self.aspects],
        }


def survey_by_tooth(survey: Reading, teeth: Teeth) -> tuple[ToothSurvey, ...]:
    """What a survey says of each tooth, from the patient's right to the left.

    Raises
    ------
    ValueError
        Survey and teeth are of different casts.
    """
    if survey.cast.mesh is not teeth.cast.mesh:
        raise ValueError("survey and teeth are of different casts")
    aspect_of_face = np.full(survey.cast.mesh.triangle_count, -1, dtype=np.int64)
    for crown in teeth.crowns:
        aspect_of_face[crown.face] = crown.aspect
    lines = _survey_line_pieces(survey)
    return tuple(
        ToothSurvey(
            number=crown.number,
            aspects=_aspects(survey, teeth, crown, aspect_of_face, lines),
            margin_doubtful_share=crown.doubtful_share,
            margin_by_hand=crown.by_hand,
        )
        for crown in teeth.crowns
    )


@dataclass(frozen=True, eq=False)
class _LinePieces:
    """Straight pieces of survey line: middles (k, 3), lengths (k,) and the cast's face of each."""

    middle_mm: Floats
    length_mm: Floats
    face: Ints


def _survey_line_pieces(survey: Reading) -> _LinePieces:
    ends = [line.points_mm for line in survey.survey_lines]
    if not ends:
        return _LinePieces(np.zeros((0, 3)), np.zeros(0), np.zeros(0, dtype=np.int64))
    steps = np.concatenate([np.diff(points, axis=0) for points in ends])
    middle = np.concatenate([(points[1:] + points[:-1]) / 2.0 for points in ends])
    face = nearest_places(survey.cast.mesh, middle).face
    return _LinePieces(middle, np.linalg.norm(steps, axis=1), face)


def _aspects(
    survey: Reading, teeth: Teeth, crown: Crown, aspect_of_face: Ints, lines: _LinePieces
) -> tuple[AspectSurvey, ...]:
    mesh = survey.cast.mesh
    areas_mm2 = mesh.face_areas_mm2[crown.face]
    undercut_mm2 = survey.undercut_share[crown.face] * areas_mm2
    area = np.bincount(crown.aspect, areas_mm2, minlength=len(ASPECTS))
    undercut = np.bincount(crown.aspect, undercut_mm2, minlength=len(ASPECTS))
    on_crown = np.flatnonzero(teeth.tooth_of_face[lines.face] == crown.number)
    kind = aspect_of_face[lines.face[on_crown]]
    height_mm = _above_margin_mm(survey, crown, lines.middle_mm[on_crown])
    length_mm = lines.length_mm[on_crown]
    gauges = _gauge_lengths(survey, crown)
    found = []
    for k, aspect in enumerate(ASPECTS):
        depth_mm, place = _deepest(survey, teeth, crown, k)
        here = (kind == k) & (length_mm > 0.0) & np.isfinite(height_mm)
        found.append(
            AspectSurvey(
                aspect=aspect,
                word=aspect_word(aspect, crown.number),
                area_mm2=float(area[k]),
                undercut_area_mm2=float(undercut[k]),
                max_depth_mm=depth_mm,
                max_depth_at_mm=place,
                line_length_mm=float(length_mm[kind == k].sum()),
                line_height_min_mm=float(height_mm[here].min()) if here.any() else None,
                line_height_mean_mm=float(np.average(height_mm[here], weights=length_mm[here]))
                if here.any()
                else None,
                length_at_gauge_mm={gauge: float(line[k]) for gauge, line in gauges.items()},
            )
        )
    return tuple(found)


def _deepest(
    survey: Reading, teeth: Teeth, crown: Crown, aspect: int
) -> tuple[float, Place | None]:
    corner = np.unique(survey.cast.mesh.faces[crown.face[crown.aspect == aspect]])
    # faces at the margin have corners on the gum
    corner = corner[teeth.tooth_of_vertex[corner] == crown.number]
    if not len(corner):
        return 0.0, None
    deepest = int(corner[np.argmax(survey.depth_mm[corner])])
    depth_mm = float(survey.depth_mm[deepest])
    if depth_mm <= 0.0:
        return 0.0, None
    x, y, z = (float(value) for value in survey.cast.mesh.vertices[deepest])
    return depth_mm, (x, y, z)


def _above_margin_mm(survey: Reading, crown: Crown, points_mm: Floats) -> Floats:
    """(k,) height along the path of points (k, 3) above the gingival margin in the same direction
    from the crown's middle; nan where the crown has no gingival margin.
    """
    gum = crown.margin.neighbour == 0
    if not gum.any():
        return np.full(len(points_mm), np.nan)
    to_path = survey.path.to_path
    margin = (crown.margin_mm[gum] - crown.centre_mm) @ to_path.T
    points = (points_mm - crown.centre_mm) @ to_path.T
    turn = np.arctan2(margin[:, 1], margin[:, 0])
    order = np.argsort(turn)
    below: Floats = np.interp(
        np.arctan2(points[:, 1], points[:, 0]), turn[order], margin[order, 2], period=2.0 * np.pi
    )
    return points[:, 2] - below


def _gauge_lengths(survey: Reading, crown: Crown) -> dict[float, Floats]:
    """For each gauge of the survey, (5,) the length of its line on each aspect, mm."""
    keep = np.zeros(survey.cast.mesh.triangle_count, dtype=bool)
    keep[crown.face] = True
    part: Mesh = survey.cast.mesh.part(keep)
    aspect = np.zeros(len(keep), dtype=np.int64)
    aspect[crown.face] = crown.aspect
    aspect = aspect[keep]
    values = survey.depth_mm[survey.cast.mesh.faces[keep]]
    lengths = {}
    for gauge_mm in survey.iso_lines:
        line = level_segments(part, values, gauge_mm)
        steps = np.linalg.norm(line.ends_mm[:, 1] - line.ends_mm[:, 0], axis=1)
        total = np.bincount(aspect[line.face[:, 0]], steps, minlength=len(ASPECTS))
        lengths[gauge_mm] = np.asarray(total, dtype=np.float64)
    return lengths
