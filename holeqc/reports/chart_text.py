"""Capability and control charts as text for the screen: aligned, 80 columns, warnings beside the figures they touch."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from holeqc.quantities import unit_name

if TYPE_CHECKING:
    from holeqc.problems import Problem
    from holeqc.readings.table import Readings
    from holeqc.specification.model import Specification
    from holeqc.statistics.capability import Capability
    from holeqc.statistics.charts import Chart
    from holeqc.statistics.gauge_accuracy import (
        AttributeStudy,
        Bias,
        Kappa,
        Linearity,
        Proportion,
        ResponseFit,
        Stability,
        WrongAnswers,
    )
    from holeqc.statistics.gauge_components import AnovaRow
    from holeqc.statistics.gauge_study import Budget, GaugeStudy, Share
    from holeqc.statistics.indices import Interval
    from holeqc.statistics.normality import Stability as SeriesStability
    from holeqc.statistics.position_capability import PositionCapability
    from holeqc.statistics.subgroups import Signal


# Gauge studies as text for the screen: aligned, 80 columns, the answer last.


WIDTH = 80
NAMES = {
    "repeatability": "repeatability",
    "reproducibility": "reproducibility",
    "interaction": "interaction",
    "gauge": "gauge in all",
    "part": "parts",
    "total": "total",
}


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
    shares = [study.share(name) for name in NAMES]
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
    untold = [NAMES[name] for name in NAMES if study.share(name).variance is None]
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
    from holeqc.statistics.subgroups import TESTS

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


FEW_PLACES = 25  #: up to so many positions intervals at 95 % held 97 to 100 of 100 (coverage_indices.py)
MOST_CANDIDATES = 5  #: distributions printed, best first
MOST_ROWS = 20  #: signals printed; the rest is counted, and in the JSON
NOT_STABLE = "not stable"
LEAST_PPM = 0.001  #: what is less is beyond any distribution's reach


def _value(value: float | None) -> str:
    return "-" if value is None else f"{value:.6g}"


def _range(found: Interval | None, digits: int = 3) -> str:
    if found is None:
        return "-"
    low, high = found
    if high is None:
        return f"at least {number(low, digits)}"
    return f"{number(low, digits)} to {number(high, digits)}"


def _ppm(value: float | None) -> str:
    if value is None:
        return "-"
    if value < LEAST_PPM:
        return "0" if value == 0 else f"< {LEAST_PPM:g}"
    return f"{value:.0f}" if value >= 10 else f"{value:.2g}"


def _ppm_range(found: Interval) -> str:
    low, high = found
    if low is None and high is None:
        return ""
    if low is not None and high is not None and high < LEAST_PPM:
        return f"below {LEAST_PPM:g}"
    if low is not None and 0 < low < LEAST_PPM:
        return f"{_ppm(low)} to {number(high, 3)}"
    return _range(found)


def _pairs(rows: Iterable[tuple[str, str]]) -> list[str]:
    kept = [(name, text) for name, text in rows if text]
    wide = max(len(name) for name, _ in kept)
    lines: list[str] = []
    for name, text in kept:
        lines += textwrap.wrap(text, WIDTH, initial_indent=f"{name:<{wide}}  ", subsequent_indent=" " * (wide + 2))
    return lines


def _percent_interval(low: float, high: float) -> str:
    return f"{100 * low:.3g} to {100 * high:.3g} %"


def _stability_lines(found: SeriesStability) -> list[str]:
    head = {True: "stable", False: "NOT STABLE", None: "not known"}[found.stable]
    return notes([f"Stability: {head}. {found.words[0].upper()}{found.words[1:]}."])


def remark_lines(remarks: Iterable[Problem]) -> list[str]:
    """Return remarks wrapped to the width, warnings first."""
    ranked = sorted(remarks, key=lambda r: r.severity == "note")
    return notes(f"{r.severity}: {r.sentence()}" for r in ranked)


def capability_text(result: Capability, name: str, unit: str = "") -> str:
    """Return the capability of one quantity for the screen."""
    limits, within = result.limits, result.within
    lines = [f"Capability of {name}" + (f" [{unit}]" if unit else ""), ""]
    target = "" if limits.target is None else f", target {_value(limits.target)}"
    lines += _pairs([
        ("readings", str(result.n)),
        ("limits", f"{_value(limits.lower)} to {_value(limits.upper)}{target}"),
        ("mean", _value(result.mean)),
        ("sigma overall", _value(result.sd_overall)),
        ("sigma within", "-" if within is None else f"{_value(within.sigma)} ({within.words})"),
    ])  # fmt: skip
    lines += ["", *_index_lines(result), "", *_outside_lines(result), ""]
    if result.percentile is not None:
        lines += [*_percentile_lines(result), ""]
    shapes = result.any_shape
    if shapes is not None:
        level = f"{'at least' if shapes.at_least else 'about'} {100 * result.choices.confidence:g} %"
        found = f"{_range(shapes.Ppk)} ({level}, {shapes.words})" if shapes.Ppk else f"no interval, {shapes.words}"
        lines += [*notes([f"Ppk whatever the shape: {found}."]), ""]
    lines += _stability_lines(result.stability)
    lines += remark_lines(result.remarks)
    return "\n".join(lines) + "\n"


def _index_lines(result: Capability) -> list[str]:
    overall, short, intervals = result.overall, result.within_indices, result.intervals
    beside = NOT_STABLE if result.stability.stable is False else ""
    shapes = result.any_shape
    wide = {} if result.odd or shapes is None else {"Pp": shapes.Pp, "Ppk": shapes.Ppk}
    rows = []
    for name, value in (
        ("Cp", short.potential), ("Cpk", short.nearest), ("Pp", overall.potential), ("Ppk", overall.nearest),
        ("Cpm", result.Cpm),
    ):  # fmt: skip
        if value is not None:
            spans = (intervals.get(name), intervals.get(f"{name}_lower_bound"), wide.get(name))
            rows.append((name, number(value), *(_range(span) if span else "" for span in spans), beside))
    if not rows:
        return notes(["no index of a normal distribution is given; the notes below say why"])
    level = f"{100 * result.choices.confidence:g} %"
    heads = ("index, of a normal", "value", f"{level} if normal", "bound if normal", f"{level}, any shape", "")
    kept = [k for k in range(6) if k < 2 or any(row[k] for row in rows)]
    made = table([heads[k] for k in kept], [[row[k] for k in kept] for row in rows])
    if not intervals and not result.odd:
        made += notes([
            "what hangs on a normal has no interval (Cp, Cpk, Cpm, share outside, limits of most parts), because "
            "readings seldom prove one; where it is known from elsewhere give --normal"
        ])  # fmt: skip
    return made


def _outside_lines(result: Capability) -> list[str]:
    out = result.outside
    beside = f"  {NOT_STABLE}" if result.stability.stable is False else ""
    span = _ppm_range(out.ppm_if_normal_interval)
    rows = [
        (
            "outside if normal, all scatter",
            f"{_ppm(out.ppm_if_normal)} ppm{f', {span} ppm' if span else ''}{beside}"
            if out.ppm_if_normal is not None and not result.odd
            else "",
        ),
        (
            "outside if normal, short run",
            f"{_ppm(out.ppm_if_normal_short_run)} ppm{beside}"
            if out.ppm_if_normal_short_run is not None and not result.odd
            else "",
        ),
        ("outside, observed", f"{out.observed_count} of {result.n} ({_percent_interval(*out.observed_interval)})"),
    ]
    band = result.tolerance
    if band is not None:
        low, high = band.two_sided
        words = {True: ", inside the limits", False: ", NOT inside the limits", None: ""}[band.inside]
        which = f"{_value(low)} to {_value(high)}"
        if result.limits.given and result.limits.width is None:  # one limit: one bound
            which = (
                f"below {_value(band.upper_bound)}"
                if result.limits.lower is None
                else (f"above {_value(band.lower_bound)}")
            )
        rows.append(
            (
                f"{100 * band.coverage:.6g} % of parts",
                f"{which} with {100 * band.confidence:g} % confidence{words}{beside}",
            )
        )
    if result.normality is not None:
        n = result.normality
        rows.append(("normality", f"A2 {n.A2:.4f}, adjusted {n.A2_adjusted:.4f}, {chance_sentence(n.p)}"))
        allowed = result.allowing
        if allowed is not None:
            rows.append(("normality, judged", f"{chance_sentence(allowed.p)}, allowing for {allowed.words}"))
    return _pairs(rows)


def _percentile_lines(result: Capability) -> list[str]:
    found = result.percentile
    assert found is not None
    lines = notes([f"By percentiles (ISO 22514-2): {found.choice.words}."])
    beside = NOT_STABLE if result.stability.stable is False else ""
    lines += _pairs(
        [
            ("0.135, 50, 99.865 %", f"{_value(found.low)}, {_value(found.median)}, {_value(found.high)}"),
            ("Pp, Ppk", f"{number(found.Pp)}, {number(found.Ppk)}  {beside}".rstrip()),
            ("outside, expected", f"{_ppm(1e6 * (found.below + found.above))} ppm  {beside}".rstrip()),
        ]
    )
    rows = [
        (c.words.split(" (")[0], f"{c.behind:.1f}", number(c.A2_adjusted), chance(c.p))
        for c in found.choice.candidates[:MOST_CANDIDATES]
    ]
    rest = len(found.choice.candidates) - len(rows)
    return [
        *lines,
        "",
        *table(("distribution", "AICc behind", "A2 adjusted", "p"), rows),
        *([f"and {rest} farther behind"] if rest > 0 else []),
    ]


def position_text(result: PositionCapability, name: str, unit: str = "") -> str:
    """Return the capability of positions for the screen."""
    beside = f"  {NOT_STABLE}" if result.cautions else ""
    expected = "-" if result.expected_ppm is None else f"{_ppm(result.expected_ppm)} ppm{beside}"
    observed = f"{result.observed_count} of {result.n} ({_percent_interval(*result.observed_interval)})"
    found = result.intervals

    def span(name: str) -> str:
        sure = "at least" if result.n <= FEW_PLACES else "about"
        return f" ({_range(found[name])}, {sure} {100 * result.confidence:g} % if normal)" if name in found else ""

    lines = [f"Position capability of {name}" + (f" [{unit}]" if unit else ""), ""]
    lines += _pairs(
        [
            ("positions", str(result.n)),
            ("tolerance zone", f"diameter {_value(result.tolerance)}"),
            ("mean", f"{_value(result.mean[0])}, {_value(result.mean[1])}"),
            (
                "sigma along axes",
                f"{_value(result.sd_axes[0])} at {result.directions[0]:.0f} degrees, "
                f"{_value(result.sd_axes[1])} across",
            ),
            ("Pp, largest ellipse", f"{number(result.Pp)}{span('Pp')}{beside}"),
            ("Ppk, largest ellipse", f"{number(result.Ppk)}{span('Ppk')}{beside}"),
            ("Ppk, share inside", f"{number(result.Ppk_share)} (without interval){beside}"),
            ("outside if normal", expected),
            ("outside, observed", observed),
        ]
    )
    lines += ["", *_stability_lines(result.stability), *remark_lines(result.remarks)]
    return "\n".join(lines) + "\n"


def chart_text(chart: Chart, name: str, unit: str = "") -> str:
    """Return a control chart for the screen: limits, every signal with its points, and the price of false alarms."""
    lines = [f"Control chart of {name}" + (f" [{unit}]" if unit else "") + f": {chart.kind}", ""]
    limits = _limits(chart)
    rows = [
        ("points", f"{chart.values.size}, limits from " + _source(chart)),
        ("centre", _value(chart.centre)),
        ("limits of the sum" if chart.kind == "cusum" else "limits", limits),
        ("sigma", "" if chart.sigma is None or limits == "none" else _value(chart.sigma)),
    ]
    if chart.kind == "position":
        place = ", ".join(_value(v) for v in chart.details["mean_position"])
        rows.append(
            (
                "T2 is",
                f"the squared distance of each place from the mean place ({place}), in sigma of its own "
                "direction; it has no unit",
            )
        )
    spread = chart.spread
    if spread is not None and limits != "none":
        centre = "" if spread.centre != spread.centre else f"centre {_value(spread.centre)}, "
        rows.append((spread.title, f"{centre}limits {_limits(spread)}"))
    lines += [*_pairs(rows), ""]
    signals = chart.all_signals()
    if signals:
        lines += [f"{len(signals)} signals" if len(signals) > 1 else "1 signal"]
        lines += table(
            ("test", "on", "side", "points"),
            [(s.test, title, s.side, _points(s.points)) for title, s in signals[:MOST_ROWS]],
        )
        if len(signals) > MOST_ROWS:
            lines.append(f"and {len(signals) - MOST_ROWS} more")
        sums = [_sum_sentence(chart, s) for _, s in signals[:MOST_ROWS] if s.until]
        lines += ["", *notes(sums)] if sums else []
        meanings = dict.fromkeys(f"{s.test}: {s.meaning}" for _, s in signals)
        lines += ["", *notes(meanings)]
    else:
        lines += ["no signal"]
    lines += remark_lines(chart.remarks)
    return "\n".join(lines) + "\n"


def _sum_sentence(chart: Chart, signal: Signal) -> str:
    """Return where a cumulative sum crossed, since when it had run up, and how long it stayed beyond."""
    began, crossed = (_point(chart, number) for number in (signal.points[0], signal.at[0]))
    which = "upper" if signal.side == "above" else "lower"
    text = (
        f"the {which} sum crossed the decision value at point {crossed}; it had run up since point {began}: the "
        "change began there or just before (an estimate)"
    )
    if signal.until == chart.values.size:
        return text + ("" if signal.until == signal.at[0] else "; it is beyond to the last point")
    return f"{text}; it was beyond for the last time at point {_point(chart, signal.until)}"


def _point(chart: Chart, number: int) -> str:
    """Return a point's number, with its name where that is another."""
    label = str(chart.labels[number - 1])
    return str(number) if label == str(number) else f"{number} ({label})"


def _source(chart: Chart) -> str:
    if not chart.baseline:
        return "an earlier chart"
    return "all of them" if chart.baseline == chart.values.size else f"the first {chart.baseline}"


def _limits(chart: Chart) -> str:
    if not bool((chart.upper == chart.upper).any()):
        return "none"
    if chart.upper_limit is None or chart.lower_limit is None:
        return "differ from point to point"
    return f"{_value(chart.lower_limit)} to {_value(chart.upper_limit)}"


def _points(points: tuple[int, ...]) -> str:
    """Return point numbers in few words: ``3, 5`` or ``2 to 10``."""
    if len(points) > 2 and points[-1] - points[0] == len(points) - 1:
        return f"{points[0]} to {points[-1]}"
    return ", ".join(map(str, points[:8])) + (" ..." if len(points) > 8 else "")


# What is said about a whole run of series: the head above the groups and the summary below them, 80 columns.


CHART_HEAD = ("group", "points", "signals", "first at", "last at", "answer")
LONGEST = 24  #: characters of a group's name in the summary


def days_and_parts(readings: Readings) -> tuple[int, tuple[str, str] | None]:
    """Return how many parts there are readings of, and the first and the last day, None where none is known."""
    days = readings.rows["date"]
    days = days[~np.isnat(days)].astype("datetime64[D]")
    return len(readings.rows.groups("part", "serial")), (str(days.min()), str(days.max())) if len(days) else None


def run_head(spec: Specification, counted: tuple[int, tuple[str, str] | None], of: str, by: Sequence[str]) -> str:
    """Return which kit with its limits of size, how many parts, from when to when, and what is grouped how."""
    from holeqc.specification.words import limits_line

    parts, days = counted
    span = f", {days[0]} to {days[1]}" if days else ""
    said = f"{parts} part{'' if parts == 1 else 's'}{span}; {of} by {' and '.join(by)}"
    return "\n".join([*textwrap.wrap(limits_line(spec), WIDTH), *textwrap.wrap(said, WIDTH)])


def summary(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return the summary of all groups, one line each."""
    return "\n".join(["Summary", *table(head, [(row[0][:LONGEST], *row[1:]) for row in rows])]) + "\n"


def _steady(found: SeriesStability) -> str:
    return {True: "stable", False: "NOT STABLE", None: "not known"}[found.stable]


def capability_head(confidence: float) -> tuple[str, ...]:
    """Return the heading of the summary of capability."""
    return ("group", "n", "Cpk", "Ppk", f"{100 * confidence:g} % of Ppk", "outside", "stability")


def capability_row(group: str, result: Capability | PositionCapability) -> tuple[str, ...]:
    """Return the line of one group in the summary of capability."""
    from holeqc.statistics.capability import Capability

    if isinstance(result, Capability):
        found, overall = result.percentile, result.overall.nearest
        if found is not None and (result.odd or overall is None):
            overall = found.Ppk
        interval = None if result.any_shape is None else result.any_shape.Ppk
        short, outside = result.within_indices.nearest, result.outside.observed_count
    else:
        short, overall, interval, outside = None, result.Ppk, result.intervals.get("Ppk"), result.observed_count
    span = "-" if interval is None or None in interval else f"{number(interval[0], 3)} to {number(interval[1], 3)}"
    return (group, str(result.n), number(short, 3), number(overall, 3), span, str(outside), _steady(result.stability))


def chart_row(group: str, made: Chart) -> tuple[str, ...]:
    """Return the line of one group in the summary of charts: how many signals, where the first and the last stand."""
    ends = [(s.points[0], s.points[-1]) for _, s in made.all_signals()]
    answer = "signals" if ends else "no signal" if np.isfinite(made.upper).any() else "no limits"
    if not ends:
        return (group, str(made.values.size), "0", "-", "-", answer)
    first, last = made.labels[min(e[0] for e in ends) - 1], made.labels[max(e[1] for e in ends) - 1]
    return (group, str(made.values.size), str(len(ends)), first, last, answer)


def signal_places(made: Chart) -> str:
    """Return for each test of a chart that signalled how often, and the names of its first and last point."""
    places: dict[tuple[str, str], list[int]] = {}
    counts: dict[tuple[str, str], int] = {}
    for title, signal in made.all_signals():
        places.setdefault((signal.test, title), []).extend(signal.points)
        counts[signal.test, title] = counts.get((signal.test, title), 0) + 1
    if not places:
        return ""
    rows = [
        (test, title, str(counts[test, title]), made.labels[min(at) - 1], made.labels[max(at) - 1])
        for (test, title), at in places.items()
    ]
    return "\n".join(table(("test", "on", "signals", "first at", "last at"), rows)) + "\n"
