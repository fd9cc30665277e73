"""Fit arithmetic as it is asked: classes, pairs, drills, plugs, a kit's pattern of pins.

Sizes are given as they are typed, ``"7/16"``, ``"11.5 mm"``, or as numbers: one unit for all of a question, never
guessed from a mixture; odd sizes are told on standard error.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc import printing
from holeqc.answers import Answer, several
from holeqc.fits.classes import parse_size
from holeqc.fits.clearance import Condition, under
from holeqc.problems import DataError
from holeqc.quantities import (
    GRAIN,
    MM_PER_INCH,
    REFERENCE_TEMPERATURE_C,
    format_length,
    parse_length,
    parse_unit,
    unit_name,
)
from holeqc.reports.chart_text import notes, number, percent, size, table
from holeqc.statistics.basics import plain

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from holeqc.answers import Named
    from holeqc.fits.classes import FitLimits
    from holeqc.fits.clearance import AssemblyProbability, Band
    from holeqc.fits.drills import History, PlugLimits, PlugSet
    from holeqc.quantities import FloatArray, Unit
    from holeqc.specification.model import Hole, Specification
    from holeqc.statistics.gauge_accuracy import Curve, GaugeRisk, WrongAnswers


LARGE_IN = 3.0  #: bare sizes above are asked about: most likely mm (our choice)
LARGEST_DRILL_IN = 1.0  #: standard drills end here, so larger limits of a drilled hole are asked about
SMALL_MM = 1.0  #: bare sizes below are asked about: most likely inch (our choice)


# ---------------------------------------------------------------------------------------------------- the questions


def class_(name: str, size: str | float) -> Answer:
    """Return what an ANSI B4.1 class gives at a nominal size: limits of hole and shaft, clearance, how confirmed.

    Args:
        name: RC7, LC1, FN2, ... size: nominal; a bare one is in inch.

    Raises:
        HoleQCError: no such class or size.
    """
    from holeqc.fits import classes
    from holeqc.problems import TableError

    typed = str(size)
    if not classes.is_inch_class(name) and _is_iso_class(name):
        raise TableError(f"{name} is a class of ISO 286, not of ANSI B4.1: holeqc fit metric {name} {typed or 'SIZE'}")
    if not typed:
        raise DataError(f"a class needs a nominal size: holeqc fit class {name} SIZE")
    if parse_length(typed)[1] is None:
        _ask_about_unit([typed], "in")
    limits = classes.limits(name, parse_size(typed, "in"))
    return _of_class(limits, classes.meaning(classes.parse_inch_class(name)))


def metric(name: str, size: str | float) -> Answer:
    """Return what an ISO 286 class gives at a nominal size: limits of hole and shaft, clearance, how confirmed.

    Args:
        name: H7/g6, or one side, H7 or g6; capitals are holes. size: nominal; a bare one is in mm.

    Raises:
        HoleQCError: no such class or size.
    """
    from holeqc.fits import classes

    typed = str(size)
    limits = classes.iso286_limits(name, parse_size(typed, "mm"))
    if limits.hole is not None and limits.shaft is not None and name.strip()[0].islower():
        warn(f"{name} is taken as {limits.name}: capitals are holes, small letters shafts, whichever stands first")
    if parse_length(typed)[1] is None:
        _ask_about_unit([typed], "mm")
        if "/" in typed:
            warn(f"{typed} is taken as mm; for inch write {typed}in")
    return _of_class(limits, classes.PREFERRED.get(limits.name, ""))


def _is_iso_class(text: str) -> bool:
    from holeqc.fits.classes import parse_iso_class
    from holeqc.problems import TableError

    try:
        return any(parse_iso_class(text))
    except TableError:
        return False


def _of_class(limits: FitLimits, meaning: str) -> Answer:
    from holeqc.fits.classes import refuse_no_part
    from holeqc.problems import WARNING, Problem
    from holeqc.reports.fit_text import class_data, class_text

    refuse_no_part(limits)

    def draw() -> Figure:
        from holeqc.reports.scale_plots import class_figure

        return class_figure(limits, meaning)

    problems = (Problem(WARNING, "not-confirmed", limits.warning),) if limits.warning else ()
    return Answer(class_text(limits, meaning) + "\n", class_data(limits), draw, problems)


def pair(
    hole: Sequence[str | float],
    pin: Sequence[str | float],
    *,
    unit: str = "",
    wanted: str | float = "",
    temperature: float | None = None,
    expansion: tuple[float, float] | None = None,
    wear: Sequence[str | float] = ("0", "0"),
    measured: str | Sequence[float] = "",
) -> Answer:
    """Return what a hole band and a pin band make together: clearance, chance of interference, nearest class.

    Args:
        hole, pin: low and high limit. unit: in or mm, of sizes that don't name theirs; inch if none does.
        wanted: least clearance wanted, whose probability is said. wear: of hole and pin, on the diameter.
        temperature: of both [°C], with ``expansion`` of hole and pin [1e-6/°C].
        measured: holes that were measured, in one text with blanks or a list.

    Raises:
        HoleQCError: a size, temperature, coefficient or wear that can't be meant.
    """
    from holeqc.fits.classes import match_pair
    from holeqc.fits.clearance import band
    from holeqc.reports.fit_text import pair_data, pair_text

    found = split_sizes(measured) if isinstance(measured, str) else [str(size) for size in measured]
    wished = str(wanted)
    numbers, said = lengths([*map(str, hole), *map(str, pin), wished or "0", *map(str, wear), *found], unit, 4)
    hole_band, pin_band = (numbers[0], numbers[1]), (numbers[2], numbers[3])
    fit = match_pair(hole_band, pin_band, said)
    bands = (band(*hole_band), band(*pin_band))
    if not 0.5 < numbers[2] / numbers[0] < 2.0:
        warn(f"a pin of {pin[0]} in a hole of {hole[0]} is no pair of one size; check the point and the unit")
    parts = _conditions(temperature, expansion, numbers[5:7], bands)
    lines, data = _pair_extras(bands, parts, numbers[4] if wished else None, numbers[7:], said)

    def draw() -> Figure:
        from holeqc.reports.scale_plots import pair_figure

        return pair_figure(hole_band, pin_band, said, fit.sentence)

    return Answer(pair_text(fit, hole_band, pin_band, lines) + "\n", pair_data(fit, hole_band, pin_band, data), draw)


def drill(
    low: str | float,
    high: str | float,
    *,
    unit: str = "",
    history: str | Sequence[str] = (),
    series: str | Sequence[str] = (),
    light_metal: bool = False,
) -> Answer:
    """Return which standard drill lands in a band, what hole it is expected to cut, and what to ream instead.

    Args:
        low, high: limits of the hole. unit: in or mm, where they don't say it.
        history: holes that drills cut here, ``"29/64: 0.4561 0.4567 0.4559"``, three or more of each.
        series: number, letter, fraction, metric; all if not given. light_metal: more reaming stock.

    Raises:
        HoleQCError: sizes that can't be used, no such drill or series.
    """
    from holeqc.fits.drills import SERIES, choose_drill, drilling_sequence
    from holeqc.reports.fit_text import drill_data, drill_text

    (lower, upper), said = lengths([str(low), str(high)], unit, 2, LARGEST_DRILL_IN)
    histories = [_drill_history(text, said) for text in several(history)]
    choice = choose_drill(lower, upper, said, histories, several(series) or tuple(SERIES), light_metal)
    sequence = drilling_sequence(choice.candidates[0].diameter, said) if choice.candidates else ()
    bore = _bushing(choice.candidates[0].diameter, said) if choice.candidates else None

    def draw() -> Figure:
        from holeqc.reports.scale_plots import drill_figure

        return drill_figure(choice)

    return Answer(drill_text(choice, sequence, bore) + "\n", drill_data(choice, sequence, bore), draw)


def _bushing(tool: float, unit: Unit) -> tuple[float, float] | None:
    """Bore limits of the standard bushing for a drill, None outside its table."""
    from holeqc.fits.drills import bore_limits
    from holeqc.problems import TableError

    try:
        bore = bore_limits(tool, unit)
    except TableError:
        return None
    return float(bore.lower), float(bore.upper)


def plug(
    low: str | float,
    high: str | float,
    *,
    unit: str = "",
    wear_limit: str | float = "",
    uncertainty: str | float = "",
    needs: str | float = "",
    go_size: str | float = "",
    no_go_size: str | float = "",
    mean: str | float = "",
    sd: str | float = "",
) -> Answer:
    """Return which GO and NO-GO plugs a band needs: sizes, maker's class, what they eat of the tolerance.

    Args:
        low, high: limits of the hole. unit: in or mm, where they don't say it.
        wear_limit: size at which the GO is put out of use.
        uncertainty: U (k = 2) of plug against hole; the answer then says how often the plugs are wrong.
        needs: clearance to enter by hand. go_size, no_go_size: as calibrated. mean, sd: of the holes drilled.

    Raises:
        HoleQCError: sizes that can't be used, or what goes with an uncertainty without one.
    """
    from holeqc.fits.drills import plugs
    from holeqc.reports.fit_text import plug_data, plug_text

    words = [str(word) for word in (wear_limit, uncertainty, needs, go_size, no_go_size, mean, sd)]
    numbers, said = lengths([str(low), str(high), *(word for word in words if word)], unit, 2)
    given = iter(numbers[2:])
    wear, blur, enter, *others = (next(given) if word else None for word in words)
    for name, word, value in zip(
        ("--wear-limit", "--go-size", "--no-go-size", "--mean"),
        (words[0], *words[3:6]),
        (wear, *others[:3]),
        strict=True,
    ):
        if value is not None:
            refuse_below_zero(f"{name} {word}", value)
    found = plugs(numbers[0], numbers[1], said, wear)
    if blur is None:
        if any(words[2:]):
            raise DataError("--needs, --go-size, --no-go-size, --mean and --sd go with --uncertainty")

        def draw() -> Figure:
            from holeqc.reports.scale_plots import plug_figure

            return plug_figure(found)

        return Answer(plug_text(found) + "\n", plug_data(found), draw)
    wrong = predict(found, blur, needs=enter or 0.0, sizes=others[:2], process=(others[2], others[3]))
    data = plug_data(found) | {"wrong_answers": plain(wrong)}
    return Answer(f"{plug_text(found)}\n\n{_plug_text(wrong)}\n", data, lambda: _plug_figure(wrong, found))


def pattern(
    kit: Named, *, pairs: int = 20_000, seed: int = 1, normal: bool = False, confidence: float = 0.95
) -> Answer:
    """Return whether a kit's pins go into its holes: virtual conditions, what the clearance affords, the chance.

    Args:
        kit: loaded, or its file. pairs: how many random parts and kits. seed: the same one gives the same answer.
        normal: sizes normal instead of even over their bands. confidence: of the interval, between 0 and 1.

    Raises:
        HoleQCError: a kit that can't be used, or none of whose holes takes a pin.
    """
    from holeqc.answers.files import loaded

    report = pattern_report(loaded(kit), pairs, seed, normal, confidence)

    def draw() -> Figure:
        from holeqc.reports.scale_plots import Bar, zone_figure

        group = report.groups[0]
        bars = [
            Bar("hole", group.hole_lower, group.hole_upper, "hole"),
            Bar("hole\nvirtual condition", group.hole_virtual, group.hole_lower, "boundary"),
            Bar("pin\nvirtual condition", group.pin_upper, group.pin_virtual, "boundary"),
            Bar("pin", group.pin_lower, group.pin_upper, "pin"),
        ]
        title = f"Kit {report.kit}, holes {_names_of(group.holes)}"
        return zone_figure(bars, group.hole_lower, report.unit, title, "least hole", group.sentence)

    return Answer(_pattern_text(report) + "\n", _pattern_data(report), draw)


# ------------------------------------------------------------------------------------------- lengths as they are typed


def lengths(words: Sequence[str], unit: str, sizes: int = 0, large_in: float = LARGE_IN) -> tuple[list[float], Unit]:
    """Return typed lengths in one unit: the one asked for, else the first that a length names, else inch.

    Two units that are both named are converted, and that is said. When the first ``sizes`` words name no unit and
    suggest the other one, that is said too. A bare 0 is 0 in either unit.

    Raises:
        DataError: one of the first ``sizes`` words is not above zero, an unknown unit, no length, or a bare length
            beside one with a unit and no unit asked for.
    """
    asked = parse_unit(unit) if unit else None
    if unit and asked is None:
        raise DataError(f"--unit {unit!r} is not known; write in or mm")
    parsed = [parse_length(word) for word in words]
    for word, (value, _) in list(zip(words, parsed, strict=True))[:sizes]:
        refuse_below_zero(word, float(value))
    named = [said for _, said in parsed if said is not None]
    bare = [word for word, (value, said) in zip(words, parsed, strict=True) if said is None and value != 0]
    if named and bare and asked is None:
        with_unit = next(word for word, (_, said) in zip(words, parsed, strict=True) if said is not None)
        raise DataError(
            f"{bare[0]} names no unit, {with_unit} does. Write {bare[0]}in or {bare[0]}mm, or give --unit in or "
            "--unit mm for all that name none"
        )
    chosen: Unit = asked or (named[0] if named else "in")
    numbers = [parse_size(word, chosen) for word in words]
    if set(named) - {chosen}:
        warn(f"inch and mm are both named; the answer is in {unit_name(chosen)}")
    elif not named and sizes:
        _ask_about_unit(words[:sizes], chosen, large_in, "--unit mm" if asked is None else "")
    return numbers, chosen


def refuse_below_zero(word: str, value: float) -> None:
    """Raise ``DataError`` that names a typed size ``word`` whose ``value`` (either unit) is not above zero."""
    if not value > 0.0:
        mend = "; type it without a minus sign" if value < 0.0 else ""
        raise DataError(f"{word.strip()}: a size must be above zero{mend}")


def _ask_about_unit(bare: Sequence[str], unit: Unit, large_in: float = LARGE_IN, other_way: str = "") -> None:
    """Say when sizes that name no unit suggest the other one; ``other_way`` is an option that says it for all."""
    if any("/" in word or "⁄" in word for word in bare):
        return
    ordered = sorted(bare, key=lambda text: parse_size(text, unit))
    word = ordered[0] if unit == "in" else ordered[-1]
    size = parse_size(word, unit)
    if unit == "in" and size > large_in:
        also = f" or {other_way}" if other_way else ""
        warn(f"{word} is taken as inch, {MM_PER_INCH * size:g} mm; if mm is meant write {word}mm{also}")
    elif unit == "mm" and 0.0 < size < SMALL_MM:
        warn(f"{word} is taken as mm, {size / MM_PER_INCH:.4f} in; if inch is meant write {word}in")


def split_sizes(text: str) -> list[str]:
    """Return sizes typed in one string, separated by spaces, semicolons, or commas followed by a space."""
    return [word for word in re.split(r"[\s;]+|,\s+|,$", text.strip()) if word]


def _drill_history(text: str, unit: Unit) -> History:
    """Return the holes typed as ``29/64: 0.4561 0.4567``; a bare size is in ``unit``.

    Raises:
        DataError: no colon or no hole, no such drill, mixed units, or a hole that doesn't belong; the entry is named.
    """
    from holeqc.fits.drills import history

    name, colon, sizes = text.partition(":")
    words = split_sizes(sizes)
    if not colon or not words:
        raise DataError(f"--history {text!r}: write the drill, a colon and the holes: '29/64: 0.4561 0.4567'")
    try:
        named = any(parse_length(word)[1] for word in words)
        numbers, said = lengths(words, "" if named else unit)
        return history(name, [parse_size(f"{number!r} {said}", unit) for number in numbers], unit)
    except DataError as error:
        raise DataError(f"--history {text!r}: {error}") from None


def warn(text: str) -> None:
    """Write one warning to standard error."""
    printing.warn(f"holeqc: warning: {text}")


# -------------------------------------------------------------------- what is asked of a pair besides its bands


TEMPERATURES_C = (-100.0, 300.0)  #: a constant coefficient of expansion holds no farther from 20 °C (our choice)
EXPANSIONS = (0.1, 300.0)  #: [1e-6/°C], from low-expansion alloys to soft plastics (our choice); 0: doesn't expand
FOREIGN = (0.8, 1.25)  #: a measured hole beyond these times its band is a slip (our choice)
WORDS = {
    "uniform": "sizes even over their bands",
    "normal": "sizes normal, band six standard deviations",
    "measured": "your holes, pins even over their band",
}


def _conditions(
    temperature: float | None, expansion: tuple[float, float] | None, wear: Sequence[float], bands: tuple[Band, Band]
) -> tuple[Condition, Condition]:
    """Return the condition of hole and pin from what was typed: [°C], [1e-6/°C], wear in the unit of the bands.

    Raises:
        DataError: temperature or expansion without the other, or a figure outside its range.
    """
    if temperature is not None and expansion is None:
        raise DataError(
            f"--temperature {temperature:g} changes nothing without --expansion HOLE PIN; about 23.1 for aluminium, "
            "11.5 for steel (1e-6/°C, one source each)"
        )
    if expansion is not None and temperature is None:
        raise DataError("--expansion changes nothing without --temperature of both parts [°C]")
    if temperature is not None and not TEMPERATURES_C[0] <= temperature <= TEMPERATURES_C[1]:
        low, high = TEMPERATURES_C
        raise DataError(f"--temperature {temperature:g} °C; allowed: {low:g} to {high:g} °C, both parts at it")
    for name, value in zip(("hole", "pin"), expansion or (), strict=False):
        if value != 0.0 and not EXPANSIONS[0] <= value <= EXPANSIONS[1]:
            low, high = EXPANSIONS
            raise DataError(f"--expansion of the {name} {value:g}; allowed: 0, or {low:g} to {high:g} in 1e-6/°C")
    for name, value, part in zip(("hole", "pin"), wear, bands, strict=True):
        if not 0.0 <= value < 0.5 * float(part.lower):
            raise DataError(f"--wear of the {name} {value:g}; allowed: 0 to half its diameter, {0.5 * part.lower:g}")
    at = REFERENCE_TEMPERATURE_C if temperature is None else temperature
    per_c = (0.0, 0.0) if expansion is None else expansion
    hole, pin = (Condition(a * 1e-6, at, w) for a, w in zip(per_c, wear, strict=True))
    return hole, pin


def _pair_extras(
    bands: tuple[Band, Band],
    parts: tuple[Condition, Condition],
    wanted: float | None,
    measured: Sequence[float],
    unit: Unit,
) -> tuple[list[str], dict[str, Any]]:
    """Return lines and data of what was asked besides the bands.

    Raises:
        DataError: a measured hole that is nowhere near its band.
    """
    from holeqc.fits.clearance import Measured, Normal, Uniform, clearance_distribution
    from holeqc.reports.fit_text import condition_sentence, share_text

    hole, pin = bands
    lines: list[str] = []
    data: dict[str, Any] = {}
    if parts[0].temperature_c != REFERENCE_TEMPERATURE_C or any(part.wear for part in parts):
        worn = under(hole, pin, *parts)
        wear = " with wear" if any(part.wear for part in parts) else ""
        lines.append(condition_sentence(f"At {parts[0].temperature_c:g} °C{wear}", worn, unit))
        data["condition"] = {"min": round(float(worn.least), 10), "max": round(float(worn.greatest), 10)}
    if measured:
        outside = _outside(measured, hole, unit)
        lines += [_outside_sentence(outside, hole, unit)] if outside else []
        data["measured_outside"] = outside

    def shapes(part: Band) -> dict[str, Any]:
        low, high = float(part.lower), float(part.upper)
        if high - low <= 0.0:
            return dict.fromkeys(("uniform", "normal"), Measured(part.lower))
        return {"uniform": Uniform(low, high), "normal": Normal(0.5 * (low + high), (high - low) / 6.0)}

    cases = {name: clearance_distribution(shapes(hole)[name], shapes(pin)[name]) for name in ("uniform", "normal")}
    if measured:
        cases["measured"] = clearance_distribution(Measured(np.array(measured)), shapes(pin)["uniform"])
    data["statistics"] = {}
    for name, case in cases.items():
        entry = {"mean": round(case.mean, 10), "sd": round(case.sd, 10), "interference": case.interference}
        line = f"Chance of interference, {WORDS[name]}: {share_text(case.interference)}"
        if wanted is not None:
            entry["below_wanted"] = float(case.probability_below(wanted))
            line += f"; clearance below {format_length(wanted, unit)}: {share_text(entry['below_wanted'])}"
        data["statistics"][name] = entry
        lines.append(line + ".")
    return lines, data


def _outside(measured: Sequence[float], hole: Band, unit: Unit) -> list[float]:
    low, high = float(hole.lower), float(hole.upper)
    for one in measured:
        if not math.isfinite(one) or not FOREIGN[0] * low <= one <= FOREIGN[1] * high:
            band = f"{format_length(low, unit)} to {format_length(high, unit)} {unit}"
            shown = format_length(one, unit)
            raise DataError(f"--measured {shown} is no hole of {band}; check the point and the unit")
    return [one for one in measured if one < low - GRAIN or one > high + GRAIN]


def _outside_sentence(outside: Sequence[float], hole: Band, unit: Unit) -> str:
    band = f"{format_length(float(hole.lower), unit)} to {format_length(float(hole.upper), unit)} {unit}"
    sizes = ", ".join(format_length(size, unit) for size in outside)
    verb = "lies" if len(outside) == 1 else "lie"
    return f"Caution: measured {sizes} {verb} outside the hole's limits, {band}."


# --------------------------------------------------------------- how often plugs answer wrongly near the limits


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
    from holeqc.statistics.gauge_accuracy import process_risk, wrong_answers

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
    from holeqc.statistics.gauge_accuracy import plug_curve

    if found is None:
        return plug_curve(
            0.5 * (plug.lower + plug.upper), uncertainty / 2, needs=needs, maker_band=plug.upper - plug.lower
        )
    return plug_curve(found, uncertainty / 2, needs=needs)


def _plug_text(found: PlugAnswers) -> str:
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


def _plug_figure(found: PlugAnswers, plugs: PlugSet) -> Figure:
    """Return the curves of both plugs with the limits."""
    from holeqc.reports.gauge_plots import response_figure

    return response_figure(
        [("GO", found.go), ("NO-GO", found.no_go)], [("lower limit", plugs.lower), ("upper limit", plugs.upper)],
        found.unit,
    )  # fmt: skip


# --------------------------------------------------------------------------------------------------- a kit's pattern


@dataclass(frozen=True, slots=True)
class PinnedHole:
    """Holes that ask the same of hole and pin; lengths in the kit's unit.

    ``room`` is the hole's virtual condition minus the pin's; ``clearance`` the hole at MMC minus the pin at MMC, which
    is what both position tolerances may share (``used``). ``tilt_deg`` and ``side_play`` are of the largest hole with
    the smallest pin over ``engagement`` (NaN: not known). ``bushing_share`` is the part of the hole's tolerance that a
    standard bushing's bore clearance can take (NaN: drill not known).
    """

    holes: tuple[str, ...]
    hole_lower: float
    hole_upper: float
    hole_tolerance: float
    condition: str
    hole_virtual: float
    pin_lower: float
    pin_upper: float
    pin_tolerance: float
    pin_virtual: float
    room: float
    clearance: float
    used: float
    engagement: float
    tilt_deg: float
    side_play: float
    bushing_share: float
    sentence: str


@dataclass(frozen=True, slots=True)
class PatternReport:
    """All that is said of a kit's pattern; ``assembly`` None where a position tolerance or a place is missing."""

    kit: str
    revision: str
    unit: Unit
    walls: int
    groups: tuple[PinnedHole, ...]
    guaranteed: bool
    assembly: AssemblyProbability | None
    normal: bool
    seed: int
    notes: tuple[str, ...]


def pattern_report(
    specification: Specification, pairs: int = 20_000, seed: int = 1, normal: bool = False, confidence: float = 0.95
) -> PatternReport:
    """Return virtual conditions, affordances and the probability of assembly of a kit's pins.

    Raises:
        DataError: no hole of the kit takes a pin.
    """
    pinned = [hole for hole in specification.holes if hole.pin is not None]
    if not pinned:
        raise DataError(f"kit {specification.id}: no hole takes a pin; write [pin] in the kit file")
    groups = _groups(pinned, specification)
    notes = []
    placed = all(math.isfinite(hole.x) and math.isfinite(hole.y) for hole in pinned)
    complete = placed and all(_tolerance(hole) is not None for hole in pinned)
    assembly = _assembly(pinned, pairs, seed, normal, confidence) if complete else None
    if not complete:
        notes.append("The chance of assembly needs basic positions and a position tolerance of every hole with a pin.")
    guaranteed = complete and all(g.room >= -GRAIN and g.condition != "LMC" for g in groups)
    if specification.walls.several:
        notes.append("Both walls of a hole are taken as drilled in one pass, square to the face.")
    return PatternReport(
        specification.id,
        specification.revision,
        specification.unit,
        len(specification.walls.names),
        groups,
        guaranteed,
        assembly,
        normal,
        seed,
        tuple(notes),
    )


def _pattern_text(report: PatternReport) -> str:
    """Return the report as text for a screen of 80 columns."""
    from holeqc.fits.clearance import PROJECTED_NOTE
    from holeqc.reports.fit_text import aligned, paragraphs

    unit = report.unit
    count = sum(len(group.holes) for group in report.groups)
    rows = [["holes", "hole MMC", "position", "virtual", "pin MMC", "position", "virtual", "room"]]
    for group in report.groups:
        numbers = (
            group.hole_lower, group.hole_tolerance, group.hole_virtual, group.pin_upper, group.pin_tolerance,
            group.pin_virtual, group.room,
        )  # fmt: skip
        rows.append([_names_of(group.holes), *(format_length(value, unit) for value in numbers)])
    title = f"Kit {report.kit} revision {report.revision}: {count} holes with pins"
    lines = [f"{title}, lengths in {unit_name(unit)}", "", aligned(rows), ""]
    lines += [paragraphs(_group_sentences(group, unit)) for group in report.groups]
    lines.append(paragraphs([_assembly_sentence(report)]))
    if report.guaranteed:
        lines.append(paragraphs(["No pin's virtual condition is larger than its hole's: within tolerance, all go in."]))
    return "\n".join([*lines, *(paragraphs([note]) for note in (*report.notes, PROJECTED_NOTE))])


def _pattern_data(report: PatternReport) -> dict[str, Any]:
    """Return the report for ``--json``."""
    from holeqc.reports.fit_text import record

    data = record(report)
    assert isinstance(data, dict)  # a record becomes a dictionary
    return data


def _groups(pinned: list[Hole], specification: Specification) -> tuple[PinnedHole, ...]:
    found: dict[tuple[Any, ...], list[Hole]] = {}
    for hole in pinned:
        found.setdefault((hole.size, _tolerance(hole), _condition(hole), hole.pin), []).append(hole)
    return tuple(_group(holes, specification) for holes in found.values())


def _group(holes: list[Hole], specification: Specification) -> PinnedHole:
    from holeqc.fits.classes import describe_fit
    from holeqc.fits.clearance import hole_virtual_condition, pin_virtual_condition, side_play, tilt_angle

    first = holes[0]
    size, pin = first.size, first.pin
    assert pin is not None  # only holes with pins are grouped
    tolerance = _tolerance(first) or 0.0
    # without a tolerance at MMC the boundary that pins meet is taken at the least hole all the same
    hole_virtual = float(hole_virtual_condition(size.lower, tolerance))
    pin_virtual = float(pin_virtual_condition(pin.upper, pin.position_tolerance))
    depth = specification.walls.stack_depth
    tilt, play = math.nan, math.nan
    if depth is not None and depth > 0.0 and size.upper >= pin.lower:
        tilt = math.degrees(float(tilt_angle(size.upper, pin.lower, depth)))
        play = float(side_play(size.upper, pin.lower, depth))
    return PinnedHole(
        tuple(hole.id for hole in holes),
        size.lower,
        size.upper,
        tolerance,
        _condition(first),
        round(hole_virtual, 10),
        pin.lower,
        pin.upper,
        pin.position_tolerance,
        round(pin_virtual, 10),
        round(hole_virtual - pin_virtual, 10),
        round(size.lower - pin.upper, 10),
        round(tolerance + pin.position_tolerance, 10),
        math.nan if depth is None else depth,
        tilt,
        play,
        _bushing_share(specification, tolerance),
        describe_fit(size.lower, size.upper, pin.lower, pin.upper, specification.unit),
    )


def _bushing_share(specification: Specification, tolerance: float) -> float:
    from holeqc.fits.drills import bore_limits
    from holeqc.problems import TableError

    drill = specification.tools.drill
    if drill is None or tolerance <= 0.0:
        return math.nan
    try:
        bore = bore_limits(drill.diameter, specification.unit)
    except TableError:
        return math.nan
    return (float(bore.upper) - drill.diameter) / tolerance


def _assembly(pinned: list[Hole], pairs: int, seed: int, normal: bool, confidence: float) -> AssemblyProbability:
    from holeqc.fits.clearance import pattern_tolerances, probability_of_assembly

    pins = [hole.pin for hole in pinned if hole.pin is not None]
    tolerances = pattern_tolerances(
        [(hole.x, hole.y) for hole in pinned],
        ([h.size.lower for h in pinned], [h.size.upper for h in pinned], [_tolerance(h) or 0.0 for h in pinned]),
        ([p.lower for p in pins], [p.upper for p in pins], [p.position_tolerance for p in pins]),
        [_condition(hole) for hole in pinned],
    )

    def margin(pin_xy: FloatArray, hole_xy: FloatArray, hole: FloatArray, pin: FloatArray) -> FloatArray:
        return _pin_gauge_margin(tolerances.xy, pin_xy - tolerances.xy, hole_xy, hole, pin)

    return probability_of_assembly(tolerances, margin, pairs, seed, normal, confidence)


def _pin_gauge_margin(
    basic_xy: FloatArray, pin_offset: FloatArray, hole_xy: FloatArray, hole: FloatArray, pin: FloatArray
) -> FloatArray:
    """Margin of every pair with the pin gauge, which takes one pin pattern for all parts.

    The pins' own offsets are moved to the holes' side: |R (p + e) + t - h| = |R p + t - (h - R e)|. The first run takes
    R e = e; the second turns e by the rotation that the first found, what is left is of second order in that rotation.
    """
    from holeqc.inspection.pin_gauge import pin_pattern_margin

    turned = pin_offset
    for _ in range(2):
        found = pin_pattern_margin(basic_xy, hole_xy - turned, hole, pin)
        cos, sin = np.cos(found.rotation)[:, None], np.sin(found.rotation)[:, None]
        x, y = pin_offset[..., 0], pin_offset[..., 1]
        turned = np.stack([cos * x - sin * y, sin * x + cos * y], axis=-1)
    return np.asarray(found.margin)


def _tolerance(hole: Hole) -> float | None:
    asked = hole.position
    return asked.pattern_tolerance if asked.pattern_tolerance is not None else asked.tolerance


def _condition(hole: Hole) -> str:
    asked = hole.position
    return asked.pattern_condition if asked.pattern_tolerance is not None else asked.condition


def _names_of(holes: tuple[str, ...]) -> str:
    """Return the ids of holes in a few characters: all of them, or first, last and how many."""
    text = ", ".join(holes)
    return text if len(text) <= 12 else f"{holes[0]} .. {holes[-1]} ({len(holes)})"


def _group_sentences(group: PinnedHole, unit: str) -> list[str]:
    def length(value: float) -> str:
        return f"{format_length(value, unit)} {unit}"

    left = group.clearance - group.used
    rest = f"leaves {length(left)}" if left >= -GRAIN else f"is {length(-left)} too much"
    sentences = [
        f"Holes {_names_of(group.holes)}: {group.sentence}.",
        f"Fixed pins: the clearance at MMC, {length(group.clearance)}, is what both position tolerances may share "
        f"(half each: {length(0.5 * group.clearance)}). The drawing uses {length(group.used)}, which {rest}.",
    ]
    if math.isfinite(group.tilt_deg):
        sentences.append(
            f"Over {length(group.engagement)} of engagement the smallest pin in the largest hole leans up to "
            f"{group.tilt_deg:.2f} degrees to either side; side play {length(group.side_play)}."
        )
    if math.isfinite(group.bushing_share):
        sentences.append(
            f"A new standard drill bushing's clearance can take {100.0 * group.bushing_share:.1f} % of the hole's "
            "position tolerance (ANSI B94.33, parallel drill)."
        )
    return sentences


def _assembly_sentence(report: PatternReport) -> str:
    from holeqc.reports.fit_text import share_text

    found = report.assembly
    if found is None:
        return "Chance that a random kit fits a random part: not worked out."
    spread = "normal, band six standard deviations" if report.normal else "even over their bands"
    return (
        f"Chance that a random kit within tolerance fits a random part within tolerance, all pins at once: "
        f"{share_text(found.probability)} ({found.fits} of {found.pairs} drawn, seed {report.seed}; sizes {spread}); "
        f"{100.0 * found.confidence:g} % confidence interval {share_text(found.lower)} to {share_text(found.upper)}. "
        f"Worst margin {format_length(found.margin_worst, report.unit, 4)} {report.unit}."
    )
