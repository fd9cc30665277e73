"""Capability and control charts as text for the screen: aligned, 80 columns, warnings beside the figures they touch."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import TYPE_CHECKING

from holeqc.reports.gauge_text import WIDTH, chance, chance_sentence, notes, number, table

if TYPE_CHECKING:
    from holeqc.problems import Problem
    from holeqc.statistics.capability import Capability
    from holeqc.statistics.chart_parts import Chart
    from holeqc.statistics.indices import Interval
    from holeqc.statistics.position_capability import PositionCapability
    from holeqc.statistics.signals import Signal
    from holeqc.statistics.stability import Stability

FEW_FOR_SHAPE = 200  #: readings below which a test of normality often passes other shapes too (simulated)
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


def _stability_lines(found: Stability) -> list[str]:
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
    lines += _pairs([
        ("readings", str(result.n)),
        ("limits", f"{_value(limits.lower)} to {_value(limits.upper)}"
         + ("" if limits.target is None else f", target {_value(limits.target)}")),
        ("mean", _value(result.mean)),
        ("sigma overall", _value(result.sd_overall)),
        ("sigma within", "-" if within is None else f"{_value(within.sigma)} ({within.words})"),
    ])
    lines += ["", *_index_lines(result), "", *_outside_lines(result), ""]
    if result.percentile is not None:
        lines += [*_percentile_lines(result), ""]
    shapes = result.any_shape
    if shapes is not None:
        level = f"{'at least' if shapes.at_least else 'about'} {100 * result.choices.confidence:g} %"
        lines += [*notes([f"Ppk whatever the shape: {_range(shapes.Ppk)} ({level}, {shapes.words})."
                          if shapes.Ppk else f"Ppk whatever the shape: no interval, {shapes.words}."]), ""]
    lines += _stability_lines(result.stability)
    lines += remark_lines(result.remarks)
    return "\n".join(lines) + "\n"


def _index_lines(result: Capability) -> list[str]:
    overall, short, intervals = result.overall, result.within_indices, result.intervals
    beside = NOT_STABLE if result.stability.stable is False else ""
    shapes = None if result.odd or result.any_shape is None else result.any_shape
    wide = {} if shapes is None else {"Pp": shapes.Pp, "Ppk": shapes.Ppk}
    rows = []
    for name, value in (("Cp", short.potential), ("Cpk", short.nearest), ("Pp", overall.potential),
                        ("Ppk", overall.nearest), ("Cpm", result.Cpm)):
        bound = intervals.get(f"{name}_lower_bound")
        if value is not None:
            rows.append((name, number(value), _range(intervals.get(name)), _range(bound) if bound else "",
                         _range(wide[name]) if wide.get(name) else "", beside))
    if not rows:
        return notes(["no index of a normal distribution is given; the notes below say why"])
    level = f"{100 * result.choices.confidence:g} %"
    head = ("index", "value", f"{level} if normal", "bound if normal", f"{level}, any shape" if any(
        row[4] for row in rows) else "", "")
    made = table(head if any(row[2] != "-" for row in rows) else ("index, of a normal", "value", "", "", "", ""), [
        row if row[2] != "-" else (*row[:2], "", *row[3:]) for row in rows])
    exact = [f"{k}: {_range(intervals[f'{k}_normal_approximation'])}" for k in ("Cpk", "Ppk")
             if f"{k}_normal_approximation" in intervals]
    if exact:
        if result.n < FEW_FOR_SHAPE:
            rest = ("where nothing else speaks for one, take the interval of any shape" if wide.get("Ppk") else
                    "these intervals hold only where something else speaks for one")
            made += notes([f"{result.n} readings seldom show that they are no normal: {rest}"])
        made += notes(["Cpk and Ppk by the noncentral t; by Bissell's normal approximation " + ", ".join(exact)])
    return made


def _outside_lines(result: Capability) -> list[str]:
    out = result.outside
    beside = f"  {NOT_STABLE}" if result.stability.stable is False else ""
    span = _ppm_range(out.expected_interval_ppm)
    rows = [
        ("outside, expected, all scatter", f"{_ppm(out.expected_ppm)} ppm{f', {span} ppm' if span else ''}{beside}"
         if out.expected_ppm is not None else ""),
        ("outside, expected, short run", f"{_ppm(out.expected_ppm_within)} ppm{beside}"
         if out.expected_ppm_within is not None else ""),
        ("outside, observed", f"{out.observed_count} of {result.n} ({_percent_interval(*out.observed_interval)})"),
    ]
    band = result.tolerance
    if band is not None:
        low, high = band.two_sided
        words = {True: ", inside the limits", False: ", NOT inside the limits", None: ""}[band.inside]
        which = f"{_value(low)} to {_value(high)}"
        if result.limits.given and result.limits.width is None:  # one limit: one bound
            which = f"below {_value(band.upper_bound)}" if result.limits.lower is None else (
                f"above {_value(band.lower_bound)}")
        rows.append((f"{100 * band.coverage:.6g} % of parts",
                     f"{which} with {100 * band.confidence:g} % confidence{words}{beside}"))
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
    lines += _pairs([
        ("0.135, 50, 99.865 %", f"{_value(found.low)}, {_value(found.median)}, {_value(found.high)}"),
        ("Pp, Ppk", f"{number(found.Pp)}, {number(found.Ppk)}  {beside}".rstrip()),
        ("outside, expected", f"{_ppm(1e6 * (found.below + found.above))} ppm  {beside}".rstrip()),
    ])
    rows = [(c.words.split(" (")[0], f"{c.behind:.1f}", number(c.A2_adjusted), chance(c.p))
            for c in found.choice.candidates[:MOST_CANDIDATES]]
    rest = len(found.choice.candidates) - len(rows)
    return [*lines, "", *table(("distribution", "AICc behind", "A2 adjusted", "p"), rows),
            *([f"and {rest} farther behind"] if rest > 0 else [])]


def position_text(result: PositionCapability, name: str, unit: str = "") -> str:
    """Return the capability of positions for the screen."""
    beside = f"  {NOT_STABLE}" if result.cautions else ""
    inside = "-" if result.share_inside is None or result.expected_ppm is None else (
        f"{100 * result.share_inside:.6g} %, {_ppm(result.expected_ppm)} ppm outside{beside}")
    observed = f"{result.observed_count} of {result.n} ({_percent_interval(*result.observed_interval)})"
    found = result.intervals

    def span(name: str) -> str:
        return f" ({_range(found[name])}, at least {100 * result.confidence:g} %)" if name in found else ""

    lines = [f"Position capability of {name}" + (f" [{unit}]" if unit else ""), ""]
    lines += _pairs([
        ("positions", str(result.n)), ("tolerance zone", f"diameter {_value(result.tolerance)}"),
        ("mean", f"{_value(result.mean[0])}, {_value(result.mean[1])}"),
        ("sigma along axes", f"{_value(result.sd_axes[0])} at {result.directions[0]:.0f} degrees, "
         f"{_value(result.sd_axes[1])} across"),
        ("Pp, largest ellipse", f"{number(result.Pp)}{span('Pp')}{beside}"),
        ("Ppk, largest ellipse", f"{number(result.Ppk)}{span('Ppk')}{beside}"),
        ("Ppk, share inside", f"{number(result.Ppk_share)} (without interval){beside}"),
        ("inside, expected", inside), ("outside, observed", observed),
    ])
    lines += ["", *_stability_lines(result.stability), *remark_lines(result.remarks)]
    return "\n".join(lines) + "\n"


def chart_text(chart: Chart, name: str, unit: str = "") -> str:
    """Return a control chart for the screen: limits, every signal with its points, and the price of false alarms."""
    lines = [f"Control chart of {name}" + (f" [{unit}]" if unit else "") + f": {chart.kind}", ""]
    limits = _limits(chart)
    rows = [("points", f"{chart.values.size}, limits from " + _source(chart)), ("centre", _value(chart.centre)),
            ("limits of the sum" if chart.kind == "cusum" else "limits", limits),
            ("sigma", "" if chart.sigma is None or limits == "none" else _value(chart.sigma))]
    if chart.kind == "position":
        place = ", ".join(_value(v) for v in chart.details["mean_position"])
        rows.append(("T2 is", f"the squared distance of each place from the mean place ({place}), in sigma of its own "
                     "direction; it has no unit"))
    spread = chart.spread
    if spread is not None and limits != "none":
        centre = "" if spread.centre != spread.centre else f"centre {_value(spread.centre)}, "
        rows.append((spread.title, f"{centre}limits {_limits(spread)}"))
    lines += [*_pairs(rows), ""]
    signals = chart.all_signals()
    if signals:
        lines += [f"{len(signals)} signals" if len(signals) > 1 else "1 signal"]
        lines += table(("test", "on", "side", "points"), [
            (s.test, title, s.side, _points(s.points)) for title, s in signals[:MOST_ROWS]])
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
    text = (f"the {which} sum crossed the decision value at point {crossed}; it had run up since point {began}: the "
            "change began there or just before (an estimate)")
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
