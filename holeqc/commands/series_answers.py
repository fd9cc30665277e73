"""Series of a kit answered by the statistics that fit their quantity; a notebook may call these as the commands do."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from holeqc.inspection.series import RejectCounts, Series
    from holeqc.problems import Problem
    from holeqc.statistics.capability import Capability, Choices
    from holeqc.statistics.charts import Chart, ChartOptions
    from holeqc.statistics.position_capability import PositionCapability


def with_remarks(result: Any, more: Iterable[Problem]) -> Any:
    """Return a result of the statistics with what must be said of the series before its own remarks."""
    return replace(result, remarks=(*more, *result.remarks))


def capability_of(
    series: Series, choices: Choices, target: float | None = None, subgroup: str = ""
) -> Capability | PositionCapability:
    """Return the capability of a series by the method that fits its quantity."""
    from holeqc.problems import WARNING, DataError, Problem
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
    from holeqc.problems import DataError
    from holeqc.statistics import charts as parts
    from holeqc.statistics.charts import average_chart, chart, position_chart
    from holeqc.statistics.signals import alarms_of_scatter
    from holeqc.statistics.subgroups import RANGE

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
    from holeqc.problems import NOTE, DataError, Problem
    from holeqc.statistics.charts import P_CHART, p_chart

    if kind not in ("", P_CHART):
        raise DataError(f"rejects have no chart '{kind}'; allowed: {P_CHART}")
    made = p_chart(rejects.counts, rejects.sizes, options=options, labels=rejects.labels)
    words = Problem(NOTE, "charted", f"each point is the share of rejected {rejects.counted}; period: {rejects.period}")
    return with_remarks(made, (words, *rejects.problems))
