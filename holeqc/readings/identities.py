"""Labels of rows into what the kit knows: hole, serial, part, wall, gauge; what can't be matched is named."""

from __future__ import annotations

import datetime as dt
import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from holeqc.problems import ERROR
from holeqc.readings.grid import EXACT_INTEGERS, Content, Uncalculated
from holeqc.readings.headings import Vocabulary
from holeqc.readings.issues import Issue, note, warning
from holeqc.readings.words import folded, hole_key, part_of
from holeqc.specification.model import Specification

_SCIENTIFIC = re.compile(r"^\d(?:[.,]\d+)?[eE]\+?\d{2}$")
_TYPE_IT = "type the serial number as text"
_TYPE_AGAIN = "Type it again"
_BETWEEN_SERIALS = re.compile(r"\s*[,;&\n]\s*|\s+(?:and|to|until|through|/|\+)\s+|\s*(?:\.\.+|…)\s*", re.IGNORECASE)
LONGEST_SERIAL = 64  #: characters that a serial number may have
SERIAL_ALLOWED = (
    f"1 to {LONGEST_SERIAL} printable characters with a letter or a digit among them, no '..' between slashes"
)
#: letters and marks that count as printable and show nothing: fillers, joiners, variation selectors
_UNSEEN = re.compile("[\u034f\u115f\u1160\u17b4\u17b5\u3164\uffa0\ufe00-\ufe0f]")
LONGEST_LABEL = 60  #: characters; the longest label of a hole that is compared with others
#: digits that a number in a spreadsheet keeps
DIGITS_KEPT = 15


@dataclass(frozen=True, slots=True)
class Match:
    """What a label stands for: ``code`` into the kit's list (-1 none), or ``text`` where there is no list; a doubt."""

    code: int = -1
    text: str = ""
    issue: Issue | None = None


def text_of(content: Content) -> str:
    """Return a content as text the way a person would write it: 123456.0 is 123456."""
    if isinstance(content, float):
        return f"{content:.0f}" if EXACT_INTEGERS <= abs(content) < 1e21 else f"{content:.15g}"
    if isinstance(content, dt.datetime):
        return content.date().isoformat() if content.time() == dt.time() else content.isoformat(sep=" ")
    return " ".join(str(content).split())


def _odd(content: Content, what: str) -> Issue | None:
    """Return the doubt that any label can raise: an error cell, a formula, a date, an escape's remains."""
    if isinstance(content, Uncalculated):
        return Issue(
            "formula-not-calculated",
            f"the formula for the {what} has never been calculated",
            action="Open the workbook in a spreadsheet program, let it calculate, and save it",
        )
    if isinstance(content, dt.datetime | dt.date | dt.time | dt.timedelta):
        likely = ""
        if isinstance(content, dt.datetime | dt.date):
            likely = f": likely {content.month}-{content.day} or {content.day}-{content.month}"
        return Issue(
            "date-for-label",
            f"the {what} has become a date{likely}",
            action="Format the cell as text and type it again",
        )
    if isinstance(content, str) and content.strip().startswith("#") and content.strip().endswith(("!", "?", "/A")):
        return Issue("error-cell", f"the {what} shows an error of the spreadsheet", action=_TYPE_AGAIN)
    if isinstance(content, str) and re.search(r"_x[0-9A-Fa-f]{4}_", content):
        return Issue("escape-residue", f"the {what} holds remains of a file format", action=_TYPE_AGAIN)
    return None


class Holes:
    """Matches labels with the kit's holes."""

    def __init__(self, spec: Specification) -> None:
        self._ids = spec.hole_ids
        self._exact = {h.casefold(): i for i, h in enumerate(spec.hole_ids)}
        self._keys: dict[str, list[int]] = {}
        self._bare: dict[str, list[int]] = {}
        for i, hole in enumerate(spec.hole_ids):
            self._keys.setdefault(hole_key(hole), []).append(i)
            self._bare.setdefault(_without_zeros(hole), []).append(i)
        self._allowed = "holes " + ", ".join(spec.hole_ids[:40]) + (" ..." if len(spec.hole_ids) > 40 else "")

    def match(self, content: Content) -> Match:
        """Return the hole that a label means."""
        odd = _odd(content, "hole")
        if odd is not None:
            return Match(issue=Issue(odd.code, odd.message, self._allowed, odd.action))
        text = text_of(content).casefold()
        if text in self._exact:
            return Match(self._exact[text])
        key = hole_key(content)
        for table, changed in ((self._keys, key), (self._bare, _without_zeros(key))):
            found = table.get(changed, [])
            if len(found) == 1:
                hole = self._ids[found[0]]
                zeros = table is self._bare and key != hole.casefold()
                return Match(found[0], issue=note("hole-label", f"read as hole {hole}") if zeros else None)
        return Match(
            issue=Issue(
                "unknown-hole",
                self._message(key),
                self._allowed,
                "Correct the hole's number; its readings are not used until then",
            )
        )

    def _message(self, key: str) -> str:
        if len(key) > LONGEST_LABEL:  # nothing is compared with so long a text
            return "the kit has no such hole"
        near = [] if key.isdecimal() else difflib.get_close_matches(key, self._exact, 1, 0.6)  # 12 is no slip for 2
        swapped = [self._ids[self._exact[k]] for k in _swaps(key) if k in self._exact]
        close = swapped or [self._ids[self._exact[k]] for k in near]
        return "the kit has no such hole" + (f": likely {close[0]}" if close and len(key) > 1 else "")


def _without_zeros(label: str) -> str:
    return re.sub(r"(?<!\d)0+(?=\d)", "", label.casefold())


def _swaps(key: str) -> list[str]:
    return [key[:i] + key[i + 1] + key[i] + key[i + 2 :] for i in range(len(key) - 1)]


def serial_fault(text: str) -> str:
    """Return why a text can be no serial number, '' where it can be one."""
    if len(text) > LONGEST_SERIAL:
        return f"it has {len(text)} characters"
    if unseen := sorted({c for c in text if not c.isprintable() or _UNSEEN.match(c)}):
        named = ", ".join(f"U+{ord(c):04X}" for c in unseen[:3])
        return f"it holds characters that nobody sees ({named}), so it may look like another one"
    if not any(c.isalnum() for c in text):
        return "it holds no letter and no digit"
    if ".." in re.split(r"[/\\]", text):
        return "it reads as the path of a folder"
    return ""


def match_serial(content: Content) -> Match:
    """Return a serial number as text."""
    odd = _odd(content, "serial number")
    if odd is not None:
        text = "" if odd.code in {"formula-not-calculated", "error-cell"} else text_of(content)
        if odd.code == "formula-not-calculated":
            message = f"{odd.message}, so its cell holds no value"
            odd = replace(odd, message=message, action=f"{odd.action}; or {_TYPE_IT}")
        return Match(0, text, Issue(odd.code, odd.message, "the serial number as text", odd.action))
    text = text_of(content)
    if fault := serial_fault(text):
        issue = Issue(
            "bad-serial", f"this can't be a serial number: {fault}", SERIAL_ALLOWED, "Write the part's serial number"
        )
        return Match(0, text, issue)
    several = _serials_in(content)
    if several:
        issue = Issue(
            "several-serials",
            f"one field names {len(several)} serial numbers, {' and '.join(several)}: whose readings these are can't "
            "be told",
            "one serial number a sheet or block of readings",
            "Give each part a sheet, a block or rows of its own, and write its serial number alone",
        )
        return Match(0, text, issue)
    if isinstance(content, float):
        if not content.is_integer():
            return Match(0, text)
        if len(text.lstrip("-")) > DIGITS_KEPT:
            return Match(0, text, _lost(text))
        return Match(0, text)
    if _SCIENTIFIC.match(text):
        return Match(0, text, _lost(text))
    if re.fullmatch(r"\d+\.0", text):
        return Match(0, text[:-2], note("serial-as-number", f"read as serial {text[:-2]}"))
    return Match(0, text)


def _serials_in(content: Content) -> list[str]:
    """Return the serial numbers in one text, if there are several for certain: none for one.

    Every piece must hold a digit: 'P-0113, port' is one. A slash or a hyphen may belong to a serial number; a slash
    counts only between blanks, or between pieces of one pattern that begin with a letter: 'P-0113/P-0114'.
    """
    if not isinstance(content, str):
        return []
    # runs of blanks are shortened first: the pattern would try each of them from every blank on
    pieces = [p for p in _BETWEEN_SERIALS.split(re.sub(r"[^\S\n]+", " ", content.strip())) if p]
    if len(pieces) == 1 and re.fullmatch(r"[^\W\d][^/]*(?:/[^/]+)+", pieces[0]):
        parted = pieces[0].split("/")
        if len({re.sub(r"\d", "0", p.strip()).casefold() for p in parted}) == 1:
            pieces = [p.strip() for p in parted]
    return pieces if len(pieces) > 1 and all(any(c.isdigit() for c in p) for p in pieces) else []


def _lost(text: str) -> Issue:
    return Issue(
        "serial-digits-lost",
        f"a spreadsheet has kept only {DIGITS_KEPT} or fewer digits of this serial number",
        "the serial number as text",
        "Format the cell as text and type the serial number again",
        ERROR,
    )


class Parts:
    """Matches labels with the kit's parts."""

    def __init__(self, spec: Specification) -> None:
        self._names = [(p.name, p.title, p.number) for p in spec.parts]
        self._allowed = "parts " + ", ".join(p.name for p in spec.parts)

    def match(self, content: Content) -> Match:
        """Return the part that a label means."""
        place = part_of(content, self._names)
        if place >= 0:
            name = self._names[place][0]
            same = folded(content) in {folded(w) for w in self._names[place] if w}
            return Match(place, issue=None if same else note("part-word", f"read as part {name}"))
        return Match(
            issue=Issue(
                "unknown-part",
                "the kit has no such part",
                self._allowed,
                "Name the part as the kit does; without it positions can't be judged",
            )
        )


class WallNames:
    """Matches labels with the kit's walls."""

    def __init__(self, spec: Specification, vocabulary: Vocabulary) -> None:
        self._names = spec.walls.names
        self._vocabulary = vocabulary
        self._allowed = "walls " + ", ".join(spec.walls.names)

    def match(self, content: Content) -> Match:
        """Return the wall that a label means."""
        text = folded(content if not isinstance(content, float) else f"{content:g}")
        for i, name in enumerate(self._names):
            if text == folded(name):
                return Match(i)
        place = self._vocabulary.meaning(content).wall if isinstance(content, str) else -1
        if place < 0 and len(self._names) == 2:
            place = {"n": 0, "f": 1, "1": 0, "2": 1}.get(text, -1)
        if 0 <= place < len(self._names) and len(self._names) <= 2:
            return Match(place, issue=note("wall-word", f"read as wall {self._names[place]}"))
        return Match(
            issue=Issue(
                "unknown-wall",
                "the kit has no such wall",
                self._allowed,
                "Name the wall as the kit does; its readings are not used until then",
            )
        )


class Gauges:
    """Matches labels with the kit's gauges; an unknown one keeps its own name."""

    def __init__(self, spec: Specification) -> None:
        self._ids = {re.sub(r"[\W_]+", "", g.id).casefold(): g.id for g in spec.gauges}
        self._exact = {g.id for g in spec.gauges}
        self._allowed = "gauges " + ", ".join(g.id for g in spec.gauges)

    def match(self, content: Content) -> Match:
        """Return the id of the gauge that a label means."""
        text = text_of(content)
        if text in self._exact or not self._exact:
            return Match(0, text)
        found = self._ids.get(re.sub(r"[\W_]+", "", text).casefold())
        if found is not None:
            return Match(0, found)
        return Match(
            0,
            text,
            warning(
                "unknown-gauge",
                "the kit has no such gauge",
                self._allowed,
                "Correct the gauge's number, or add the gauge to the kit file",
                holds=True,
            ),
        )


def trial_of(content: Content) -> Match:
    """Return the number of a repeated reading."""
    text = text_of(content)
    digits = re.search(r"\d+", text)
    if digits and 1 <= int(digits[0]) <= 999:
        return Match(int(digits[0]))
    return Match(0, issue=warning("bad-trial", "this is no count of a repeated reading", "1, 2, 3 ...", _TYPE_AGAIN))


def direction_of(content: Content, vocabulary: Vocabulary, directions: Sequence[float]) -> tuple[float, Issue | None]:
    """Return a direction in degrees, NaN with a doubt where it is none."""
    number: float | None = None
    if isinstance(content, float):
        number = content
    elif isinstance(content, str):
        text = content.strip().lower().replace("º", "°")
        if match := re.fullmatch(r"([+-]?\d+(?:[.,]\d+)?)\s*(?:°|deg\.?|degrees?)?", text):
            number = float(match[1].replace(",", "."))
        else:
            number = {"h": 0.0, "v": 90.0}.get(text)
            meaning = vocabulary.meaning(content)
            number = meaning.direction if number is None and meaning.is_known else number
    if number is not None and -360 <= number <= 360:
        return number, None
    allowed = ", ".join(f"{d:g}" for d in directions)
    return float("nan"), warning("bad-direction", "this is no direction in degrees", allowed, _TYPE_AGAIN)
