"""Days as people type them, and fractions that a spreadsheet took for days."""

from __future__ import annotations

import datetime as dt
import re
from fractions import Fraction

from holeqc.readings.grid import Content
from holeqc.readings.issues import Issue, warning
from holeqc.readings.synonyms import unaccented

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


def date_of(content: Content, order: str) -> tuple[dt.date | None, Issue | None]:
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


def _checked(day: dt.date) -> tuple[dt.date | None, Issue | None]:
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


def _from_text(content: str, order: str) -> tuple[dt.date | None, Issue | None]:
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
