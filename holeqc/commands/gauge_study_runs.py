"""What `holeqc gauge-study` does with a table: chooses the kind of study, runs it, words and draws it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.commands.series import SLIP, read_numbers
from holeqc.problems import NOTE, WARNING, DataError, Problem
from holeqc.readings.plain_table import find_column, holds_words, label_column, number_column, text_column
from holeqc.reports import chart_text as words
from holeqc.statistics import gauge_study as uncertainty
from holeqc.statistics.basics import one_way
from holeqc.statistics.gauge_study import gauge_study

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from holeqc.readings.plain_table import Table
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
class Result:
    """Text for the screen, values for machines, a picture when asked, and what the reader of the table noticed."""

    text: str
    data: dict[str, Any]
    figure: Callable[[], Figure]
    problems: tuple[Problem, ...] = field(default_factory=tuple)
    worthless: tuple[str, ...] = ()  #: why a U of this study must not be written


def run(table: Table, request: Request) -> Result:
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


def _run(table: Table, request: Request) -> Result:
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


def _numbers(table: Table, values: np.ndarray, request: Request, problems: tuple[Problem, ...]) -> Result:
    part, appraiser = _labels(table, request.part), _labels(table, request.appraiser)
    texts: list[str] = []
    data: dict[str, Any] = {"file": table.file, "unit": request.unit}
    study: GaugeStudy | None = None
    picture: Callable[[], Figure] | None = None
    if request.part or request.appraiser or not request.master:
        options: dict[str, Any] = {"method": request.method, "interaction": request.interaction}
        study = gauge_study(
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
    return Result("\n".join(texts), data, picture or _no_picture, problems, tuple(worthless))


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
        return text, {"linearity": words.plain(line), "bias": words.plain(line.levels)}, draw
    if not used.any():
        raise DataError("there is no reading of the master")
    one = bias(values, float(masters[used][0]), confidence=request.confidence)
    return words.accuracy_text((one,), None, request.confidence), {"bias": [words.plain(one)]}, None


def _check_standard(values: np.ndarray, request: Request, problems: tuple[Problem, ...]) -> Result:
    from holeqc.statistics.gauge_accuracy import check_standard

    found = check_standard(values)

    def draw() -> Figure:
        from holeqc.reports.gauge_plots import stability_figure

        return stability_figure(found, request.unit)

    data = {"stability": words.plain(found) | {"stable": found.stable}}
    return Result(words.stability_text(found), data, draw, problems)


def _answers(table: Table, request: Request) -> Result:
    from holeqc.statistics.gauge_answers import attribute_study

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

    data = {"file": table.file, "answers": words.plain(study)}
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
    return Result(words.attribute_text(study), data, draw, said)


def _plug(table: Table, request: Request) -> Result:
    from holeqc.statistics.gauge_answers import fit_response, wrong_answers

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
    return Result(text, {"response": words.plain(fit), "wrong_answers": words.plain(chances)}, draw, problems)


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
            raise DataError(f"--budget {item}: {amount!r} is no number") from None
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
