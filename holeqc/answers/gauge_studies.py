"""Gauge studies of a table: which kind it is, what it gives, and its U into a kit file."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.answers import Answer, several
from holeqc.answers.files import loaded
from holeqc.answers.series import SLIP, read_numbers
from holeqc.problems import NOTE, WARNING, DataError, Problem
from holeqc.quantities import parse_unit
from holeqc.readings.plain_table import find_column, holds_words, label_column, number_column, read_table, text_column
from holeqc.reports import chart_text as words
from holeqc.statistics import gauge_study as statistics
from holeqc.statistics import gauge_study as uncertainty
from holeqc.statistics.basics import one_way, plain

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from holeqc.answers import Named
    from holeqc.readings.plain_table import Table
    from holeqc.specification.model import Gauge, Specification
    from holeqc.statistics.gauge_study import GaugeStudy


Limits = tuple[float | None, float | None]
BUDGET_NUMBERS = ("step", "master", "readings", "length", "off", "apart", "expansion", "difference", "bias")
PARTS = {"part", "parts", "piece", "hole", "serial", "item", "sample", "specimen", "work piece", "workpiece"}
APPRAISERS = {"appraiser", "operator", "technician", "inspector", "who", "person", "reader"}
UNLIKELY = 1e-6  #: a column of labels with this p of analysis of variance is no accident
BUDGET_WORDS = ("gauge", "kind")
STEPS_BESIDE = 4  #: sizes shown on either side of the limit
STEEL = 11.5  #: expansion coefficient of steel [1e-6/degC], Swyt, NIST 1994


@dataclass(frozen=True, slots=True)
class Request:
    """The options of the command, as typed."""

    value: str
    part: str = ""
    appraiser: str = ""
    limits: Limits = (None, None)
    method: str = "anova"
    nested: bool = False
    interaction: str = "rule"
    pool_above: float = 0.25
    master: str = ""
    reference: str = ""
    size: str = ""
    enters: str = "enters"
    over_time: bool = False
    budget: tuple[str, ...] = ()
    confidence: float = 0.95
    unit: str = ""

    @property
    def columns(self) -> tuple[str, ...]:
        """The columns that the options name."""
        named = (self.value, self.part, self.appraiser, self.master, self.reference, self.size)
        return tuple(name for name in named if name)


@dataclass(frozen=True, slots=True)
class Study(Answer):
    """The answer of a gauge study; ``worthless`` says why a U of it must not be written, empty where it may be."""

    worthless: tuple[str, ...] = ()


def gauge_study(
    data: str | Path,
    *,
    value: str,
    part: str = "",
    appraiser: str = "",
    lower: float | None = None,
    upper: float | None = None,
    method: str = "anova",
    nested: bool = False,
    interaction: str = "rule",
    pool_above: float = 0.25,
    master: str = "",
    reference: str = "",
    size: str = "",
    enters: str = "enters",
    over_time: bool = False,
    budget: str | Sequence[str] = (),
    write: Named | None = None,
    gauge: str = "",
    confidence: float = 0.95,
    unit: str = "",
    sheet: str = "",
) -> Study:
    """Return what a gauge and the people who use it add to a reading: repeatability, reproducibility, shares.

    Args:
        data: table with one reading a row.
        value, part, appraiser: columns of the readings (or answers in words), of the part, of who read.
        lower, upper: limits, in the unit of the readings. nested: each appraiser has parts of their own.
        method: anova or range. interaction: rule, pool or keep; ``pool_above`` is the p of the rule.
        master, reference, size: columns of a master's value, of the right answer, of the known size of a hole that a
            plug is tried in; ``enters`` is the word that says that it enters.
        over_time: the rows are a check standard in order of time.
        budget: ``NAME=AMOUNT`` of the uncertainty budget, as the command takes them.
        write: kit file that gets U of ``gauge``; the old file is kept beside, and ``data["written"]`` says it.
        confidence: of the intervals, between 0 and 1. unit: of the readings. sheet: of a workbook.

    Raises:
        HoleQCError: a column that isn't there, cells that can't be used, options that don't go together, or a U that
            the readings can't carry; nothing is written then.
    """
    request = Request(
        value=value, part=part, appraiser=appraiser, limits=(lower, upper), method=method, nested=nested,
        interaction=interaction, pool_above=pool_above, master=master, reference=reference, size=size, enters=enters,
        over_time=over_time, budget=several(budget), confidence=confidence, unit=unit,
    )  # fmt: skip
    study, kit = ask(Path(data), request, sheet, write, gauge)
    if kit is not None:
        write_outcome(study, kit, gauge, source=Path(data).name, sure=bool(unit))
    return study


def ask(
    data: Path, request: Request, sheet: str, write: Named | None, gauge: str
) -> tuple[Study, Specification | None]:
    """Return the study of a table, and the kit that its U is for; nothing is written yet."""
    table = read_table(data, sheet, request.columns)
    if write is None:
        if gauge:
            raise DataError("--gauge goes with --write KIT.toml; for printed lines alone say --budget gauge=ID")
        return run(table, request), None
    kit = loaded(write)
    return run(table, for_kit(request, kit, gauge)), kit


def run(table: Table, request: Request) -> Study:
    """Run the study that the options and the cells ask for.

    Raises:
        HoleQCError: a column that isn't there, cells that can't be used, options that don't go together.
    """
    unused = _unused(table, request)
    result = _run(table, request)
    if not unused:
        return result
    names = ", ".join(table.names[n] for n in unused)
    note = Problem(NOTE, "unused-columns", f"columns of the file that are not used: {names}")
    return replace(result, problems=(note, *result.problems))


def _unused(table: Table, request: Request) -> list[int]:
    used = {find_column(table, name) for name in request.columns}
    return [n for n in range(len(table.names)) if n not in used]


def _run(table: Table, request: Request) -> Study:
    if request.over_time and (request.master or request.part or request.appraiser):
        raise DataError("--over-time charts one check standard: leave out --part, --appraiser and --master")
    if request.size:
        return _plug(table, request)
    if request.reference or holds_words(table, request.value):
        return _answers(table, request)
    values, problems = read_numbers(table, request.value)
    if request.over_time:
        return _check_standard(values, request, problems)
    return _numbers(table, values, request, problems)


def _labels(table: Table, name: str) -> Any:
    return label_column(table, name) if name else None


def _numbers(table: Table, values: np.ndarray, request: Request, problems: tuple[Problem, ...]) -> Study:
    part, appraiser = _labels(table, request.part), _labels(table, request.appraiser)
    texts: list[str] = []
    data: dict[str, Any] = {"file": table.file, "unit": request.unit}
    study: GaugeStudy | None = None
    picture: Callable[[], Figure] | None = None
    if request.part or request.appraiser or not request.master:
        options: dict[str, Any] = {"method": request.method, "interaction": request.interaction}
        study = statistics.gauge_study(
            part, appraiser, values, limits=request.limits, nested=request.nested, pool_above=request.pool_above,
            confidence=request.confidence, **options,
        )  # fmt: skip
        texts.append(words.study_text(study, request.unit))
        data |= study.as_dict()
        picture = _study_picture(study, part, appraiser, values, request)
    if request.master:
        masters, more = number_column(table, request.master)
        problems = problems + tuple(p for p in more if p not in problems)
        text, found, drawn = _accuracy(masters, values, request)
        texts.append(text)
        data |= found
        picture = picture or drawn
    if request.budget:
        text, found = _budget(study, values, request)
        texts.append(text)
        data |= found
    slips = tuple(p for p in problems if p.code == SLIP)
    worthless = [p.sentence() for p in slips] + _forgotten(table, values, request)
    if study is not None and np.ptp(values[np.isfinite(values)]) == 0:
        worthless.append("every reading is the same: nothing about the gauge can be told")
    return Study("\n".join(texts), data, picture or _no_picture, problems, worthless=tuple(worthless))


def _forgotten(table: Table, values: np.ndarray, request: Request) -> list[str]:
    """Return a sentence for each cause of variation that the file has a column for and the options leave out."""
    found = []
    for option, asked, usual in (("part", request.part, PARTS), ("appraiser", request.appraiser, APPRAISERS)):
        if asked:
            continue
        for column in _unused(table, request):
            name, cells = table.names[column], text_column(table, column).tolist()
            if name.casefold() in usual and len(set(cells)) > 1:
                found.append(f"column '{name}' is not used and --{option} is not given: name it with --{option} {name}")
            elif option == "part" and _explains(cells, values):
                found.append(
                    f"column '{name}' is not used and explains much of the scatter: name it with --part, "
                    "--appraiser, or leave it out of the file"
                )
    return found


def _explains(labels: list[str], values: np.ndarray) -> bool:
    rows = np.isfinite(values)
    kinds = len(set(labels))
    if not 1 < kinds <= rows.sum() / 2 or not np.ptp(values[rows]) > 0:
        return False
    p = one_way(values[rows], np.array(labels)[rows]).p
    return p is not None and p < UNLIKELY


def _no_picture() -> Figure:
    raise DataError("there is no picture of bias at one master; give readings of several masters, or a part column")


def _study_picture(
    study: GaugeStudy, part: Any, appraiser: Any, values: np.ndarray, request: Request
) -> Callable[[], Figure]:
    def draw() -> Figure:
        from holeqc.reports.gauge_plots import study_figure
        from holeqc.statistics.gauge_components import lay_out

        return study_figure(study, lay_out(part, appraiser, values, nested=request.nested), request.unit)

    return draw


def _accuracy(
    masters: np.ndarray, values: np.ndarray, request: Request
) -> tuple[str, dict[str, Any], Callable[[], Figure] | None]:
    from holeqc.statistics.gauge_accuracy import bias, linearity

    used = np.isfinite(values)
    if np.unique(masters[used]).size > 1 or np.isnan(masters[used]).any():
        line = linearity(masters, values, confidence=request.confidence)

        def draw() -> Figure:
            from holeqc.reports.gauge_plots import linearity_figure

            return linearity_figure(line, masters[used], values[used], request.unit)

        text = words.accuracy_text(line.levels, line, request.confidence)
        return text, {"linearity": plain(line), "bias": plain(line.levels)}, draw
    if not used.any():
        raise DataError("there is no reading of the master")
    one = bias(values, float(masters[used][0]), confidence=request.confidence)
    return words.accuracy_text((one,), None, request.confidence), {"bias": [plain(one)]}, None


def _check_standard(values: np.ndarray, request: Request, problems: tuple[Problem, ...]) -> Study:
    from holeqc.statistics.gauge_accuracy import check_standard

    found = check_standard(values)

    def draw() -> Figure:
        from holeqc.reports.gauge_plots import stability_figure

        return stability_figure(found, request.unit)

    data = {"stability": plain(found) | {"stable": found.stable}}
    return Study(words.stability_text(found), data, draw, problems)


def _answers(table: Table, request: Request) -> Study:
    from holeqc.statistics.gauge_accuracy import attribute_study

    if not request.part:
        raise DataError("a study in words needs --part: which part was looked at")
    answers = label_column(table, request.value)
    appraiser = label_column(table, request.appraiser) if request.appraiser else ["1"] * answers.size
    study = attribute_study(
        label_column(table, request.part), appraiser, answers, _labels(table, request.reference),
        confidence=request.confidence,
    )  # fmt: skip

    def draw() -> Figure:
        from holeqc.reports.gauge_plots import attribute_figure

        return attribute_figure(study)

    data = {"file": table.file, "answers": plain(study)}
    said = table.problems
    if request.limits != (None, None):
        said += (
            Problem(
                WARNING,
                "limits-unused",
                "the answers are words: --lower and --upper are not used",
                action="Leave them out, or name a column of numbers with --value.",
            ),
        )
    return Study(words.attribute_text(study), data, draw, said)


def _plug(table: Table, request: Request) -> Study:
    from holeqc.statistics.gauge_accuracy import fit_response, wrong_answers

    low, high = request.limits
    if (low is None) == (high is None):
        raise DataError("give --lower for a GO plug or --upper for a NO-GO plug, one of the two, beside --size")
    sizes, problems = number_column(table, request.size)
    answers = np.char.lower(label_column(table, request.value))
    entered = answers == request.enters.strip().lower()
    if not entered.any():
        kinds = ", ".join(sorted(set(answers))[:5])
        raise DataError(f"no answer is {request.enters!r}; found {kinds}. Say with --enters which word means it")
    every, place = np.unique(sizes[np.isfinite(sizes)], return_inverse=True)
    rows = np.isfinite(sizes)
    k = np.bincount(place, weights=entered[rows].astype(float))
    fit = fit_response(every, k, np.bincount(place).astype(float), link="probit", confidence=request.confidence)
    limit = low if low is not None else high
    assert limit is not None  # one of the two is given
    step = fit.curve.width or (fit.between[1] - fit.between[0]) / 2 or 1e-4 * abs(limit)
    beside = limit + step * np.linspace(-2, 2, 2 * STEPS_BESIDE + 1)
    go, no_go = (fit.curve, None) if low is not None else (None, fit.curve)
    chances = wrong_answers(beside, low, high, go, no_go)
    name = "lower limit (GO)" if low is not None else "upper limit (NO-GO)"

    def draw() -> Figure:
        from holeqc.reports.gauge_plots import response_figure

        return response_figure([("fitted", fit)], [(name, limit)], request.unit)

    text = words.response_text(fit, name, limit, chances)
    return Study(text, {"response": plain(fit), "wrong_answers": plain(chances)}, draw, problems)


def _asked(items: tuple[str, ...]) -> tuple[dict[str, float], dict[str, str]]:
    amounts: dict[str, float] = {}
    texts: dict[str, str] = {}
    for item in items:
        name, equals, amount = item.partition("=")
        name = name.strip().lower()
        if name == "study" and not equals:
            continue
        if name in BUDGET_WORDS and equals:
            texts[name] = amount.strip()
            continue
        if name not in BUDGET_NUMBERS or not equals:
            known = ", ".join((*BUDGET_NUMBERS, *BUDGET_WORDS))
            raise DataError(f"--budget {item}: not understood; write NAME=AMOUNT with one of {known}, or study")
        try:
            amounts[name] = float(amount)
        except ValueError:
            raise DataError(f"--budget {item}: {amount!r} is not a number") from None
    return amounts, texts


def _budget(study: GaugeStudy | None, values: np.ndarray, request: Request) -> tuple[str, dict[str, Any]]:
    amounts, texts = _asked(request.budget)
    if study is None:
        raise DataError("a budget needs the repeatability: give --part or --appraiser, or leave out --master")
    averaged = amounts.get("readings", 1.0)
    if averaged != int(averaged):
        raise DataError(f"--budget readings={averaged:g}: a whole number of readings is averaged")
    lines = [*uncertainty.from_study(study, int(averaged))]
    if "step" in amounts:
        lines.append(uncertainty.resolution(amounts["step"]))
    if "master" in amounts:
        lines.append(uncertainty.master(amounts["master"]))
    if "off" in amounts or "apart" in amounts:
        lines += uncertainty.temperature(
            amounts.get("length", abs(float(np.nanmean(values)))), off_reference=amounts.get("off", 0.0),
            apart=amounts.get("apart", 0.0), expansion=1e-6 * amounts.get("expansion", STEEL),
            expansion_difference=1e-6 * amounts.get("difference", 0.0),
        )  # fmt: skip
    if "bias" in amounts:
        lines.append(uncertainty.uncorrected_bias(amounts["bias"]))
    total = uncertainty.combine(lines)
    kit = uncertainty.kit_gauge_lines(
        texts.get("gauge", "GAUGE-ID"), total, kind=texts.get("kind", ""), unit=request.unit, step=amounts.get("step")
    )
    text = words.budget_text(total, request.unit, study.tolerance) + "\nFor the kit file:\n" + "\n".join(kit) + "\n"
    return text, {"budget": total.as_dict(), "kit_lines": list(kit)}


# ------------------------------------------------------------------------------------- U of a study into a kit file


FAR = 4.0  #: so many times off every hole of the kit: read in another unit, or of something else


def for_kit(request: Request, spec: Specification, gauge: str) -> Request:
    """Return the request with what the kit says of the gauge: its unit, its id, its step where none is given.

    Raises ``DataError`` for a gauge that the kit doesn't have, for words in place of numbers, or for another unit.
    """
    entry = spec.gauge(gauge) if gauge else None
    if entry is None:
        known = ", ".join(g.id for g in spec.gauges) or "none"
        asked = f"there is no gauge {gauge!r} in kit {spec.id}" if gauge else "say with --gauge which gauge it is"
        raise DataError(f"{asked}; gauges are {known}. Nothing was written")
    if request.unit and parse_unit(request.unit) != spec.unit:
        raise DataError(
            f"the study is in {request.unit} and kit {spec.id} in {spec.unit}: convert the readings first. "
            "Nothing was written"
        )
    budget = list(request.budget or ("study",))
    names = {item.partition("=")[0].strip().lower() for item in budget}
    if "gauge" in names:
        raise DataError("--budget gauge=... and --write say the same thing: name the gauge with --gauge alone")
    budget.append(f"gauge={entry.id}")
    if entry.resolution and "step" not in names:
        budget.append(f"step={entry.resolution!r}")
    return replace(request, unit=spec.unit, budget=tuple(budget))


def write_outcome(result: Study, spec: Specification, gauge: str, *, source: str, sure: bool) -> list[str]:
    """Write U into the kit file and return what to say of it, a sentence a line; adds ``written`` to the data.

    ``sure``: the unit was stated. Raises ``DataError`` where the study has no budget, or its readings are nowhere near
    the kit's holes and no unit was stated.
    """
    from holeqc.specification.load import write_gauge_uncertainty
    from holeqc.statistics.gauge_study import round_up

    entry = spec.gauge(gauge)
    budget: Any = result.data.get("budget")
    if budget is None or entry is None:
        raise DataError(
            "this kind of study gives no U for a kit file: it needs numbers and repeated readings. Nothing was written"
        )
    if result.worthless:
        raise DataError(
            f"not written because this U would be worthless: {'; '.join(result.worthless)}. Leave out "
            "--write to look at the study"
        )
    if not sure:
        _check_unit(result, spec, entry)
    lines = [line for line in result.data["kit_lines"] if line.startswith("#")]
    done = write_gauge_uncertainty(Path(spec.path), gauge, round_up(budget["expanded"]), lines, source)
    result.data["written"] = {
        "file": done.path, "gauge": done.gauge, "old": done.old, "new": done.new, "backup": done.backup,
    }  # fmt: skip
    old = "not stated" if done.old is None else f"{done.old:g}"
    said = [
        f"{done.path}: U of {done.gauge} was {old}, is now {done.new:g} {spec.unit} (k = 2)",
        f"The old file is kept as {done.backup}",
    ]
    if not any(line["name"] == "master" for line in budget["lines"]):
        said.append("The budget has no line of the master that the gauge is set with: add it with --budget master=U")
    if done.old is not None and done.new < done.old:
        said.append("It is smaller than before: more readings will be accepted near the limits. Is every cause listed?")
    return said


def _check_unit(result: Study, spec: Specification, gauge: Gauge) -> None:
    mean = result.data.get("mean")
    if mean is None or "diameter" not in gauge.measures:
        return
    low, high = min(h.size.lower for h in spec.holes), max(h.size.upper for h in spec.holes)
    if not low / FAR <= abs(mean) <= high * FAR:
        raise DataError(
            f"the study's mean is {mean:g}, the kit's holes are {low:g} to {high:g} {spec.unit}: say the "
            "readings' unit with --unit. Nothing was written"
        )
