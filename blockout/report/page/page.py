"""The report: one HTML document with all that a build came to, for the screen and for A4 paper.

:func:`report_html` is a pure function: the command line hands it what it read from a folder, a page
what it has just built. The words and the layout are in ``templates/``; every value goes through
escaping, and the document asks for nothing outside of itself.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Mapping
from functools import cache
from typing import Any, Final

import jinja2
import numpy as np
from markupsafe import Markup

from blockout.choosing.tilts import Tilt
from blockout.errors import InputError
from blockout.report.cautions import CAUTION_LINE, CAUTIONS
from blockout.report.page.inner_side import INNER_WORD
from blockout.report.page.material import Companion, Material, checked_summary, of_one_cast
from blockout.report.page.numbers import in_words
from blockout.report.page.settings_rows import points_in_words, settings_groups, value_name
from blockout.report.page.traced import (
    Traced,
    bare,
    known,
    number,
    numbers,
    pairs,
    plain,
    with_unit,
)

_SAME_PATH_DEG: Final = 0.05
_SECTION_OFF_MM: Final = 0.02
"""A section that shows another depth than the survey by more than this says so."""


def report_html(material: Material) -> str:
    """The report as one HTML document, complete in itself.

    Parameters
    ----------
    material : Material

    Returns
    -------
    str
        Begins with the document type; to be written as UTF-8.

    Raises
    ------
    InputError
        The summary or a companion is of another version, incomplete, or about another cast.
    """
    summary = checked_summary(material.summary)
    for one in material.companions:
        of_one_cast(summary, one)
    arms = list(summary.arms) if summary.arms else []
    if material.sections and len(material.sections) != len(arms):
        raise InputError(
            "the sections are not those of this build",
            measured=f"{len(material.sections)} sections, {len(arms)} arms",
        )
    companions = [
        (one.kind, Traced(one.facts, one.name), one, _off_deg(summary, one))
        for one in material.companions
    ]
    html: str = (
        _templates()
        .get_template("report.html")
        .render(
            s=summary,
            arms=arms,
            sections=list(zip(arms, material.sections, strict=False)),
            pictures=material.pictures,
            files=material.files,
            companions=companions,
            choice=next((one for one in companions if one[0] == "choice"), None),
            tripod=_tripod(summary, companions),
            settings=settings_groups(summary.case, shown={one.kind for one in material.companions})
            if summary.case
            else [],
            cautions=list(summary.cautions) if summary.cautions else list(CAUTIONS),
            caution_line=CAUTION_LINE,
            inner_word=INNER_WORD.get(str(plain(summary.cast.arch)), "inner"),
            page_mark=_page_mark(summary),
            tilt_words=_tilt_words(summary.path),
            same_path_deg=_SAME_PATH_DEG,
            section_off_mm=_SECTION_OFF_MM,
        )
    )
    return html


@cache
def _templates() -> jinja2.Environment:
    made = jinja2.Environment(
        loader=jinja2.PackageLoader("blockout.report.page"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    made.tests["known"] = known
    made.filters |= {
        "pairs": pairs,
        "plain": plain,
        "number": number,
        "sentence": _sentence,
        "with_unit": with_unit,
        "bare": bare,
        "capital": _capital,
        "value_name": value_name,
        "png": _png_address,
        "in_words": in_words,
        "points_in_words": points_in_words,
    }
    return made


def _sentence(traced: Traced) -> str:
    """A message as a sentence: a capital first, a full stop last."""
    text = str(plain(traced)).strip()
    return text if text.endswith((".", "!", "?")) else f"{text[:1].upper()}{text[1:]}."


def _capital(words: object) -> str:
    """Only the first letter changes: a Roman number or a name stays as it is."""
    text = str(plain(words)) if isinstance(words, Traced) else str(words)
    return text[:1].upper() + text[1:]


def _png_address(picture: bytes) -> Markup:
    return Markup("data:image/png;base64,") + base64.b64encode(picture).decode("ascii")


def _tilt_words(path: Traced) -> str:
    """Which sides of the cast are lowered, in the trade's words.

    >>> _tilt_words(Traced({"anterior_tilt_deg": -4.0, "lateral_tilt_deg": 2.0}, "x"))
    "the back and the patient's right side lowered"
    """
    tilt = Tilt.of(number(path.anterior_tilt_deg), number(path.lateral_tilt_deg))
    words = []
    if tilt.anterior_deg:
        words.append("the front" if tilt.anterior_deg > 0 else "the back")
    if tilt.lateral_deg:
        words.append(f"the patient's {'right' if tilt.lateral_deg > 0 else 'left'} side")
    return f"{' and '.join(words)} lowered" if words else "the occlusal plane held level"


def _page_mark(summary: Traced) -> str:
    """The first letters of the scan's checksum, for the foot of every printed page."""
    found = re.fullmatch(r"([0-9a-f]{12})[0-9a-f]{52}", str(plain(summary.cast.source_sha256)))
    return found[1] if found else ""


def _off_deg(summary: Traced, companion: Companion) -> float | None:
    """Angle between the build's path and a companion's; None where it has none."""
    path = Traced(companion.facts, companion.name).path
    if not known(path):
        return None
    ours = np.array(numbers(summary.path.direction, count=3))
    theirs = np.array(numbers(path.direction, count=3))
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(ours, theirs)), ours @ theirs)))


def _tripod(summary: Traced, companions: list[Any]) -> Mapping[str, Any] | None:
    """The marks: those cut into this model, else those of a companion."""
    if summary.recorded:
        return {"marks": summary.recorded.tripod, "carved": summary.recorded.carved, "of": None}
    for one in companions:
        if one[0] == "tripod":
            return {"marks": one[1].tripod, "carved": one[1].carved, "of": one}
    return None
