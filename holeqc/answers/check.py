"""Filled sheets judged as it is asked: verdicts, reasons and tags by the words that a notebook uses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from holeqc import printing
from holeqc.answers import Named, as_html
from holeqc.answers.files import flat, kit_and_files
from holeqc.inspection.results import VERDICTS
from holeqc.inspection.view import Run

if TYPE_CHECKING:
    import pandas as pd

    from holeqc.answers.fixture import FixtureAnswer
    from holeqc.inspection.results import Reason
    from holeqc.inspection.tags import Tag


class Checked(Run):
    """What came of some sheets: the verdict of each hole and part, why, and what to do.

    As a sequence it gives each part with its readings, holes and reasons; ``inspection`` holds the frames as the judge
    made them.
    """

    @property
    def verdict(self) -> str:
        """The worst verdict: accept, hold or reject; hold where nothing was judged."""
        return VERDICTS[self.count.verdict]

    @cached_property
    def parts(self) -> pd.DataFrame:
        """One row a part: its verdict in words, pins, days; `PART_COLUMNS` of `inspection.results` explains each."""
        return _in_words(self.inspection.parts, "verdict", "pin_verdict")

    @cached_property
    def holes(self) -> pd.DataFrame:
        """One row a hole: verdict in words, mating size, smallest and largest [kit's unit], rework."""
        return _in_words(self.inspection.holes, "verdict")

    def reasons(self, serial: str, part: str = "") -> list[Reason]:
        """Return why a part isn't accepted, worst first, each with its cell and what to do; none for an accepted one.

        ``part``: its name, where two have the same serial number.

        Raises:
            DataError: no part of this serial number was judged, or several.
        """
        from holeqc.door import near_names
        from holeqc.problems import DataError

        found = [view for view in self if view.serial == serial.strip() and (not part or view.part == part)]
        if len(found) == 1:
            return list(found[0].reasons)
        if found:
            names = ", ".join(view.part for view in found)
            raise DataError(f"{serial}: several parts have this serial number; say which with part: {names}")
        serials = list(dict.fromkeys(view.serial for view in self))
        near = near_names(serial, serials) or serials[:1]
        raise DataError(f"no part {serial!r} was judged" + (f" (nearest: {near[0]!r})" if near else ""))

    def tags(self) -> list[Tag]:
        """Return the reject and hold tags, each with its code."""
        from holeqc.inspection.tags import tags_for

        return tags_for(self)

    def __str__(self) -> str:
        from holeqc.reports.screen import screen_text

        return screen_text(self.inspection)

    def _repr_html_(self) -> str:
        return as_html(str(self))


def _in_words(frame: pd.DataFrame, *columns: str) -> pd.DataFrame:
    words = dict(enumerate(VERDICTS))
    return frame.assign(**{name: frame[name].map(words).fillna("") for name in columns})


def check(
    *files: Named | Sequence[Named],
    tolerances: str | Path | None = None,
    unit: str = "",
    part: str = "",
    serial: str = "",
    delimiter: str = "",
    decimal: str = "",
    encoding: str = "",
) -> Checked:
    """Return the verdicts of filled reading sheets: accept, hold or reject for each hole and part, why, what to do.

    A file that can't be used doesn't stop the rest: it is named among the problems, and nothing of it is judged.

    Args:
        files: a kit, loaded or its file, and filled sheets or a folder of them. Without a kit, the kit id and revision
            inside a sheet are looked for in the folders of kit files, or in ``tolerances``.
        unit: in or mm, of readings whose sheet doesn't say one. part, serial: where the sheets don't say them.
        delimiter, decimal, encoding: of CSV; recognised if not given.

    Raises:
        HoleQCError: no kit, no sheet, or none that can be used.
    """
    from holeqc.inspection.judge import inspect
    from holeqc.readings.read import ReadOptions, read_files

    folder = None if tolerances is None else Path(tolerances)
    specification, sheets, notes = kit_and_files(flat(files), folder)
    options = ReadOptions(unit=unit, part=part, serial=serial, delimiter=delimiter, decimal=decimal, encoding=encoding)
    readings = read_files(sheets, specification, options, go_on=True)
    printing.progress("judging")
    run = Checked(inspect(specification, replace(readings, problems=(*notes, *readings.problems))))
    printing.progress("")
    return run


def report(run: Checked | FixtureAnswer, folder: str | Path, *, brief: bool = False) -> list[Path]:
    """Write the report of verdicts, or of a fixture, into a folder and return the paths of its files.

    The folder is made new as a whole or stays as it was. ``brief``: a line for each part instead of pages.

    Raises:
        HoleQCError: the folder holds other files, or the disk refuses.
    """
    from holeqc.answers.fixture import FixtureAnswer

    out = Path(folder)
    if isinstance(run, FixtureAnswer):
        from holeqc.reports.wear_pages import write_wear

        return write_wear(run.wear, run.kit, out, run.sources)
    from holeqc.ledger.times import today
    from holeqc.reports.write import write_reports

    return write_reports(run.inspection, out, brief=brief, made=today())
