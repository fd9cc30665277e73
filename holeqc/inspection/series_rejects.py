"""Rejected parts or holes counted by day, week, month or so many parts in a row: what a chart of shares needs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from holeqc.inspection.grouping import IntArray
from holeqc.inspection.results import HOLD, REJECT
from holeqc.inspection.series import order_of_days
from holeqc.problems import NOTE, DataError, Problem

if TYPE_CHECKING:
    import pandas as pd

    from holeqc.inspection.results import Inspection

PERIODS = ("day", "week", "month")
GROUPS = ("fixture", "part", "hole", "bushing")
USUAL = 20  #: parts a period should have so that a share tells anything (common practice, no source)


@dataclass(frozen=True, slots=True)
class RejectCounts:
    """Rejects of one group, periods in order: ``counts`` of ``sizes`` inspected, (m,); ``labels`` name the periods.

    ``counted`` is ``parts`` or ``holes``; ``held`` of them neither proven good nor bad: they count as not rejected.
    """

    group: str
    keys: dict[str, str]
    counted: str
    period: str
    counts: IntArray
    sizes: IntArray
    labels: NDArray[np.str_]
    held: int
    problems: tuple[Problem, ...] = ()


def count_rejects(
    inspection: Inspection, by: Sequence[str] = ("fixture",), period: str = ""
) -> tuple[RejectCounts, ...]:
    """Return rejects counted over time, a group each for the whole fixture, each part name, hole or bushing.

    Args:
        inspection: verdicts, as `holeqc.inspection.judge.inspect` returns them.
        by: one of ``GROUPS``. Parts are counted for fixture and part, holes for hole and bushing.
        period: ``day``, ``week``, ``month`` or how many parts in a row; empty: the shortest of the three that has
            ``USUAL`` parts as a rule, else months.

    Raises:
        DataError: another word, no part at all, or periods of days where a part has no day.
    """
    if len(by) != 1 or by[0] not in GROUPS:
        raise DataError(f"rejects are counted by one of {', '.join(GROUPS)}; found {', '.join(by)}")
    key = by[0]
    parts = inspection.parts
    if not len(parts):
        raise DataError("there is no part to count")
    order, label, period = _periods(parts, period)
    if key in ("fixture", "part"):
        frame, row = parts, np.arange(len(parts))
    else:
        frame = inspection.holes
        # the frame of holes has the parts' rows repeated, one a hole of the kit
        row = np.repeat(np.arange(len(parts)), len(frame) // len(parts))
    verdict = frame["verdict"].to_numpy()
    names, number = _groups(inspection, frame, key)
    out = []
    for group, name in enumerate(names):
        mine = np.flatnonzero(number == group)
        mine = mine[np.argsort(order[row[mine]], kind="stable")]
        at = label[row[mine]]
        starts = np.flatnonzero(np.append(True, at[1:] != at[:-1]))
        reject = (verdict[mine] == REJECT).astype(np.int64)
        held = int(np.count_nonzero(verdict[mine] == HOLD))
        counted = "parts" if frame is parts else "holes"
        said = (Problem(NOTE, "held", f"{held} of {mine.size} {counted} are held: they count as not rejected"),)
        out.append(RejectCounts(
            f"{key} {name}", {key: name}, counted, period, np.add.reduceat(reject, starts),
            np.diff(np.append(starts, mine.size)), at[starts], held, said if held else (),
        ))  # fmt: skip
    return tuple(out)


def _groups(inspection: Inspection, frame: pd.DataFrame, key: str) -> tuple[list[str], IntArray]:
    spec = inspection.specification
    if key == "fixture":
        return [spec.fixture or f"of kit {spec.id}"], np.zeros(len(frame), dtype=np.int64)
    texts = frame["part" if key == "part" else "hole"].astype(str).to_numpy()
    if key == "bushing":
        bushing = {h.id: h.bushing or f"of hole {h.id}" for h in spec.holes}
        texts = np.array([bushing[hole] for hole in texts], dtype=object)
    names = [str(t) or "not named" for t in dict.fromkeys(texts)]
    place = {name: n for n, name in enumerate(dict.fromkeys(texts))}
    return names, np.array([place[t] for t in texts], dtype=np.int64)


def _periods(parts: pd.DataFrame, period: str) -> tuple[IntArray, NDArray[np.str_], str]:
    """Return the parts' rank in time, the label of each one's period, and the period that was taken."""
    days = parts["first_date"].to_numpy().astype("datetime64[D]")
    unknown = np.isnat(days)
    rank = np.empty(days.size, dtype=np.int64)
    rank[order_of_days(days)] = np.arange(days.size)
    if period.isdecimal() and int(period) > 0:
        block = rank // int(period)
        serials = parts["serial"].astype(str).to_numpy()[np.argsort(rank)]
        return rank, np.char.add("from ", serials[:: int(period)].astype(np.str_))[block], f"{period} parts in a row"
    if period and period not in PERIODS:
        raise DataError(
            f"rejects can't be counted by {period!r}; allowed: {', '.join(PERIODS)}, or how many parts in a row"
        )
    if unknown.any():
        raise DataError(
            f"{int(unknown.sum())} of {days.size} parts have no day of reading: count rejects by parts in a "
            "row, for example 50"
        )
    for name in (period,) if period else PERIODS:
        label = _label(days, name)
        if period or name == PERIODS[-1] or np.median(np.unique(label, return_counts=True)[1]) >= USUAL:
            break
    return rank, label, name


def _label(days: NDArray[np.datetime64], period: str) -> NDArray[np.str_]:
    if period == "week":
        # day 0 of the calendar, 1970-01-01, is a Thursday: weeks begin on Monday
        monday = (days.astype(np.int64) + 3) // 7 * 7 - 3
        return np.char.add("week of ", monday.astype("datetime64[D]").astype(np.str_))
    return days.astype("datetime64[M]" if period == "month" else "datetime64[D]").astype(np.str_)
