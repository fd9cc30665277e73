"""Moments: UTC to the microsecond, with the offset of the bench beside."""

from __future__ import annotations

import datetime as dt

from holeqc.problems import LedgerError

AHEAD = dt.timedelta(days=1)  #: a bench further east may have tomorrow already


def now() -> tuple[str, int]:
    """Return this moment as stored text and the bench's offset from UTC [minutes]."""
    return stored(dt.datetime.now().astimezone())


def today() -> dt.date:
    """Return the day that the bench's clock shows."""
    return dt.date.today()


SKEW = dt.timedelta(minutes=2)  #: clocks of benches on one ledger may differ by so much


def behind(at: str, newest: str) -> bool:
    """Return whether a stored moment is before another one by more than clocks of benches may differ."""
    if at >= newest:
        return False
    one, other = (dt.datetime.strptime(x, "%Y-%m-%dT%H:%M:%S.%fZ") for x in (at, newest))
    return other - one > SKEW


def not_ahead(day: dt.date, what: str) -> None:
    """Refuse a day that is still to come by the bench's clock, with one day for other time zones.

    Raises:
        LedgerError: it is.
    """
    if day > today() + AHEAD:
        raise LedgerError(
            f"{what} on {day} is still to come: the clock here says {today()}. Give the day on which it was done, or "
            "set the clock right; nothing was recorded"
        )


def stored(moment: dt.datetime) -> tuple[str, int]:
    """Return a moment as text in UTC and its offset [minutes]; one without a zone is taken in the bench's zone."""
    aware = moment.astimezone() if moment.tzinfo is None else moment
    offset = aware.utcoffset() or dt.timedelta()
    text = aware.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    return text, round(offset.total_seconds() / 60)


def shown(at: str, offset_minutes: int) -> str:
    """Return a stored moment as the clock at the bench showed it: ``2026-11-09 08:15:02 +01:00``."""
    moment = dt.datetime.strptime(at, "%Y-%m-%dT%H:%M:%S.%fZ") + dt.timedelta(minutes=offset_minutes)
    sign = "-" if offset_minutes < 0 else "+"
    hours, minutes = divmod(abs(offset_minutes), 60)
    return f"{moment:%Y-%m-%d %H:%M:%S} {sign}{hours:02}:{minutes:02}"


def a_day(text: str, option: str) -> dt.date | None:
    """Return a day that was typed as 2026-11-01, None for no text.

    Raises:
        LedgerError: it is no such day.
    """
    if not text.strip():
        return None
    try:
        return dt.date.fromisoformat(text.strip())
    except ValueError:
        raise LedgerError(f"{option} {text!r} is no day; give year, month, day as 2026-11-01") from None
