"""Capability and charts, of a kit's readings by groups or of a column of numbers."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from holeqc import printing
from holeqc.answers import Answer, Answers, several
from holeqc.answers.files import flat
from holeqc.characteristics import SERIES
from holeqc.problems import DataError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from holeqc.answers import Named
    from holeqc.answers.files import ByHole
    from holeqc.inspection.series import RejectCounts, Series
    from holeqc.problems import Problem
    from holeqc.readings.plain_table import Table
    from holeqc.readings.table import Readings
    from holeqc.specification.model import Specification
    from holeqc.statistics.capability import Capability, Choices
    from holeqc.statistics.charts import Chart, ChartOptions
    from holeqc.statistics.position_capability import PositionCapability


REJECTS = "rejects"
FEW_COLUMNS = 3  #: so many are named one by one
FEW_FOUND = 6  #: different cells quoted in the line of one cause
SLIP = "likely-slip"  #: code of a reading that is far from all others
OTHER_WORDS = {"hole-to-hole-position": "hole-to-hole", "pattern": "hole-to-hole", "edge": "edge-distance"}
OF_DIAMETERS = ("diameter",)
DIAMETERS_ALONE = {c.series for c in SERIES if c.series_from == OF_DIAMETERS}  #: need no other readings of a ledger
OF_HELP = (
    f"Kit: {', '.join(c.series for c in SERIES)} ({' and '.join(c.series for c in SERIES if c.series_name)}: room left)"
)
COLUMN_HELP = (
    "Table: column of the readings or counts, in order of production. Subgroups in columns: again for each, or x1..x5."
)
BY_HELP = "Kit: what makes a group: hole, wall, bushing, fixture, part, gauge, serial; several with commas."
ONLY_HELP = "Kit: only this group, such as 3 or 'hole 3'; give it again for more."


def _is_kit(files: Sequence[Path | Specification]) -> bool:
    """Return whether the first file named is a kit file, or a kit that was loaded."""
    return bool(files) and (not isinstance(files[0], Path) or files[0].suffix.lower() == ".toml")


def open_table(
    files: Sequence[Path | Specification],
    column: Sequence[str] | None,
    others: Sequence[str],
    sheet: str,
    **of_kit: object,
) -> tuple[Table, tuple[str, ...]]:
    """Return the one table that a run without a kit needs, and its columns of readings, ranges written out.

    ``others``: further columns that the options name, '' where they don't.

    Raises ``DataError`` for more than one table, without a column, or for options that go with a kit only.
    """
    from holeqc.readings.plain_table import columns_between, read_table
    from holeqc.readings.sheet_layout import written_out

    asked = [name for name in column or () if name.strip()]
    if not asked:
        raise DataError("name the column of the readings with --column, or name a kit file (.toml) before the readings")
    if len(files) != 1 or not isinstance(files[0], Path):
        raise DataError(f"--column takes one table; found {len(files)} files")
    given = [f"--{name}" for name, value in of_kit.items() if value]
    if given:
        raise DataError(f"{', '.join(given)}: only with a kit file (.toml) before the readings")
    wanted = [name for text in asked for name in (text, *written_out(text, "--column"))]
    table = read_table(files[0], sheet, list(dict.fromkeys((*wanted, *(name for name in others if name)))))
    return table, columns_between(table, asked)


def one_column(columns: Sequence[str], what: str) -> str:
    """Return the one column of readings; raises ``DataError`` for several where ``what`` takes one."""
    if len(columns) != 1:
        raise DataError(f"{what} takes one --column; found {', '.join(columns)}")
    return columns[0]


def named(columns: Sequence[str]) -> str:
    """Return columns of readings as the title of a result: x1 to x5."""
    return ", ".join(columns) if len(columns) <= FEW_COLUMNS else f"{columns[0]} to {columns[-1]}"


def refuse_in_kit(**options: object) -> None:
    """Raise ``DataError`` for options that a kit file already answers."""
    given = [f"--{name.replace('_', '-')}" for name, value in options.items() if value not in (None, "", False, ())]
    if given:
        raise DataError(
            f"{', '.join(given)}: not beside a kit file, which says it itself; leave it out, or give a "
            "table with --column"
        )


@dataclass(frozen=True, slots=True)
class Run:
    """A kit with its readings, and what was asked of them; ``holes``: of a record, hole by hole."""

    spec: Specification
    readings: Readings | None
    of: str
    by: tuple[str, ...]
    only: tuple[str, ...] = ()
    holes: ByHole | None = None

    def series(self) -> Iterator[Series]:
        """Give the series that are wanted; raises ``DataError`` where there is none, or not one that is asked for."""
        from holeqc.inspection.series import make_series, one_series

        if self.readings is not None:
            yield from chosen(self, make_series(self.spec, self.readings, self.of, self.by))
            return
        assert self.holes is not None
        wanted = {name.strip().casefold() for name in self.only}
        names = {hole: {hole.casefold(), f"hole {hole}".casefold()} for hole in self.spec.hole_ids}
        _refuse_missing(self, [f"hole {hole}" for hole in names], set().union(*names.values()))
        left = [hole for hole, called in names.items() if not wanted or wanted & called]
        told: set[Problem] = set()
        some = False
        for pieces in self.holes.readings(left):
            made: list[Series] = []
            for readings in pieces:
                tell(problem for problem in readings.problems if problem not in told)
                told |= set(readings.problems)
                with contextlib.suppress(DataError):  # this hole isn't read in these parts
                    made += make_series(self.spec, readings, self.of, self.by)
            if made:
                some = True
                yield one_series(made)
        if not some:
            raise DataError(f"there is no reading to work out {self.of} from")


def read_run(
    files: Sequence[Path | Specification], of: str, by: str, only: Sequence[str], unit: str, sheet: str,
    recorded: tuple[str, Sequence[str]] = ("", ()),
) -> Run:  # fmt: skip
    """Read a kit and its readings as `holeqc check` does; problems of the reader go to standard error.

    ``recorded``: a ledger that the readings come from instead of files, and which of them (`--ledger`, `--where`).
    """
    quantity = (of or "size").strip().lower().replace(" ", "-")
    quantity = OTHER_WORDS.get(quantity, quantity)
    keys = tuple(word.strip().lower() for word in by.split(",") if word.strip())
    keys = keys or ("fixture" if quantity == REJECTS else "hole",)
    ledger, where = recorded
    if ledger:
        from holeqc.answers.files import ledger_by_hole, ledger_readings

        refuse_in_kit(unit=unit, sheet=sheet)
        alone = OF_DIAMETERS if quantity in DIAMETERS_ALONE else ()
        if alone and keys == ("hole",) and (holes := ledger_by_hole(ledger, where, files, alone)):
            return Run(holes.spec, None, quantity, keys, tuple(only), holes)
        spec, readings = ledger_readings(ledger, where, files, alone)
    else:
        from holeqc.answers.files import kit_and_files
        from holeqc.readings.containers import ReadOptions
        from holeqc.readings.read import read_files, without_rechecks

        if where:
            raise DataError("--where chooses readings of a ledger; give --ledger too")
        spec, paths, notes = kit_and_files(files)
        tell(notes)
        readings = without_rechecks(read_files(paths, spec, ReadOptions(unit=unit, sheets=(sheet,) if sheet else ())))
    tell(readings.problems)
    return Run(spec, readings, quantity, keys, tuple(only))


def read_numbers(table: Table, *columns: str) -> tuple[Any, tuple[Problem, ...]]:
    """Return columns as numbers, row after row (n * columns,), with likely slips among what must be said.

    Raises ``ReadingsError`` with every bad cell of all columns.
    """
    import numpy as np

    from holeqc.problems import ReadingsError
    from holeqc.readings.plain_table import number_column

    read: list[Any] = []
    said: list[Problem] = []
    wrong: list[Problem] = []
    for column in columns:
        try:
            values, problems = number_column(table, column)
        except ReadingsError as error:
            wrong += error.problems
            continue
        read.append(values)
        said += problems
    if wrong:
        wrong = _together(wrong)
        raise ReadingsError(wrong[0].sentence(), wrong)
    together = np.stack(read, axis=1).ravel() if len(read) > 1 else read[0]
    alike = {(p.code, p.message, p.cell): p for p in reversed(said)}  # said once of a table, whatever the column
    return together, (*likely_slips(table, columns, together), *reversed(alike.values()))


def _together(wrong: Sequence[Problem]) -> list[Problem]:
    """Return problems with all columns that aren't there in one."""
    from dataclasses import replace

    missing = [p for p in wrong if p.code == "no-column"]
    if len(missing) < 2:
        return list(dict.fromkeys(wrong))
    names = ", ".join(p.message.removeprefix("there is no column ") for p in missing)
    first = replace(missing[0], message=f"there are no columns {names}", action="")
    return [first, *dict.fromkeys(p for p in wrong if p.code != "no-column")]


def likely_slips(table: Table, columns: Sequence[str], values: Any) -> tuple[Problem, ...]:
    """Return a warning with its cell for each reading that is a likely slip: nothing is left out by itself.

    ``values`` (n * columns,) row after row, as `read_numbers` gives them.
    """
    from holeqc.problems import WARNING, Problem
    from holeqc.readings.plain_table import find_column
    from holeqc.statistics.basics import far_off

    at = far_off(values)
    if not at.size:
        return ()
    import numpy as np

    places, middle = [find_column(table, column) for column in columns], float(np.nanmedian(values))
    return tuple(Problem(
        WARNING, SLIP, "this reading is far from all others: likely a slip in reading or typing, and every "
        "figure rests on it", file=table.file, sheet=table.sheet,
        cell=table.cell(int(n) // len(places), places[int(n) % len(places)]),
        found=f"{values[n]:g}", allowed=f"near {middle:g}",
        action="Look it up and correct the cell, or empty it if it is proven wrong; it is counted until then",
    ) for n in at)  # fmt: skip


def row_subgroups(table: Table, columns: Sequence[str], subgroup: str) -> Any:
    """Return the subgroup of each reading (n * columns,): the column's label, else its row where there are several.

    None for one column of readings without a subgroup.
    """
    import numpy as np

    from holeqc.readings.plain_table import label_column

    if subgroup:
        labels = label_column(table, subgroup)
    elif len(columns) == 1:
        return None
    else:
        labels = np.char.add("row ", (table.rows + 1).astype(str))
    return np.repeat(labels, len(columns))


def tell(problems: Iterable[Problem]) -> None:
    """Print problems on standard error, each once; names that the kit doesn't know are one line a file and kind.

    A doubtful reading keeps a line of its own with its cell.
    """
    causes: dict[tuple[str, ...], list[Problem]] = {}
    for p in dict.fromkeys(problems):
        own = "" if p.code.startswith("unknown-") else p.sentence()
        causes.setdefault((p.severity, p.code, p.file, p.allowed, p.action, own), []).append(p)
    for together in causes.values():
        printing.warn(f"{together[0].severity}: {_cause(together).sentence()}")


def _cause(together: Sequence[Problem]) -> Problem:
    """Return problems of one cause as one: its cells from the first to the last, and what was found in them."""
    first, last = together[0], together[-1]
    if len(together) == 1 or not all(p.cell for p in together):
        return first
    further = [int(p.counted.split()[0]) for p in together if p.counted]
    count = len(together) - len(further) + sum(further)
    end = last.counted.split()[-1] if last.counted else last.cell
    found = list(dict.fromkeys(p.found for p in together if p.found))
    shown = ", ".join(found[:FEW_FOUND]) + (" and more" if len(found) > FEW_FOUND else "")
    return replace(first, cell=f"{first.cell} to {end} ({count} cells)", found=shown if found else "")


def chosen(run: Run, groups: Sequence[Any]) -> list[Any]:
    """Return the groups that ``only`` asks for; raises ``DataError`` for one that isn't there."""

    def names(group: Any) -> set[str]:
        return {group.group.casefold(), ", ".join(group.keys.values()).casefold()}

    _refuse_missing(run, [g.group for g in groups], set().union(*map(names, groups)))
    wanted = {name.strip().casefold() for name in run.only}
    return [g for g in groups if not wanted or names(g) & wanted]


def _refuse_missing(run: Run, groups: Sequence[str], names: set[str]) -> None:
    missing = [word for name in run.only if (word := name.strip().casefold()) not in names]
    if missing:
        bushing = {h.bushing.casefold() for h in run.spec.holes if h.bushing}
        hint = f". {missing[0].upper()} is a bushing: add --by bushing" if missing[0] in bushing else ""
        raise DataError(f"there is no group {missing[0]!r}; groups are {', '.join(groups)}{hint}")


def _of_groups(run: Run, groups: Iterable[Any], work: Callable[[Any], Answer], head: Sequence[str]) -> Answers:
    """Return the answer of each group; those that have none are named on standard error and in the data.

    Raises ``DataError`` with all reasons when no group has an answer.
    """
    from holeqc.reports.chart_text import days_and_parts, run_head, summary

    found: list[Answer] = []
    failed: list[tuple[str, str]] = []
    for group in groups:
        try:
            found.append(work(group))
        except DataError as error:
            failed.append((group.group, str(error)))
    if not found:
        raise DataError("; ".join(dict.fromkeys(f"{group}: {reason}" for group, reason in failed)))
    for name, reason in failed:
        printing.warn(f"warning: {name}: {reason}")
    if run.holes is not None:
        counted = run.holes.parts, run.holes.days
    else:
        assert run.readings is not None
        counted = days_and_parts(run.readings)
    lines = [run_head(run.spec, counted, run.of, run.by), "", *(answer.text for answer in found)]
    if len(found) > 1:
        lines.append(summary(head, [answer.row for answer in found]))
    reasons = [{"group": name, "reason": why} for name, why in failed]
    return Answers(tuple(found), "\n".join(lines), lambda: [*(answer.data for answer in found), *reasons])


def _alone(answer: Answer) -> Answers:
    return Answers((answer,), answer.text, lambda: answer.data)


def common_data(run: Run, series: Series | RejectCounts) -> dict[str, Any]:
    """Return what the content of every group begins with."""
    from holeqc.inspection.series import Series

    data: dict[str, Any] = {
        "group": series.group, "keys": series.keys, "of": run.of, "kit": run.spec.id, "revision": run.spec.revision,
    }  # fmt: skip
    if isinstance(series, Series):
        days = series.day[series.day == series.day]
        return data | {
            "what": series.what, "unit": series.unit, "pieces": series.pieces, "left_out": series.left_out,
            "gauges": list(series.gauges), "uncertainty": series.uncertainty, "resolution": series.resolution,
            "first_day": str(days.min()) if days.size else None, "last_day": str(days.max()) if days.size else None,
        }  # fmt: skip
    return data | {"counted": series.counted, "period": series.period, "held": series.held}


# ------------------------------------------------------------------------- series by the statistics that fit them


def with_remarks(result: Any, more: Iterable[Problem]) -> Any:
    """Return a result of the statistics with what must be said of the series before its own remarks."""
    return replace(result, remarks=(*more, *result.remarks))


def capability_of(
    series: Series, choices: Choices, target: float | None = None, subgroup: str = ""
) -> Capability | PositionCapability:
    """Return the capability of a series by the method that fits its quantity."""
    from holeqc.problems import WARNING, Problem
    from holeqc.statistics.capability import capability, clustered_capability
    from holeqc.statistics.indices import Limits
    from holeqc.statistics.position_capability import position_capability

    if series.of == "position":
        if subgroup or target is not None or choices.within:
            raise DataError("position has no subgroups, target or sigma within here: leave those options out")
        assert series.second is not None
        assert series.tolerance is not None
        return position_capability(
            series.values, series.second, series.tolerance, bonus=series.bonus, confidence=choices.confidence
        )
    limits = Limits(series.lower, series.upper, target)
    how = replace(choices, from_zero=series.from_zero, resolution=choices.resolution or series.resolution)
    if not subgroup:
        what = "means of a hole's readings" if len(series) > series.pieces else "values"
        return _of_kit(clustered_capability(series.values, series.piece, limits, choices=how, what=what))
    result = _of_kit(capability(series.values, limits, subgroups=series.subgroups(subgroup), choices=how))
    if len(series) == series.pieces:
        return result
    alike = Problem(
        WARNING,
        "alike-readings",
        "readings of one hole resemble each other: with these subgroups sigma "
        "within is not that of the process from part to part, and stability is judged too strictly",
        action="Leave out --subgroup for figures that take care of it.",
    )
    return with_remarks(result, (alike,))


def _of_kit(result: Capability) -> Capability:
    """Return a result without the question whether it can be negative: a kit's quantities answer that themselves."""
    return replace(result, remarks=tuple(r for r in result.remarks if r.code != "perhaps-bounded"))


def gauge_words(series: Series, sd: float | None) -> tuple[Problem, ...]:
    """Return what the gauge's own uncertainty may add to the scatter that was seen."""
    from holeqc.problems import NOTE, WARNING, Problem

    if not series.uncertainty or not sd or series.of not in ("size", "position"):
        return ()
    share = 100 * (series.uncertainty / 2) ** 2 / sd**2
    words = (
        f"gauge {', '.join(series.gauges)}: U = {series.uncertainty:g} at k = 2; up to {min(share, 100):.0f} % of "
        "the variance seen may be the gauge's own"
    )
    return (Problem(WARNING if share > 30 else NOTE, "gauge-share", words),)


def chart_of(series: Series, kind: str, subgroup: str, options: ChartOptions) -> Chart:
    """Return the chart of a series: of one value a piece, or of its single readings in subgroups."""
    from holeqc.statistics import charts as parts
    from holeqc.statistics.charts import average_chart, chart, position_chart
    from holeqc.statistics.subgroups import RANGE, alarms_of_scatter

    points = series.points()
    if series.of == "position":
        if kind not in ("", parts.POSITION):
            raise DataError(f"positions have no chart '{kind}'; allowed: {parts.POSITION}")
        assert points.second is not None
        assert series.second is not None
        if subgroup:
            return position_chart(series.values, series.second, subgroups=series.subgroups(subgroup), options=options)
        return position_chart(points.values, points.second, options=options, labels=points.labels)
    if kind in (parts.POSITION, parts.P_CHART, parts.C_CHART):
        raise DataError(
            f"{series.of} has no chart '{kind}'; position has one with --of position, counts with --of rejects"
        )
    if kind in (parts.AVERAGE_RANGE, parts.AVERAGE_SD) and not subgroup:
        subgroup = "part"
    if subgroup:
        made = chart(series.values, kind, subgroups=series.subgroups(subgroup), options=options)
    else:
        made = chart(points.values, kind, options=options, labels=points.labels)
    if not subgroup and made.kind == parts.INDIVIDUALS and len(series) > series.pieces:
        # limits of the means rest on moving ranges; the range inside each hole is charted beside them
        inside = average_chart(
            series.values,
            subgroups=series.label,
            by=RANGE,
            options=replace(options, frozen=None, centre=None, sigma=None),
        ).spread
        said = tuple(r for r in made.remarks if r.code != "false-alarms")
        if inside is not None:
            scatter = alarms_of_scatter(inside.kind, int(usual_readings(series)))
            said += tuple(parts.price(made.run_length, made.values.size, made.tests, scatter, (inside.title, True)))
        made = replace(made, spread=inside, remarks=said)
    return made


def chart_words(series: Series, made: Chart, subgroup: str) -> tuple[Problem, ...]:
    """Return what is charted, in words."""
    from holeqc.problems import NOTE, Problem

    several = len(series) > series.pieces
    if subgroup or (several and made.kind.startswith("average")):
        words = f"each point is a subgroup of single readings ({subgroup or 'part'})"
        if several:
            words += "; limits come from scatter inside it and leave out what differs from part to part"
    elif series.of == "position":
        words = "each point is the place of a hole in one part"
    elif several:
        words = f"each point is the mean of a hole's readings in one part (as a rule {int(usual_readings(series))})"
        if made.kind == "individuals":
            words += "; its limits rest on the moving range from part to part, and the range is that inside the hole"
    else:
        words = "each point is one hole of one part"
    said = [Problem(NOTE, "charted", f"{series.what}; {words}")]
    if series.from_zero:
        said.append(
            Problem(
                NOTE,
                "bounded-at-zero",
                "it can't be negative and is not normal: the tests below take it "
                "as normal, so that more signals than stated are false",
            )
        )
    return tuple(said)


def usual_readings(series: Series) -> float:
    """Return how many readings a piece has as a rule."""
    import numpy as np

    return float(np.median(series.points().sizes))


def rejects_of(rejects: RejectCounts, kind: str, options: ChartOptions) -> Chart:
    """Return the chart of the share of rejects over time."""
    from holeqc.problems import NOTE, Problem
    from holeqc.statistics.charts import P_CHART, p_chart

    if kind not in ("", P_CHART):
        raise DataError(f"rejects have no chart '{kind}'; allowed: {P_CHART}")
    made = p_chart(rejects.counts, rejects.sizes, options=options, labels=rejects.labels)
    words = Problem(NOTE, "charted", f"each point is the share of rejected {rejects.counted}; period: {rejects.period}")
    return with_remarks(made, (words, *rejects.problems))


# ------------------------------------------------------------------------------------------------------ capability


def capability(
    *files: Named | Sequence[Named],
    column: str | Sequence[str] = (),
    lower: float | None = None,
    upper: float | None = None,
    of: str = "",
    by: str = "",
    only: str | Sequence[str] = (),
    target: float | None = None,
    subgroup: str = "",
    within: str = "",
    from_zero: bool = False,
    normal: bool = False,
    second: str = "",
    tolerance: float | None = None,
    bonus: str = "",
    resolution: float | None = None,
    coverage: float = 0.9973,
    confidence: float = 0.95,
    unit: str = "",
    sheet: str = "",
    ledger: str | Path = "",
    where: str | Sequence[str] = (),
) -> Answers:
    """Return whether a process keeps its limits: Cp, Cpk, Pp, Ppk, Cpm with intervals, shares outside, stability.

    Args:
        files: a kit and sheets (or their folder), one answer a group; or one table with ``column``.
        column: column of the readings in order of production; several or ``x1..x5`` are subgroups in columns.
        lower, upper, target: limits of a table's column, in its unit; a kit says its own.
        of, by, only: of a kit: quantity (size, position, ...), what makes a group (hole, bushing, ...), groups wanted.
        subgroup, within: column of the subgroup (of a kit: part, day or parts in a row), how sigma within is found.
        from_zero: it can't be negative. normal: it is known to be one. second, tolerance, bonus: of a position.
        resolution: step of the gauge. coverage, confidence: shares between 0 and 1.
        unit: of results; of a kit's sheets that say none. sheet: of a workbook.
        ledger, where: readings of a record instead of sheets, chosen by ``KEY=VALUE``.

    Raises:
        HoleQCError: input that can't be used, options that don't go together, or no group with an answer.
    """
    from holeqc.statistics.capability import Choices

    given = flat(files)
    if ledger or _is_kit(given):
        refuse_in_kit(column=several(column), lower=lower, upper=upper, from_zero=from_zero, second=second,
                      tolerance=tolerance, bonus=bonus)  # fmt: skip
        run = read_run(given, of, by, several(only), unit, sheet, (str(ledger), several(where)))
        choices = Choices(within=within, resolution=resolution, coverage=coverage, confidence=confidence, normal=normal)
        return _kit_capability(run, choices, target, subgroup)
    table, columns = open_table(given, several(column), (second, bonus, subgroup), sheet, of=of, by=by,
                                only=several(only))  # fmt: skip
    if second:
        return _alone(_position(table, (one_column(columns, "--second"), second, bonus), tolerance, confidence, unit))
    from holeqc.reports.chart_text import capability_text
    from holeqc.statistics.capability import capability as work_out
    from holeqc.statistics.indices import Limits

    if tolerance is not None or bonus:
        raise DataError("--tolerance and --bonus belong to positions; give the second coordinate with --second")
    limits = Limits(lower, upper, target)
    choices = Choices(within=within, confidence=confidence, coverage=coverage, from_zero=from_zero,
                      normal=normal, resolution=resolution)  # fmt: skip
    values, problems = read_numbers(table, *columns)
    tell(problems)  # what spoils the figures comes before them
    result = work_out(values, limits, subgroups=row_subgroups(table, columns, subgroup), choices=choices)
    title = named(columns)

    def draw() -> Figure:
        from holeqc.reports.chart_plots import capability_figure

        return capability_figure(result, values, title, unit)

    return _alone(Answer(capability_text(result, title, unit), result.as_dict, draw, problems, title))


def _kit_capability(run: Run, choices: Choices, target: float | None, subgroup: str) -> Answers:
    """Answer the capability of every group of a kit's readings."""
    from holeqc.problems import NOTE, Problem
    from holeqc.reports.chart_text import capability_head, capability_row, capability_text, position_text
    from holeqc.statistics.capability import Capability

    if run.of == REJECTS:
        raise DataError("rejects are counted, not measured: holeqc chart --of rejects shows their share over time")

    def work(series: Series) -> Answer:
        result = capability_of(series, choices, target, subgroup)
        sd = result.sd_overall if isinstance(result, Capability) else min(result.sd)
        what = Problem(NOTE, "taken", series.what)
        result = with_remarks(result, (what, *series.problems, *gauge_words(series, sd)))
        name = f"{run.of}, {series.group}"
        text = capability_text if isinstance(result, Capability) else position_text
        common = common_data(run, series)
        drawn = replace(series, piece=series.piece[:0], label=series.label[:0], serial=series.serial[:0],
                        day=series.day[:0])  # fmt: skip  # a picture needs no names, and large ones add up
        return Answer(text(result, name, series.unit), lambda: common | result.as_dict(),
                      lambda: _figure(drawn, result, name), group=series.group,
                      row=capability_row(series.group, result))  # fmt: skip

    return _of_groups(run, run.series(), work, capability_head(choices.confidence))


def _figure(series: Series, result: Capability | PositionCapability, name: str) -> Figure:
    from holeqc.reports.chart_plots import capability_figure, positions_figure
    from holeqc.statistics.capability import Capability

    if isinstance(result, Capability):
        return capability_figure(result, series.values, name, series.unit)
    assert series.second is not None
    return positions_figure(result, series.values, series.second, series.bonus, name, series.unit)


def _position(
    table: Table, columns: tuple[str, str, str], tolerance: float | None, confidence: float, unit: str
) -> Answer:
    from holeqc.reports.chart_text import position_text
    from holeqc.statistics.position_capability import position_capability

    if tolerance is None:
        raise DataError("capability of position needs --tolerance, the diameter of the tolerance zone")
    first, second, bonus = columns
    x, said = read_numbers(table, first)
    y, more = read_numbers(table, second)
    extra = None
    if bonus:
        extra, last = read_numbers(table, bonus)
        more += last
    result = position_capability(x, y, tolerance, bonus=extra, confidence=confidence)
    tell(said + more)
    title = f"{first}, {second}"

    def draw() -> Figure:
        from holeqc.reports.chart_plots import positions_figure

        return positions_figure(result, x, y, extra, title, unit)

    return Answer(position_text(result, title, unit), result.as_dict, draw, said + more, title)


# ---------------------------------------------------------------------------------------------------------- charts


def chart(
    *files: Named | Sequence[Named],
    column: str | Sequence[str] = (),
    of: str = "",
    by: str = "",
    only: str | Sequence[str] = (),
    subgroup: str = "",
    kind: str = "",
    tests: str = "",
    baseline: int | None = None,
    limits: str | Path | None = None,
    centre: float | None = None,
    sigma: float | None = None,
    weight: float = 0.2,
    width: float = 3.0,
    steady: bool = False,
    reference: float = 0.5,
    decision: float = 5.0,
    second: str = "",
    alarm: float = 0.0027,
    size: str | int = "",
    unit: str = "",
    sheet: str = "",
    ledger: str | Path = "",
    where: str | Sequence[str] = (),
) -> Answers:
    """Return control charts: centre line, limits, signals with their points and meaning, price of false alarms.

    Args:
        files: a kit and sheets (or their folder), one chart a group; or one table with ``column``.
        column, of, by, only, subgroup, unit, sheet, ledger, where: as `capability` takes them; ``of="rejects"`` counts.
        kind: average-range, average-sd, individuals, ewma, cusum, position (``second``), p (``size``) or c.
        tests: names with commas, or all; the first two if not given.
        baseline: so many first points set the limits; ``limits``: the data of an earlier chart, as a file of JSON.
        centre, sigma: centre line and sigma of one reading, instead of estimates.
        weight, width, steady: of ewma. reference, decision: of cusum, in sigma of a point.
        alarm: chance of a false alarm at a point of a chart of positions.
        size: column of the number inspected, or one number.

    Raises:
        HoleQCError: input that can't be used, options that don't go together, or no group with an answer.
    """
    from holeqc.reports.chart_text import chart_text
    from holeqc.statistics.charts import POSITION, ChartOptions
    from holeqc.statistics.subgroups import ALL_TESTS

    given, size, held = flat(files), str(size), None if limits is None else Path(limits)
    of_kit = bool(ledger) or _is_kit(given)
    options = ChartOptions(
        tests=ALL_TESTS if tests.strip() == "all" else tuple(t.strip() for t in tests.split(",") if t.strip()) or None,
        baseline=baseline,
        frozen=None if held is None or of_kit else _frozen(held), centre=centre, sigma=sigma,
        weight=weight, width=width, steady=steady, reference=reference, decision=decision, alarm=alarm,
    )  # fmt: skip
    if of_kit:
        refuse_in_kit(column=several(column), second=second, size=size)
        run = read_run(given, of, by, several(only), unit, sheet, (str(ledger), several(where)))
        return _kit_chart(run, (kind, subgroup), options, held)
    counted = "" if size.strip().isdecimal() else size
    table, columns = open_table(given, several(column), (second, subgroup, counted), sheet, of=of, by=by,
                                only=several(only))  # fmt: skip
    result, problems = _draw_up(table, kind or (POSITION if second else ""), (columns, second, size, subgroup), options)
    title = ", ".join((named(columns), *([second] if second else [])))
    tell(problems)

    def draw() -> Figure:
        from holeqc.reports.chart_plots import chart_figure

        return chart_figure(result, title, unit)

    return _alone(Answer(chart_text(result, title, unit), result.as_dict, draw, problems, title))


def _kit_chart(run: Run, asked: tuple[str, str], options: ChartOptions, limits: Path | None) -> Answers:
    """Draw up the chart of every group of a kit's readings."""
    from holeqc.reports.chart_text import CHART_HEAD
    from holeqc.statistics.charts import POSITION, noted

    kind, subgroup = asked

    def held(group: str) -> ChartOptions:
        return options if limits is None else replace(options, frozen=_frozen(limits, group))

    def work(series: Series) -> Answer:
        made = chart_of(series, kind, subgroup, held(series.group))
        made = with_remarks(noted(made), (*chart_words(series, made, subgroup), *series.problems))
        unit = "" if made.kind == POSITION else series.unit  # T2 is a plain number
        return _chart_answer(made, series.group, common_data(run, series), (f"{run.of}, {series.group}", unit))

    def count(rejects: RejectCounts) -> Answer:
        made = rejects_of(rejects, kind, held(rejects.group))
        name = f"rejected {rejects.counted}, {rejects.group}"
        answer = _chart_answer(made, rejects.group, common_data(run, rejects), (name, ""))
        if rejects.held < int(rejects.sizes.sum()):
            return answer
        first = f"All {rejects.held} {rejects.counted} are held: nothing is rejected yet and this chart tells nothing."
        return replace(answer, text=f"{first}\nClear up what holds them: holeqc check names it.\n\n{answer.text}")

    if run.of == REJECTS:
        from holeqc.inspection.recheck import inspect
        from holeqc.inspection.series import count_rejects

        assert run.readings is not None
        counts = count_rejects(inspect(run.spec, run.readings), run.by, subgroup)
        return _of_groups(run, chosen(run, counts), count, CHART_HEAD)
    return _of_groups(run, run.series(), work, CHART_HEAD)


def _chart_answer(made: Chart, group: str, data: dict[str, Any], named: tuple[str, str]) -> Answer:
    from holeqc.reports.chart_text import chart_row, chart_text, signal_places

    def draw() -> Any:
        from holeqc.reports.chart_plots import chart_figure

        return chart_figure(made, *named)

    places = signal_places(made)
    text = chart_text(made, *named) + (f"\n{places}" if places else "")
    return Answer(text, lambda: data | made.as_dict(), draw, group=group, row=chart_row(group, made))


def _draw_up(
    table: Table, kind: str, asked: tuple[tuple[str, ...], str, str, str], options: ChartOptions
) -> tuple[Chart, tuple[Problem, ...]]:
    """Read the columns that a kind of chart needs and return the chart, and what must be said of the cells."""
    from holeqc.statistics import charts as parts
    from holeqc.statistics.charts import c_chart, noted, p_chart, position_chart
    from holeqc.statistics.charts import chart as work_out

    columns, second, size, subgroup = asked
    if kind and kind not in parts.KINDS:
        raise DataError(f"there is no chart '{kind}'; allowed: {', '.join(parts.KINDS)}")
    if second and kind != parts.POSITION:
        raise DataError(f"--second belongs to a chart of positions, not to '{kind}'")
    if size and kind != parts.P_CHART:
        raise DataError("--size belongs to a chart of shares: give --kind p")
    if kind in (parts.POSITION, parts.C_CHART, parts.P_CHART):
        one_column(columns, f"a chart of kind {kind}")
    values, problems = read_numbers(table, *columns)
    labels = row_subgroups(table, columns, subgroup)
    if kind == parts.POSITION:
        if not second:
            raise DataError("a chart of positions needs the second coordinate: --second")
        other, more = read_numbers(table, second)
        return position_chart(values, other, subgroups=labels, options=options), problems + more
    if kind == parts.C_CHART:
        return c_chart(values, options=options, labels=labels), problems
    if kind == parts.P_CHART:
        if not size:
            raise DataError("a chart of shares needs the number inspected: --size, a column or one number")
        sizes, more = _sizes(table, size)
        return p_chart(values, sizes, options=options, labels=labels), problems + more
    return noted(work_out(values, kind, subgroups=labels, options=options)), problems


def _sizes(table: Table, size: str) -> tuple[Any, tuple[Problem, ...]]:
    from holeqc.readings.plain_table import number_column

    if size not in table.names and size.strip().isdecimal():
        return int(size), ()
    return number_column(table, size)


def _frozen(path: Path, group: str = "") -> Any:
    """Return the limits of an earlier chart from its JSON file; of its group where it holds several."""
    from holeqc import door
    from holeqc.statistics.charts import Frozen

    came = door.take(path, door.CHART, error=DataError)
    try:
        content = door.json_values(came.content)
    except ValueError as error:
        raise DataError(f"{path}: not the --json output of a chart ({error})") from None
    if isinstance(content, list):
        named = [c for c in content if isinstance(c, dict) and c.get("group") == group]
        if not group or not named:
            raise DataError(f"{path}: it holds the charts of a kit's groups, none of {group or 'a plain table'}")
        content = named[0]
    frozen = content.get("frozen") if isinstance(content, dict) else None
    if not isinstance(frozen, dict):
        raise DataError(f"{path}: it holds no limits; give the --json output of an earlier chart")
    return Frozen.from_dict(frozen)
