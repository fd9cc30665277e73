"""Labels of rows into what the kit knows: hole, serial, part, wall, gauge; what can't be matched is named."""

from __future__ import annotations

import datetime as dt
import difflib
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from holeqc.problems import ERROR, Problem, flaw, note, warning
from holeqc.readings.containers import EXACT_INTEGERS, Content, Uncalculated
from holeqc.readings.headings import MODIFIER, Vocabulary
from holeqc.readings.sheet_layout import DIGITS_KEPT
from holeqc.readings.values import date_of
from holeqc.readings.words import folded, hole_key, part_of
from holeqc.specification.model import Specification

if TYPE_CHECKING:
    from holeqc.readings.draft import Findings

_SCIENTIFIC = re.compile(r"^\d(?:[.,]\d+)?[eE]\+?\d{2}$")
_TYPE_IT = "type the serial number as text"
_TYPE_AGAIN = "Type it again"
_BETWEEN_SERIALS = re.compile(r"\s*[,;&\n]\s*|\s+(?:and|to|until|through|/|\+)\s+|\s*(?:\.\.+|…)\s*", re.IGNORECASE)
_PLAIN_SERIAL = re.compile(r"[A-Za-z]{1,12}-?[0-9]{1,16}")  #: what nothing below can doubt
LONGEST_SERIAL = 64  #: characters that a serial number may have
SERIAL_ALLOWED = (
    f"1 to {LONGEST_SERIAL} printable characters with a letter or a digit among them, no '..' between slashes"
)
#: letters and marks that count as printable and show nothing: fillers, joiners, variation selectors
_UNSEEN = re.compile("[\u034f\u115f\u1160\u17b4\u17b5\u3164\uffa0\ufe00-\ufe0f]")
LONGEST_LABEL = 60  #: characters; the longest label of a hole that is compared with others


@dataclass(frozen=True, slots=True)
class Match:
    """What a label stands for: ``code`` into the kit's list (-1 none), or ``text`` where there is no list; a doubt."""

    code: int = -1
    text: str = ""
    issue: Problem | None = None


def text_of(content: Content) -> str:
    """Return a content as text the way a person would write it: 123456.0 is 123456."""
    if isinstance(content, float):
        return f"{content:.0f}" if EXACT_INTEGERS <= abs(content) < 1e21 else f"{content:.15g}"
    if isinstance(content, dt.datetime):
        return content.date().isoformat() if content.time() == dt.time() else content.isoformat(sep=" ")
    return " ".join(str(content).split())


def _odd(content: Content, what: str) -> Problem | None:
    """Return the doubt that any label can raise: an error cell, a formula, a date, an escape's remains."""
    if isinstance(content, Uncalculated):
        return flaw(
            "formula-not-calculated",
            f"the formula for the {what} has never been calculated",
            action="Open the workbook in a spreadsheet program, let it calculate, and save it",
        )
    if isinstance(content, dt.datetime | dt.date | dt.time | dt.timedelta):
        likely = ""
        if isinstance(content, dt.datetime | dt.date):
            likely = f": likely {content.month}-{content.day} or {content.day}-{content.month}"
        return flaw(
            "date-for-label",
            f"the {what} has become a date{likely}",
            action="Format the cell as text and type it again",
        )
    if isinstance(content, str) and content.strip().startswith("#") and content.strip().endswith(("!", "?", "/A")):
        return flaw("error-cell", f"the {what} shows an error of the spreadsheet", action=_TYPE_AGAIN)
    if isinstance(content, str) and re.search(r"_x[0-9A-Fa-f]{4}_", content):
        return flaw("escape-residue", f"the {what} holds remains of a file format", action=_TYPE_AGAIN)
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
            return Match(issue=flaw(odd.code, odd.message, self._allowed, odd.action))
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
            issue=flaw(
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
    if isinstance(content, str) and _PLAIN_SERIAL.fullmatch(content):
        return Match(0, content)
    odd = _odd(content, "serial number")
    if odd is not None:
        text = "" if odd.code in {"formula-not-calculated", "error-cell"} else text_of(content)
        if odd.code == "formula-not-calculated":
            message = f"{odd.message}, so its cell holds no value"
            odd = replace(odd, message=message, action=f"{odd.action}; or {_TYPE_IT}")
        return Match(0, text, flaw(odd.code, odd.message, "the serial number as text", odd.action))
    text = text_of(content)
    if fault := serial_fault(text):
        issue = flaw(
            "bad-serial", f"this can't be a serial number: {fault}", SERIAL_ALLOWED, "Write the part's serial number"
        )
        return Match(0, text, issue)
    several = _serials_in(content)
    if several:
        issue = flaw(
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


def _lost(text: str) -> Problem:
    return flaw(
        "serial-digits-lost",
        f"a spreadsheet has kept only {DIGITS_KEPT} or fewer digits of this serial number",
        "the serial number as text",
        "Format the cell as text and type the serial number again",
        ERROR,
    )


@dataclass(frozen=True, slots=True)
class Named:
    """A drawing, revision, kit, part or gauge that a sheet names.

    ``kind`` is drawing, revision, kit, part or gauge; ``value`` as it is typed; ``wanted`` what the kit file has;
    ``agrees`` whether both are one, None where the kit file doesn't say enough to tell.
    """

    kind: str
    value: str
    wanted: str
    agrees: bool | None


LONGEST_TITLE = 300  #: characters of a title that is searched for what it names
_REVISION_WORD = r"(?:rev(?:ision|isión|\.)?|révision|(?:änderungs|aenderungs|zeichnungs)?(?:index|stand)|indice)"
_REVISION = re.compile(
    rf"(?<![^\W_]){_REVISION_WORD}(?![^\W_])[\s.:#=-]*(?:n[or°]\.?\s*)?([a-z]{{1,2}}\d{{0,2}}|\d{{1,3}})(?![^\W_])",
    re.I,
)
_NUMBER_WORD = r"[\s.:#=-]*(?:(?:no|nr|num|number|nummer|n°|nº|n\.º|№|n\.°|id|ref)(?![^\W_])[\s.:#=-]*)?"
_KEYWORDS = (
    ("drawing", r"drawing|dwg|print|zeichnung(?:s-?(?:nr|nummer))?|zeichnungsnr|plan(?= ?n[°.ro]| [A-Z]{1,4}\d)|plano"),
    ("kit", r"kit|bausatz"),
    ("part", r"part|p/n|pn|teil(?:e-?nr|enummer)?|sachnummer|pièce|pieza"),
    (
        "gauge",
        r"gauge|gage|instrument|messmittel|prüfmittel|messgerät|instrument de mesure|moyen de mesure|instrumento",
    ),
)
_NAMED_BY = tuple(
    (kind, re.compile(rf"(?<![^\W_])(?:{words})(?![^\W_]){_NUMBER_WORD}(?=[^\W_])", re.I)) for kind, words in _KEYWORDS
)
_VALUE = re.compile(r"[^\W_](?:[\w./-]{0,38}[^\W_])?")
#: what stands before a number or revision that belongs to a form or a document, never to the drawing
_FORM = re.compile(
    r"(?<![^\W_])(?:form|formular|formblatt|formulaire|formulario|template|vorlage|doc|document|procedure)(?![^\W_])",
    re.I,
)
_NO_NUMBER = re.compile(r"\d{1,4}[./-]\d{1,2}[./-]\d{1,4}|\d{1,2}:\d{2}|\d*[.,]\d+")  #: a day, an hour, a length


def bare_number(text: str) -> str:
    """Return letters and digits of a number only, in one case: ``BL7-210`` and ``bl7 210`` are one."""
    return "".join(c for c in text.casefold() if c.isalnum())


class Titles:
    """Finds the drawing, revision, kit or part number that a text names, and whether it is the kit's."""

    def __init__(self, spec: Specification) -> None:
        self._spec = spec
        self._known: list[tuple[str, str, re.Pattern[str]]] = []
        numbers = [("kit", spec.id), ("drawing", spec.drawing)] + [("part", p.number) for p in spec.parts]
        for kind, name in sorted(numbers, key=lambda known: -len(known[1])):
            pieces = re.findall(r"[^\W\d_]+|\d+", name)
            if pieces and any(c.isdigit() for c in name):
                pattern = r"(?<![^\W_])(?<!\d[.,-])" + r"[\W_]*".join(map(re.escape, pieces)) + r"(?![^\W_]|[.,]\d)"
                self._known.append((kind, name, re.compile(pattern, re.I)))

    def others_in(self, text: str, word: str = "") -> list[Named]:
        """Return the drawings, revisions, kits and parts that a text names and that are not this kit's."""
        return [n for n in self.names_in(text, word) if n.agrees is False and n.kind != "gauge"]

    def names_in(self, text: str, word: str = "") -> list[Named]:
        """Return what a text names, in order. ``word``: the field (drawing, kit, part, revision) that it is said in.

        A free title names a number behind a word such as ``Drawing``, or the kit's own wherever it stands. Revisions
        count beside such a number, or alone; one of a form (``Form 12 Rev 3``) doesn't.
        """
        text = " ".join(text.split())
        if not text or len(text) > LONGEST_TITLE:
            return []
        if word == "revision":
            return self._revision(text.split()[0].strip(".:,;()"), text)
        out: list[Named] = []
        taken: list[tuple[int, int]] = []
        for kind, found, start, end in self._numbers(text, word):
            if not any(start < e and s < end for s, e in taken):
                taken.append((start, end))
                out.append(self._compared(kind, found))
        alone = _REVISION.fullmatch(text.strip(" .:;()"))
        if (match := alone or _REVISION.search(text)) and (alone or out) and not _FORM.search(text[: match.start()]):
            out += self._revision(match[1], text)
        elif out and out[-1].agrees:
            out += self._letter_behind(text[taken[-1][1] :])
        return out

    def _numbers(self, text: str, word: str) -> Iterator[tuple[str, str, int, int]]:
        """Yield kind, number as typed, and its place, of all that a text names."""
        known: dict[int, tuple[str, int]] = {}
        for kind, _, pattern in self._known:
            for match in pattern.finditer(text):
                dash = re.match(r"-\w{1,4}(?![^\W_])", text[match.end() :])
                known.setdefault(match.start(), (kind, match.end() + (dash.end() if dash else 0)))
        starts = [(kind, m.end()) for kind, pattern in _NAMED_BY for m in pattern.finditer(text)]
        for kind, start in [(word, 0)] * bool(word) + starts:
            value = _VALUE.match(text, start)
            end = known[start][1] if start in known else value.end() if value and _is_number(value[0]) else 0
            if end and not _FORM.search(text[:start]):
                yield kind, text[start:end], start, end
        exact = {bare_number(name) for _, name, _ in self._known}
        for start, (kind, end) in known.items():
            if bare_number(text[start:end]) in exact:  # 'BL7-210-004' alone may be a serial number
                yield kind, text[start:end], start, end

    def _compared(self, kind: str, value: str) -> Named:
        """Return a number held against the kit's: another one is another only where the kit file says its own.

        A dash number behind the drawing's is a part that the kit may not know; a part number of another shape than
        the kit's may be a serial number. Neither can be told.
        """
        spec = self._spec
        if kind == "gauge":
            known = [g.id for g in spec.gauges]
            same = any(bare_number(value) == bare_number(g) for g in known)
            return Named(kind, value, ", ".join(known), True if same else False if known else None)
        numbers = [p.number for p in spec.parts if p.number]
        own = {"kit": [spec.id], "drawing": [spec.drawing], "part": numbers}.get(kind, [])
        own = [name for name in own if any(c.isdigit() for c in name)]
        wanted = own[0] if own else ""
        everything = [name for name in (spec.id, spec.drawing, *numbers) if name]
        if any(bare_number(value) == bare_number(name) for name in everything):
            return Named(kind, value, wanted, True)
        extended = any((m := pattern.match(value)) and value[m.end() :].startswith("-") for *_, pattern in self._known)
        shape = _shape(value) in {_shape(name) for name in own} and len(numbers) == len(spec.parts)
        told = shape if kind == "part" else bool(own) and not (extended and len(numbers) < len(spec.parts))
        return Named(kind, value, wanted, False if told else None)

    def _revision(self, value: str, text: str) -> list[Named]:
        wanted = self._spec.revision
        word = len(value) > 1 and value.isalpha() and not value.isupper()  # 'Rev by' says no revision
        if wanted in {"", "-"} or not value or word:
            return []
        return [Named("revision", value, wanted, value.casefold() == wanted.casefold())]

    def _letter_behind(self, rest: str) -> list[Named]:
        """Return the revision that stands right behind a number: 'BL7-210 C', 'BL7-210/C', 'BL7-210 (C)'."""
        match = re.match(r"\s?[/_(]?\s?([A-Z]{1,2})\)?\s*(?:$|[,;])", rest)
        return self._revision(match[1], rest) if match else []


def _shape(text: str) -> str:
    return re.sub(r"[^\W\d_]+", "a", re.sub(r"\d+", "0", text.casefold()))


def _is_number(text: str) -> bool:
    """Whether a text can be the number of a drawing, kit or part: digits, with letters, a dash or four of them."""
    digits = sum(map(str.isdigit, text))
    parted = any(c.isalpha() for c in text) or "-" in text
    return bool(digits) and not _NO_NUMBER.fullmatch(text) and (digits >= 4 or parted)


_PLAIN_SHEET_NAME = re.compile(
    r"(?:sheet|tabelle|blatt|feuil|feuille|hoja|foglio|blad|list|arkusz|planilha|table|data|daten|readings?|results?|"
    r"measurements?|inspection|holes?|messwerte|messung|bohrungen|protokoll|prüfprotokoll|mesures|relevés|trous|"
    r"mediciones|medidas|agujeros|page|seite|form|template|near|far|copy of|kopie von|copie de|copia de)?"
    r"[\s_-]*\d{0,3}\s?(?:\(\d{1,3}\))?",
    re.I,
)


def serial_in_sheet_name(name: str, titles: Titles) -> str:
    """Return the serial number that a sheet's name may be, '' for a program's own name, a day, or the kit's number."""
    name = " ".join(name.split())
    if not any(c.isdigit() for c in name) or _PLAIN_SHEET_NAME.fullmatch(name) or date_of(name, "dmy")[0]:
        return ""
    return "" if titles.names_in(name) or serial_fault(name) else name


def spelt_alike(findings: Findings) -> None:
    """Ask about serial numbers that are one but for their spelling, and hold their parts until one spelling is used.

    ``AP-1``, ``ap-1``, ``AP 1`` and ``AP1`` are one; zeros in front (``0042`` and ``42``) are a warning only.
    """
    a, serials = findings.arrays, findings.draft.serial.texts
    groups: dict[str, list[int]] = {}
    for index in findings.firsts(np.arange(findings.piece.size)).tolist():
        if a["serial"][index] >= 0:
            pieces = re.findall(r"[^\W\d_]+|\d+", serials[int(a["serial"][index])].casefold())
            groups.setdefault(" ".join(p.lstrip("0") or "0" for p in pieces), []).append(index)
    for alike in groups.values():
        names = {serials[int(a["serial"][i])]: i for i in reversed(alike)}
        if len(names) < 2:
            continue
        same = len({bare_number(name) for name in names}) < len(names)
        if not same and len({int(a["part"][i]) for i in alike}) == len(alike):
            continue  # 42 to port and 042 to starboard
        spellings = sorted(names.items(), key=lambda named: named[1])
        cells = " and ".join(findings.cell.place(i)["cell"] for _, i in spellings)
        issue = warning(
            "serials-alike",
            f"serial numbers {' and '.join(repr(name) for name, _ in spellings)} may be one part: see {cells}",
            "one spelling a part",
            "Write the serial number the same way everywhere",
            holds=same,
        )
        for index in alike if same else alike[-1:]:
            found = repr(serials[int(a["serial"][index])])
            findings.collector.add(findings.piece_problem(issue, index, found))


class Parts:
    """Matches labels with the kit's parts."""

    def __init__(self, spec: Specification) -> None:
        self._titles = Titles(spec)
        self._names = [(p.name, p.title, p.number) for p in spec.parts]
        self._allowed = "parts " + ", ".join(p.name for p in spec.parts)

    def match(self, content: Content) -> Match:
        """Return the part that a label means."""
        place = part_of(content, self._names)
        if place >= 0:
            name = self._names[place][0]
            same = folded(content) in {folded(w) for w in self._names[place] if w}
            return Match(place, issue=None if same else note("part-word", f"read as part {name}"))
        named = self._titles.names_in(text_of(content), "part") if isinstance(content, str) else []
        if named and all(n.agrees for n in named):
            if len(self._names) == 1:
                return Match(0, issue=note("part-word", f"read as part {self._names[0][0]}, the only one of this kit"))
            exact = [i for i, n in enumerate(self._names) if n[2] and bare_number(n[2]) == bare_number(named[0].value)]
            if len(exact) == 1:
                return Match(exact[0], issue=note("part-word", f"read as part {self._names[exact[0]][0]}"))
        return Match(
            issue=flaw(
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
        self._others = {wall: {folded(o) for o, w in spec.wall_names.items() if w == wall} for wall in self._names}
        self._vocabulary = vocabulary
        self._allowed = "walls " + ", ".join(spec.walls.names)

    def match(self, content: Content) -> Match:
        """Return the wall that a label means."""
        text = folded(content if not isinstance(content, float) else f"{content:g}")
        for i, name in enumerate(self._names):
            if text == folded(name) or text in self._others.get(name, ()):
                return Match(i)
        place = self._vocabulary.meaning(content).wall if isinstance(content, str) else -1
        if place < 0 and len(self._names) == 2:
            place = {"n": 0, "f": 1, "1": 0, "2": 1}.get(text, -1)
        if 0 <= place < len(self._names) and len(self._names) <= 2:
            return Match(place, issue=note("wall-word", f"read as wall {self._names[place]}"))
        return Match(
            issue=flaw(
                "unknown-wall",
                "the kit has no such wall",
                self._allowed,
                f"Name the wall as the kit does, or say once in the kit file which is meant: [wall_names], "
                f'"{text[:30]}" = "{self._names[0]}"',
            )
        )


#: words of a feature's name that say neither hole nor wall
_FEATURE_WORDS = frozenset(re.findall(r"\w+", """circle circ cir c cylinder cyl kreis krs zylinder zyl bohrung bohr
    bore hole holes h feature feat dia diam wall wand side seite face cercle cylindre trou paroi circulo círculo
    cilindro agujero
    pared measured meas actual act nom item no nr id"""))

class FeatureNames:
    """Takes names that a measuring program gives to features for holes and walls of the kit."""

    def __init__(self, spec: Specification, vocabulary: Vocabulary) -> None:
        self.vocabulary, self.holes, self.walls = vocabulary, Holes(spec), WallNames(spec, vocabulary)

    def place(self, name: str) -> tuple[int, int]:
        """Return hole and wall that a name says, -1 for what it doesn't: 'Hole 3 near', 'CIR_3_FAR', 'H3N'."""
        text = " ".join(name.replace("_", " ").split())[:120]
        exact = self.holes.match(text).code
        if exact >= 0 or not text:
            return exact, -1
        meaning = self.vocabulary.meaning(text)
        if meaning.kind == MODIFIER and (meaning.hole or meaning.wall >= 0) and meaning.direction is None:
            hole = self.holes.match(meaning.hole).code if meaning.hole else -1
            if hole >= 0 or not meaning.hole:
                return hole, meaning.wall
        wall, left = -1, []
        for word in re.findall(r"[^\W\d_]+|\d+", text):
            letter = word.casefold() in {"n", "f"} and self.holes.match(word).code < 0
            plain = not word.isdecimal() and (len(word) > 1 or letter)
            known = self.walls.match(word).code if plain else -1
            if known >= 0 and wall < 0:
                wall = known
            elif word.casefold() not in _FEATURE_WORDS or self.holes.match(word).code >= 0:
                left.append(word)
        found = [code for sign in ("", " ", "-") if left and (code := self.holes.match(sign.join(left)).code) >= 0]
        return (found or [-1])[0], wall


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
        found = self._ids.get(re.sub(r"[\W_]+", "", text).casefold()) or self._named_in(text)
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

    def _named_in(self, text: str) -> str | None:
        """Return the one gauge whose id stands in a text with words around it: 'Bore gauge BG-2 (0.0001)'."""
        if len(text) > LONGEST_TITLE:
            return None
        named = [g for g in self._exact if re.search(rf"(?<![\w-]){re.escape(g)}(?![\w-])", text, re.I)]
        others = [
            w for w in re.findall(r"[\w./-]+", text) if _is_number(w) and w.casefold() != "".join(named).casefold()
        ]
        return named[0] if len(named) == 1 and any(c.isdigit() for c in named[0]) and not others else None


def trial_of(content: Content) -> Match:
    """Return the number of a repeated reading."""
    text = text_of(content)
    digits = re.search(r"\d+", text)
    if digits and 1 <= int(digits[0]) <= 999:
        return Match(int(digits[0]))
    return Match(0, issue=warning("bad-trial", "this is no count of a repeated reading", "1, 2, 3 ...", _TYPE_AGAIN))


def direction_of(content: Content, vocabulary: Vocabulary, directions: Sequence[float]) -> tuple[float, Problem | None]:
    """Return a direction in degrees, NaN with a doubt where it is none."""
    number: float | None = None
    if isinstance(content, float):
        number = content
    elif isinstance(content, str):
        text = content.strip().lower().replace("º", "°")
        across = re.fullmatch(r"(\d{1,3})\s?°?\s?[-–/]\s?(\d{1,3})\s?(?:°|deg\.?)?", text)
        if match := re.fullmatch(r"([+-]?\d+(?:[.,]\d+)?)\s*(?:°|deg\.?|degrees?|grad|degrés?|grados?)?", text):
            number = float(match[1].replace(",", "."))
        elif across and int(across[2]) - int(across[1]) == 180:
            number = float(across[1])
        else:
            number = {"h": 0.0, "v": 90.0, "x": 0.0, "y": 90.0}.get(text)
            meaning = vocabulary.meaning(content)
            number = meaning.direction if number is None and meaning.is_known else number
    if number is not None and -360 <= number <= 360:
        return number, None
    allowed = ", ".join(f"{d:g}" for d in directions)
    return float("nan"), warning("bad-direction", "this is no direction in degrees", allowed, _TYPE_AGAIN)
