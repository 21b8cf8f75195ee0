"""What everyone who uses the output must be told."""

from __future__ import annotations

from typing import Final

CAUTIONS: Final[tuple[str, ...]] = (
    "Draft for a qualified technician and the prescribing, licensed clinician, who decide design "
    "and path; local law on custom-made devices applies.",
    "Software can disprove a fit, not prove it: try the framework on the master cast, disclose, "
    "adjust.",
    "A printed model is a working model, not for the mouth. Uncured photopolymer sensitises skin: "
    "gloves, eyewear, ventilation; nothing down the drain.",
    "Addition silicone may not cure against under-cured prints: post-cure fully and try a patch "
    "before duplicating.",
)
"""Shown with every model and written into every summary."""

CAUTION_LINE: Final = (
    "Draft: a technician and the prescribing clinician decide; try on the master cast."
)
"""The same in one line, for a terminal."""
