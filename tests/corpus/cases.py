"""Case files made up: good ones from the program's own JSON Schema, in any layout that TOML allows,
and bad ones, by what hands and other programs do to good ones.

Everything is a hypothesis strategy. What a schema cannot say (an arm's role and its undercut, a
relief's lines, a tooth named once) is mended after drawing, so that most of them are good.
"""

from __future__ import annotations

import copy
import datetime
import json
import math
from collections.abc import Callable
from typing import Any

from hypothesis import strategies as st

from blockout.case.schema import case_schema

Values = dict[str, Any]
SCHEMA: Values = case_schema()
RELIEF_LINES = {
    "outline": ["outline"],
    "torus": ["outline"],
    "lingual bar": ["upper_border", "lower_border"],
    "base mesh": ["crest"],
    "gingival margin": ["margin"],
}
WORDS = st.text(
    st.characters(codec="utf-8", exclude_characters="\x7f", exclude_categories=["Cc", "Cs"]),
    min_size=1, max_size=12,
)  # fmt: skip
AXES = ["+x", "-x", "+y", "-y", "+z", "-z"]


# --- values by the schema ------------------------------------------------------------------------
def resolved(part: Values) -> Values:
    """The part, or what it refers to."""
    if "$ref" in part:
        found: Values = SCHEMA["$defs"][part["$ref"].rpartition("/")[2]]
        return found
    return part


@st.composite
def lengths(draw: st.DrawFn, low: float, high: float) -> str:
    """A length as text that lies within a range of mm."""
    mm = draw(st.floats(low, high))
    unit, factor = draw(st.sampled_from([("", 1.0), ("mm", 1.0), ("um", 1e-3), ("in", 25.4)]))
    value = mm / factor
    inside = low <= float(repr(value)) * factor <= high
    return f"{value!r} {unit}".rstrip() if inside else f"{mm!r} mm"


def values(part: Values) -> st.SearchStrategy[Any]:
    """What a part of the schema allows."""
    part = resolved(part)
    if "const" in part:
        return st.just(part["const"])
    if "enum" in part:
        return st.sampled_from(part["enum"])
    if "anyOf" in part:
        number = part["anyOf"][0]
        low, high = number["minimum"], number["maximum"]
        return st.one_of(values(number), lengths(low, high))
    kind = part["type"]
    if kind == "number":
        low, high = part.get("minimum", -1e3), part.get("maximum", 1e3)
        whole = st.integers(math.ceil(low), math.floor(high)) if high - low >= 1.0 else st.just(low)
        return st.one_of(st.floats(low, high), whole)
    if kind == "integer":
        return st.integers(part.get("minimum"), part.get("maximum"))
    if kind == "boolean":
        return st.booleans()
    if kind == "string":
        return st.sampled_from(AXES) if "pattern" in part else WORDS
    if kind == "array":
        if "prefixItems" in part:
            return st.tuples(*(values(one) for one in part["prefixItems"])).map(list)
        few = part.get("minItems", 0)
        return st.lists(values(part["items"]), min_size=few, max_size=few + 2)
    return tables(part)


@st.composite
def tables(draw: st.DrawFn, part: Values) -> Values:
    """A table of some keys of its own."""
    due = part.get("required", [])
    others = sorted(set(part["properties"]) - set(due))
    chosen = draw(st.lists(st.sampled_from(others), unique=True, max_size=4)) if others else []
    drawn = {key: draw(values(part["properties"][key])) for key in [*due, *chosen]}
    if part is SCHEMA["$defs"]["ReliefSettings"]:
        over = drawn.setdefault("over", draw(st.sampled_from(sorted(RELIEF_LINES))))
        for key in RELIEF_LINES[over]:
            drawn[key] = draw(st.lists(_POINT, min_size=3, max_size=4, unique_by=tuple))
    return _mended(part, drawn)


_POINT = st.tuples(*[st.floats(-100.0, 100.0)] * 3).map(list)


def _mended(part: Values, drawn: Values) -> Values:
    """Without what no schema can forbid."""
    name = next((name for name, one in SCHEMA["$defs"].items() if one is part), "")
    mend: dict[str, Callable[[Values], None]] = {
        "ArmSettings": _mend_arm, "ReliefSettings": _mend_relief, "TeethSettings": _mend_teeth,
        "ToothSettings": _mend_tooth, "PathSettings": _mend_path, "CastSettings": _mend_cast,
        "ChoosingSettings": _mend_choosing, "ParallelSettings": _mend_outlines,
        "RecordingSettings": _mend_outlines, "StopSettings": _mend_stop,
    }  # fmt: skip
    mend.get(name, lambda drawn: None)(drawn)
    return drawn


def _mend_arm(drawn: Values) -> None:
    if len(drawn.get("points", [])) < 2:
        drawn.pop("points", None)
    if drawn["role"] == "reciprocal" or "points" not in drawn:
        drawn.pop("form", None)
    if drawn["role"] == "reciprocal":
        drawn.pop("undercut_mm", None)


def _mend_relief(drawn: Values) -> None:
    for key in ("outline", "upper_border", "lower_border", "crest", "margin"):
        if key not in RELIEF_LINES[drawn["over"]]:
            drawn.pop(key, None)
    if drawn["over"] not in ("outline", "torus") or len(drawn.get("finish_line", [])) < 2:
        drawn.pop("finish_line", None)


def _mend_tooth(drawn: Values) -> None:
    _mend_outlines(drawn)
    if "outline_mm" not in drawn:
        drawn.setdefault("point_mm", [1.0, 2.0, 3.0])


def _mend_teeth(drawn: Values) -> None:
    stand = {tooth["number"]: tooth for tooth in drawn.get("tooth", [])}
    if stand:
        drawn["tooth"] = list(stand.values())
    for key, allowed in (("missing", None), ("not_replaced", drawn.get("missing", []))):
        if key in drawn:
            drawn[key] = [
                number
                for number in dict.fromkeys(drawn[key])
                if number not in stand and (allowed is None or number in allowed)
            ]
    if len(stand) != 1 or "point_mm" not in next(iter(stand.values())):
        drawn.pop("count_along_arch", None)


def _mend_path(drawn: Values) -> None:
    if "direction" in drawn:
        drawn.pop("anterior_tilt_deg", None)
        drawn.pop("lateral_tilt_deg", None)
        if math.hypot(*drawn["direction"]) < 1.0:
            drawn["direction"] = [0, 0, 1]


def _mend_cast(drawn: Values) -> None:
    if drawn.get("up", "+z")[1] == drawn.get("front", "+y")[1]:
        drawn.pop("front", None)


def _mend_choosing(drawn: Values) -> None:
    sides = {(one["tooth"], one["aspect"]): one for one in drawn.get("guiding_plane", [])}
    if sides:
        drawn["guiding_plane"] = list(sides.values())
    drawn.pop("retention_weight", None)


def _mend_stop(drawn: Values) -> None:
    if math.hypot(*drawn.get("along", [1.0])) < 1.0:
        drawn["along"] = [0, 1, 0]


def _mend_outlines(drawn: Values) -> None:
    def is_good(outline: list[list[float]]) -> bool:
        return len({tuple(point) for point in outline}) >= 3

    for key in ("keep_in", "keep_out", "keep_off"):
        if key in drawn:
            drawn[key] = [outline for outline in drawn[key] if is_good(outline)]
    if "outline_mm" in drawn and not is_good(drawn["outline_mm"]):
        del drawn["outline_mm"]


def good_data() -> st.SearchStrategy[Values]:
    """The values of a good case file."""
    return tables(SCHEMA)


# --- layouts -------------------------------------------------------------------------------------
class _Pen:
    """Writes TOML; whatever a writer may choose is drawn."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw
        self.lines: list[str] = []
        self.remarks = 0
        self.chatty = draw(st.booleans())

    def maybe(self, one_in: int = 4) -> bool:
        return bool(self.draw(st.integers(0, one_in - 1)) == one_in - 1)

    def remark(self) -> str:
        self.remarks += 1
        said = self.draw(st.sampled_from(["", "äß 上", "[path]", "= 3", "###"]))
        return f"# {self.remarks} {said}"

    def line(self, text: str) -> None:
        if self.chatty and self.maybe():
            self.lines.append(self.draw(st.sampled_from(["", "  ", "\t"])) + self.remark())
        if self.maybe(8):
            self.lines.append("")
        tail = f" {self.remark()}" if self.chatty and self.maybe() else ""
        self.lines.append(self.draw(st.sampled_from(["", "", "  "])) + text + tail)

    def key(self, name: str) -> str:
        return name if not self.maybe(8) else self.draw(st.sampled_from([f'"{name}"', f"'{name}'"]))

    def pair(self, name: str, value: Any, *, inline: bool = False) -> str:
        space = self.draw(st.sampled_from([" = ", "=", "\t=  "]))
        return f"{name}{space}{self.value(value, inline=inline)}"

    def value(self, value: Any, *, inline: bool = False) -> str:
        if isinstance(value, bool):
            return str(value).lower()
        if isinstance(value, int) and value >= 10 and self.maybe(8):
            return self.draw(st.sampled_from([hex(value), bin(value), f"{value:_}"]))
        if isinstance(value, float):
            text = repr(value)
            return text if "e" in text or "." in text else f"{text}.0"
        if isinstance(value, str):
            return self.text(value)
        if isinstance(value, list):
            return self.array(value, inline=inline)
        if isinstance(value, dict):
            pairs = [self.pair(self.key(k), v, inline=True) for k, v in value.items()]
            return f"{{ {', '.join(pairs)} }}"
        if isinstance(value, datetime.date | datetime.time):
            return value.isoformat()
        return str(value)

    def text(self, value: str) -> str:
        if "'" not in value and "\n" not in value and self.maybe():
            return f"'{value}'"
        if self.maybe(8):
            return f'"""\n{json.dumps(value, ensure_ascii=False)[1:-1]}"""'
        # JSON escapes the characters outside the first plane in two halves, which TOML forbids
        return json.dumps(value, ensure_ascii=False)

    def array(self, items: list[Any], *, inline: bool) -> str:
        written = [self.value(item, inline=inline) for item in items]
        if inline or not items or not self.maybe(3):
            return "[" + ", ".join(written) + "]"
        rows = [
            f"    {row}," + (f" {self.remark()}" if self.chatty and self.maybe() else "")
            for row in written
        ]
        return "\n".join(["[", *rows, "]"])

    def document(self, data: Values) -> None:
        """Plain keys and dotted and inline tables first, for headers end the top level."""
        headed: list[tuple[str, Any]] = []
        for name, value in data.items():
            if isinstance(value, dict):
                way = self.draw(st.sampled_from(["header", "header", "dotted", "inline"]))
                if way == "inline":
                    self.line(self.pair(self.key(name), value))
                elif way == "dotted" and value:
                    for key, item in value.items():
                        self.line(self.pair(f"{self.key(name)}.{self.key(key)}", item))
                else:
                    headed.append((name, value))
            elif _is_tables(value) and not self.maybe(3):
                headed.append((name, value))
            else:
                self.line(self.pair(self.key(name), value))
        for name, value in self.draw(st.permutations(headed)):
            for one in value if isinstance(value, list) else [value]:
                self.line(f"[[{name}]]" if isinstance(value, list) else f"[{self.key(name)}]")
                self.body(name, one)

    def body(self, name: str, table: Values) -> None:
        below: list[tuple[str, Any]] = []
        for key, value in table.items():
            if (isinstance(value, dict) or _is_tables(value)) and not self.maybe(3):
                below.append((key, value))
            else:
                self.line(self.pair(self.key(key), value))
        for key, value in below:
            for one in value if isinstance(value, list) else [value]:
                self.line(f"[[{name}.{key}]]" if isinstance(value, list) else f"[{name}.{key}]")
                self.body(f"{name}.{key}", one)


def _is_tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(v, dict) for v in value)


@st.composite
def texts(draw: st.DrawFn, data: st.SearchStrategy[Values]) -> str:
    """The data written somehow: order, layout, quotes, remarks, line ends, byte order mark."""
    pen = _Pen(draw)
    pen.document(draw(data))
    if draw(st.booleans()):
        pen.lines.append("")
    if pen.chatty and pen.maybe():
        pen.lines.append(pen.remark())
    eol = draw(st.sampled_from(["\n", "\n", "\r\n"]))
    bom = draw(st.sampled_from(["", "", "", "\ufeff"]))
    return bom + eol.join("\n".join(pen.lines).split("\n"))


# --- bad ones ------------------------------------------------------------------------------------
def _nested(depth: int) -> Any:
    value: Any = 1
    for _ in range(depth):
        value = [value]
    return value


ODD_VALUES: st.SearchStrategy[Any] = st.one_of(
    st.sampled_from([
        math.nan, math.inf, -math.inf, 1e308, -1e308, 5e-324, -0.0, 0, 10**18, 10**400, -(10**19),
        True, False, "", " ", "nan", "1e999 mm", "30 ga", "99 ga", "1_0 mm", "١٢ mm", "\u2212 1 mm",
        "x" * 5000, "\u202e\u200b\ufeff", "a\nb", "é", "e\u0301", "\U0001f9b7", "../../..", "+z",
        "0,0,1",
        [], [[]], [[[]]], {}, {"a": {}}, [{}], [1, "a", []], [[0, 0, 0]] * 3, [0.0] * 5000,
        datetime.date(2024, 2, 29), datetime.time(1, 2, 3), datetime.datetime(1, 1, 1, 0, 0),
        _nested(20), _nested(400),
    ]),
    st.floats(), st.integers(-(10**30), 10**30), WORDS,
    st.lists(st.one_of(st.floats(), st.integers(), st.booleans(), WORDS), max_size=5),
).map(copy.deepcopy)  # fmt: skip


def _places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every key and element."""
    items = value.items() if isinstance(value, dict) else enumerate(value)
    found = []
    for key, part in items:
        found.append((*path, key))
        if isinstance(part, dict | list):
            found += _places(part, (*path, key))
    return found


KINDS_OF_ANOTHER: list[Callable[[Any], Any]] = [
    str, lambda value: [value], lambda value: {"value": value}, bool, lambda value: "yes",
    lambda value: int(bool(value)), lambda value: str(value).upper(),
    lambda value: value + 0.5 if isinstance(value, int) else value,
    lambda value: float(value) if isinstance(value, int) else value,
    lambda value: {"a": value[0]} if isinstance(value, list) and value else value,
]  # fmt: skip
"""The same said in a value of another kind."""
KEYS = sorted({key for part in [SCHEMA, *SCHEMA["$defs"].values()] for key in part["properties"]})


@st.composite
def bad_data(draw: st.DrawFn) -> Values:
    """Good values with one to three of them odd, gone, doubled or under another key."""
    data = draw(good_data())
    for _ in range(draw(st.integers(1, 3))):
        *before, last = draw(st.sampled_from(_places(data) or [("schema",)]))
        inside: Any = data
        for key in before:
            inside = inside[key]
        way = draw(st.integers(0, 5))
        if way >= 4:
            inside[last] = draw(st.sampled_from(KINDS_OF_ANOTHER))(inside[last])
        elif way == 0 and isinstance(inside, dict):
            inside.pop(last, None)
        elif way == 1 and isinstance(inside, dict):
            other = draw(st.one_of(st.sampled_from(KEYS), WORDS.filter(str.isalnum)))
            inside[other if other.isascii() else "x"] = draw(ODD_VALUES)
        elif way == 2 and isinstance(inside, list):
            inside.insert(last, copy.deepcopy(inside[last]))
        else:
            inside[last] = draw(ODD_VALUES)
    return data


@st.composite
def bad_bytes(draw: st.DrawFn) -> bytes:
    """A text with its letters or bytes spoiled: lines doubled, lost and swapped, another coding."""
    text = draw(texts(draw(st.sampled_from([good_data(), bad_data()]))))
    for _ in range(draw(st.integers(0, 3))):
        lines = text.split("\n")
        at = draw(st.integers(0, len(lines) - 1))
        way = draw(st.integers(0, 6))
        if way == 0:
            lines.insert(at, lines[draw(st.integers(0, len(lines) - 1))])
        elif way == 1:
            del lines[at]
        elif way == 2:
            lines[at] = lines[at][: draw(st.integers(0, len(lines[at])))]
        elif way == 3:
            head = draw(
                st.sampled_from(["[", "[[", "[a.b", '["', "[cast]", "[[cast]]", "[path.x]"])
            )
            lines.insert(at, head)
        elif way == 4:
            column = draw(st.integers(0, len(lines[at])))
            odd = draw(st.one_of(WORDS, st.sampled_from(ODD_LETTERS)))
            lines[at] = lines[at][:column] + odd + lines[at][column:]
        elif way == 5:
            lines.insert(at, draw(st.sampled_from(LONG_LINES)))
        else:
            lines[at] += draw(st.sampled_from(["\r", "\r\n\r", "\x0c", "\u2028", "\x85", "\\"]))
        text = "\n".join(lines)
    coding = draw(st.sampled_from(["utf-8"] * 6 + ["utf-8-sig", "utf-16", "latin-1", "cp037"]))
    data = bytearray(text.encode(coding, "replace"))
    if draw(st.integers(0, 3)) == 0:
        at = draw(st.integers(0, len(data)))
        data[at : at + draw(st.sampled_from([0, 1, 3]))] = draw(st.binary(min_size=1, max_size=4))
    return bytes(data)


ODD_LETTERS = ['"""', "'''", '"', "'", "\\", "#", "=", ",", "{", "}", "[", "]", "\0", "\x7f", "\t"]
LONG_LINES = [
    f"x = {'[' * 3000}", f"x = {'{a = ' * 600}", f"{'a.' * 600}a = 1", f"[{'a.' * 300}a]",
    f"x = {'9' * 6000}", f'name = "{"é" * 100_000}"', "# " + "x" * 200_000,
    "y = 1979-05-27T07:32:00Z",
    "[[arm]]\n" * 200, "cast.file.x = 1", "arm = 1", "x = " + "[[1]," * 300,
]  # fmt: skip
