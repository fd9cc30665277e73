"""Cells into lengths and temperatures: each distinct text is looked at once, numbers all at once."""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from holeqc.problems import DataError, Problem, flaw, warning
from holeqc.quantities import BoolArray, FloatArray, parse_length
from holeqc.readings.containers import Content, Uncalculated
from holeqc.readings.synonyms import unaccented
from holeqc.readings.table import LIKELY_C

# Days as people type them, and fractions that a spreadsheet took for days.


EARLIEST = 1990
EXCEL_DAYS = (20_000.0, 80_000.0)  #: day numbers of 1954 to 2119: what a date looks like once its format is lost
BETWEEN_SYSTEMS = 1462  #: days between the 1900 and the 1904 date system
_ALLOWED = "a date such as 2026-11-02"
#: names of months in English, German, French and Spanish without accents; three letters or more of one are enough
_MONTHS = (
    "january|januar|janner|jaenner|janvier|enero",
    "february|februar|feber|fevrier|febrero",
    "march|marz|maerz|mrz|mars|marzo",
    "april|avril|abril",
    "may|mai|mayo",
    "june|juni|juin|junio",
    "july|juli|juillet|julio",
    "august|aout|agosto",
    "september|septembre|septiembre|setiembre",
    "october|oktober|octobre|octubre",
    "november|novembre|noviembre",
    "december|dezember|decembre|diciembre",
)
_ISO = re.compile(r"^(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[ T].*)?$")
_NUMERIC = re.compile(r"^(\d{1,2})([-/.])(\d{1,2})\2(\d{4}|\d{2})(?: .*)?$")
_NAMED = re.compile(
    r"^(?:(\d{1,2})(?:st|nd|rd|th|er)?[-. ]*([a-z]{3,10})|([a-z]{3,10})[-. ]*(\d{1,2})(?:st|nd|rd|th)?)"
    r"[-., ]+(\d{4}|\d{2})$"
)
_COMPACT = re.compile(r"^(20\d{2})(\d{2})(\d{2})$")
_WEEKDAY = re.compile(
    r"^(?:mon|tue|wed|thu|fri|sat|sun|mo|di|mi|do|fr|sa|so|lun|mar|mer|jeu|ven|sam|dim|mie|jue|vie|sab|dom)"
    r"[a-z]{0,7}[., ]+(?=\d{1,2}(?:er|st|nd|rd|th)?[. ]+[a-z]|\d{1,4}[-/.]\d)"
)
_ISO_WEEK = re.compile(r"^(\d{4})-?w(\d{2})(?:-?([1-7]))?$")
_WEEK = re.compile(
    r"^(?:kw|cw|wk|week|woche|kalenderwoche|sem|semaine|semana|s|w)\.? ?(\d{1,2}) ?[-/., ] ?(\d{4})$"
    r"|^(\d{4}) ?[-/., ]? ?(?:kw|cw|wk|week|sem|s)\.? ?(\d{1,2})$"
)


def date_of(content: Content, order: str) -> tuple[dt.date | None, Problem | None]:
    """Return the day in a cell and what is doubtful about it.

    ``order``: ``dmy`` or ``mdy`` for 03/04/2026, '' where it isn't known. A doubtful day is None, so that nothing is
    decided by it, except a day in an impossible year, which stays what it is: also None.
    """
    if isinstance(content, dt.datetime):
        return _checked(content.date())
    if isinstance(content, dt.date):
        return _checked(content)
    if isinstance(content, float):
        if EXCEL_DAYS[0] <= content <= EXCEL_DAYS[1]:
            likely = excel_day(content)
            return None, warning(
                "date-as-number",
                f"a number stands where a date belongs: likely {likely}",
                _ALLOWED,
                f"If {likely} is meant, format the cell as a date",
            )
        return None, warning("bad-date", "a number stands where a date belongs", _ALLOWED, "Type the date")
    if isinstance(content, str):
        return _from_text(content, order)
    return None, warning("bad-date", "this is no date", _ALLOWED, "Type the date")


def excel_day(number: float) -> dt.date:
    """Return the day that a spreadsheet's day number stands for (1900 system)."""
    return dt.date(1899, 12, 30) + dt.timedelta(days=int(number))


def _checked(day: dt.date) -> tuple[dt.date | None, Problem | None]:
    if day.year >= EARLIEST:
        return day, None
    likely = ""
    if day.year < 100:
        likely = f"{day.year + 2000:04d}-{day.month:02d}-{day.day:02d}"
    message = f"the year {day.year:04d} can't be" + (f": likely {likely}" if likely else "")
    return None, warning(
        "bad-date", message, f"{_ALLOWED}, from {EARLIEST} on", "Type the date with four digits of the year", holds=True
    )


def _day(year: int, month: int, day: int) -> dt.date | None:
    try:
        return dt.date(year, month, day)
    except ValueError:
        return None


def _year(text: str) -> int:
    return int(text) + (2000 if len(text) == 2 else 0)


def latest_of(content: Content, order: str) -> dt.date | None:
    """Return the last day that a content may mean which names no single one: 03/04/2026, or a week; None for others."""
    if isinstance(content, str) and (week := _week_of(_plain(content))):
        return week[1] if week[0] != week[1] else None
    if order or not isinstance(content, str) or (match := _NUMERIC.match(" ".join(content.split()).lower())) is None:
        return None
    first, second, year = int(match[1]), int(match[3]), _year(match[4])
    meanings = [day for day in (_day(year, second, first), _day(year, first, second)) if day is not None]
    return max(meanings) if match[2] != "." and len(set(meanings)) == 2 else None


def ordered(text: str) -> str:
    """Return ``dmy`` or ``mdy`` if a text such as 31/12/2026 can only be read one way, '' otherwise."""
    match = _NUMERIC.match(text.strip().lower())
    if match is None or match[2] == ".":
        return ""
    first, second = int(match[1]), int(match[3])
    return "dmy" if first > 12 >= second else "mdy" if second > 12 >= first else ""


def _plain(content: str) -> str:
    """Return a day's text without accents, the name of the weekday, and the Spanish 'de'."""
    text = unaccented(" ".join(content[:60].split()).lower())
    return _WEEKDAY.sub("", re.sub(r" del? ", " ", text))


def _month(name: str) -> int:
    """Return the month that a name or its beginning means, 0 where none or several do."""
    found = [n for n, names in enumerate(_MONTHS, 1) if any(full.startswith(name) for full in names.split("|"))]
    return found[0] if len(found) == 1 else 0


def _week_of(text: str) -> tuple[dt.date, dt.date] | None:
    """Return the first and the last day that a week date means (ISO 8601: Monday first), None for every other text."""
    iso, spoken = _ISO_WEEK.match(text), _WEEK.match(text)
    if iso is None and spoken is None:
        return None
    year, week = (iso[1], iso[2]) if iso else (spoken[2] or spoken[3], spoken[1] or spoken[4]) if spoken else ("", "")
    try:
        first = dt.date.fromisocalendar(int(year), int(week), int(iso[3] or 1) if iso else 1)
    except ValueError:
        return None
    return first, first if iso and iso[3] else first + dt.timedelta(days=6)


def _from_text(content: str, order: str) -> tuple[dt.date | None, Problem | None]:
    text = _plain(content)
    day: dt.date | None = None
    if week := _week_of(text):
        if week[0] != week[1]:
            message = f"this names a week and no day: {week[0]} to {week[1]}"
            return None, warning("unclear-date", message, _ALLOWED, "Type the date as year-month-day")
        day = week[0]
    elif match := _COMPACT.match(text) or _ISO.match(text):
        day = _day(int(match[1]), int(match[2]), int(match[3]))
    elif match := _NUMERIC.match(text):
        first, second, year = int(match[1]), int(match[3]), _year(match[4])
        dmy, mdy = _day(year, second, first), _day(year, first, second)
        if match[2] == ".":
            order = "dmy"  # with points the day always stands first
        if dmy and mdy and dmy != mdy and not order:
            return None, warning(
                "unclear-date",
                f"day and month can't be told apart: {dmy} or {mdy}",
                _ALLOWED,
                "Type the date as year-month-day, or state the order",
            )
        day = dmy if order == "dmy" else mdy if order == "mdy" else dmy or mdy
    elif (match := _NAMED.match(text)) and (month := _month(match[2] or match[3])):
        day = _day(_year(match[5]), month, int(match[1] or match[4]))
    if day is None:
        return None, warning("bad-date", "this is no date", _ALLOWED, "Type the date as year-month-day")
    return _checked(day)


def fractions_of(day: dt.date) -> list[tuple[str, float]]:
    """Return the fractions that a spreadsheet may have taken for this day: 16 July is 7/16, January 1950 is 1/50."""
    pairs = [(day.month, day.day), (day.day, day.month)]
    if day.day == 1:
        pairs.append((day.month, day.year % 100))
    found: dict[str, float] = {}
    for top, bottom in pairs:
        if bottom > top > 0:
            found.setdefault(f"{top}/{bottom}", float(Fraction(top, bottom)))
    return list(found.items())


def typed_as(day: dt.date) -> list[tuple[str, float]]:
    """Return the fractions and mixed numbers that a spreadsheet may have taken for this day: 1-7/16 is 1 July 2016."""
    found = dict(fractions_of(day))
    bottom = day.year % 100
    for whole, top in ((day.month, day.day), (day.day, day.month)):
        if bottom > top:
            found.setdefault(f"{whole} {top}/{bottom}", whole + float(Fraction(top, bottom)))
    return list(found.items())


LONGEST = 1e6  #: no hole, pattern or edge is longer, in either unit
NUMBER = "a number such as 0.4590"
A_DATE = "a date stands where a number belongs"
_CORRECT = "Type the number again"
_PLAIN = re.compile(r"^[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?$")
_PIECE = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)")
_ESCAPE = re.compile(r"_x([0-9A-Fa-f]{4})_")
_THOUSANDS = re.compile(r"^[+-]?[1-9]\d{0,2}(?:,\d{3})+$")
_ERRORS = {"#DIV/0!", "#N/A", "#NAME?", "#NULL!", "#NUM!", "#REF!", "#VALUE!", "#SPILL!", "#CALC!", "#GETTING_DATA"}
_ABSENT = {
    "-",
    "--",
    "---",
    "n/a",
    "na",
    "n.a.",
    "none",
    "nil",
    "not measured",
    "nm",
    "missing",
    "skipped",
    "tbd",
    "?",
    "??",
    "...",
    "not read",
    "not done",
    "no reading",
    "blank",
    "x",
    "/",
    "*",
    ".",
}
_OTHER_UNIT = re.compile(r"\d ?(?:thou|mils?|cm|m|µm|um|μm|microns?|ft|foot|feet|tenths|th|dm|nm)\.?$", re.IGNORECASE)
_LETTERS = str.maketrans("oOlIsSbB", "00115588")
_DIAMETER = re.compile(r"^[Øø⌀∅]\s?(?=[\d.,])")  #: before a number, as drawings write it
_SIGNS = str.maketrans({"−": "-", "–": "-", "‐": "-", "﹣": "-", "\u200b": "", "\ufeff": "", "⁄": "/"})


@dataclass(frozen=True, slots=True)
class Length:
    """A length from text: value in the unit typed (NaN where none), the unit the cell itself names, a doubt."""

    value: float
    unit: str = ""
    issue: Problem | None = None


def cleaned(text: str) -> str:
    """Return text with plain widths, one kind of minus and no blanks around; what stands in it doesn't change."""
    return " ".join(unicodedata.normalize("NFKC", text).translate(_SIGNS).split())


def decimal_mark(labels: Iterable[Content], stated: str, delimiter: str) -> tuple[str, bool]:
    """Return the decimal mark that texts of readings use ('' where nothing tells), and whether both marks occur.

    A comma is sure where it can't part thousands: 0,4551 or 11,59. Files parted by semicolons come from places where
    the comma is the decimal mark, so there it is taken if no point speaks against it.
    """
    comma = point = unsure = False
    for label in labels:
        if not isinstance(label, str) or isinstance(label, Uncalculated):
            continue
        text = _DIAMETER.sub("", cleaned(label)).split(" ")[0].rstrip("\"'″inm")
        if "," in text and "." not in text and text.count(",") == 1 and text.replace(",", "").lstrip("+-").isdigit():
            if _THOUSANDS.match(text):
                unsure = True
            else:
                comma = True
        elif "." in text and "," not in text and _PLAIN.match(text):
            point = True
    if stated:
        return stated, comma and point
    if comma:
        return ("" if point else ","), point
    if unsure and not point and delimiter == ";":
        return ",", False
    return ("." if point else ""), False


def length_of(content: Content, decimal: str) -> Length:
    """Return the length in a cell that is not a number. ``decimal``: mark of this sheet, '' where it isn't known."""
    if isinstance(content, float):
        return Length(content)
    if not isinstance(content, str):
        return Length(np.nan, issue=_date_for_number(content))
    if isinstance(content, Uncalculated):
        return _bad(
            "formula-not-calculated",
            "the formula has never been calculated, so there is no value",
            action="Open the workbook in a spreadsheet program, let it calculate, and save it",
        )
    text = _DIAMETER.sub("", cleaned(content))
    if _PLAIN.match(text) and not (decimal == "," and "." in text):
        return Length(float(text))
    if odd := _known_oddity(text):
        return odd
    if "," in text or (decimal == "," and "." in text):
        return _with_comma(text, decimal)
    return _general(text)


_DEGREES = re.compile(r"\s*(?:[°º˚]|deg\.?|degrees?|grad|degr[eé]s?|grados?)\s*$", re.IGNORECASE)


def is_degrees(text: str) -> bool:
    """Whether a text is a name of degrees: ``°``, ``deg``."""
    return bool(_DEGREES.fullmatch(text.strip(" ()[]")))


def angle_of(content: Content, decimal: str) -> Length:
    """Return the angle [degrees] in a cell that is not a number: ``100``, ``100.5°``, ``100,5 deg``."""
    if isinstance(content, str) and not isinstance(content, Uncalculated):
        content = _DEGREES.sub("", content)
    found = length_of(content, decimal)
    if not found.unit:
        return found
    return _bad("angle-unit", "an angle has no unit of length", "degrees", "Type the angle in degrees in this column")


def _bad(code: str, message: str, allowed: str = NUMBER, action: str = _CORRECT) -> Length:
    return Length(np.nan, issue=flaw(code, message, allowed, action))


def _known_oddity(text: str) -> Length | None:
    lower = text.lower()
    if text.upper() in _ERRORS or (text.startswith("#") and text.endswith(("!", "?"))):
        return _bad(
            "error-cell", "the cell shows an error of the spreadsheet", action="Repair the formula or type the reading"
        )
    if lower in {"true", "false"}:
        return _bad("truth-value", "a truth value stands where a number belongs")
    if lower.strip("+-") in {"nan", "inf", "infinity", "infinite", "∞"}:
        return _bad("not-a-number", f"the word {text!r} is no measured number")
    if lower in _ABSENT:
        return _bad("not-measured", "the cell says that nothing was measured", action="Measure, or leave it as missing")
    if text.startswith("="):
        return _bad("formula-as-text", "a formula stands here as text; it is not calculated")
    if _ESCAPE.search(text):
        likely = _ESCAPE.sub(lambda m: chr(int(m[1], 16)), text)
        return _bad(
            "escape-residue",
            f"the text holds remains of a file format: likely {likely}",
            action=f"If {likely} is meant, type it again",
        )
    return None


def _with_comma(text: str, decimal: str) -> Length:
    """Read a number with a comma, if it can only be meant one way."""
    if re.fullmatch(r"[+-]?\d*\.\d+ ?, ?[+-]?\d*\.\d+", text):
        return _several(text)
    if "," in text and "." in text:
        return _bad(
            "mixed-marks",
            "comma and point in one number: it isn't clear which parts the decimals",
            action=f"If {_likely_mixed(text)} is meant, type it with one mark",
        )
    if text.count(",") > 1 or text.count(".") > 1:
        return _several(text)
    mark = "," if "," in text else "."
    number = text.split(" ")[0].rstrip("\"'″inm")
    as_decimal = text.replace(",", ".")
    if mark == ",":
        if decimal == ".":
            return _bad(
                "comma-in-number",
                f"a comma stands in a number though the decimal mark is a point: likely {as_decimal}",
                action=f"If {as_decimal} is meant, type it with a point",
            )
        if decimal != "," and _THOUSANDS.match(number):
            whole = text.replace(",", "")
            return _bad(
                "unclear-comma",
                f"the comma may be a decimal mark or part thousands: {as_decimal} or {whole}",
                action="Type it with a point, or state the decimal mark",
            )
        return _general(as_decimal)
    whole = text.replace(".", "")
    return _bad(
        "point-in-number",
        f"a point stands in a number though the decimal mark is a comma: {text} or {whole}",
        action="Type it with a comma",
    )


def _likely_mixed(text: str) -> str:
    last = max(text.rfind(","), text.rfind("."))
    return re.sub(r"[.,]", "", text[:last]) + "." + text[last + 1 :]


def _general(text: str) -> Length:
    """Read a fraction, a mixed number, a number with a unit; name the doubt in anything else."""
    try:
        value, unit = parse_length(text)
        return Length(float(value), unit or "")
    except DataError as error:
        if "divides by zero" in str(error):
            return _bad("not-a-number", "the fraction divides by zero")
    except (ValueError, OverflowError):
        return _bad("not-a-number", "not a number")
    found = _PIECE.findall(text)
    if re.fullmatch(r"[+-]?[\d.]+(?: [\d.]+)+", text):
        joined = text.replace(" ", "")
        return _bad(
            "space-in-number",
            f"a blank stands inside the number: likely {joined}, or two numbers",
            action=f"If {joined} is meant, type it without the blank",
        )
    swapped = text.translate(_LETTERS)
    if swapped != text and _PLAIN.match(swapped) and sum(map(str.isdigit, text)) > 1:
        return _bad(
            "letter-in-number",
            f"a letter stands in the number: likely {swapped}",
            action=f"If {swapped} is meant, type it again",
        )
    if len(found) > 1:
        return _several(text)
    if len(found) == 1 and _OTHER_UNIT.search(text):
        return _bad(
            "unknown-unit",
            "the unit in the cell isn't known",
            "in or mm",
            "Type the reading with in or mm, or with no unit",
        )
    if len(found) == 1:
        return _bad(
            "not-a-number",
            f"more than a number stands in the cell: likely {found[0]}",
            action="Type the number alone and put remarks into the note column",
        )
    return _bad("not-a-number", "not a number")


def _several(text: str) -> Length:
    parts = [p.strip(".,") for p in _PIECE.findall(text.replace(",", " "))]
    shown = " and ".join(parts[:3])
    return _bad(
        "two-numbers",
        f"several numbers stand in one cell: {shown}" if len(parts) > 1 else "not a number",
        action="Type one reading a cell",
    )


def _date_for_number(content: Content) -> Problem:
    if isinstance(content, dt.datetime | dt.date):
        day = content.date() if isinstance(content, dt.datetime) else content
        likely = [f"{text} = {value:.6g}" for text, value in typed_as(day)]
        if likely:
            return flaw(
                "fraction-became-date",
                f"{A_DATE}: likely the fraction {' or '.join(likely)}",
                NUMBER,
                "Type the fraction as a decimal number, or format the cell as text before typing it",
            )
        return flaw("date-for-number", A_DATE, NUMBER, _CORRECT)
    return flaw("date-for-number", "a time stands where a number belongs", NUMBER, _CORRECT)


def single_precision(values: FloatArray) -> BoolArray:
    """Return where a number is a short decimal spoiled by single precision: 20.4 stored as 20.399999618530273."""
    rounded = np.round(values, 6)
    spoiled = rounded.astype(np.float32).astype(np.float64)
    # programs write 15 to 17 digits, so the last ones may differ
    same = np.abs(spoiled - values) <= 1e-14 * np.abs(values)
    return same & (np.abs(values - rounded) > 1e-10)


def number_issues(values: FloatArray) -> tuple[list[Problem], list[BoolArray]]:
    """Return the doubts that plain numbers can raise by themselves, each with where it applies."""
    with np.errstate(invalid="ignore"):
        vast = ~(np.abs(values) <= LONGEST)
    noisy = single_precision(np.where(vast, 0.0, values))
    return [
        flaw("beyond-any-length", "no length is as large as this", f"at most {LONGEST:g}", _CORRECT),
        warning(
            "single-precision",
            "the number carries the rounding error of a program with few digits",
            action="Type the reading again with the digits that the gauge shows",
            holds=True,
        ),
    ], [vast, noisy]


_TEMPERATURE = re.compile(
    r"^([+-]?\d+(?:[.,]\d+)?)\s*(?:°|deg\.?|degrees?|grad|degr[eé]s?|grados?)?\s*([cf])?(?:elsius|ahrenheit)?\s*°?$"
)
_ALLOWED_C = f"{LIKELY_C[0]:g} to {LIKELY_C[1]:g} °C"


def temperature_of(content: Content, unit: str) -> tuple[float, Problem | None]:
    """Return a temperature in °C, NaN with a doubt where it is none.

    ``unit`` is C or F where a heading says it, '' otherwise; the cell's own unit comes first.
    """
    value: float | None = None
    if isinstance(content, float):
        value = content
    elif isinstance(content, str) and (match := _TEMPERATURE.match(cleaned(content).lower())):
        value, unit = float(match[1].replace(",", ".")), (match[2] or unit).upper()
    if value is None:
        return float("nan"), warning(
            "bad-temperature", "this is no temperature", _ALLOWED_C, "Type degrees Celsius", holds=True
        )
    celsius = (value - 32.0) / 1.8 if unit == "F" else value
    if LIKELY_C[0] <= celsius <= LIKELY_C[1]:
        return celsius, None
    message = "no part is measured at this temperature"
    from_f = (value - 32.0) / 1.8
    if unit != "F" and LIKELY_C[0] <= from_f <= LIKELY_C[1]:
        message = f"this looks like degrees Fahrenheit: likely {value:g} °F = {from_f:.1f} °C"
    return celsius, warning(
        "implausible-temperature", message, _ALLOWED_C, "Type degrees Celsius, or write °F beside it", holds=True
    )
