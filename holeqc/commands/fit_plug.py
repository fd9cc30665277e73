"""How often GO and NO-GO plugs give a wrong answer near the limits, predicted from plugs and what blurs the feel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.problems import DataError
from holeqc.reports.chart_text import notes, number, percent, plain, size, table
from holeqc.statistics.gauge_answers import Curve, GaugeRisk, WrongAnswers, plug_curve, process_risk, wrong_answers

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from holeqc.fits.plugs import PlugLimits, PlugSet

REACH = (-3.0, -2.0, -1.0, -0.5, 0.0, 0.5, 1.0, 2.0, 3.0)  #: sizes shown about each limit, in widths of its curve


@dataclass(frozen=True, slots=True)
class PlugAnswers:
    """Curves of both plugs, chances by size near each limit, and shares of a whole process where one was given."""

    go: Curve
    no_go: Curve
    at_lower: WrongAnswers
    at_upper: WrongAnswers
    risk: GaugeRisk | None
    unit: str
    uncertainty: float
    needs: float
    calibrated: tuple[bool, bool]


def predict(
    plugs: PlugSet, uncertainty: float, *, needs: float = 0.0, sizes: Sequence[float | None] = (None, None),
    process: tuple[float | None, float | None] = (None, None),
) -> PlugAnswers:  # fmt: skip
    """Return how often the plugs of a band answer wrongly.

    Args:
        plugs: GO and NO-GO with their makers' limits.
        uncertainty: of the comparison of plug and hole, expanded, k = 2 [unit].
        needs: clearance that a plug needs to enter by hand [unit].
        sizes: size of the GO and of the NO-GO as calibrated; None: somewhere in the maker's limits.
        process: mean and standard deviation of the holes' true sizes; both or none.

    Raises:
        DataError: an amount below zero or above the tolerance, a size far off, or one half of a process.
    """
    if not (0.0 <= uncertainty < np.inf and 0.0 <= needs < np.inf):
        raise DataError("the uncertainty of plug against hole and the clearance to enter are 0 or more")
    _refuse_slips(plugs, uncertainty, needs, sizes, process[0])
    if (process[0] is None) != (process[1] is None):
        raise DataError("a process needs both --mean and --sd")
    go, no_go = (
        _curve(plug, found, uncertainty, needs) for plug, found in zip((plugs.go, plugs.no_go), sizes, strict=True)
    )
    chances = [
        wrong_answers(limit + (curve.width or 1e-4 * limit) * np.array(REACH), plugs.lower, plugs.upper, go, no_go)
        for limit, curve in ((plugs.lower, go), (plugs.upper, no_go))
    ]
    risk = None
    if process[0] is not None and process[1] is not None:
        risk = process_risk(process[0], process[1], plugs.lower, plugs.upper, go, no_go)
    return PlugAnswers(
        go,
        no_go,
        chances[0],
        chances[1],
        risk,
        plugs.unit,
        uncertainty,
        needs,
        (sizes[0] is not None, sizes[1] is not None),
    )


def _refuse_slips(
    plugs: PlugSet, uncertainty: float, needs: float, sizes: Sequence[float | None], mean: float | None
) -> None:
    """Figures in the wrong unit or with the point misplaced give tables of nothing but 0 and 100 %."""
    room = plugs.upper - plugs.lower
    for name, amount in (("--uncertainty", uncertainty), ("--needs", needs)):
        if amount > room:
            raise DataError(f"{name} {amount:g} is more than the whole tolerance, {room:g}; no plug can tell then")
    near = (("--go-size", sizes[0], plugs.lower), ("--no-go-size", sizes[1], plugs.upper))
    for name, value, limit in near:
        if value is not None and abs(value - limit) > room:
            raise DataError(f"{name} {value:g} is over {room:g}, the tolerance, away from {limit:g}; check the unit")
    if mean is not None and not plugs.lower - 10 * room <= mean <= plugs.upper + 10 * room:
        raise DataError(f"--mean {mean:g} is far from the limits {plugs.lower:g} to {plugs.upper:g}; check the unit")


def _curve(plug: PlugLimits, found: float | None, uncertainty: float, needs: float) -> Curve:
    if found is None:
        return plug_curve(
            0.5 * (plug.lower + plug.upper), uncertainty / 2, needs=needs, maker_band=plug.upper - plug.lower
        )
    return plug_curve(found, uncertainty / 2, needs=needs)


def answers_text(found: PlugAnswers) -> str:
    """Return the prediction for the screen."""
    unit = found.unit
    lines = [f"Wrong answers near the limits, plug against hole with U = {size(found.uncertainty)} {unit} (k = 2)"]
    for name, curve, known in (("GO", found.go, found.calibrated[0]), ("NO-GO", found.no_go, found.calibrated[1])):
        basis = "as calibrated" if known else "middle of the maker's limits, rectangular"
        lines += notes(
            [
                f"{name} enters every second time at {size(curve.centre)} ({basis}), from 2.5 to 97.5 % within "
                f"{number(3.92 * curve.width, 3)}"
            ]
        )
    for word, answers in (("lower", found.at_lower), ("upper", found.at_upper)):
        rows = [
            (f"{float(x):.6f}", percent(100 * a), percent(100 * g), percent(100 * b))
            for x, a, g, b in zip(
                answers.size, answers.accepted, answers.good_refused, answers.bad_accepted, strict=True
            )
        ]
        lines += ["", *table((f"at the {word} limit", "accepted %", "good refused %", "bad accepted %"), rows)]
    if found.risk is not None:
        risk = found.risk
        lines += [
            "",
            f"Of a whole process: {_ppm(risk.outside)} ppm outside the limits; {_ppm(risk.bad_accepted)} ppm bad and",
            f"accepted; {_ppm(risk.good_refused)} ppm good and refused (JCGM 106, 9.5).",
        ]
    lines += notes(
        [
            "the chances are predicted; holes of known size tried several times show the true ones: holeqc "
            "gauge-study --size"
        ]
    )
    return "\n".join(lines)


def _ppm(share: float) -> str:
    return f"{1e6 * share:.0f}" if share >= 1e-5 else f"{1e6 * share:.2g}"


def answers_data(found: PlugAnswers) -> dict[str, Any]:
    """Return the prediction for machines."""
    return {"wrong_answers": plain(found)}


def answers_figure(found: PlugAnswers, plugs: PlugSet) -> Figure:
    """Return the curves of both plugs with the limits."""
    from holeqc.reports.gauge_plots import response_figure

    return response_figure(
        [("GO", found.go), ("NO-GO", found.no_go)], [("lower limit", plugs.lower), ("upper limit", plugs.upper)],
        found.unit,
    )  # fmt: skip
