"""What relief over tissue and beads on a maxillary cast are asked to be."""

from __future__ import annotations

from typing import Final, Literal, Self

from pydantic import Field, model_validator

from blockout.case.parameters import Parameter
from blockout.case.settings import Length, Point, Settings, field_of
from blockout.case.values import Direction, Number, Outline, YesOrNo, refused
from blockout.units import sheet_gauge_mm

Over = Literal["outline", "lingual bar", "base mesh", "gingival margin", "torus"]
Edge = Literal["butt", "feather"]
Section = Literal["round", "v"]

RELIEF_THICKNESS = Parameter(
    "thickness_mm",
    "mm",
    "Thickness of the relief, normal to the tissue; by what it lies over when left out.",
    None, 0.05, 3.0,
    "common practice", "by what it lies over; sources differ",
)  # fmt: skip
LINGUAL_BAR_RELIEF = Parameter(
    "lingual_bar_relief_mm",
    "mm",
    "Relief under a lingual bar: 30 gauge.",
    sheet_gauge_mm(30), sheet_gauge_mm(32), sheet_gauge_mm(24),
    "published", "32 to 28 gauge, 28 to 24 where the ridge slopes to the tongue (common "
    "practice); a laboratory text has 30 gauge",
)  # fmt: skip
BASE_MESH_RELIEF = Parameter(
    "base_mesh_relief_mm",
    "mm",
    "Relief under a base-retention mesh: 22 gauge.",
    sheet_gauge_mm(22), sheet_gauge_mm(24), sheet_gauge_mm(20),
    "published", "24 to 20 gauge; sources differ",
)  # fmt: skip
GINGIVAL_MARGIN_RELIEF = Parameter(
    "gingival_margin_relief_mm",
    "mm",
    "Relief over a gingival margin that metal crosses.",
    0.35, 0.25, 0.5,
    "common practice", "0.25 to 0.5 mm, no source",
)  # fmt: skip
UPPER_TORUS_RELIEF = Parameter(
    "upper_torus_relief_mm",
    "mm",
    "Relief over a palatal torus or a prominent median raphe.",
    0.35, 0.25, 0.5,
    "common practice", "0.25 to 0.5 mm, no source",
)  # fmt: skip
LOWER_TORUS_RELIEF = Parameter(
    "lower_torus_relief_mm",
    "mm",
    "Relief over a mandibular torus.",
    0.75, 0.5, 1.0,
    "common practice", "0.5 to 1.0 mm, no source",
)  # fmt: skip
FEATHER = Parameter(
    "feather_mm",
    "mm",
    "Width over which a feathered edge runs out.",
    1.0, 0.1, 5.0,
    "ours", "smoothed by a finger: about three times the thickness or more",
)  # fmt: skip
MESH_WIDTH = Parameter(
    "width_mm",
    "mm",
    "How far the relief reaches along the tissue to each side of its line; 5 mm from the crest "
    "under a mesh and 1.5 mm from a gingival margin when left out.",
    None, 0.3, 20.0,
    "ours", "left to the prescription",
)  # fmt: skip
MESH_HALF_WIDTH_MM: Final = 5.0
MARGIN_HALF_WIDTH_MM: Final = 1.5
LOWER_SHARE = Parameter(
    "lower_share",
    "share of the bar's height",
    "How much of the bar's height is relieved, from its lower border up.",
    1.0, 0.2, 1.0,
    "published", "the whole bar; a laboratory text relieves the lower two thirds",
)  # fmt: skip
FINISH_GAP = Parameter(
    "finish_gap_mm",
    "mm",
    "Distance along the crest from the abutment to the internal finish line.",
    1.75, 0.0, 5.0,
    "common practice", "1.5 to 2 mm, no source",
)  # fmt: skip
STOP_SIZE = Parameter(
    "size_mm",
    "mm",
    "Side of a tissue stop along the crest, and across it.",
    2.0, 0.5, 6.0,
    "published", "2 x 2 mm, up to 3",
)  # fmt: skip
STOP_FROM_END = Parameter(
    "stop_from_end_mm",
    "mm",
    "Distance along the crest from the far end of the relief to the middle of the stop.",
    3.0, 1.0, 20.0,
    "ours", "on the crest near the distal end; how near is not told",
)  # fmt: skip
BEAD_WIDTH = Parameter(
    "width_mm",
    "mm",
    "Width of the bead at the surface.",
    0.75, 0.2, 2.0,
    "published", "0.5 to 1.0 mm wide and deep",
)  # fmt: skip
BEAD_DEPTH = Parameter(
    "depth_mm",
    "mm",
    "Depth of the bead.",
    0.5, 0.1, 1.5,
    "published", "0.5 to 1.0 mm wide and deep",
)  # fmt: skip
BEAD_FADE = Parameter(
    "fade_mm",
    "mm",
    "Length over which the bead fades to nothing.",
    3.0, 0.0, 15.0,
    "ours", "that it fades toward margin, raphe and torus is published, over which length is not",
)  # fmt: skip
BEAD_SPARED = Parameter(
    "reach_mm",
    "mm",
    "No bead within this distance of the place, along the line.",
    1.0, 0.0, 20.0,
    "ours", "half the width of a raphe",
)  # fmt: skip

ALL: Final[tuple[Parameter, ...]] = (
    RELIEF_THICKNESS, LINGUAL_BAR_RELIEF, BASE_MESH_RELIEF, GINGIVAL_MARGIN_RELIEF,
    UPPER_TORUS_RELIEF, LOWER_TORUS_RELIEF, FEATHER, MESH_WIDTH, LOWER_SHARE, FINISH_GAP,
    STOP_SIZE, STOP_FROM_END, BEAD_WIDTH, BEAD_DEPTH, BEAD_FADE, BEAD_SPARED,
)  # fmt: skip

Line = tuple[Point, ...]
"""Points on the cast in order, file coordinates, mm."""

_LINES: Final[dict[str, tuple[str, ...]]] = {
    "outline": ("outline",),
    "torus": ("outline",),
    "lingual bar": ("upper_border", "lower_border"),
    "base mesh": ("crest",),
    "gingival margin": ("margin",),
}
"""The lines that each kind of relief is told by."""


class StopSettings(Settings):
    """A tissue stop: a window in the relief, down to the tissue."""

    centre: Point = Field(description="Its middle on the crest, file coordinates.")
    along: Direction | None = Field(
        default=None,
        description="Direction of the crest there; that of the relief's crest line when left out.",
    )
    length_mm: Length = field_of(STOP_SIZE)
    width_mm: Length = field_of(STOP_SIZE)


class ReliefSettings(Settings):
    """A sheet of relief: where it lies, how thick it is, how it ends."""

    name: str | None = Field(
        default=None,
        min_length=1,
        max_length=60,
        description="What it is called in messages and files.",
    )
    over: Over = Field(
        default="outline",
        description="outline: the zone inside the outline. lingual bar: between upper_border and "
        "lower_border. base mesh: width_mm to each side of the crest, which runs from the "
        "abutment to the pad, with a finish line before the abutment and a tissue stop. gingival "
        "margin: width_mm to each side of the margin. torus: inside the outline, torus or raphe.",
    )
    outline: Outline | None = Field(default=None, description="Points around the zone.")
    upper_border: Line = Field(default=(), description="Points along the bar's upper border.")
    lower_border: Line = Field(
        default=(), description="Points along the bar's lower border, from the same end."
    )
    crest: Line = Field(
        default=(), description="Points along the ridge's crest, from the abutment to the pad."
    )
    margin: Line = Field(default=(), description="Points along the gingival margin.")
    thickness_mm: Length | None = field_of(RELIEF_THICKNESS)
    edge: Edge | None = Field(
        default=None,
        description="butt: square all round. feather: run out all round but for finish lines. "
        "Left out: feathered at the upper border of a lingual bar, over a gingival margin and over "
        "a torus; butt otherwise.",
    )
    feather_mm: Length = field_of(FEATHER)
    finish_line: Line = Field(
        default=(),
        description="Points on the outline, in order: along it, from the first to the last, the "
        "edge is butt whatever edge says.",
    )
    width_mm: Length | None = field_of(MESH_WIDTH)
    lower_share: Number = field_of(LOWER_SHARE)
    finish_gap_mm: Length = field_of(FINISH_GAP)
    between_teeth: YesOrNo = Field(
        default=False,
        description="The crest ends at an abutment too: a finish line there, and no stop unless "
        "one is asked for.",
    )
    stop_from_end_mm: Length = field_of(STOP_FROM_END)
    stops: tuple[StopSettings, ...] | None = Field(
        default=None,
        description="Tissue stops; one near the far end of a free-ending base mesh when left out. "
        "Write an empty list for none.",
    )

    @model_validator(mode="after")
    def _lines_given(self) -> Self:
        wanted = _LINES[self.over]
        for key in ("outline", "upper_border", "lower_border", "crest", "margin"):
            line = getattr(self, key)
            if key in wanted and (not line or len(line) < 2):
                raise refused(
                    f"relief over {self.over} needs {key} with two points or more", key=key
                )
            if key not in wanted and line:
                raise refused(f"relief over {self.over} has no {key}", key=key)
        if self.finish_line and (self.over not in ("outline", "torus")):
            raise refused(
                f"relief over {self.over} places its own finish line; finish_line goes with an "
                "outline",
                key="finish_line",
            )
        if len(self.finish_line) == 1:
            raise refused("a finish line needs two points or more", key="finish_line")
        return self


class SparedSettings(Settings):
    """A place where a bead is left out, such as a raphe it crosses."""

    place: Point = Field(description="On or beside the bead's line, file coordinates.")
    reach_mm: Length = field_of(BEAD_SPARED)


class BeadSettings(Settings):
    """A bead: a shallow groove along the border of a major connector."""

    name: str | None = Field(
        default=None,
        min_length=1,
        max_length=60,
        description="What it is called in messages and files.",
    )
    line: Line = Field(min_length=2, description="Points along the bead, file coordinates.")
    section: Section = Field(default="round", description="round: half-round; v: a V.")
    width_mm: Length = field_of(BEAD_WIDTH)
    depth_mm: Length = field_of(BEAD_DEPTH)
    fade_mm: Length = field_of(BEAD_FADE)
    spared: tuple[SparedSettings, ...] = Field(
        default=(), description="Places where there is no bead, and toward which it fades."
    )
    on_lower: YesOrNo = Field(
        default=False, description="Allow a bead on a lower cast, where none belongs."
    )
