"""The report as a document: well-formed, complete in itself, true to the summary, inert."""

from __future__ import annotations

import base64
import copy
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from ball_case import NAME, SHA256, TEETH, WARNINGS
from reading_html import at_pointer, figures, numbers_in, parsed, shown_as, words_of

from blockout import job
from blockout.errors import InputError
from blockout.report.cautions import CAUTIONS
from blockout.report.page.material import Companion, Material
from blockout.report.page.numbers import in_words
from blockout.report.page.page import report_html
from blockout.report.page.reading import read_built
from blockout.report.page.settings_rows import points_in_words

EVIL = "\"'><img src=x onerror=alert(1)><script>alert(2)</script>]]>--></style></svg>&lt;{{ 7*7 }}"
UNSHOWN = re.compile(
    # points along an arm and where it ends are drawn, not listed; a span's teeth stand in words
    r"/arms/\d+/(centre_mm|terminal_at_mm|tooth|undercut_mm)|/kennedy/"
    r"|/retention/arms/\d+/(tooth|length_mm|wall_deg|peak_from_origin_share)"
    r"|/teeth/\d+/(max_depth_mm|undercut_area_mm2)|/teeth/\d+/aspects/\d+/(area_mm2|max_depth_at_mm)"
    r"|/teeth/\d+/aspects/\d+/gauges/\d+/gauge_mm"
    r"|/cast/(vertices|floor_mm)|/model/(vertices|size_mm)|/path/direction_cast"
    r"|/changes/\d+/(places_mm/[1-9]|extent_mm)"
    r"|/mould/(elsewhere_undercut_at_mm)|/case/"
)
"""Numbers of a summary that the page leaves out, or tells in words."""


def material(summary: dict[str, Any], **more: Any) -> Material:
    return Material(summary=summary, **more)


# --- the document --------------------------------------------------------------------------------
def test_the_document_is_html_without_a_parse_error(html: str) -> None:
    root = parsed(html)
    assert root.tag == "html"
    assert root.attrib["lang"] == "en"
    assert words_of(next(root.iter("h1"))) == NAME


def test_the_parser_of_these_tests_refuses_a_broken_document() -> None:
    with pytest.raises(Exception, match=r"."):
        parsed("<!DOCTYPE html><title>x</title><p><table><div></table>")


def test_nothing_leads_outside_the_document(html: str) -> None:
    root = parsed(html)
    names = {part.attrib["id"] for part in root.iter() if "id" in part.attrib}
    for part in root.iter():
        for key, value in part.attrib.items():
            name = key.rpartition("}")[2]
            assert not name.startswith("on"), (part.tag, key)
            if name in {"src", "srcset", "data", "poster", "action", "background"}:
                assert value.startswith("data:image/png;base64,"), (part.tag, key, value[:60])
            if name in {"href", "aria-labelledby", "clip-path", "fill"} and value.startswith("#"):
                assert value[1:] in names
            elif name == "href":
                pytest.fail(f"{part.tag} leads to {value[:60]}")
    tags = {str(part.tag).rpartition("}")[2] for part in root.iter()}
    assert not tags & {
        "script",
        "link",
        "iframe",
        "object",
        "embed",
        "base",
        "form",
        "image",
        "use",
    }
    (style,) = (words_of(part) for part in root.iter("style"))
    assert "@import" not in style
    assert re.findall(r"url\((?!#)", style) == []
    assert set(re.findall(r"url\(#([\w-]+)\)", style)) <= names
    (policy,) = (
        part.attrib["content"]
        for part in root.iter("meta")
        if part.attrib.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy.startswith("default-src 'none'")


def test_names_of_parts_are_unique(html: str) -> None:
    names = [part.attrib["id"] for part in parsed(html).iter() if "id" in part.attrib]
    assert len(names) == len(set(names))


def test_pictures_are_those_of_the_folder_to_the_bit(html: str, built: Path) -> None:
    addresses = {part.attrib["src"] for part in parsed(html).iter("img")}
    held = {base64.b64decode(address.partition(",")[2]) for address in addresses}
    for name in ("occlusal", "front", "back", "left", "right"):
        assert (built / "pictures" / f"{name}.png").read_bytes() in held
    # and one of the inner side of each half
    assert len(held) == 7
    assert all(part.attrib["alt"] for part in parsed(html).iter("img"))


# --- true to the summary -------------------------------------------------------------------------
def test_every_figure_is_that_of_its_document(html: str, summary: dict[str, Any]) -> None:
    count = 0
    for document, pointer, exact, words in figures(parsed(html)):
        assert document == "summary.json"
        value = at_pointer(summary, pointer)
        assert repr(value) == exact, pointer
        said, half = shown_as(words)
        assert said == pytest.approx(value, abs=1.0001 * half), (pointer, words)
        count += 1
    assert count > 400


def test_every_number_of_the_summary_is_shown(html: str, summary: dict[str, Any]) -> None:
    shown = {pointer for _, pointer, _, _ in figures(parsed(html))}
    wanted = {pointer for pointer in numbers_in(summary) if not UNSHOWN.match(pointer)}
    assert wanted - shown == set()
    # what was asked and what it came to stand in the table of arms all the same
    asked = {f"/arms/{k}/{key}" for k in (0, 1) for key in ("undercut_mm", "terminal_depth_mm")}
    assert asked <= shown


def test_every_value_used_stands_with_its_source(html: str, summary: dict[str, Any]) -> None:
    text = words_of(parsed(html))
    shown = {pointer for _, pointer, _, _ in figures(parsed(html))}
    for table in ("cast", "path", "survey", "parallel", "ledge", "arbitrary"):
        for key, fact in summary["case"][table].items():
            value = fact["value"]
            if isinstance(value, float):
                assert f"/case/{table}/{key}/value" in shown, key
            if fact["source"]:
                assert " ".join(fact["source"].split()) in text, key


def test_what_people_must_be_told_is_there(html: str, summary: dict[str, Any]) -> None:
    root = parsed(html)
    text = words_of(root)
    for warning in WARNINGS:
        assert f"{warning.code} {warning.message.rstrip('.')}." in text
    assert all(caution in text for caution in CAUTIONS)
    for note in summary["notes"]:
        assert f"{note[:1].upper()}{note[1:]}." in text
    for one in summary["retention"]["assumptions"]:
        assert one[1:] in text
    for word in ("Technician", "Clinician", "Date", "SHA-256", SHA256):
        assert word in text
    assert "36, 37, 45" in text
    # Kennedy's class by Applegate's rules: 38 is not taken for an abutment, so II with one more gap
    assert "Class II, modification 1" in text
    assert "The path was given with the case." in text
    assert "Filled 2 holes." in text
    rows = [[words_of(cell) for cell in row] for row in root.iter("tr")]
    for name, version in summary["versions"].items():
        assert [name, version] in rows
    (steep,) = (words_of(part) for part in root.iter("li") if "steep_path" in words_of(part))
    assert "(1.00, 2.00, 3.00)" in steep


def test_the_table_by_tooth_has_a_row_for_each_side(html: str, summary: dict[str, Any]) -> None:
    (table,) = (t for t in parsed(html).iter("table") if t.attrib.get("class") == "by-tooth")
    bodies = table.findall("tbody")
    assert [words_of(body.find("tr/th")).split()[0] for body in bodies] == [str(n) for n in TEETH]  # type: ignore[arg-type]
    for body, tooth in zip(bodies, summary["teeth"], strict=True):
        for row, aspect in zip(body.findall("tr"), tooth["aspects"], strict=True):
            cells = [words_of(cell) for cell in row.findall("td")]
            assert cells[0] == aspect["word"]
            assert shown_as(cells[2])[0] == pytest.approx(aspect["max_depth_mm"], abs=0.005)


def test_every_file_is_told_by_its_checksum(html: str, built: Path) -> None:
    import hashlib

    text = words_of(parsed(html))
    for name in ("model.stl", "cast.ply", "summary.json", "wax/parallel.stl"):
        held = (built / name).read_bytes()
        assert f"{name}{len(held):,}{hashlib.sha256(held).hexdigest()}" in text.replace(" ", "")


# --- what it must bear ---------------------------------------------------------------------------
def _poisoned(value: Any, kept: frozenset[str] = frozenset({"schema", "arch"})) -> Any:
    if isinstance(value, dict):
        return {key: item if key in kept else _poisoned(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_poisoned(item) for item in value]
    return EVIL if isinstance(value, str) else value


def test_no_text_of_a_document_becomes_markup(summary: dict[str, Any], built: Path) -> None:
    sections = job_sections(built)
    evil = _poisoned(summary)
    evil["versions"][EVIL] = EVIL
    evil["timings_s"][EVIL] = 1.0
    made = report_html(material(evil, sections=sections))
    root = parsed(made)
    assert list(root.iter("script")) == []
    assert list(root.iter("img")) == []
    assert not [key for part in root.iter() for key in part.attrib if key.startswith("on")]
    assert words_of(next(root.iter("h1"))) == " ".join(EVIL.split())
    assert "49" not in words_of(next(root.iter("h1")))
    assert EVIL[:20] not in next(root.iter("style")).text  # type: ignore[operator]


def job_sections(folder: Path) -> tuple[Any, ...]:
    from blockout.report.page.material import arm_sections

    built = read_built(folder)
    return arm_sections(built.summary, built.cast, built.waxes, built.path)


@pytest.mark.parametrize(
    "gone", ["arms", "teeth", "retention", "kennedy", "mould", "case", "cautions"]
)
def test_a_summary_without_a_prescription_makes_a_report(
    summary: dict[str, Any], gone: str
) -> None:
    bare = {key: value for key, value in summary.items() if key != gone}
    root = parsed(report_html(material(bare)))
    for _, pointer, exact, _ in figures(root):
        assert repr(at_pointer(bare, pointer)) == exact
    # the cautions are ours whatever a summary says
    assert all(caution in words_of(root) for caution in CAUTIONS)


def test_the_same_material_makes_the_same_document(summary: dict[str, Any]) -> None:
    before = copy.deepcopy(summary)
    assert report_html(material(summary)) == report_html(material(summary))
    assert summary == before


def test_sections_of_another_build_are_refused(summary: dict[str, Any], built: Path) -> None:
    with pytest.raises(InputError, match="not those of this build"):
        report_html(material(summary, sections=job_sections(built)[:1]))


# --- companions ----------------------------------------------------------------------------------
def _choice(summary: dict[str, Any]) -> dict[str, Any]:
    marks = {"retention": 91.4, "interferences": 50.0, "guiding planes": None, "appearance": 7.6}
    path = {key: summary["path"][key] for key in ("anterior_tilt_deg", "lateral_tilt_deg")}
    listed = {"number": 1, **path, "total": 61.5, "marks": marks, "why": ["best total", "level"]}
    other = listed | {"number": 2, "anterior_tilt_deg": 7.25, "why": ["best guiding planes"]}
    return {
        "schema": "blockout-choices/1",
        "cast": {"sha256": SHA256, "file": "ball.stl"},
        "weights": dict.fromkeys(marks, 1.0),
        "best_reason": "it is best",
        "level_reason": "level is good enough",
        "notes": ["the best is flat"],
        "paths": [listed, other],
    }


def test_the_four_factors_of_a_choice_are_told(summary: dict[str, Any]) -> None:
    facts = _choice(summary)
    companion = Companion("choice", "choices.json", facts)
    root = parsed(report_html(material(summary, companions=(companion,))))
    (row,) = (row for row in root.iter("tr") if row.attrib.get("class") == "chosen")
    assert words_of(row).startswith("1, built")
    said = [words_of(cell) for cell in row.findall("td")]
    assert said[2:7] == ["62", "91", "50", "\N{EN DASH}", "8"]
    assert "The path was given with the case." not in words_of(root)
    for document, pointer, exact, _ in figures(root):
        source = facts if document == "choices.json" else summary
        assert repr(at_pointer(source, pointer)) == exact


def test_a_path_that_no_choice_lists_is_said_to_be_given(summary: dict[str, Any]) -> None:
    facts = _choice(summary)
    facts["paths"] = facts["paths"][1:]
    text = words_of(
        parsed(report_html(material(summary, companions=(Companion("choice", "c", facts),))))
    )
    assert "The path of this build is none of these: it was given with the case." in text


def _tripod(summary: dict[str, Any]) -> dict[str, Any]:
    marks = [
        {"number": n, "point_mm": [n + 0.125, -2.0, 3.0], "triangle_height_mm": 20.5 + n}
        for n in (1, 2, 3)
    ]
    error = {"reading_error_mm": 0.25, "one_mark_deg": 0.7, "all_marks_deg": 1.4, "usual_deg": 0.5}
    return {
        "schema": "blockout-tripod/1",
        "cast": {"source_sha256": SHA256},
        "path": summary["path"],
        "tripod": {"marks": marks, "height_mm": 12.5, "on_tissue": True, "tilt_error": error},
        "carved": [],
    }


def test_tripod_marks_are_told(summary: dict[str, Any]) -> None:
    companion = Companion("tripod", "t/tripod.json", _tripod(summary))
    root = parsed(report_html(material(summary, companions=(companion,))))
    text = words_of(root)
    rows = [[words_of(cell) for cell in row] for row in root.iter("tr")]
    assert ["2", "(2.12, \N{MINUS SIGN}2.00, 3.00)", "22.50 mm"] in rows
    assert "on soft tissue" in text
    assert "Another path" not in text


def test_marks_made_along_another_path_are_warned_of(summary: dict[str, Any]) -> None:
    facts = _tripod(summary)
    # closed form: (0, -sin 3 deg, cos 3 deg) is 3 degrees off +z
    facts["path"] = {"direction": [0.0, -0.052335956, 0.998629535]}
    companion = Companion("tripod", "t/tripod.json", facts)
    text = words_of(parsed(report_html(material(summary, companions=(companion,)))))
    assert "Another path. t/tripod.json was made along a path 3.00° off that of this build." in text


def test_a_document_about_another_cast_is_refused(summary: dict[str, Any]) -> None:
    facts = _tripod(summary) | {"cast": {"source_sha256": "f" * 64}}
    with pytest.raises(InputError, match="about another cast"):
        report_html(material(summary, companions=(Companion("tripod", "t", facts),)))


def test_half_a_companion_is_told_by_the_place_that_is_missing(summary: dict[str, Any]) -> None:
    facts = _tripod(summary)
    del facts["tripod"]["tilt_error"]["usual_deg"]
    with pytest.raises(InputError, match=r"/tripod/tilt_error/usual_deg is absent") as caught:
        report_html(material(summary, companions=(Companion("tripod", "tripod.json", facts),)))
    assert "not as this version writes it" in str(caught.value)
    assert caught.value.where == "tripod.json"


# --- words of numbers ----------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (-4.0, "deg", "\N{MINUS SIGN}4.00°"), (-0.001, "deg", "0.00°"), (0.0, "mm", "0.00 mm"),
        (1234.5678, "mm3", "1,234.6 mm³"), (0.5, "share", "50 %"),
        (3.0e-6, "mm3", "0.0000 mm³"), (-2.0e-6, "mm", "0.0000 mm"),
        (12, "", "12"), (10000, "", "10,000"), (0.2, "", "0.2"),
        (-0.08432, "", "\N{MINUS SIGN}0.0843"),
        (91.4, "bare points", "91"), (7.0, "share of the surface", "7 share of the surface"),
    ],
)  # fmt: skip
def test_numbers_are_worded_as_their_measure_bears(value: float, unit: str, words: str) -> None:
    assert in_words(value, unit) == words


def test_long_lists_are_told_by_their_size() -> None:
    assert points_in_words([[[0, 0, 0]] * 10]) == "1 line of 10 points"
    assert points_in_words([1, 2, 3, 4, 5, 6, 7]) == "7 values"
    assert points_in_words([[1]]) == "1 values"
    assert points_in_words(None) == ""


def test_examples_of_the_page_run() -> None:
    import doctest

    from blockout.report.page import numbers, page, section_drawing, settings_rows, traced

    for module in (numbers, page, section_drawing, settings_rows, traced):
        result = doctest.testmod(module)
        assert result.failed == 0
        assert result.attempted > 0


def test_the_folder_makes_what_its_parts_make(
    written: job.Reported, html: str, built: Path
) -> None:
    read = read_built(built)
    assert written.size_bytes == len(html.encode("utf-8"))
    assert (written.sections, written.pictures, written.companions) == (2, 7, 0)
    again = report_html(
        replace(
            material(read.summary),
            pictures=read.pictures,
            sections=job_sections(built),
            files=read.files,
        )
    )
    # all but the two pictures of inner sides, which this test does not draw
    assert words_of(parsed(again)).count("no picture") == 2
    assert len(again) < len(html)
