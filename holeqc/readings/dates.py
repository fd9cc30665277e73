"""Days as people type them, and fractions that a spreadsheet took for days."""

from __future__ import annotations

import datetime as dt
import re
from fractions import Fraction

from holeqc.readings.grid import Content
from holeqc.readings.issues import Issue, warning

EARLIEST = 1990
EXCEL_DAYS = (20_000.0, 80_000.0)  #: day numbers of 1954 to 2119: what a date looks like once its format is lost
BETWEEN_SYSTEMS = 1462  #: days between the 1900 and the 1904 date system
_ALLOWED = "a date such as 2026-11-02"
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_ISO = re.compile(r"^(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[ T].*)?$")
_NUMERIC = re.compile(r"^(\d{1,2})([-/.])(\d{1,2})\2(\d{4}|\d{2})(?: .*)?$")
_NAMED = re.compile(
    r"^(?:(\d{1,2})(?:st|nd|rd|th)?[-. ]*([a-z]{3,9})|([a-z]{3,9})[-. ]*(\d{1,2})(?:st|nd|rd|th)?)[-., ]+(\d{4}|\d{2})$"
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
    """Return the later meaning of a day such as 03/04/2026 whose order isn't known, None for every other content."""
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


def _from_text(content: str, order: str) -> tuple[dt.date | None, Issue | None]:
    text = " ".join(content.split()).lower()
    day: dt.date | None = None
    if match := _ISO.match(text):
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
    elif match := _NAMED.match(text):
        name = (match[2] or match[3])[:3]
        if name in _MONTHS:
            day = _day(_year(match[5]), _MONTHS.index(name) + 1, int(match[1] or match[4]))
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
