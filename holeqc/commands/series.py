"""What `holeqc capability` and `holeqc chart` share on kits: readings to series, series to answers, answers out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from holeqc import printing
from holeqc.characteristics import SERIES

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from holeqc.inspection.series import RejectCounts, Series
    from holeqc.problems import Problem
    from holeqc.readings.plain_table import Table
    from holeqc.readings.table import Readings
    from holeqc.specification.model import Specification

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


def is_kit(files: Sequence[Path]) -> bool:
    """Return whether the first file named is a kit file."""
    return bool(files) and files[0].suffix.lower() == ".toml"


def open_table(
    files: Sequence[Path], column: Sequence[str] | None, others: Sequence[str], sheet: str, **of_kit: object
) -> tuple[Table, tuple[str, ...]]:
    """Return the one table that a run without a kit needs, and its columns of readings, ranges written out.

    ``others``: further columns that the options name, '' where they don't.

    Raises ``DataError`` for more than one table, without a column, or for options that go with a kit only.
    """
    from holeqc.problems import DataError
    from holeqc.readings.identities import written_out
    from holeqc.readings.plain_table import columns_between, read_table

    asked = [name for name in column or () if name.strip()]
    if not asked:
        raise DataError("name the column of the readings with --column, or name a kit file (.toml) before the readings")
    if len(files) != 1:
        raise DataError(f"--column takes one table; found {len(files)} files")
    given = [f"--{name}" for name, value in of_kit.items() if value]
    if given:
        raise DataError(f"{', '.join(given)}: only with a kit file (.toml) before the readings")
    wanted = [name for text in asked for name in (text, *written_out(text, "--column"))]
    table = read_table(files[0], sheet, list(dict.fromkeys((*wanted, *(name for name in others if name)))))
    return table, columns_between(table, asked)


def one_column(columns: Sequence[str], what: str) -> str:
    """Return the one column of readings; raises ``DataError`` for several where ``what`` takes one."""
    from holeqc.problems import DataError

    if len(columns) != 1:
        raise DataError(f"{what} takes one --column; found {', '.join(columns)}")
    return columns[0]


def named(columns: Sequence[str]) -> str:
    """Return columns of readings as the title of a result: x1 to x5."""
    return ", ".join(columns) if len(columns) <= FEW_COLUMNS else f"{columns[0]} to {columns[-1]}"


def refuse_in_kit(**options: object) -> None:
    """Raise ``DataError`` for options that a kit file already answers."""
    from holeqc.problems import DataError

    given = [f"--{name.replace('_', '-')}" for name, value in options.items() if value not in (None, "", False, [])]
    if given:
        raise DataError(
            f"{', '.join(given)}: not beside a kit file, which says it itself; leave it out, or give a "
            "table with --column"
        )


@dataclass(frozen=True, slots=True)
class Run:
    """A kit with its readings, and what was asked of them."""

    spec: Specification
    readings: Readings
    of: str
    by: tuple[str, ...]
    only: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer of one group: text for people, content for machines, a row of the summary, a picture when asked."""

    group: str
    text: str
    data: dict[str, Any]
    row: tuple[str, ...]
    figure: Callable[[], Figure] | None = None


def read_run(
    files: Sequence[Path], of: str, by: str, only: Sequence[str], unit: str, sheet: str,
    recorded: tuple[str, Sequence[str]] = ("", ()),
) -> Run:  # fmt: skip
    """Read a kit and its readings as `holeqc check` does; problems of the reader go to standard error.

    ``recorded``: a ledger that the readings come from instead of files, and which of them (`--ledger`, `--where`).
    """
    quantity = (of or "size").strip().lower().replace(" ", "-")
    quantity = OTHER_WORDS.get(quantity, quantity)
    ledger, where = recorded
    if ledger:
        from holeqc.commands.from_ledger import ledger_readings

        refuse_in_kit(unit=unit, sheet=sheet)
        spec, readings = ledger_readings(ledger, where, files, OF_DIAMETERS if quantity in DIAMETERS_ALONE else ())
    else:
        from holeqc.commands.finding import kit_and_files
        from holeqc.problems import DataError
        from holeqc.readings.read import ReadOptions, read_files, without_rechecks

        if where:
            raise DataError("--where chooses readings of a ledger; give --ledger too")
        spec, paths, notes = kit_and_files(files)
        tell(notes)
        readings = without_rechecks(read_files(paths, spec, ReadOptions(unit=unit, sheets=(sheet,) if sheet else ())))
    tell(readings.problems)
    keys = tuple(word.strip().lower() for word in by.split(",") if word.strip())
    return Run(spec, readings, quantity, keys or ("fixture" if quantity == REJECTS else "hole",), tuple(only))


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
    from dataclasses import replace

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
    from holeqc.problems import DataError

    if not run.only:
        return list(groups)
    wanted = [name.strip().casefold() for name in run.only]

    def names(group: Any) -> set[str]:
        return {group.group.casefold(), ", ".join(group.keys.values()).casefold()}

    missing = [name for name in wanted if not any(name in names(g) for g in groups)]
    if missing:
        bushing = {h.bushing.casefold() for h in run.spec.holes if h.bushing}
        hint = f". {missing[0].upper()} is a bushing: add --by bushing" if missing[0] in bushing else ""
        raise DataError(f"there is no group {missing[0]!r}; groups are {', '.join(g.group for g in groups)}{hint}")
    return [g for g in groups if names(g) & set(wanted)]


def answers(
    run: Run, groups: Sequence[Any], work: Callable[[Any], Answer]
) -> tuple[list[Answer], list[tuple[Any, str]]]:
    """Return the answer of each group, and those that have none with the reason.

    Raises ``DataError`` with all reasons when no group has an answer.
    """
    from holeqc.problems import DataError

    found: list[Answer] = []
    failed: list[tuple[Any, str]] = []
    for group in chosen(run, groups):
        try:
            found.append(work(group))
        except DataError as error:
            failed.append((group, str(error)))
    if not found:
        raise DataError("; ".join(dict.fromkeys(f"{group.group}: {reason}" for group, reason in failed)))
    for group, reason in failed:
        printing.warn(f"warning: {group.group}: {reason}")
    return found, failed


def show(
    run: Run, found: tuple[list[Answer], list[tuple[Any, str]]], head: Sequence[str], *, as_json: bool,
    plot: Path | None,
) -> None:  # fmt: skip
    """Print the answers of all groups, and write their pictures: one file a group, named after it where several."""
    answered, failed = found
    if plot is not None:
        from holeqc.reports.scale_plots import save_figure

        drawn = [a for a in answered if a.figure is not None]
        for answer in drawn:
            assert answer.figure is not None
            path = plot if len(drawn) == 1 else plot.with_name(f"{plot.stem}-{_slug(answer.group)}{plot.suffix}")
            save_figure(answer.figure(), path)
            printing.warn(f"picture: {path}")
    if as_json:
        from holeqc.commands.capability import print_json

        print_json([*(a.data for a in answered), *({"group": g.group, "reason": why} for g, why in failed)])
        return
    from holeqc.reports.chart_text import run_head, summary

    lines = [run_head(run.spec, run.readings, run.of, run.by), ""]
    lines += [answer.text for answer in answered]
    if len(answered) > 1:
        lines.append(summary(head, [a.row for a in answered]))
    printing.write("\n".join(lines))


def _slug(text: str) -> str:
    # a hole may be called anything; only letters and digits go into the name of a file
    return "-".join("".join(c if c.isalnum() else " " for c in text).split())


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
