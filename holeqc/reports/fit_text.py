"""Fit answers as small aligned tables for a screen of 80 columns. Words and layout only; nothing is computed here."""

from __future__ import annotations

import dataclasses
import math
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from holeqc.fits.drills import SHOWN
from holeqc.quantities import GRAIN, format_length, unit_name

if TYPE_CHECKING:
    from holeqc.fits.classes import FitLimits, PairFit, Zone
    from holeqc.fits.clearance import Clearance
    from holeqc.fits.drills import DrillChoice, PlugSet, Step


WIDTH = 80
CONFIRMED = {
    "exact": "arithmetic",
    "two sources": "two printed sources agree",
    "one source": "one printed source",
    "derived": "derived by the rule of the standard, not read in print",
    "disputed": "printed sources disagree",
    "memory": "from memory, unconfirmed",
    "measured": "measured in the shop",
}


def aligned(rows: Sequence[Sequence[str]], left: int = 1, gap: int = 2) -> str:
    """Return rows of cells in columns: the first ``left`` columns flush left, the others flush right."""
    count = max(len(row) for row in rows)
    full = [[*row, *[""] * (count - len(row))] for row in rows]
    widths = [max(len(row[k]) for row in full) for k in range(count)]
    lines = []
    for row in full:
        cells = [
            cell.ljust(w) if k < left else cell.rjust(w) for k, (cell, w) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append((" " * gap).join(cells).rstrip())
    return "\n".join(lines)


def paragraphs(sentences: Sequence[str]) -> str:
    """Return sentences wrapped to the screen, one paragraph each."""
    return "\n".join(textwrap.fill(sentence, WIDTH, subsequent_indent="  ") for sentence in sentences)


def digits(values: Sequence[float], unit: str) -> int:
    """Return how many decimals show every value without hiding one: at least the shop's usual, at most two more."""
    usual = 4 if unit == "in" else 3
    for decimals in (usual, usual + 1):
        if all(abs(round(value, decimals) - value) <= GRAIN for value in values):
            return decimals
    return usual + 2


def class_text(limits: FitLimits, meaning: str) -> str:
    """Return the limits of one class at one size as a table."""
    unit = limits.unit
    sides = [(name, zone) for name, zone in (("hole", limits.hole), ("shaft", limits.shaft)) if zone is not None]
    values = [float(x) for _, zone in sides for x in _zone_values(zone)]
    shown = digits([*values, float(limits.nominal)], unit)
    title = f"{limits.system} {limits.name} at {float(limits.nominal):.{shown}f} {unit}"
    rows = [["", *(name for name, _ in sides)]]
    for label, pick in (("upper deviation", 1), ("lower deviation", 0)):
        rows.append([label, *(_signed(float(_zone_values(zone)[pick]), shown) for _, zone in sides)])
    for label, pick in (("largest", 3), ("smallest", 2)):
        rows.append([label, *(f"{float(_zone_values(zone)[pick]):.{shown}f}" for _, zone in sides)])
    lines = [title + (f": {meaning}" if meaning else ""), "", aligned(rows)]
    if limits.clearance_min is not None and limits.clearance_max is not None:
        lines += ["", clearance_sentence(float(limits.clearance_min), float(limits.clearance_max), unit, shown)]
    lines += ["", f"Confirmation: {limits.confirmation} ({CONFIRMED[limits.confirmation]})."]
    lines += [paragraphs([f"Table note: {note}."]) for note in limits.notes]
    return "\n".join(lines)


def clearance_sentence(least: float, greatest: float, unit: str, shown: int | None = None) -> str:
    """Return least and greatest clearance in words; an interference is called so, with the greatest first."""
    if least >= -GRAIN:
        return f"Clearance {format_length(least, unit, shown)} to {format_length(greatest, unit, shown)} {unit}."
    if greatest <= GRAIN:
        low, high = format_length(-greatest, unit, shown), format_length(-least, unit, shown)
        return f"Interference {low} to {high} {unit}."
    tight, loose = format_length(-least, unit, shown), format_length(greatest, unit, shown)
    return f"From {tight} {unit} interference to {loose} {unit} clearance."


def pair_text(fit: PairFit, hole: tuple[float, float], pin: tuple[float, float], extra: Sequence[str]) -> str:
    """Return what a hole band and a pin band make together, with the nearest classes."""
    unit = fit.unit
    rows = [["", "smallest", "largest", "tolerance"]]
    for name, (low, high) in (("hole", hole), ("pin", pin)):
        rows.append([name, *(format_length(value, unit) for value in (low, high, high - low))])
    lines = [
        f"Hole and pin, lengths in {unit_name(unit)}",
        "",
        aligned(rows),
        "",
        clearance_sentence(fit.clearance_min, fit.clearance_max, unit),
    ]
    lines.append(
        f"Allowance (both at maximum material): {_signed(fit.clearance_min, 4 if unit == 'in' else 3)} {unit}."
    )
    lines.append(paragraphs([fit.sentence, *extra]))
    if fit.nearest:
        table = [["nearest class", "meaning", "clearance", "differs by", "confirmation"]]
        for match in fit.nearest:
            span = f"{format_length(match.clearance_min, unit, 4)}..{format_length(match.clearance_max, unit, 4)}"
            mark = "match" if match.matches else format_length(match.difference, unit, 4)
            table.append([f"{match.system} {match.name}", match.meaning, span, mark, match.confirmation])
        lines += ["", aligned(table, left=2), paragraphs(["Differs by: largest difference in hole tolerance, pin "
                  "tolerance, least or greatest clearance; it is our own measure of nearness."])]  # fmt: skip
    return "\n".join(lines)


def condition_sentence(what: str, clearance: Clearance, unit: str) -> str:
    """Return the clearance under a condition (at temperature, with wear) as one line."""
    shown = 5 if unit == "in" else 4  # an expansion shows in the digit after the drawing's last
    sentence = clearance_sentence(float(clearance.least), float(clearance.greatest), unit, shown)
    return f"{what}: {sentence[0].lower()}{sentence[1:]}"


def share_text(probability: float) -> str:
    """Return a probability as a percentage that never rounds to certainty."""
    percent = 100.0 * probability
    if percent in (0.0, 100.0):
        return f"{percent:.0f} %"
    if 0.0 < percent < 0.01:
        return "below 0.01 %"
    if 99.99 < percent < 100.0:
        return "above 99.99 %"
    return f"{percent:.2f} %"


def drill_text(choice: DrillChoice, sequence: Sequence[Step], bore: tuple[float, float] | None) -> str:
    """Return the drills for a band, what to ream instead, and what could be mixed up."""
    unit = choice.unit
    low, high = format_length(choice.lower, unit), format_length(choice.upper, unit)
    lines = [f"Drills for a hole {low} to {high} {unit}", ""]
    if choice.candidates:
        lines += [_drill_table(choice), ""]
        best = choice.candidates[0]
        lines.append(paragraphs([_best_sentence(choice), *([choice.reason] if choice.reason else [])]))
        if best.neighbours:
            near = ", ".join(f"{n.names} ({format_length(n.diameter, unit, 4)})" for n in best.neighbours)
            lines.append(paragraphs([f"Easily mixed up with {best.names}, nearer than the tolerance: {near}."]))
    if choice.reaming is not None:
        ream = choice.reaming
        advised = f"{format_length(ream.advised_least, unit, 4)} to {format_length(ream.advised_greatest, unit, 4)}"
        size, left = (format_length(value, unit, 4) for value in (ream.drill_diameter, ream.stock_expected))
        lines.append(paragraphs([
            f"Or ream to {format_length(ream.reamer, unit)} {unit}: drill {ream.drill} "
            f"({size}) leaves {left} {unit} on the diameter (advised {advised}), "
            f"at least {format_length(ream.stock_least, unit, 4)}."
        ]))  # fmt: skip
    if sequence:
        lines.append(paragraphs(["Sequence: " + ", ".join(f"{step.purpose} {step.names}" for step in sequence) + "."]))
    if bore is not None:
        low, high = format_length(bore[0], unit, 4), format_length(bore[1], unit, 4)
        lines.append(f"Drill bushing for {choice.candidates[0].names}: bore {low} to {high} {unit} (ANSI B94.33).")
    return "\n".join([*lines, *(paragraphs([note]) for note in choice.notes)])


def plug_text(plugs: PlugSet) -> str:
    """Return GO and NO-GO plugs as a table."""
    unit = plugs.unit
    shown = 5 if unit == "in" else 4
    while shown < 7 and any(abs(round(p.tolerance, shown) - p.tolerance) > 1e-12 for p in (plugs.go, plugs.no_go)):
        shown += 1
    each = shown
    while each < 9 and abs(round(plugs.allowed_each, each) - plugs.allowed_each) > 0.05 * plugs.allowed_each:
        each += 1
    rows = [["", "nominal", "class", "tolerance", "smallest", "largest"]]
    for name, plug in (("GO", plugs.go), ("NO-GO", plugs.no_go)):
        numbers = (plug.tolerance, plug.lower, plug.upper)
        rows.append([name, f"{plug.nominal:.{shown}f}", plug.maker_class, *(f"{value:.{shown}f}" for value in numbers)])
    low, high = format_length(plugs.lower, unit), format_length(plugs.upper, unit)
    lines = [f"Plug gauges for a hole {low} to {high} {unit}", "", aligned(rows), ""]
    lines.append(paragraphs([
        f"10 percent rule: half of the gauges' share is {plugs.allowed_each:.{each}f} {unit} each; these plugs take "
        f"up to {100.0 * plugs.eaten:.1f} % of the part's tolerance. GO is made plus, NO-GO minus.",
    ]))  # fmt: skip
    if plugs.wear_limit is None:
        lines.append(
            paragraphs(["Wear limit of the GO: not given; no standard figure is taken. Set it with --wear-limit."])
        )
    else:
        lines.append(f"Wear limit of the GO: {plugs.wear_limit:.{shown}f} {unit}.")
    lines += [paragraphs([note]) for note in plugs.notes]
    return "\n".join([*lines, "", "Confirmation: two sources (class table); rule from three gauge makers."])


def _drill_table(choice: DrillChoice) -> str:
    shown = 4 if choice.unit == "in" else 3
    rows = [["drill", "diameter", "hole expected", "inside", "to low", "to high", "with bushing", ""]]
    for c in choice.candidates[:SHOWN]:
        jig = "-" if c.jig_lower != c.jig_lower else f"{c.jig_lower:.{shown}f}..{c.jig_upper:.{shown}f}"
        span = f"{c.hole_least:.{shown}f}..{c.hole_greatest:.{shown}f}"
        share = f"{min(100.0 * c.share, 99.9):.1f} %"
        margins = (_signed(c.margin_low, shown), _signed(c.margin_high, shown))
        rows.append([c.names, f"{c.diameter:.{shown}f}", span, share, *margins, jig, "in" if c.jig_inside else "out"])
    for row in rows[1:]:
        row[-1] = "" if row[-2] == "-" else row[-1]
    more = len(choice.candidates) - SHOWN
    legend = [
        "Hole expected, inside: smallest and largest hole, and the share inside your limits, by the oversize named "
        "below. To low, to high: room from these two to your limits, minus beyond."
    ]
    if any(c.jig_lower == c.jig_lower for c in choice.candidates[:SHOWN]):
        legend.append(
            "With bushing: smallest and largest hole that AND10387 allows the drill on a machine with a jig whose "
            "bushing guides it. in: both lie inside your limits; out: at least one lies outside them."
        )
    return aligned(rows) + (f"\n{more} more; --json lists them all." if more > 0 else "") + f"\n{paragraphs(legend)}"


def _best_sentence(choice: DrillChoice) -> str:
    best = choice.candidates[0]
    mean = format_length(best.hole_mean, choice.unit, 4 if choice.unit == "in" else 3)
    text = f"{best.names}: mean hole {mean} {choice.unit}, {share_text(min(best.share, 0.99995))} expected inside"
    if best.share_low == best.share_low:
        span = _span_text(best.share_low, best.share_high)
        text += f" ({span} with 95 % confidence) by {best.readings} holes measured in the shop"
        if best.tried:
            return f"{text}."
        tool = format_length(best.history_drill, choice.unit, 4 if choice.unit == "in" else 3)
        return f"{text} with a drill of {tool} {choice.unit}; {best.names} itself was not tried."
    text += f" ({best.basis}, {CONFIRMED[best.confirmation]})."
    if best.jig_inside and not choice.reason:
        text += " Through a bushing, too, its smallest and largest hole (AND10387) lie inside your limits."
    return text


def _span_text(low: float, high: float) -> str:
    """An interval of a share in words: 37 to 100 %."""
    if low >= 0.999:
        return "at least 99.9 %"
    return f"{100.0 * low:.1f} to {min(100.0 * high, 99.9):.1f} %"


def _zone_values(zone: Zone) -> tuple[float, float, float, float]:
    return float(zone.lower_deviation), float(zone.upper_deviation), float(zone.min), float(zone.max)


def _signed(value: float, shown: int) -> str:
    text = f"{value:+.{shown}f}"
    return text[1:] if float(text) == 0.0 else text


# Fit answers as plain dictionaries for ``--json``; the shapes are stable.


def class_data(limits: FitLimits) -> dict[str, Any]:
    """Return the limits of one class at one size.

    ``{"system", "class", "nominal", "unit", "hole": {"lower_deviation", "upper_deviation", "min", "max"}, "shaft": {the
    same}, "clearance": {"min", "max"}, "confirmation"}`` in the unit of the system; a class of one side has ``hole`` or
    ``shaft`` alone and no clearance. An interference is a negative clearance.
    """
    data: dict[str, Any] = {
        "system": limits.system,
        "class": limits.name,
        "nominal": float(limits.nominal),
        "unit": limits.unit,
    }
    for name, zone in (("hole", limits.hole), ("shaft", limits.shaft)):
        if zone is not None:
            data[name] = _zone(zone)
    if limits.clearance_min is not None and limits.clearance_max is not None:
        data["clearance"] = {"min": float(limits.clearance_min), "max": float(limits.clearance_max)}
    data["confirmation"] = limits.confirmation
    return data


def pair_data(
    fit: PairFit, hole: tuple[float, float], pin: tuple[float, float], extra: dict[str, Any]
) -> dict[str, Any]:
    """Return what a hole band and a pin band make together; ``extra`` holds what was asked besides."""
    return {
        "unit": fit.unit,
        "hole": {"min": hole[0], "max": hole[1]},
        "pin": {"min": pin[0], "max": pin[1]},
        "clearance": {"min": fit.clearance_min, "max": fit.clearance_max},
        "allowance": fit.clearance_min,
        "kind": fit.kind,
        "word": fit.shop_word,
        "sentence": fit.sentence,
        "nearest": [record(match) for match in fit.nearest],
        **extra,
    }


def drill_data(choice: DrillChoice, sequence: tuple[Step, ...], bore: tuple[float, float] | None) -> dict[str, Any]:
    """Return the drills for a band, best first, reaming, and for the best drill its sequence and its bushing's bore."""
    bushing = None if bore is None else {"min": bore[0], "max": bore[1]}
    return {**record(choice), "sequence": [record(step) for step in sequence], "bushing": bushing}


def plug_data(plugs: PlugSet) -> dict[str, Any]:
    """Return GO and NO-GO plugs."""
    return {**record(plugs), "confirmation": "two sources"}


def record(item: Any) -> Any:
    """Return a frozen record as dictionaries and lists; a number that isn't known becomes None."""
    if dataclasses.is_dataclass(item) and not isinstance(item, type):
        return {field.name: record(getattr(item, field.name)) for field in dataclasses.fields(item)}
    if isinstance(item, tuple | list):
        return [record(entry) for entry in item]
    if isinstance(item, dict):
        return {key: record(value) for key, value in item.items()}
    if isinstance(item, float) and not math.isfinite(item):
        return None
    return item


def _zone(zone: Zone) -> dict[str, float]:
    return {
        "lower_deviation": float(zone.lower_deviation),
        "upper_deviation": float(zone.upper_deviation),
        "min": float(zone.min),
        "max": float(zone.max),
    }
