"""From what TOML holds to checked values by table and key: unknown keys, wrong kinds and wrong shapes are found here.

Array tables are counted from 1 in paths: ``hole[3].size.lower`` is the third ``[[hole]]`` of the file."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from holeqc import door
from holeqc.problems import ERROR, WARNING, DataError, HoleQCError, Problem
from holeqc.quantities import Unit, parse_length, parse_unit
from holeqc.specification.keys import (
    ARRAYS,
    OTHER_NAMES,
    OVERRIDES,
    Key,
    SizeText,
    all_keys,
    headline,
    keys_of,
    nearest,
    read_size,
    size_keys,
    tables,
)
from holeqc.specification.model import Tool

# The text of a kit file line by line: where each key stands, and what a line that can't be read should say instead.
#
# A kit file is TOML, and people type it as a drawing prints it: ``.3125``, ``5/16 +.006 -.001``, ``0,455``,
# ``0.455 in``. Each such line is told with its key and with what to write, all of them at once, in the shop's words.


_HEADER = re.compile(r"""^\s*(\[\[?)\s*([^\[\]]*?)\s*(\]?\]?)\s*(#.*)?$""")
_KEY = re.compile(r"""^[ \t]*("[^"]*"|'[^']*'|[A-Za-z0-9_.\- ]+?)[ \t]*=(?!=)[ \t]*(.*)$""")
_NO_EQUALS = re.compile(r"^\s*([A-Za-z_][A-Za-z0-9_]*)\s*(?::=|:|\s|=>|==)\s*(\S.*)$")
_CURLY = str.maketrans({"“": '"', "”": '"', "„": '"', "‟": '"', "‘": "'", "’": "'", "«": '"', "»": '"', "″": '"'})
_ODD_BLANKS = str.maketrans(dict.fromkeys("\xa0\u2007\u202f\u2009\u200b\ufeff\u3000", " "))
_REMARK = re.compile(r"^\s*(//|;|--|%|/\*|\*|!)")
_NAME = re.compile(r"""^(?:[A-Za-z0-9_\-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_\-]+|"[^"]*"|'[^']*'))*$""")
_LIKE_A_TABLE = re.compile(r"^\W*([A-Za-z_'.: ]{3,}?)\W*(?:#.*)?$")
_BEGINNING = re.compile(r"^\s*(\[\[?[A-Za-z_ ]+\]|[A-Za-z_]+\s*=)")  #: a bracket before it was never closed
_BARE_POINT = re.compile(r"(?<![\d.\w\"'])([+-]?)\.(\d)")
_BARE_END = re.compile(r"(?<![\d.])(\d+)\.(?![\d])")
LONGEST_LINE = 200  #: characters of a line that is told in full
_LENGTHS = {"length", "amount", "place"}
_SIZED = {*_LENGTHS, "tool", ""}  #: kinds of value that a size typed as on a drawing may stand for


@dataclass(slots=True)
class Statement:
    """One line, or several that belong together: its first line from 1, its table's path, key and raw value."""

    number: int
    table: str
    key: str = ""
    value: str = ""
    header: bool = False
    count: int = 1  #: lines that it takes

    @property
    def path(self) -> str:
        """Path as problems name it, ``hole[3].x``."""
        return ".".join(filter(None, (self.table, self.key)))


@dataclass(frozen=True, slots=True)
class Fault:
    """A line that can't be read: what is wrong, what is there, what to write, and that as lines where it is certain."""

    number: int
    where: str
    message: str
    found: str
    action: str
    instead: tuple[str, ...] = ()
    also: tuple[int, ...] = ()  #: further lines of the same fault


@dataclass(slots=True)
class _Place:
    """The table that lines stand in while they are read one after the other."""

    table: str = ""
    counts: dict[str, int] = field(default_factory=dict)

    def enter(self, brackets: str, name: str) -> None:
        parts = [part.strip().strip("\"'") for part in name.split(".")]
        first = parts[0] if _NAME.match(name) else nearest(name, tables()) or parts[0]
        if brackets == "[[" or first in ARRAYS:
            self.counts[first] = self.counts.get(first, 0) + (1 if len(parts) == 1 else 0)
        listed = first in self.counts
        number = self.counts.get(first, 1)
        self.table = ".".join([f"{first}[{max(number, 1)}]" if listed else first, *parts[1:]])


def statements(text: str) -> Iterator[Statement]:
    """Yield the headers and keys of a kit file, also of one that isn't TOML; blank lines and remarks are left out."""
    lines = text.splitlines()
    place = _Place()
    index = 0
    while index < len(lines):
        line = lines[index]
        start = index
        index += 1
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        header = _HEADER.match(line)
        if header and "=" not in header[2]:
            place.enter(header[1], header[2])
            yield Statement(start + 1, place.table, header=True, value=line)
            continue
        match = _KEY.match(line)
        if match is None:
            if meant := _meant_table(line):  # what follows stands in it, though the line itself can't be read
                place.enter("[[" if meant in ARRAYS else "[", meant)
            yield Statement(start + 1, place.table, value=line.strip())
            continue
        value = match[2]
        quote = next((mark for mark in ('"""', "'''") if value.lstrip().startswith(mark)), "")
        while index < len(lines) and (
            value.count(quote) < 2 if quote else _open(value) and not _BEGINNING.match(lines[index])
        ):
            value += "\n" + lines[index]
            index += 1
        yield Statement(start + 1, place.table, match[1].strip().strip("\"'"), value, count=index - start)


def _meant_table(line: str) -> str:
    """Return the table that a line which is no header was likely meant to begin, '' where none comes near."""
    match = _LIKE_A_TABLE.match(line)
    if match is None:
        return ""
    name = match[1].strip().lower()
    return (nearest(name, tables()) if line.lstrip().startswith("[") else "") or (name if name in tables() else "")


def _open(value: str) -> bool:
    """Whether a list or table in a value still waits for its closing bracket."""
    bare = re.sub(r'"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'', "", value)
    bare = re.sub(r"#[^\n]*", "", bare)
    return bare.count("[") + bare.count("{") > bare.count("]") + bare.count("}")


def line_numbers(text: str) -> dict[str, int]:
    """Return the line of each key path and table of a kit file, from 1."""
    found: dict[str, int] = {}
    for statement in statements(text):
        found.setdefault(statement.path, statement.number)
        if statement.header:
            found.setdefault(statement.table.split("[")[0], statement.number)
    return found


def line_of(path: str, numbers: dict[str, int]) -> int:
    """Return the line that a path stands in, of the table around it where the key isn't there; else 0."""
    if path in numbers:
        return numbers[path]
    plain = re.sub(r'\."(.*)"$', r".\1", path)
    while plain:
        if plain in numbers:
            return numbers[plain]
        plain = plain.rpartition(".")[0]
    return 0


# ------------------------------------------------------------------------------------------------------------ faults


def faults(text: str, unit: str) -> list[Fault]:
    """Return every line that TOML can't read, with what to write instead; ``unit`` is the kit's, in or mm."""
    found: list[Fault] = []
    seen: dict[str, int] = {}
    single: dict[str, int] = {}
    found += _unlisted(text)
    for statement in statements(text):
        if statement.header:
            found += _header_faults(statement, single)
        elif not statement.key:
            found.append(_lost(statement, unit))
        elif (first := seen.get(statement.path)) is not None:
            found.append(Fault(statement.number, statement.path, f"{statement.key} is there already, in line {first}",
                               _one_line(statement.value), "Take one of them out"))  # fmt: skip
        else:
            seen[statement.path] = statement.number
            if (fault := _value_fault(statement, unit)) is not None:
                found.append(fault)
    return found


def _unlisted(text: str) -> Iterator[Fault]:
    """Yield a fault for each table that stands several times and not with two brackets: ``[hole]`` for ``[[hole]]``."""
    heads: dict[str, list[tuple[str, int]]] = {}
    for statement in statements(text):
        match = _HEADER.match(statement.value) if statement.header else None
        if match and match[2] in ARRAYS:
            heads.setdefault(match[2], []).append((match[1], statement.number))
    for name, places in heads.items():
        lines = [number for brackets, number in places if brackets == "["]
        if lines and len(places) > 1:
            more = f" in lines {', '.join(map(str, lines))}" if len(lines) > 1 else ""
            yield Fault(lines[0], name, f"each {name} stands in two brackets", f"[{name}]{more}", f"Write [[{name}]]",
                        (f"[[{name}]]",), tuple(lines[1:]))  # fmt: skip


def _header_faults(statement: Statement, single: dict[str, int]) -> Iterator[Fault]:
    match = _HEADER.match(statement.value)
    assert match is not None
    opening, name, closing = match[1], match[2], match[3]
    if not _NAME.match(name) and len(opening) != len(closing):
        name = nearest(name.strip("(){}<>:;., "), tables()) or name
    line, number = statement.value.strip(), statement.number
    first = name.split(".")[0].strip()
    right = f"[[{name}]]" if first in ARRAYS and "." not in name else f"[{name}]"
    if not name:
        yield Fault(number, "", "the name of the table is missing", line, f"Write for example {headline('size')}")
    elif len(opening) != len(closing):
        yield Fault(number, name, "a bracket is missing", line, f"Write {right}", (right,))
    elif opening == "[[" and first in tables() and first not in (*ARRAYS, "pin") and "." not in name:
        yield Fault(number, name, f"{name} stands once in a kit file", line, f"Write {right}", (right,))
    elif opening == "[" and name in single and first not in ARRAYS:
        several = "Write [[pin]] above each of them" if name == "pin" else "Put their keys below one of them"
        yield Fault(number, name, f"the table is there already, in line {single[name]}", line, several)
    elif not _NAME.match(name):
        near = nearest(name, tables())
        instead = (f"[[{near}]]" if near in ARRAYS else f"[{near}]",) if near else ()
        action = f"Write {instead[0]}" if instead else "holeqc kit keys lists all tables"
        yield Fault(number, near or name, "a table's name is one word of letters", line, action, instead)
    if opening == "[":
        single.setdefault(name, number)


def _lost(statement: Statement, unit: str) -> Fault:
    """Return the fault of a line that is neither a table nor a key."""
    line, number = statement.value, statement.number
    if _REMARK.match(line):
        remark = f"# {line.lstrip('/;-%*! ')}"[:80]
        return Fault(number, statement.table, "a remark begins with #", line[:80], f"Write {remark}", ("#",))
    if line.startswith("[") and "=" in line:
        head = line[: line.rfind("]") + 1] or line.split()[0]
        return Fault(number, statement.table, "a table's name stands in a line of its own", line[:80],
                     f"Write {head} and what follows it in the next line")  # fmt: skip
    if line.startswith("="):
        return Fault(number, statement.table, "the key before = is missing", line[:80], "Write key = value")
    if meant := _meant_table(line):
        right = f"[[{meant}]]" if meant in ARRAYS else f"[{meant}]"
        message = "a table's name stands alone in brackets"
        return Fault(number, meant, message, line[:80], f"Write {right}", (right,))
    if _plain_table(statement.table) in {"size", "pin"} and (size := read_size(line.split("#")[0])) is not None:
        instead = tuple(f"{k} = {v}" for k, v in size_keys(size).items())
        return Fault(number, statement.table, "a size stands in keys of its own", line[:80],
                     f"Write {_joined(instead)}", instead)  # fmt: skip
    match = _NO_EQUALS.match(line.translate(_ODD_BLANKS))
    if match and nearest(match[1], [key.name for key in all_keys()]):
        inner = Statement(number, statement.table, match[1], match[2].lstrip("=:> "))
        fault = _value_fault(inner, unit)
        instead = fault.instead if fault else (f"{match[1]} = {inner.value}",)
        return Fault(number, inner.path, "there is no = between key and value", line[:80],
                     f"Write {_joined(instead)}" if instead else f"Write {match[1]} = ...", instead)  # fmt: skip
    return Fault(number, statement.table, "this is neither a table nor a key with a value", line[:80],
                 "Write key = value, a table's name in brackets, or # before a remark")  # fmt: skip


def _joined(lines: tuple[str, ...]) -> str:
    if len(lines) == 1:
        return lines[0] if len(lines[0]) <= LONGEST_LINE else f"{lines[0][:LONGEST_LINE]} ... {lines[0][-20:]}"
    return f"in lines of their own: {'; '.join(lines)}"


def _one_line(value: str) -> str:
    return " ".join(value.split())[:80]


def _readable(key: str, value: str) -> bool:
    try:
        door.toml_values(f"{_quoted_key(key)} = {value}")
    except (tomllib.TOMLDecodeError, RecursionError):
        return False
    return True


def _quoted_key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_.\-]+", key) else f'"{key}"'


def _value_fault(statement: Statement, unit: str) -> Fault | None:
    key, raw = statement.key, statement.value
    free = statement.table in {"headings", "confirmed", "designators"}
    if " " in key and not free:
        near = nearest(key, keys_of(_plain_table(statement.table)) or [k.name for k in all_keys()])
        inner = Statement(statement.number, statement.table, near or key.replace(" ", "_"), raw)
        fault = _value_fault(inner, unit)
        instead = fault.instead if fault else (f"{inner.key} = {raw}",)
        return Fault(statement.number, statement.path, "a key is one word", f"{key} = {_one_line(raw)}",
                     f"Write {_joined(instead)}" if instead else f"Write {inner.key} = ...", instead)  # fmt: skip
    if _readable(key, raw):
        return None
    message, lines = _explained(statement, raw, unit)
    action = f"Write {_joined(lines)}" if lines else _example_of(statement)
    return Fault(statement.number, statement.path, message, f"{key} = {_one_line(_without_remark(raw))}", action, lines)


def _plain_table(table: str) -> str:
    """Return the table that the keys of a path belong to: ``size`` for ``hole[3].size``."""
    last = table.split(".")[-1]
    return last if last in OVERRIDES else last.split("[")[0]


def _kind(statement: Statement) -> str:
    key = keys_of(_plain_table(statement.table)).get(statement.key.split(".")[-1])
    return key.kind if key else ""


def _example_of(statement: Statement) -> str:
    key = keys_of(_plain_table(statement.table)).get(statement.key)
    if key is None:
        return "Text stands in quotes, a number without, with a point as its decimal mark"
    return f"Write for example {key.example if '=' in key.example else f'{key.name} = {key.example}'}"


def _explained(statement: Statement, raw: str, unit: str) -> tuple[str, tuple[str, ...]]:
    """Return what is wrong with a value in words, and the lines to write in its place where they are certain."""
    key = statement.key
    value = _without_remark(raw)
    if not value:
        return "there is no value behind =", ()
    for change, message in (
        (str.translate(value, _CURLY), "these quotes are not the straight ones"),
        (str.translate(value, _ODD_BLANKS).strip(), "there is a blank of another kind in it"),
        (value.rstrip(",;"), "a line doesn't end in a comma or semicolon"),
    ):
        if change != value and _readable(key, change):
            return message, (f"{key} = {change}",)
    value = value.translate(_CURLY).translate(_ODD_BLANKS).rstrip(",;").strip()
    if value[:1] in "[{":
        return _list_explained(key, value)
    kind = _kind(statement)
    if kind == "date":
        return "a date stands as year-month-day, without quotes", ()
    size = (None if value[0] in "\"'" else read_size(value)) or read_size(value.strip("\"'"))
    if kind not in _SIZED and key not in {"size", "pin", "class"}:
        size = None
    if size is not None and not (value[0] in "\"'" and not size.toleranced and size.unit is None and not size.fraction):
        return _size_explained(statement, value, size, unit)
    if value.lower().strip("\"'.") in {"true", "false", "yes", "no", "on", "off"} and kind in {"yes", ""}:
        word = "true" if value.lower().strip("\"'.") in {"true", "yes", "on"} else "false"
        return "yes and no are written true and false, small and without quotes", (f"{key} = {word}",)
    signed = re.fullmatch(r"([+\-−]?)\s*((?:\d+[.,]?\d*|[.,]\d+))\s*(in|inch|mm|\")?\.?", value)
    if signed and signed[2].strip(".,") and kind not in {"id", "text"}:
        number = ("-" if signed[1] in {"-", "−"} else "") + _number(signed[2])
        if signed[3] and parse_unit(signed[3]) != unit:
            return "a length with a unit stands in quotes", (f'{key} = "{number} {parse_unit(signed[3])}"',)
        return "a number has a digit before and behind its point", (f"{key} = {number}",)
    if value[0] in "\"'":
        return _quotes_explained(key, value)
    if kind in _LENGTHS:
        return "this is not a length", ()
    plain = value.strip("\"'").replace('"', "'").replace("\\", "/")
    return "text stands in quotes", (f'{key} = "{plain}"',)


def _quotes_explained(key: str, value: str) -> tuple[str, tuple[str, ...]]:
    mark = value[0]
    inside = value[1:]
    if mark not in inside:
        return "the closing quote is missing", (f"{key} = {mark}{inside.rstrip()}{mark}",)
    if "\\" in value and _readable(key, value.replace("\\", "/")):
        return "a backslash has a meaning of its own in quotes", (f"{key} = {value.replace(chr(92), '/')}",)
    if inside.count(mark) > 1 and value.endswith(mark):
        text = inside[:-1].replace(mark, "'" if mark == '"' else '"')
        other = f"{mark}{text}{mark}"
        if _readable(key, other):
            return "there are quotes inside the quotes", (f"{key} = {other}",)
    return "something stands behind the closing quote", ()


def _list_explained(key: str, value: str) -> tuple[str, tuple[str, ...]]:
    closed = value + {"[": "]", "{": "}"}[value[0]] if _open(value) else value
    points = _BARE_END.sub(r"\1.0", _BARE_POINT.sub(r"\g<1>0.\2", closed))
    for change, message in (
        (closed, "a closing bracket is missing"),
        (points, "a number has a digit before and behind its point"),
        (re.sub(r"(\d)\s+(?=[\d.-])", r"\1, ", points), "a comma is missing in the list"),
        (points.replace(";", ","), "what stands in a list is parted by commas"),
    ):
        if change != value and _readable(key, change):
            return message, (f"{key} = {_one_line(change)}" if len(change) <= 80 else f"{key} = {change}",)
    if value[0] == "{":
        return "a table in one line stands as { key = value, key = value }", ()
    return 'a list stands as ["one", "two"] or [0.1, 0.2]', ()


def _number(text: str) -> str:
    whole, _, rest = text.replace(",", ".").partition(".")
    return f"{(whole or '').lstrip('0') or '0'}.{rest or '0'}"  # not by int: it refuses thousands of digits


def _size_explained(statement: Statement, value: str, size: SizeText, unit: str) -> tuple[str, tuple[str, ...]]:
    """Return what to write for a size as drawings print it."""
    key, table = statement.key, _plain_table(statement.table)
    named = size.unit if size.unit is not None and size.unit != unit else None
    if not size.toleranced:
        assert size.nominal is not None
        text = size_keys(size)["nominal"]
        if named and not text.startswith('"'):
            text = f'"{text} {named}"'
        elif text.startswith('"') and size.unit is None and unit == "mm":
            text = f'{text[:-1]} in"'
        why = {
            "/": "a fraction needs its unit in a kit in mm" if unit == "mm" else "a fraction stands in quotes",
            ",": "the decimal mark is a point",
        }.get(next((mark for mark in "/," if mark in value), ""), "")  # fmt: skip
        why = why or (
            "a length with a unit stands in quotes"
            if size.unit and named
            else "a unit isn't typed behind a number"
            if size.unit
            else "a number has a digit before and behind its point"
        )
        return why, (f"{key} = {text}",)
    if table not in {"size", "pin"} and key not in {"size", "pin"}:
        return "a size with its tolerance belongs in [size], this is one length", ()
    wanted = {k: (f'"{v} {named}"' if named and not v.startswith('"') else v) for k, v in size_keys(size).items()}
    if key in {"size", "pin"} and table != key:
        if statement.table.startswith("hole["):
            inside = ", ".join(f"{k} = {v}" for k, v in wanted.items())
            return "a size stands in keys of its own", (f"{key} = {{ {inside} }}",)
        return "a size stands in keys of its own", (f"[{key}]", *(f"{k} = {v}" for k, v in wanted.items()))
    return "nominal and tolerance stand in keys of their own", tuple(f"{k} = {v}" for k, v in wanted.items())


def _without_remark(raw: str) -> str:
    """Return a value without the remark behind it; a # in quotes is no remark."""
    quote = ""
    for place, mark in enumerate(raw):
        if quote:
            quote = "" if mark == quote else quote
        elif mark in "\"'":
            quote = mark
        elif mark == "#" and "\n" not in raw:
            return raw[:place].strip()
    return raw.strip()


def what_to_write(path: str, text: str, unit: str) -> tuple[str, str]:
    """Return what is wrong with a size typed as a drawing prints it where a kit takes one number, and what to write.

    Both are '' for other text.
    """
    size = read_size(text)
    table, _, key = path.rpartition(".")
    kind = _kind(Statement(0, table, key))
    if size is None or (kind not in _LENGTHS and key not in {"size", "pin"}):
        return "", ""
    message, lines = _size_explained(Statement(0, table, key), text, size, unit)
    return message, _joined(lines)


# One value of a kit file at a time: is it of the kind its key asks for, and what is it in the kit's unit?
#
# Nothing here raises for a wrong value: it goes to a `Collector`, and the value counts as not given, so that every
# problem of a file is found in one run.


LONGEST_TEXT = 500
LARGEST_LENGTH = 1e6  #: beyond it a length is a slip of the key, and arithmetic loses its last digits
_INCH = Fraction(254, 10)


@dataclass(slots=True)
class Collector:
    """Problems of one kit file, each told once. ``unit`` is the kit's unit, ``file`` its path.

    ``recorded``: the file was judged by when it was recorded and must stay readable, so what would stop it only warns.
    """

    unit: Unit = "in"
    file: str = ""
    recorded: bool = False
    problems: list[Problem] = field(default_factory=list)

    def add(
        self, severity: str, code: str, where: str, message: str, found: str = "", allowed: str = "", action: str = ""
    ) -> None:
        """Add a problem unless the same one is there already."""
        problem = Problem(severity, code, message, found, allowed, action, file=self.file, where=where)
        if problem not in self.problems:
            self.problems.append(problem)

    def error(self, code: str, where: str, message: str, found: str = "", allowed: str = "", action: str = "") -> None:
        """Add an error."""
        self.add(ERROR, code, where, message, found, allowed, action)

    def stop(self, code: str, where: str, message: str, found: str = "", allowed: str = "", action: str = "") -> None:
        """Add what must be mended or confirmed before anything is judged: an error, a warning in a recorded file."""
        self.add(WARNING if self.recorded else ERROR, code, where, message, found, allowed, action)

    def warn(self, code: str, where: str, message: str, found: str = "", allowed: str = "", action: str = "") -> None:
        """Add a warning."""
        self.add(WARNING, code, where, message, found, allowed, action)


class Unusable(Exception):
    """A value that isn't what its key asks for; carries the reason in words."""


def shown(value: object) -> str:
    """Return a value of a TOML file as it would be typed there, cut to a readable length."""
    if isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, dict):
        text = "a table with " + (", ".join(map(str, list(value)[:5])) or "nothing in it")
    elif isinstance(value, list):
        text = "[" + ", ".join(shown(v) for v in value[:6]) + (", ..." if len(value) > 6 else "") + "]"
    else:
        text = str(value)
    return text if len(text) <= 80 else text[:77] + "..."


def take(key: Key, raw: object, path: str, collector: Collector) -> Any:
    """Return the value of a key in the kit's unit, None (with an error collected) where it isn't what is allowed."""
    try:
        return _READERS[key.kind](raw, key, collector)
    except Unusable as reason:
        message, write = what_to_write(path, raw, collector.unit) if isinstance(raw, str) else ("", "")
        action = f"Write {write}" if write else f"Write for example {_example(key)}"
        collector.error("wrong-value", path, message or str(reason), shown(raw), key.allowed, action)
        return None


def _example(key: Key) -> str:
    return key.example if "=" in key.example else f"{key.name} = {key.example}"


def _text(raw: object, key: Key, collector: Collector) -> str:
    if not isinstance(raw, str):
        raise Unusable("must be text in quotes")
    if len(raw) > LONGEST_TEXT:
        raise Unusable(f"is longer than {LONGEST_TEXT} characters")
    if any(ord(c) < 32 or c in "\x7f\ufffe\uffff" for c in raw):
        raise Unusable("holds a line break or another control character")
    return raw.strip()


def _id(raw: object, key: Key, collector: Collector) -> str:
    if isinstance(raw, int) and not isinstance(raw, bool):
        return str(raw)
    text = _text(raw, key, collector)
    if not text and '""' not in key.default:
        raise Unusable("is empty")
    if len(text) > 60:
        raise Unusable("is longer than 60 characters")
    return text


def _values_number(raw: object, key: Key, collector: Collector) -> float:
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        raise Unusable("must be a number")
    if not abs(raw) <= 1e300:  # a whole number may have any number of digits
        raise Unusable("must be a finite number")
    if key.kind == "factor" and raw <= 0:
        raise Unusable("must be above 0")
    if key.kind == "share" and raw < 0:
        raise Unusable("must not be negative")
    return float(raw)


def _length(raw: object, key: Key, collector: Collector) -> float:
    if isinstance(raw, str):
        try:
            exact, unit = parse_length(raw)
        except DataError:
            raise Unusable("is not a length") from None
        if unit is None and "/" in raw and collector.unit == "mm":
            raise Unusable('is a fraction without a unit in a kit in mm; write "29/64 in" if inches are meant')
        if unit is not None and unit != collector.unit:
            exact = exact * _INCH if unit == "in" else exact / _INCH
        value = float(exact)
    else:
        value = _values_number(raw, key, collector)
    if abs(value) > LARGEST_LENGTH:
        raise Unusable(f"is beyond {LARGEST_LENGTH:g} {collector.unit}")
    if key.kind == "length" and value <= 0:
        raise Unusable("must be above 0")
    if key.kind == "amount" and value < 0:
        raise Unusable("must not be negative")
    return value


def _angle(raw: object, key: Key, collector: Collector) -> float:
    value = _values_number(raw, key, collector)
    if not 0 < value < 180:
        raise Unusable("must lie above 0 and below 180 degrees")
    return value


def _whole(raw: object, key: Key, collector: Collector) -> int:
    if isinstance(raw, bool) or not isinstance(raw, int):
        raise Unusable("must be a whole number")
    lowest, highest = {"decimals": (0, 9), "days": (1, 3650)}.get(key.kind, (1, 100))
    if not lowest <= raw <= highest:
        raise Unusable(f"must lie from {lowest} to {highest}")
    return raw


def _yes(raw: object, key: Key, collector: Collector) -> bool:
    if not isinstance(raw, bool):
        raise Unusable("must be true or false, without quotes")
    return raw


def _date(raw: object, key: Key, collector: Collector) -> dt.date:
    if isinstance(raw, str):
        try:
            return dt.date.fromisoformat(raw.strip())
        except ValueError:
            raise Unusable("is not a day of the calendar as year-month-day") from None
    if isinstance(raw, dt.datetime) or not isinstance(raw, dt.date):
        raise Unusable("must be a date")
    return raw


def _choice(raw: object, key: Key, collector: Collector) -> str:
    lowered = {c.lower(): c for c in key.choices}
    if not isinstance(raw, str):
        raise Unusable("must be one of the words listed")
    if raw.strip().lower() not in lowered:
        near = nearest(raw, key.choices)
        raise Unusable(f"is not one of the words listed; did you mean {near}?" if near else "is not a word listed")
    return lowered[raw.strip().lower()]


def _list(raw: object, each: Callable[[object], Any], least: int = 1) -> tuple[Any, ...]:
    if not isinstance(raw, list):
        raise Unusable("must be a list in square brackets")
    if len(raw) < least:
        raise Unusable(f"must have at least {least} in the list")
    return tuple(each(item) for item in raw)


def _ids(raw: object, key: Key, collector: Collector) -> tuple[str, ...]:
    return _unique(_list(raw, lambda item: _id(item, key, collector)))


def _choices(raw: object, key: Key, collector: Collector) -> tuple[str, ...]:
    return _unique(_list(raw, lambda item: _choice(item, key, collector)))


def _unique(items: tuple[Any, ...]) -> tuple[Any, ...]:
    for item in items:
        if items.count(item) > 1:
            raise Unusable(f"has {shown(item)} twice")
    return items


def _angles(raw: object, key: Key, collector: Collector) -> tuple[float, ...]:
    angles = _list(raw, lambda item: _values_number(item, key, collector))
    if len(angles) > 36 or any(not -360 <= a <= 360 for a in angles):
        raise Unusable("must have at most 36 directions from -360 to 360 degrees")
    turned = _unique(tuple(a % 180 for a in angles))  # a two-point diameter at 180 is the one at 0
    return turned


def _points(raw: object, key: Key, collector: Collector) -> tuple[tuple[float, float], ...]:
    def point(item: object) -> tuple[float, float]:
        if not isinstance(item, list) or len(item) != 2:
            raise Unusable("must be a list of [x, y] pairs")
        return _length(item[0], key, collector), _length(item[1], key, collector)

    return _list(raw, point, least=3)


def _tool(raw: object, key: Key, collector: Collector) -> Tool:
    if not isinstance(raw, str):
        value = _length(raw, key, collector)
        if value <= 0:
            raise Unusable("must be above 0")
        return Tool(f"{raw}", value)
    try:
        exact, unit = parse_length(raw)
        unit = unit or ("in" if "/" in raw else collector.unit)  # a drill called by a fraction is an inch drill
    except DataError:
        exact, unit = _named_drill(raw), "in"
    if unit != collector.unit:
        exact = exact * _INCH if unit == "in" else exact / _INCH
    if not 0 < exact < LARGEST_LENGTH:
        raise Unusable("must be above 0")
    return Tool(raw.strip(), float(exact))


def _named_drill(raw: str) -> Fraction:
    """Return the diameter [in] of a number or letter drill."""
    from holeqc.fits import drills

    try:
        return Fraction(str(drills.diameter(raw)))
    except HoleQCError as error:
        raise Unusable(f"is no drill that the table knows: {error}") from None


def _tools(raw: object, key: Key, collector: Collector) -> tuple[Tool, ...]:
    found = _list(raw, lambda item: _tool(item, key, collector), least=0)
    return tuple(sorted(found, key=lambda tool: tool.diameter))


def _lengths(raw: object, key: Key, collector: Collector) -> tuple[float, ...]:
    found = _list(raw, lambda item: _length(item, key, collector))
    if any(value <= 0 for value in found):
        raise Unusable("must be above 0")
    return tuple(sorted(_unique(found)))


def _distances(raw: object, key: Key, collector: Collector) -> tuple[str, ...]:
    if isinstance(raw, str) and raw.strip().lower() == "auto":
        return ()
    return _unique(_list(raw, lambda item: _text(item, key, collector)))


_READERS: dict[str, Callable[[object, Key, Collector], Any]] = {
    "id": _id, "text": _text, "length": _length, "amount": _length, "place": _length,
    "factor": _values_number, "share": _values_number, "number": _values_number, "whole": _whole, "days": _whole,
    "decimals": _whole, "yes": _yes, "date": _date,
    "choice": _choice, "ids": _ids, "choices": _choices, "angle": _angle, "angles": _angles, "points": _points,
    "tool": _tool, "tools": _tools, "words": _choice, "lengths": _lengths, "distances": _distances,
}  # fmt: skip


Values = dict[str, Any]
FREE_TABLES = ("headings", "datum_edges", "wall_names", "designators", "confirmed")  #: whose keys are the shop's own
MOST_HOLES = 2000  #: more would make the pairwise checks slow, and no drill fixture has them


@dataclass(slots=True)
class Content:
    """Checked values of a kit file: single tables by name, array tables as lists; a key not given is not there.

    In a hole, ``size`` and the other tables of `OVERRIDES` are tables of values or False (not asked of this hole);
    ``pin`` may be the id of a pin as well.
    """

    tables: dict[str, Values] = field(default_factory=dict)
    parts: list[Values] = field(default_factory=list)
    holes: list[Values] = field(default_factory=list)
    gauges: list[Values] = field(default_factory=list)
    pins: list[Values] = field(default_factory=list)
    pins_are_listed: bool = False  #: [[pin]] rather than [pin]
    headings: dict[str, str] = field(default_factory=dict)
    datum_edges: dict[str, str] = field(default_factory=dict)
    wall_names: dict[str, str] = field(default_factory=dict)
    designators: dict[str, str] = field(default_factory=dict)
    confirmed: dict[str, str] = field(default_factory=dict)  #: a doubt in its own words -> the reason

    def table(self, name: str) -> Values:
        """Return a single table, empty where the file has none."""
        return self.tables.get(name, {})


def read_content(raw: dict[str, Any], collector: Collector) -> Content:
    """Return the checked values of a whole file; what is wrong is collected and left out."""
    content = Content()
    _take_unit(raw, collector)
    for name, value in raw.items():
        if name not in tables():
            _unknown_at_top(name, value, collector)
        elif name in FREE_TABLES:
            setattr(content, name, _free_table(name, value, collector))
        elif name == "hole":
            content.holes = _holes(value, collector)
        elif name in ARRAYS:
            rows = _rows(name, value, collector)
            found = [_table(name, row, f"{name}[{i}]", collector) for i, row in rows]
            setattr(content, f"{name}s", found)
        elif name == "pin" and isinstance(value, list):
            content.pins = [_table(name, row, f"pin[{i}]", collector) for i, row in _rows(name, value, collector)]
            content.pins_are_listed = True
        elif name == "pin":
            content.pins = [_table(name, value, name, collector)]
        else:
            content.tables[name] = _table(name, value, name, collector)
    return content


def _take_unit(raw: dict[str, Any], collector: Collector) -> None:
    """Find the kit's unit first: every length depends on it."""
    kit = raw.get("kit")
    unit = kit.get("unit") if isinstance(kit, dict) else None
    if unit is None:
        collector.error(
            "no-unit", "kit.unit", "the kit doesn't say its unit", "nothing", "in, mm", 'Write unit = "in" under [kit]'
        )
    elif isinstance(unit, str) and unit.strip().lower() == "mm":
        collector.unit = "mm"


def _unknown_at_top(name: str, value: object, collector: Collector) -> None:
    homes = [key.path for key in all_keys() if key.name == name]
    if not isinstance(value, dict | list) and homes:
        action = f"It belongs in a table: {', '.join(homes[:4])}"
    else:
        near = nearest(name.removesuffix("s"), tables()) or nearest(name, tables())
        action = f"Did you mean {headline(near)}?" if near else "holeqc kit keys lists all keys"
    allowed = ", ".join(headline(t) for t in tables())
    collector.error("unknown-key", name, f"{name!r} is not a table of a kit file", shown(value), allowed, action)


def _rows(name: str, value: object, collector: Collector) -> list[tuple[int, object]]:
    """Return the entries of an array table with their number from 1."""
    if isinstance(value, dict):
        return [(1, value)]  # [part] written for [[part]]: one of it, and nothing is lost
    if not isinstance(value, list):
        allowed = f"{headline(name)} and its keys below it"
        collector.error("wrong-shape", name, f"{name} must be a table", shown(value), allowed)
        return []
    return list(enumerate(value, start=1))


def _table(name: str, value: object, path: str, collector: Collector, also: tuple[str, ...] = ()) -> Values:
    """Return the checked values of one table; ``also`` names keys that the caller takes care of."""
    known = keys_of(name)
    if not isinstance(value, dict):
        message, write = what_to_write(path, str(value), collector.unit) if isinstance(value, str | float) else ("", "")
        collector.error("wrong-shape", path, message or f"{path} must be a table", shown(value),
                        f"{headline(name)} and its keys below it", f"Write {write}" if write else "")  # fmt: skip
        return {}
    found: Values = {}
    for key_name, raw in value.items():
        if key_name in also:
            continue
        key = known.get(key_name)
        if key is None:
            _unknown_key(name, key_name, raw, path, collector, also)
            for meant in OTHER_NAMES.get(name, {}).get(key_name.lower(), ()):
                if meant in known:  # it counts as given, so that it isn't missed as well
                    found.setdefault(meant, _broken(known[meant].kind))
            continue
        taken = take(key, raw, f"{path}.{key_name}", collector)
        # a wrong value still counts as given, so that nothing more is said about a key that is missing
        found[key_name] = taken if taken is not None else _broken(key.kind)
    return found


def _broken(kind: str) -> Any:
    """Return what stands for an unusable value: NaN for numbers, so that no comparison speaks of it again."""
    if kind in {"length", "amount", "place", "factor", "share", "number", "angle"}:
        return float("nan")
    return None


def _unknown_key(table: str, name: str, raw: object, path: str, collector: Collector, also: tuple[str, ...]) -> None:
    known = [*keys_of(table), *also]
    near = nearest(name, known)
    elsewhere = [key.path for key in all_keys() if key.name == name and key.table != table]
    as_size = isinstance(raw, str) and name in {"size", "pin"}
    _, write = what_to_write(name, str(raw), collector.unit) if as_size else ("", "")
    meant = OTHER_NAMES.get(table, {}).get(name.lower(), ())
    deviations = meant == ("plus", "minus")
    sized = bool(meant) and table in {"size", "pin"}
    size = read_size(f"1 {raw}" if deviations else str(raw)) if sized else None
    if size is not None and size.toleranced and size.nominal is not None:
        keys = size_keys(size)
        wanted = {k: v for k, v in keys.items() if k in meant} if deviations else keys
        action = f"Write in lines of their own: {'; '.join(f'{k} = {v}' for k, v in wanted.items())}"
    elif meant:
        action = f"Write {' and '.join(meant)} in its place"
    elif write:
        action = f"Write {write}"
    elif near:
        action = f"Did you mean {near}?"
    elif elsewhere:
        action = f"It belongs in another table: {', '.join(elsewhere[:4])}"
    else:
        action = f"Take it out, or see holeqc kit keys {table}"
    collector.error("unknown-key", f"{path}.{name}", f"{name!r} is not a key of {headline(table)}", shown(raw),
                    ", ".join(known), action)  # fmt: skip


def _holes(value: object, collector: Collector) -> list[Values]:
    rows = _rows("hole", value, collector)
    if len(rows) > MOST_HOLES:
        collector.error("too-many-holes", "hole", "there are more holes than a kit file takes", str(len(rows)),
                        f"at most {MOST_HOLES}", "Split the pattern into kits")  # fmt: skip
        rows = rows[:MOST_HOLES]
    return [_hole(row, f"hole[{i}]", collector) for i, row in rows]


def _hole(row: object, path: str, collector: Collector) -> Values:
    found = _table("hole", row, path, collector, also=OVERRIDES)
    if not isinstance(row, dict):
        return found
    for name in OVERRIDES:
        raw = row.get(name)
        if raw is None:
            continue
        if raw is False and name != "size":
            found[name] = False
        elif name == "pin" and isinstance(raw, str | int) and not isinstance(raw, bool):
            found[name] = take(keys_of("pin")["id"], raw, f"{path}.pin", collector)
        else:
            found[name] = _table(name, raw, f"{path}.{name}", collector)
    return found


def _free_table(name: str, value: object, collector: Collector) -> dict[str, str]:
    """Return the values of a table whose keys are free: the shop's headings, what is confirmed."""
    key = keys_of(name)["*"]
    if not isinstance(value, dict):
        collector.error("wrong-shape", name, f"{name} must be a table", shown(value),
                        f"[{name}] and below it lines such as {key.example}")  # fmt: skip
        return {}
    taken = {word: take(key, text, f'{name}."{word}"', collector) for word, text in value.items()}
    return {word: text for word, text in taken.items() if text is not None}
