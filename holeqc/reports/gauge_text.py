"""Gauge studies as text for the screen: aligned, 80 columns, the answer last; and as plain values for machines."""

from __future__ import annotations

import dataclasses
import math
import textwrap
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from holeqc.quantities import unit_name
from holeqc.statistics.gauge_study import LINES
from holeqc.statistics.signals import TESTS

if TYPE_CHECKING:
    from holeqc.statistics.gauge_accuracy import Bias, Linearity
    from holeqc.statistics.gauge_anova import AnovaRow
    from holeqc.statistics.gauge_attribute import AttributeStudy, Kappa, Proportion
    from holeqc.statistics.gauge_response import ResponseFit, WrongAnswers
    from holeqc.statistics.gauge_stability import Stability
    from holeqc.statistics.gauge_study import GaugeStudy, Share
    from holeqc.statistics.gauge_uncertainty import Budget

WIDTH = 80
NAMES = {
    "repeatability": "repeatability",
    "reproducibility": "reproducibility",
    "interaction": "interaction",
    "gauge": "gauge in all",
    "part": "parts",
    "total": "total",
}


def plain(value: Any) -> Any:
    """Return a result as dictionaries, lists, numbers and texts; not-a-number and infinity become None."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def number(value: float | None, digits: int = 4) -> str:
    """Return a number with significant digits, a dash for None."""
    if value is None:
        return "-"
    return "0" if value == 0.0 else f"{value:#.{digits}g}".rstrip(".")


def size(value: float) -> str:
    """Return a size as people write it, without trailing zeros."""
    return f"{value:.7g}"


def chance(p: float | None) -> str:
    """Return a p in words short enough for a table."""
    if p is None or math.isnan(p):
        return "-"
    return "< 0.0001" if p < 0.0001 else f"{p:.4f}"


def chance_sentence(p: float | None) -> str:
    """Return ``p = 0.0312``, ``p < 0.0001`` where it is smaller, ``no p`` where there is none."""
    found = chance(p)
    if found == "-":
        return "no p"
    return f"p {found}" if found.startswith("<") else f"p = {found}"


def percent(value: float | None) -> str:
    """Return a percentage with one decimal, a dash for None."""
    return "-" if value is None else f"{value:.1f}"


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """Return a table: first column to the left, the others to the right, two blanks between."""
    grid = [[_printable(cell) for cell in row] for row in (head, *rows)]
    wide = [max(len(row[k]) for row in grid) for k in range(len(head))]
    return [
        "  ".join([row[0].ljust(wide[0]), *[c.rjust(w) for c, w in zip(row[1:], wide[1:], strict=True)]]).rstrip()
        for row in grid
    ]


def _printable(text: str) -> str:
    # a label may hold anything that somebody typed; a terminal must not take it for a command
    return "".join(c if c.isprintable() else "?" for c in text)


def notes(texts: Iterable[str]) -> list[str]:
    """Return notes wrapped to the width, each with a dash."""
    lines: list[str] = []
    for text in texts:
        text = _printable(text)
        lines += textwrap.wrap(text, WIDTH, initial_indent="- ", subsequent_indent="  ", break_on_hyphens=False)
    return lines


def study_text(study: GaugeStudy, unit: str = "") -> str:
    """Return a gauge study for the screen."""
    method = "analysis of variance" if study.method == "anova" else "average and range"
    trials = f"{study.trials} trials" if study.trials else "differing numbers of trials"
    lines = [
        f"Gauge study: {study.design}, by {method}",
        f"{study.parts} parts, {study.appraisers} appraisers, {trials}, {study.readings} readings"
        + (f" in {unit_name(unit)}" if unit else "")
        + f"; mean {size(study.mean)}",
        "",
    ]
    if study.method == "anova":
        lines += _anova_lines(study.anova)
        lines += notes([f"interaction: {study.interaction_rule}"])
        lines.append("")
    lines += _share_lines(study)
    lines += _verdict_lines(study)
    return "\n".join(lines) + "\n"


def _anova_lines(rows: Sequence[AnovaRow]) -> list[str]:
    head = ("source", "freedom", "squares", "mean square", "F", "p", "F against")
    body = [
        (
            row.source,
            str(row.degrees_of_freedom),
            number(row.sum_of_squares, 5),
            number(row.mean_square, 5),
            number(row.f),
            chance(row.p),
            row.against,
        )
        for row in rows
    ]
    return table(head, body)


def _share_lines(study: GaugeStudy) -> list[str]:
    level = f"{100 * study.confidence:g} % interval"
    shares = [study.share(name) for name in LINES]
    shown = [s for s in shares if s.variance is not None]
    spans = any(s.interval for s in shown)
    head = ["cause", "variance", "st. dev.", *([level] if spans else []), "% of all", "% of limits"]
    return table(head, [_share_row(s, spans) for s in shown])


def _share_row(share: Share, spans: bool) -> list[str]:
    row = [NAMES[share.name], number(share.variance), number(share.standard_deviation)]
    if spans:
        span = share.interval
        row.append("-" if span is None else f"{number(span[0] ** 0.5, 3)} to {number(span[1] ** 0.5, 3)}")
    return [*row, percent(share.share_of_all_scatter), percent(share.share_of_tolerance)]


def _verdict_lines(study: GaugeStudy) -> list[str]:
    said = ["% compares standard deviations, so it doesn't add up to 100"]
    if any(s.interval for s in study.shares):
        said = ["the interval is that of the standard deviation", *said]
    untold = [NAMES[name] for name in LINES if study.share(name).variance is None]
    if untold:
        said.append(f"not told by this study: {', '.join(untold)}")
    lines = [*notes([*said, *study.notes]), ""]
    if study.parts_told_apart is None:
        return [*lines, "Sizes that it can tell apart: not told by this study."]
    span = study.parts_told_apart_interval
    between = f" ({100 * study.confidence:g} %: {span[0]:.1f} to {span[1]:.1f})" if span else ""
    meaning = (
        "the gauge can't tell these parts apart"
        if study.parts_told_apart < 2
        else f"the gauge sorts these parts into {study.parts_told_apart} groups"
    )
    told = f"Sizes that it can tell apart among these parts: {study.parts_told_apart}{between};"
    return [*lines, told, f"{meaning}."]


def accuracy_text(levels: Sequence[Bias], line: Linearity | None, confidence: float) -> str:
    """Return bias at each master, and the line through them where there are several."""
    head = ("master", "readings", "mean", "bias", f"{100 * confidence:g} % interval", "p")
    body = [
        (
            size(b.master),
            str(b.readings),
            size(b.mean),
            number(b.bias, 3),
            "-" if b.interval is None else f"{number(b.interval[0], 3)} to {number(b.interval[1], 3)}",
            chance(b.p),
        )
        for b in levels
    ]
    lines = ["Bias against the master", *table(head, body)]
    certain = [b for b in levels if b.significant]
    if line is not None:
        lines += [
            "",
            f"bias = {number(line.intercept)} {'-' if line.slope < 0 else '+'} {number(abs(line.slope))} * master, "
            f"scatter about it {number(line.residual_sd)}",
        ]
        lines += notes(
            [
                f"slope {number(line.slope_interval[0], 3)} to {number(line.slope_interval[1], 3)} "
                f"({100 * confidence:g} %), {chance_sentence(line.slope_p)}: "
                + ("the bias changes over the range" if _small(line.slope_p) else "no change over the range is shown"),
                f"any bias at all: {chance_sentence(line.bias_p)}",
                *([f"bend: {chance_sentence(line.bend_p)}"] if line.bend_p is not None else []),
                *line.notes,
            ]
        )
    answer = "no bias is shown" if not certain else f"bias is shown at {len(certain)} of {len(levels)} masters"
    return "\n".join([*lines, "", f"Answer: {answer}."]) + "\n"


def _small(p: float | None) -> bool:
    return p is not None and p < 0.05


def stability_text(result: Stability) -> str:
    """Return the chart of a check standard in words."""
    rows = [
        ("centre", size(result.centre)),
        (f"sigma, from {result.sigma_from}", number(result.sigma)),
        ("lower limit", size(result.lower_limit)),
        ("upper limit", size(result.upper_limit)),
        ("standard deviation of all", f"{number(result.standard_deviation)} ({result.degrees_of_freedom} freedom)"),
        ("drift an occasion", f"{number(result.drift, 3)}, {chance_sentence(result.drift_p)}"),
    ]
    lines = [f"Check standard over time: {result.values.size} occasions", *table(("", ""), rows)[1:]]
    lines += notes(result.notes)
    lines += notes(f"occasions {s.points[0]} to {s.points[-1]}: {TESTS[s.test].pattern}" for s in result.signals)
    if result.scatter_outside:
        lines += notes([f"scatter of repeats above its limit: occasion {', '.join(map(str, result.scatter_outside))}"])
    answer = "nothing shows that the gauge has moved" if result.stable else "the gauge has moved: find out when and why"
    return "\n".join([*lines, "", f"Answer: {answer}."]) + "\n"


def _share_of(found: Proportion | None) -> str:
    if found is None or found.share is None:
        return "-"
    return f"{found.count} of {found.of} ({100 * found.lower:.0f} to {100 * found.upper:.0f} %)"


def _kappa(k: Kappa | None) -> str:
    if k is None or k.kappa is None:
        return "-"
    span = "" if k.lower is None or k.upper is None else f" ({k.lower:.2f} to {k.upper:.2f})"
    return f"{k.kappa:.3f}{span}"


def attribute_text(study: AttributeStudy) -> str:
    """Return a study in words for the screen."""
    lines = [
        f"Gauge study in words: {', '.join(study.categories)}",
        f"{study.parts} parts, {len(study.appraisers)} appraisers; in brackets {100 * study.confidence:g} % intervals",
        "",
    ]
    head = ("appraiser", "same every time", "right every time", "kappa, reference")
    lines += table(
        head,
        [
            (a.name, _share_of(a.with_self), _share_of(a.with_reference), _kappa(a.kappa_reference))
            for a in study.appraisers
        ],
    )
    wrong = [(a.name, c, _share_of(w)) for a in study.appraisers for c, w in a.wrong]
    if wrong:
        lines += ["", *table(("appraiser", "right answer", "other answer given"), wrong)]
    if study.pairs:
        lines += ["", *table(("appraisers", "kappa"), [(f"{one}, {two}", _kappa(k)) for one, two, k in study.pairs])]
    each = [(f"  {name}", "-" if k is None else f"{k:.3f}") for name, k in study.kappa_categories]
    lines += ["", *table(("kappa of all", _kappa(study.kappa_all)), each)]
    lines += notes(["kappa: 1 is perfect agreement, 0 is what luck gives", *study.notes])
    answer = f"all said the same on {_share_of(study.all_agree)} parts"
    if study.all_right is not None:
        answer += f",\nand the right thing on {_share_of(study.all_right)}"
    return "\n".join([*lines, "", f"Answer: {answer}."]) + "\n"


def response_text(fit: ResponseFit, limit_name: str, limit: float, answers: WrongAnswers) -> str:
    """Return how often a plug enters holes near the limit, and how often its answer is wrong."""
    trials = f"{int(fit.trials.sum())} trials on {fit.sizes.size} sizes"
    lines = [f"Plug near the {limit_name} {size(limit)}: {trials}"]
    if fit.slope is not None:
        centre = f"enters every second time at {size(fit.curve.centre)}"
        if fit.centre_interval:
            low, high = fit.centre_interval
            centre += f" ({100 * fit.confidence:g} %: {size(low)} to {size(high)})"
        grey = float(fit.curve.size_at(0.975) - fit.curve.size_at(0.025))
        lines += [centre, f"goes from 2.5 to 97.5 % within {number(grey, 3)}"]
    if fit.deviance_p is not None:
        goodness = f"deviance {number(fit.deviance)} on {fit.deviance_freedom}, {chance_sentence(fit.deviance_p)}"
        lines.append(f"fit of the curve: {goodness}")
    lines += notes(fit.notes)
    lines += ["", "Chances by size of the hole, by the fitted curve"]
    rows = [
        (size(float(x)), percent(100 * a), percent(100 * g), percent(100 * b))
        for x, a, g, b in zip(answers.size, answers.accepted, answers.good_refused, answers.bad_accepted, strict=True)
    ]
    lines += table(("size", "accepted %", "good refused %", "bad accepted %"), rows)
    return "\n".join(lines) + "\n"


def budget_text(budget: Budget, unit: str = "", tolerance: float | None = None) -> str:
    """Return an uncertainty budget for the screen."""
    head = ("cause", "uncertainty", "freedom", "% of variance")
    rows = [
        (
            line.name,
            number(line.uncertainty, 3),
            f"{line.freedom:g}" if math.isfinite(line.freedom) else "-",
            percent(budget.share(line)) if line.counted else "not added",
        )
        for line in budget.lines
    ]
    lines = ["Uncertainty budget (JCGM 100)" + (f", in {unit_name(unit)}" if unit else ""), *table(head, rows)]
    freedom = f"{budget.freedom:.1f}" if math.isfinite(budget.freedom) else "very many"
    lines += [
        f"combined standard uncertainty {number(budget.combined)}, {freedom} effective degrees of freedom",
        *notes(budget.notes),
    ]
    if tolerance is not None and budget.expanded > 0.0:
        ratio = budget.tolerance_ratio(tolerance)
        lines.append(f"tolerance over 2 U: {ratio:.1f} to 1 (ASME B89.7.3.1; 4 to 1 and up is usual)")
    return "\n".join([*lines, "", f"U = {number(budget.expanded)} at k = {budget.k:g}"]) + "\n"
