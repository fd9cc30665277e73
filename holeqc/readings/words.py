"""Words of readings and of rows: what entered, what the surface is like, which wall, part or hole is meant."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

from holeqc.readings.grid import Content
from holeqc.readings.table import BURR, CLEAN, CRACK, DIRTY, ENTERS, STOPS

#: word of a row's reading while it is read: its place is the code kept in arrays, 0 for none
WORDS = ("", ENTERS, STOPS, CLEAN, BURR, DIRTY, CRACK)

_YES = {"yes", "y", "true", "✓", "✔", "√", "☑", "✅", "🗸"}
_NO = {"no", "n", "false", "✗", "✘", "✕", "×", "☒", "❌"}
_TICKS = {"✓", "✔", "√", "☑", "✅", "🗸", "✗", "✘", "✕", "×", "☒", "❌"}
_PASS = {"ok", "okay", "o k", "pass", "passed", "good", "accept", "accepted", "acc", "fine", "conforms", "satisfactory"}
_FAIL = {
    "fail",
    "failed",
    "bad",
    "nok",
    "not ok",
    "n ok",
    "reject",
    "rejected",
    "rej",
    "ng",
    "n g",
    "no good",
    "not good",
}
_ENTERS = {
    "enters",
    "enter",
    "entered",
    "goes",
    "goes in",
    "go",
    "went in",
    "fits",
    "fit",
    "drops in",
    "drops",
    "dropped in",
    "passes",
    "passes through",
    "slides in",
    "enters freely",
    "goes through",
    "does enter",
    "enters fully",
}
_STOPS = {
    "does not enter",
    "doesnt enter",
    "not enter",
    "not entered",
    "did not enter",
    "will not enter",
    "wont enter",
    "stops",
    "stop",
    "stopped",
    "no go",
    "nogo",
    "does not go",
    "doesnt go",
    "did not go",
    "will not go",
    "wont go",
    "no entry",
    "does not fit",
    "doesnt fit",
    "does not go in",
    "refuses",
    "refused",
    "held out",
    "not go",
    "no enter",
}
_CLEAN = {"clean", "smooth", "clear", "deburred", "none", "nothing", "bright", "dry", "no defects", "no defect", "free"}
_DIRTY = {
    "dirty",
    "chips",
    "chip",
    "swarf",
    "oil",
    "oily",
    "rough",
    "scored",
    "scratched",
    "gouged",
    "torn",
    "debris",
    "unclean",
    "rifled",
    "chatter",
    "galled",
}
_NEGATION = {"no", "not", "free", "without", "zero", "nil", "removed"}
_PARTS = (
    {"port", "p", "ps", "left", "lh", "l h", "larboard", "left hand"},
    {"starboard", "s", "sb", "stb", "stbd", "s b", "starbd", "right", "rh", "r h", "right hand"},
)
#: blanks are counted: three unbounded runs in a row would try every way to part a long one
_HOLE_PREFIX = re.compile(
    r"^(?:hole|position|pos|bore|h)?\s{0,4}(?:no|nr|num|number|#|№)?\s{0,4}[.:#]?\s{0,4}(?=[0-9a-z])"
)


def folded(content: Content) -> str:
    """Return text in one spelling for comparing words: plain widths, lower case, marks of punctuation as spaces."""
    text = unicodedata.normalize("NFKC", str(content)).casefold().replace("'", "").replace("’", "")
    return " ".join(re.sub(r"[.,;:!()\[\]/_-]+", " ", text).split())


def hole_key(content: Content) -> str:
    """Return a hole's label reduced to what tells holes apart: 'Hole 3', '#3', 3.0 and ' 3 ' are all '3'."""
    if isinstance(content, float):
        return f"{content:.15g}"
    if not isinstance(content, str):
        return ""
    text = " ".join(unicodedata.normalize("NFKC", content).split()).casefold()
    if re.fullmatch(r"\d+[.,]0+", text):
        return re.split(r"[.,]", text)[0]
    short = _HOLE_PREFIX.sub("", text, count=1).strip()
    return short.rstrip(".") or text


def is_answer(content: Content) -> bool:
    """Whether a content answers whether a plug enters, in whatever words."""
    return folded(content) in _ENTERS | _STOPS | _YES | _NO | _PASS | _FAIL


def part_of(content: Content, names: Iterable[tuple[str, ...]]) -> int:
    """Return which part is meant: its place in ``names`` (each the words of one part), -1 for none or several."""
    text = folded(content)
    exact = [i for i, words in enumerate(names) if text in {folded(w) for w in words if w}]
    if exact:
        return exact[0] if len(exact) == 1 else -1
    for group in _PARTS:
        if text in group:
            meant = [i for i, words in enumerate(names) if words and folded(words[0]) in group]
            return meant[0] if len(meant) == 1 else -1
    return -1


def plug_word(content: Content, characteristic: str, ask: str, others: frozenset[str]) -> str:
    """Return ENTERS or STOPS for what was typed under GO or NO-GO, '' where it can't be told for certain.

    ``ask`` is 'enters' where the heading asks whether it enters. ``others``: all that stands in the column, folded;
    under a bare NO-GO 'yes' may mean 'it enters' or 'checked, good', so there yes and no are only taken where 'no' is
    the only one of the two.
    """
    text = folded(content)
    if text in _ENTERS:
        return ENTERS
    if text in _STOPS:
        return STOPS
    if text in _YES | _NO:
        if characteristic == "no_go" and ask != "enters" and (text in _YES or text in _TICKS or others & _YES):
            return ""
        return ENTERS if text in _YES else STOPS
    if ask != "enters" and text in _PASS | _FAIL:
        return ENTERS if (text in _PASS) == (characteristic == "go") else STOPS
    return ""


def surface_word(content: Content, ask: str) -> str:
    """Return CLEAN, BURR, DIRTY or CRACK for what was typed about a surface, '' where it can't be told for certain."""
    text = folded(content)
    if text in _YES | _NO:
        if not ask:
            return CLEAN if text in _TICKS & _YES else ""
        if ask in {"burr", "crack"} and text in _TICKS:
            return ""
        found = {"burr": BURR, "crack": CRACK, "burr-free": BURR, "clean": DIRTY}[ask]
        return found if (text in _YES) == (ask in {"burr", "crack"}) else CLEAN
    if text in _PASS:
        return CLEAN
    raw = unicodedata.normalize("NFKC", str(content)).casefold()
    clauses = [_clause(c) for c in re.split(r"[,;/+&]|\band\b|\bbut\b", raw) if c.strip()]
    if not clauses or "" in clauses:
        return ""
    return max(clauses, key=(CLEAN, DIRTY, BURR, CRACK).index)


def _clause(raw: str) -> str:
    text = folded(raw)
    words = text.split()
    negated = bool(_NEGATION & set(words))
    if any(w.startswith("crack") for w in words):
        return CLEAN if negated else CRACK
    if any(w.startswith("burr") for w in words):
        return CLEAN if negated else BURR
    if text in _CLEAN | _PASS:
        return CLEAN
    if words and words[-1] in {"clean", "smooth"} and negated:
        return DIRTY
    if set(words) & _DIRTY:
        return CLEAN if negated else DIRTY
    return ""
