"""Reports of coordinate machines as tables: a line for each axis of a feature, nominal, measured, deviation.

Such a sheet is laid out for the reader as one with a reading a row: hole, wall and what was measured stand in columns
beside it, taken from the feature's name (in a column, or in a line of its own above its axes) and from the axis; the
measured values stay in their cells. What stands beside them is compared here and then left out: nominal and deviation
must give the measured value, nominals be the kit's basic dimensions, limits the kit's, a position follow from its
centre, and what is said to be out of tolerance be out; else the hole holds. A position is worked out again, never read.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from holeqc.problems import NOTE, WARNING, Problem
from holeqc.quantities import parse_unit
from holeqc.readings.containers import Content, GridBuilder
from holeqc.readings.files import RawSheet
from holeqc.readings.headings import Vocabulary
from holeqc.readings.identities import FeatureNames, text_of
from holeqc.readings.table import Collector, ColumnUse, cell_name
from holeqc.specification.model import Hole, Specification

#: role of a column -> how it is headed, letters, digits and signs only
_HEADS = {
    "axis": "ax|axis|axes|axe|achse|eje|asse|coord|coordinate|dimension|property|char",
    "feature": "feature|featurename|featureid|element|elementname|name|label|hole|bore|merkmal|bohrung|trou|agujero",
    "nominal": "nominal|nom|nominals|nominalvalue|soll|sollwert|theo|theoretical|theoretisch|nominale|basic",
    "actual": "actual|act|actuals|actualvalue|meas|measured|measuredvalue|measurement|ist|istwert|mesuré|medido|réel",
    "deviation": "dev|deviation|error|diff|difference|abw|abweichung|écart|ecart|desv|desviación|delta",
    "upper": "+tol|tol+|uppertol|uppertolerance|utol|uptol|plustol|upper|usl|+tolerance|obtol|oberetol|otol",
    "lower": "-tol|tol-|lowertol|lowertolerance|ltol|lotol|minustol|lower|lsl|-tolerance|uttol|unteretol",
    "out": "outtol|outoftol|outoftolerance|out|oot|exceed|exceeded|overtol|status|result|passfail|ok|verdict",
}
_ROLE = {head: role for role, heads in _HEADS.items() for head in heads.split("|")}
_AXES = {
    "x": "x", "y": "y", "d": "diameter", "dia": "diameter", "diam": "diameter", "diameter": "diameter",
    "df": "diameter", "dmin": "diameter", "dmax": "diameter", "diamin": "diameter", "diamax": "diameter",
    "dm": "diameter", "ø": "diameter", "⌀": "diameter", "durchmesser": "diameter", "diamètre": "diameter",
    "diámetro": "diameter", "tp": "position", "pos": "position", "position": "position", "trueposition": "position",
    "truepos": "position", "po": "position", "tposition": "position",
}  # fmt: skip
_ENDS = {"min": 1, "minimum": 1, "smallest": 1, "max": 2, "maximum": 2, "largest": 2}
#: lines that say nothing of size or place; any other word that isn't known is left to the reader, which holds
_UNASKED = frozenset(re.findall(r"\w+", """z i j k a l rn form roundness circularity rundheit cylindricity cyl perp prp
    perpendicularity angle ang length len height depth pa pr zpos"""))
_NO_HOLE = re.compile(
    r"\W*(?:plane|pln|line|lin|point|pnt|edge|datum|ebene|gerade|punkt|plan|droite)\W*(?:datum\W*)?\w{0,4}\W*", re.I
)
_UNIT = re.compile(r"\bunits?\s*[=:]\s*(\w+)", re.IGNORECASE)
_HEAD_UNIT = re.compile(r"[\[(,]\s*(mm|in|inch|inches)\s*[\])]?$", re.IGNORECASE)
_GOOD = {"", "0", "ok", "pass", "in", "inside", "yes", "-", "i.o.", "io", "good"}
LOOKED_AT = 300  #: so many rows are searched for such a heading
_ADDED = ("Hole", "Wall", "Characteristic", "Trial", "Direction", "Unit")


@dataclass(slots=True)
class _Line:
    """One axis of a feature: numbers as they stand, NaN where there is none; ``step`` of their last digit."""

    row: int
    what: str
    direction: str
    trial: int
    nominal: float
    actual: float
    deviation: float
    upper: float
    lower: float
    out: Content
    has_out: bool
    step: float = 0.0


@dataclass(slots=True)
class _Feature:
    """A feature with its lines; hole and wall as codes, -1 where not told."""

    label: str
    hole: int
    wall: int
    unit: str
    cell: tuple[int, int]
    lines: list[_Line] = field(default_factory=list)


def _role(cell: Content) -> str:
    if not isinstance(cell, str) or len(cell) > 40:
        return ""
    return _ROLE.get(re.sub(r"[^\w+-]+", "", re.sub(r"[\[(].*?[\])]|,.*", "", cell.casefold())), "")


def heading(cells: Sequence[Content]) -> dict[str, int]:
    """Return which column has which role, where a row is the heading of a machine's report; else nothing."""
    roles: dict[str, int] = {}
    for column, cell in enumerate(cells):
        if role := _role(cell):
            roles.setdefault(role, column)
    sure = {"axis", "actual"} <= set(roles) and {"nominal", "deviation", "upper"} & set(roles)
    return roles if sure else {}


_GAP = re.compile(r"\S(?: \s|[^\S ])")  #: more than the one blank between two words


def rows_by_width(lines: Sequence[str]) -> list[list[str]]:
    """Return lines of a report in fixed width as cells, those below a heading in its columns; none without one."""
    if not any(map(_GAP.search, lines)):
        return []  # a heading needs gaps between its columns: no table of commas is cut up for nothing
    spans: list[tuple[int, int]] = []
    rows: list[list[str]] = []
    found = False
    for line in lines:
        tokens = [(m[0], m.start(), m.end()) for m in re.finditer(r"\S+(?: \S+)*", line.expandtabs().rstrip())]
        if heading([text for text, *_ in tokens]):
            spans, found = [(start, end) for _, start, end in tokens], True
            rows.append([text for text, *_ in tokens])
        elif spans and len(tokens) > 1 and any(math.isfinite(_number(text)) for text, *_ in tokens):
            cells = [""] * len(spans)
            for text, start, end in tokens:
                near = min(range(len(spans)), key=lambda n: min(abs(spans[n][1] - end), abs(spans[n][0] - start)))
                cells[near] = f"{cells[near]} {text}".strip()
            rows.append(cells)
        else:
            rows.append([text for text, *_ in tokens])
    return rows if found else []


class MachineReport:
    """A report, and ``sheet``: laid out for the reader with a reading a row."""

    def __init__(self, sheet: RawSheet, vocabulary: Vocabulary, spec: Specification, collector: Collector) -> None:
        self.sheet, self.spec, self.collector = sheet, spec, collector
        self.names, self.vocabulary = FeatureNames(spec, vocabulary), vocabulary
        self.rows = [sheet.grid.row(row) for row in range(sheet.grid.rows)]
        self.roles: dict[str, int] = {}
        self.features: list[_Feature] = []
        self.blank: set[int] = set()
        self.unit = ""
        self.first = -1

    def say(
        self, code: str, message: str, feature: _Feature, row: int, role: str, *, found: str = "", allowed: str = "",
        severity: str = WARNING, action: str = "Look at the machine's program and its own report",
    ) -> None:  # fmt: skip
        """Report a problem of one cell; it holds the hole unless it is a note."""
        hole = self.spec.hole_ids[feature.hole] if feature.hole >= 0 else ""
        self.collector.add(Problem(
            severity, code, message, found, allowed, action if severity != NOTE else "", self.sheet.file,
            self.sheet.name,
            cell_name(row + 1, self.roles.get(role, self.roles["actual"]) + 1), hole=hole, holds=severity != NOTE))

    def read(self) -> None:
        """Find the features and their lines."""
        now: _Feature | None = None
        for number, cells in enumerate(self.rows):
            filled = [c for c in cells if c is not None]
            text = " ".join(text_of(c) for c in filled)
            if roles := heading(cells):
                if self.roles and roles != self.roles:
                    self.blank = set()
                    self.roles = {}
                    return  # two kinds of tables: the reader takes it as it is
                self.first = number if self.first < 0 else self.first
                self.roles = roles
                if self.first != number:
                    self.blank.add(number)
                continue
            if not filled:
                continue
            line = self._line(number, cells) if self.roles else None
            if line is None:
                named = self._named(number, text) if len(filled) == 1 or not any(map(_is_number, filled)) else None
                now = named or now
                continue
            label = cells[self.roles["feature"]] if "feature" in self.roles else None
            if label is not None and (now is None or text_of(label) != now.label):
                now = self._feature(text_of(label), number, self.roles["feature"])
            if now is None:
                now = self._feature("", number, self.roles["axis"])
            now.lines.append(line)

    def _feature(self, label: str, row: int, column: int) -> _Feature:
        unit = _UNIT.search(label)
        hole, wall = self.names.place(_cut(label))
        self.features.append(_Feature(label, hole, wall, parse_unit(unit[1]) or "" if unit else "", (row, column)))
        return self.features[-1]

    def _named(self, number: int, text: str) -> _Feature | None:
        """Return the feature that a line of its own names; a field or a remark names none."""
        words = re.sub(r"^(?:feature|element|merkmal)\s+", "", text, flags=re.IGNORECASE)
        hole, _ = self.names.place(_cut(words))
        if hole < 0 and (":" in text or not (_NO_HOLE.fullmatch(words) or _CIRCLE.match(words))):
            return None
        column = next(c for c, cell in enumerate(self.rows[number]) if cell is not None)
        return self._feature(words, number, column)

    def _line(self, number: int, cells: list[Content]) -> _Line | None:
        """Return a row as the line of an axis, None for any other."""

        def at(role: str) -> Content:
            return cells[self.roles[role]] if role in self.roles and self.roles[role] < len(cells) else None

        axis = at("axis")
        if not isinstance(axis, str) or (at("actual") is None and not math.isfinite(_number(at("nominal")))):
            return None
        words = re.findall(r"[^\W\d_]+|[ø⌀]", axis.casefold())
        ends = [_ENDS[word] for each in words if (word := re.sub("^dia?(?=m(in|ax)$)", "", each)) in _ENDS]
        word = "".join(word for word in words if word not in _ENDS)
        meaning = self.vocabulary.meaning(axis)
        direction = text_of(meaning.direction) if meaning.word == "diameter" and meaning.direction is not None else ""
        what = "diameter" if direction else _AXES.get(word, "" if word in _UNASKED else axis)
        if at("actual") is None and what not in {"x", "y", "diameter", "position", ""}:
            return None  # 'Stamp' with a number beside it
        nominal, actual, deviation, upper, lower = (
            _number(at(role)) for role in ("nominal", "actual", "deviation", "upper", "lower"))
        trial = ends[0] if ends and what == "diameter" else 0
        return _Line(number, what, direction, trial, nominal, actual, deviation, upper, lower, at("out"),
                     "out" in self.roles)  # fmt: skip

    # ------------------------------------------------------------------------------------------------ what must agree

    def compare(self) -> None:
        """Compare what stands beside the measured values with them and with the kit."""
        unit = self.unit or self.spec.unit
        self._steps()
        for feature in self.features:
            scale = {("mm", "in"): 25.4, ("in", "mm"): 1 / 25.4}.get((feature.unit or unit, self.spec.unit), 1.0)
            for line in feature.lines:
                self._deviation(feature, line)
                if feature.hole >= 0 and line.what in {"x", "y", "diameter"}:
                    self._nominal(feature, line, scale)
                inside, own = self._inside(feature, line, scale), self._own(line)
                says_out = line.has_out and not _is_good(line.out)
                if (says_out and inside) or (line.has_out and not says_out and False in (inside, own)):
                    self.say("status-disagrees", "what is said of the tolerance doesn't follow from the measured value",
                             feature, line.row, "out", found=text_of(line.out) if line.out is not None else "blank",
                             allowed="inside" if inside else "out of tolerance")  # fmt: skip
                elif says_out and inside is None:
                    self.say("status-disagrees", "it is said to be out of tolerance; the kit asks no such limit",
                             feature, line.row, "out", found=text_of(line.out))  # fmt: skip
                if line.what == "position" and feature.hole >= 0:
                    self._position(feature, line)
        self._fitted()

    def _fitted(self) -> None:
        """Say it where the kit asks diameters in several directions and the report gives one of each wall."""
        asked = self.spec.plan.directions
        sizes = [[line for line in feature.lines if line.what == "diameter"] for feature in self.features
                 if feature.hole >= 0]  # fmt: skip
        some = [lines for lines in sizes if lines]
        if len(asked) < 2 or not some or any(len(lines) > 1 or lines[0].direction for lines in some):
            return
        along = " and ".join(f"{degrees:g}°" for degrees in asked)
        self.collector.add(Problem(
            WARNING, "one-diameter",
            f"the kit asks diameters along {along}; the report gives one fitted diameter a wall",
            f"{len(some)} fitted diameters", "the smallest and the largest of each wall",
            "Export both from the machine, or have the kit's owner ask one: [plan] directions = [0]", self.sheet.file,
            self.sheet.name, cell_name(some[0][0].row + 1, self.roles["actual"] + 1)))

    def _steps(self) -> None:
        """Find one step of each line's last digit: a text shows its zeros, of numbers the finest of an axis counts."""
        lines = [line for feature in self.features for line in feature.lines]
        for column in (self.roles[role] for role in ("actual", "nominal", "deviation") if role in self.roles):
            cells = [self.rows[line.row][column] if column < len(self.rows[line.row]) else None for line in lines]
            finest: dict[str, float] = {}
            for line, cell in zip(lines, cells, strict=True):
                if isinstance(cell, float) and (step := _step(cell)):
                    finest[line.what] = min(finest.get(line.what, 1.0), step)
            for line, cell in zip(lines, cells, strict=True):
                line.step = max(line.step, finest.get(line.what, 0.0) if isinstance(cell, float) else _step(cell))

    def _deviation(self, feature: _Feature, line: _Line) -> None:
        off = abs(line.nominal + line.deviation - line.actual)
        if off > 1.05 * line.step and line.what != "position":
            self.say("deviation-differs", "nominal and deviation don't give the measured value", feature, line.row,
                     "deviation", found=f"{line.nominal:g} and {line.deviation:g}", allowed=f"{line.actual:g}")

    def _nominal(self, feature: _Feature, line: _Line, scale: float) -> None:
        hole, step = self.spec.holes[feature.hole], 1.05 * line.step
        if line.what != "diameter":
            basic = hole.x if line.what == "x" else hole.y
            if abs(abs(line.nominal) - abs(basic) * scale) > step:  # mirrored parts may count the other way
                self.say("other-nominal", "the nominal isn't the kit's basic dimension", feature, line.row, "nominal",
                         found=f"{line.nominal:g}", allowed=f"{basic * scale:g}")  # fmt: skip
            return
        for tolerance, limit, role in ((line.upper, hole.size.upper, "upper"), (line.lower, hole.size.lower, "lower")):
            ways = (line.nominal + tolerance, line.nominal - tolerance if role == "lower" else tolerance, tolerance)
            if math.isfinite(tolerance) and all(abs(way - limit * scale) > step for way in ways):
                self.say("other-limits", "the limit of size isn't the kit's", feature, line.row, role,
                         found=f"{line.nominal:g} with {tolerance:g}", allowed=f"{limit * scale:g}")  # fmt: skip

    def _inside(self, feature: _Feature, line: _Line, scale: float) -> bool | None:
        """Return whether a line is inside by the kit; None where the kit asks no such limit."""
        hole = self.spec.holes[feature.hole] if feature.hole >= 0 and math.isfinite(line.actual) else None
        if hole is not None and line.what == "diameter":
            return hole.size.lower * scale - 1e-9 <= line.actual <= hole.size.upper * scale + 1e-9
        if hole is not None and line.what == "position" and hole.position.tolerance is not None:
            return line.actual <= hole.position.tolerance * scale + self._bonus(feature, hole, scale) + 1e-9
        return None

    def _own(self, line: _Line) -> bool | None:
        """Return whether a line is inside its own limits; a position's may have a bonus that isn't written."""
        if line.what == "position" or not all(map(math.isfinite, (line.actual, line.nominal, line.upper))):
            return None
        low = line.lower if math.isfinite(line.lower) else -line.upper
        return -abs(low) - line.step <= line.actual - line.nominal <= abs(line.upper) + line.step

    def _bonus(self, feature: _Feature, hole: Hole, scale: float) -> float:
        both = self.spec.walls.bonus_from_both
        sizes = [line.actual for other in self.features if other.hole == feature.hole and (both or other is feature)
                 for line in other.lines if line.what == "diameter" and math.isfinite(line.actual)]  # fmt: skip
        if not sizes or hole.position.condition == "RFS":
            return 0.0
        room = (min(sizes) - hole.size.lower * scale if hole.position.condition == "MMC" else
                hole.size.upper * scale - max(sizes))  # fmt: skip
        return min(max(room, 0.0), hole.size.band * scale)

    def _position(self, feature: _Feature, line: _Line) -> None:
        """Compare a position with its centre."""
        centre = {one.what: one for one in feature.lines if one.what in {"x", "y"}}
        if len(centre) < 2:
            self.say("no-centre", "a position without a centre can't be worked out again", feature, line.row, "actual",
                     found=f"{line.actual:g}")  # fmt: skip
            return
        ours = 2.0 * math.hypot(*(centre[a].actual - centre[a].nominal for a in "xy"))
        if abs(ours - line.actual) > 4.0 * max(line.step, *(one.step for one in centre.values())):
            self.say("position-disagrees", "the position doesn't follow from the centre", feature, line.row, "actual",
                     found=f"{line.actual:g}, by the centre {ours:.6g}")  # fmt: skip

    # ------------------------------------------------------------------------------------------------------ laid out

    def place(self, row: int) -> tuple[int, int]:
        """Return where the name of a row's feature stands, row and column from 0."""
        known = {line.row: feature.cell for feature in self.features for line in feature.lines}
        return known.get(row, (row, self.roles["axis"]))

    def columns(self, uses: Sequence[ColumnUse]) -> tuple[ColumnUse, ...]:
        """Return how its columns were understood, by their own places and headings."""
        letters = {role: cell_name(1, column + 1)[:-1] for role, column in self.roles.items()}
        heads = {letters[role]: text_of(self.rows[self.first][column]) for role, column in self.roles.items()}
        own = dict(zip(_ADDED, ("feature", "feature", "axis", "axis", "axis", "feature"), strict=True))
        out = []
        for use in uses:
            added = use.use == "field" and use.heading in own and use.place not in heads
            place = letters.get(own[use.heading], "lines above") if added else use.place
            out.append(replace(use, place=place, heading=heads.get(place, "feature" if added else use.heading)))
        lines = [self.rows[line.row] for feature in self.features for line in feature.lines]
        counts = {role: sum(cells[column] is not None for cells in lines if column < len(cells))
                  for role, column in self.roles.items()}  # fmt: skip
        out += [ColumnUse(self.sheet.name, letters[role], heads[letters[role]], "not used", counts[role],
                          reason="compared with the measured value") for role in self.roles
                if role not in {"actual", "axis", "feature"}]  # fmt: skip
        return tuple(use for use in out if use.cells)

    def lay_out(self) -> None:
        """Make the sheet one with a reading a row."""
        width = max(len(cells) for cells in self.rows)
        rows: list[list[Content]] = [[*cells, *[None] * (width - len(cells) + len(_ADDED))] for cells in self.rows]
        taken = [column for role, column in self.roles.items() if role != "actual"]
        named = {feature.cell[0] for feature in self.features if feature.hole >= 0 and feature.lines}
        for number in self.blank | {row for row in named if row not in {x.row for f in self.features for x in f.lines}}:
            rows[number][:width] = [None] * width
        head = rows[self.first]
        for column in taken:
            head[column] = None
        unit = _HEAD_UNIT.search(text_of(head[self.roles["actual"]]))
        head[self.roles["actual"]] = f"Measured [{unit[1]}]" if unit else "Measured"
        units = any(feature.unit for feature in self.features)
        head[width:] = [*_ADDED[:5], _ADDED[5] if units else None]
        left: dict[str, list[int]] = {}
        for feature in self.features:
            none = feature.hole < 0 and _NO_HOLE.fullmatch(feature.label)
            for line in feature.lines:
                row = rows[line.row]
                axis = text_of(row[self.roles["axis"]])
                for column in taken:
                    row[column] = None
                if none or line.what in {"", "position"}:
                    left.setdefault(feature.label if none else axis, []).append(line.row)
                    row[self.roles["actual"]] = None
                    continue
                # nothing may be filled down, or matched once more, where a name isn't understood
                known, several = feature.hole >= 0, len(self.spec.walls.names) > 1
                row[width] = self.spec.hole_ids[feature.hole] if known else f"{feature.label} (not understood)".strip()
                unsaid = "not said" if several and known else None
                row[width + 1] = self.spec.walls.names[feature.wall] if feature.wall >= 0 else unsaid
                row[width + 2] = line.what
                row[width + 3] = str(line.trial) if line.trial else None
                row[width + 4] = line.direction or None
                row[width + 5] = (feature.unit or self.unit) if units else None
        for what, where in left.items():
            text = "worked out again from the centre" if _AXES.get(what.casefold()) == "position" else "not used"
            self.collector.add(Problem(
                NOTE, "not-used", f"lines {what!r} of the machine's report are {text}", f"{len(where)} lines",
                file=self.sheet.file, sheet=self.sheet.name, cell=cell_name(where[0] + 1, self.roles["actual"] + 1)))
        builder = GridBuilder()
        builder.add(rows)
        self.sheet = replace(self.sheet, grid=builder.finish())


_NUMBER = re.compile(r"\s*([+\-\u2212]?(?:\d+[.,]?\d*|[.,]\d+))\s*(mm|in|inch|\"|\u2033)?\.?\s*", re.IGNORECASE)
_CIRCLE = re.compile(r"(?:cir|circle|cyl|cylinder|hole|bore|kreis|zylinder|bohrung|cercle|trou)(?![^\W\d_])", re.I)


def _cut(label: str) -> str:
    """Return a label without what a program writes around a feature's name: ``DIM L1= LOCATION OF CIRCLE H1_NEAR``."""
    label = re.sub(r"^\s*dim\b.*\blocation\s+of\b", " ", label, flags=re.IGNORECASE)
    return re.sub(r"\b(?:dim|location|loc|of)\b|[=:]", " ", _UNIT.sub(" ", label), flags=re.IGNORECASE)


def _number(content: Content) -> float:
    """Return the number in a cell, NaN where there is none."""
    if isinstance(content, float):
        return content
    match = _NUMBER.fullmatch(content) if isinstance(content, str) else None
    return float(match[1].replace(",", ".").replace("\u2212", "-")) if match else math.nan


def _is_number(content: Content) -> bool:
    return math.isfinite(_number(content))


def _step(content: Content) -> float:
    """Return one step of a number's last digit as it is written, 0 where there is none: ``0`` and ``12`` are exact."""
    if not math.isfinite(_number(content)):
        return 0.0
    text = f"{content:.9f}".rstrip("0") if isinstance(content, float) else text_of(content).replace(",", ".")
    decimals = len(re.sub(r"\D", "", text.partition(".")[2]))
    return float(10.0**-decimals) if decimals else 0.0


def _is_good(content: Content) -> bool:
    """Whether a cell says that nothing is out of tolerance."""
    number = _number(content)
    return number == 0.0 if math.isfinite(number) else content is None or text_of(content).casefold() in _GOOD


def laid_out(
    sheet: RawSheet, vocabulary: Vocabulary, spec: Specification, collector: Collector, unit: str
) -> MachineReport | None:  # fmt: skip
    """Return a machine's report, compared with the kit and laid out as a sheet with a reading a row.

    ``unit``: that of readings whose sheet says none. None where the sheet is no such report.
    """
    roles = set()
    for column in sheet.grid.columns:
        if column.codes is not None:
            codes = np.unique(column.codes[:LOOKED_AT])
            roles |= {_role(column.labels[code]) for code in codes[codes >= 0].tolist()}
    if not {"axis", "actual"} <= roles:
        return None
    report = MachineReport(sheet, vocabulary, spec, collector)
    report.read()
    if not report.roles or not report.features:
        return None
    texts = [text_of(c) for cells in report.rows[: report.first] for c in cells if isinstance(c, str)]
    said = [parse_unit(match[1]) for text in texts if (match := _UNIT.search(text))]
    said += [parse_unit(right) for left, right in pairwise(texts) if re.fullmatch(r"(?i)units?:?", left)]
    actual = report.roles["actual"]
    measured = [report.rows[line.row][actual] for feature in report.features for line in feature.lines]
    beside = [m[2] for cell in measured if isinstance(cell, str) and (m := _NUMBER.fullmatch(cell)) and m[2]]
    over = _HEAD_UNIT.search(text_of(report.rows[report.first][actual]))
    said = [*map(parse_unit, beside[:1]), parse_unit(over[1]) if over else None, *said]
    report.unit = next((found for found in said if found), unit)
    report.compare()
    report.lay_out()
    return report
