"""The prescription: which teeth stand, and what wax and arms are asked for."""

from __future__ import annotations

from pydantic import Field

from blockout.case.arbitrary_settings import ArbitrarySettings
from blockout.case.arm_settings import ArmSettings, LedgeSettings
from blockout.case.border_settings import BorderSettings
from blockout.case.relief_settings import BeadSettings, ReliefSettings
from blockout.case.settings import ParallelSettings, Settings
from blockout.case.tooth_settings import TeethSettings


class Prescription(Settings):
    """The tables of a case file that say what is made."""

    teeth: TeethSettings = Field(
        default_factory=TeethSettings, description="The teeth that stand, and those missing."
    )
    parallel: ParallelSettings = Field(default_factory=ParallelSettings)
    arm: tuple[ArmSettings, ...] = Field(default=(), description="Arms, one table each.")
    ledge: LedgeSettings = Field(default_factory=LedgeSettings)
    arbitrary: ArbitrarySettings = Field(default_factory=ArbitrarySettings)
    relief: tuple[ReliefSettings, ...] = Field(default=(), description="Reliefs, one table each.")
    border: BorderSettings = Field(default_factory=BorderSettings)
    bead: tuple[BeadSettings, ...] = Field(default=(), description="Beads, one table each.")
