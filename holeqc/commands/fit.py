"""`holeqc fit ...`: fit arithmetic at the keyboard."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from holeqc import printing

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from holeqc.fits.classes import FitLimits
    from holeqc.quantities import Unit

Json = Annotated[bool, typer.Option("--json", help="Print the answer as JSON.")]
Plot = Annotated[
    Path | None, typer.Option("--plot", help="Draw the zones to scale into FILE (.svg, .png or .pdf).", metavar="FILE")
]
UnitOption = Annotated[str, typer.Option("--unit", help="in or mm: unit of numbers that don't name theirs.")]
SIZE_HELP = "7/16, 1 1/2, 0.4375 or 11.5 mm; the other unit is converted."
SizeWords = Annotated[list[str], typer.Argument(metavar="SIZE", help=SIZE_HELP)]
Low = Annotated[str, typer.Argument(metavar="LO", help="Low limit: 0.455, 29/64 or 11.5mm.")]
High = Annotated[str, typer.Argument(metavar="HI", help="High limit.")]


def class_(
    name: Annotated[str, typer.Argument(metavar="CLASS", help="RC1 to RC9, LC1 to LC11, LT1 to LT6, LN1-3, FN1-5.")],
    size: Annotated[list[str] | None, typer.Argument(metavar="SIZE", show_default=False, help=SIZE_HELP)] = None,
    plot: Plot = None,
    json_: Json = False,
) -> None:
    """Say what an ANSI B4.1 class gives at a nominal size: limits of hole and shaft, clearance, how confirmed.

    A bare size is in inch. An interference is a negative clearance in the JSON answer.

    Example: holeqc fit class RC7 7/16
    """
    from holeqc.commands.fit_input import ask_about_unit
    from holeqc.fits import classes
    from holeqc.fits.classes import is_inch_class, parse_inch_class, parse_size
    from holeqc.problems import TableError
    from holeqc.quantities import parse_length

    typed = " ".join(size or ())
    if not is_inch_class(name) and _is_iso_class(name):
        raise TableError(f"{name} is a class of ISO 286, not of ANSI B4.1: holeqc fit metric {name} {typed or 'SIZE'}")
    if not typed:
        raise typer.BadParameter(f"a class needs a nominal size: holeqc fit class {name} SIZE")
    if parse_length(typed)[1] is None:
        ask_about_unit([typed], "in")
    limits = classes.limits(name, parse_size(typed, "in"))
    _answer_class(limits, classes.meaning(parse_inch_class(name)), plot, json_)


def _is_iso_class(text: str) -> bool:
    from holeqc.fits.classes import parse_iso_class
    from holeqc.problems import TableError

    try:
        return any(parse_iso_class(text))
    except TableError:
        return False


def metric(
    name: Annotated[str, typer.Argument(metavar="CLASS", help="H7/g6, or one side: H7 for a hole, g6 for a shaft.")],
    size: SizeWords,
    plot: Plot = None,
    json_: Json = False,
) -> None:
    """Say what an ISO 286 class gives at a nominal size: limits of hole and shaft, clearance, how confirmed.

    A bare size is in mm; write 7/16in for inch. Capital letters are holes, small letters shafts.

    Example: holeqc fit metric H7/g6 12
    """
    from holeqc.commands.fit_input import ask_about_unit, warn
    from holeqc.fits import classes
    from holeqc.fits.classes import parse_size
    from holeqc.quantities import parse_length

    typed = " ".join(size)
    limits = classes.iso286_limits(name, parse_size(typed, "mm"))
    if limits.hole is not None and limits.shaft is not None and name.strip()[0].islower():
        warn(f"{name} is taken as {limits.name}: capitals are holes, small letters shafts, whichever stands first")
    if parse_length(typed)[1] is None:
        ask_about_unit([typed], "mm")
        if "/" in typed:
            warn(f"{typed} is taken as mm; for inch write {typed}in")
    _answer_class(limits, classes.PREFERRED.get(limits.name, ""), plot, json_)


def pair(
    hole: Annotated[tuple[str, str], typer.Option("--hole", metavar="LO HI", help="Limits of the hole.")],
    pin: Annotated[tuple[str, str], typer.Option("--pin", metavar="LO HI", help="Limits of the pin.")],
    unit: UnitOption = "",
    wanted: Annotated[
        str, typer.Option("--wanted", help="Least clearance that you want; its probability is said.")
    ] = "",
    temperature: Annotated[
        float | None, typer.Option(help="Temperature of both parts [°C], -100 to 300; goes with --expansion.")
    ] = None,
    expansion: Annotated[
        tuple[float, float] | None,
        typer.Option(metavar="HOLE PIN", help="Expansion of part and pin [1e-6/°C]: aluminium 23.1, steel 11.5."),
    ] = None,
    wear: Annotated[tuple[str, str], typer.Option(metavar="HOLE PIN", help="Wear of hole and pin on the diameter.")] = (
        "0",
        "0",
    ),
    measured: Annotated[str, typer.Option(help="Measured holes, separated by spaces: '0.4561 0.4570'.")] = "",
    plot: Plot = None,
    json_: Json = False,
) -> None:
    """Say what a hole band and a pin band make together: clearance, chance of interference, nearest published class.

    Example: holeqc fit pair --hole 0.455 0.462 --pin 0.4345 0.4360
    """
    from holeqc.commands.fit_input import lengths, split_sizes, warn
    from holeqc.commands.fit_pair import conditions, pair_extras
    from holeqc.fits.classes import match_pair
    from holeqc.fits.clearance import band
    from holeqc.reports.fit_text import pair_data, pair_text

    numbers, said = lengths([*hole, *pin, wanted or "0", *wear, *split_sizes(measured)], unit, 4)
    hole_band, pin_band = (numbers[0], numbers[1]), (numbers[2], numbers[3])
    fit = match_pair(hole_band, pin_band, said)
    bands = (band(*hole_band), band(*pin_band))
    if not 0.5 < numbers[2] / numbers[0] < 2.0:
        warn(f"a pin of {pin[0]} in a hole of {hole[0]} is no pair of one size; check the point and the unit")
    parts = conditions(temperature, expansion, numbers[5:7], bands)
    lines, data = pair_extras(bands, parts, numbers[4] if wanted else None, numbers[7:], said)
    if plot is not None:
        from holeqc.reports.scale_plots import pair_figure

        _draw(pair_figure(hole_band, pin_band, said, fit.sentence), plot)
    _answer(pair_text(fit, hole_band, pin_band, lines), pair_data(fit, hole_band, pin_band, data), json_)


def drill(
    low: Low,
    high: High,
    unit: UnitOption = "",
    history: Annotated[
        list[str] | None,
        typer.Option(
            "--history", help="Holes, 3 or more, that a drill cut here: '29/64: 0.4561 0.4567 0.4559'. May be repeated."
        ),
    ] = None,
    series: Annotated[
        list[str] | None, typer.Option("--series", help="number, letter, fraction or metric; may be repeated.")
    ] = None,
    light_metal: Annotated[bool, typer.Option("--light-metal", help="More reaming stock, for aluminium.")] = False,
    plot: Plot = None,
    json_: Json = False,
) -> None:
    """Say which standard drill lands in a band, what hole it is expected to cut, and what to ream instead.

    Example: holeqc fit drill 0.455 0.462 --history '29/64: 0.4561 0.4567 0.4559'

    Caution: eye protection, clamped work, mind the chips. Try the drill in scrap of the same stuff first.
    """
    from holeqc.commands.fit_input import LARGEST_DRILL_IN, drill_history, lengths
    from holeqc.fits.drills import SERIES, choose_drill, drilling_sequence
    from holeqc.reports.fit_text import drill_data, drill_text

    (lower, upper), said = lengths([low, high], unit, 2, LARGEST_DRILL_IN)
    histories = [drill_history(text, said) for text in history or []]
    choice = choose_drill(lower, upper, said, histories, tuple(series or SERIES), light_metal)
    sequence = drilling_sequence(choice.candidates[0].diameter, said) if choice.candidates else ()
    bore = _bushing(choice.candidates[0].diameter, said) if choice.candidates else None
    if plot is not None:
        from holeqc.reports.scale_plots import drill_figure

        _draw(drill_figure(choice), plot)
    _answer(drill_text(choice, sequence, bore), drill_data(choice, sequence, bore), json_)


def plug(
    low: Low,
    high: High,
    unit: UnitOption = "",
    wear_limit: Annotated[str, typer.Option("--wear-limit", help="Size at which the GO is put out of use.")] = "",
    uncertainty: Annotated[
        str, typer.Option(help="U (k = 2) of plug against hole (feel, temperature, form): how often answers are wrong.")
    ] = "",
    needs: Annotated[str, typer.Option(help="With it: clearance that a plug needs to enter by hand.")] = "",
    go_size: Annotated[str, typer.Option("--go-size", help="With it: size of the GO as calibrated.")] = "",
    no_go_size: Annotated[str, typer.Option("--no-go-size", help="With it: size of the NO-GO as calibrated.")] = "",
    mean: Annotated[str, typer.Option(help="With it: mean size of the holes drilled.")] = "",
    sd: Annotated[str, typer.Option(help="With it: standard deviation of the holes drilled.")] = "",
    plot: Plot = None,
    json_: Json = False,
) -> None:
    """Say which GO and NO-GO plugs a band needs: sizes, maker's class, what they eat of the tolerance.

    With --uncertainty: how often they answer wrongly near the limits; --plot then draws how often each plug enters.

    Example: holeqc fit plug 0.455 0.462 --wear-limit 0.455

    Example: holeqc fit plug 0.455 0.462 --uncertainty 0.0002 --mean 0.4582 --sd 0.0006
    """
    from holeqc.commands.fit_input import lengths, refuse_below_zero
    from holeqc.fits.plugs import plugs
    from holeqc.problems import DataError
    from holeqc.reports.fit_text import plug_data, plug_text

    words = [wear_limit, uncertainty, needs, go_size, no_go_size, mean, sd]
    numbers, said = lengths([low, high, *(word for word in words if word)], unit, 2)
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
        if plot is not None:
            from holeqc.reports.scale_plots import plug_figure

            _draw(plug_figure(found), plot)
        _answer(plug_text(found), plug_data(found), json_)
        return
    from holeqc.commands.fit_plug import answers_data, answers_figure, answers_text, predict

    wrong = predict(found, blur, needs=enter or 0.0, sizes=others[:2], process=(others[2], others[3]))
    if plot is not None:
        _draw(answers_figure(wrong, found), plot)
    _answer(f"{plug_text(found)}\n\n{answers_text(wrong)}", plug_data(found) | answers_data(wrong), json_)


def pattern(
    kit: Annotated[Path, typer.Argument(metavar="KIT.toml", help="The kit file.")],
    pairs: Annotated[int, typer.Option(min=1, max=1_000_000, help="How many random parts and kits.")] = 20_000,
    seed: Annotated[int, typer.Option(min=0, help="Start of the random numbers; the same seed, the same answer.")] = 1,
    normal: Annotated[bool, typer.Option("--normal", help="Sizes normal instead of even over their bands.")] = False,
    confidence: Annotated[float, typer.Option(help="Confidence of the interval, between 0 and 1.")] = 0.95,
    plot: Plot = None,
    json_: Json = False,
) -> None:
    """Say whether a kit's pins go into its holes: virtual conditions, what tolerance the clearance affords, the chance.

    Example: holeqc fit pattern tolerances/bl7.toml
    """
    from holeqc.commands.finding import load_kit
    from holeqc.commands.fit_pattern import names_of, pattern_data, pattern_report, pattern_text

    report = pattern_report(load_kit(kit), pairs, seed, normal, confidence)
    if plot is not None:
        from holeqc.reports.scale_plots import Bar, zone_figure

        group = report.groups[0]
        bars = [
            Bar("hole", group.hole_lower, group.hole_upper, "hole"),
            Bar("hole\nvirtual condition", group.hole_virtual, group.hole_lower, "boundary"),
            Bar("pin\nvirtual condition", group.pin_upper, group.pin_virtual, "boundary"),
            Bar("pin", group.pin_lower, group.pin_upper, "pin"),
        ]
        title = f"Kit {report.kit}, holes {names_of(group.holes)}"
        _draw(zone_figure(bars, group.hole_lower, report.unit, title, "least hole", group.sentence), plot)
    _answer(pattern_text(report), pattern_data(report), json_)


def _answer_class(limits: FitLimits, meaning: str, plot: Path | None, json_: bool) -> None:
    from holeqc.fits.classes import refuse_no_part
    from holeqc.reports.fit_text import class_data, class_text

    refuse_no_part(limits)
    if plot is not None:
        from holeqc.reports.scale_plots import class_figure

        _draw(class_figure(limits, meaning), plot)
    _answer(class_text(limits, meaning), class_data(limits), json_)
    if limits.warning:
        printing.warn(f"holeqc: warning: {limits.warning}")


def _answer(text: str, data: dict[str, Any], json_: bool) -> None:
    printing.write(printing.as_json(data) + "\n" if json_ else text + "\n")


def _draw(figure: Figure, path: Path) -> None:
    from holeqc.reports.scale_plots import save_figure

    save_figure(figure, path)
    printing.warn(f"Drawing: {path}")


def _bushing(tool: float, unit: Unit) -> tuple[float, float] | None:
    """Bore limits of the standard bushing for a drill, None outside its table."""
    from holeqc.fits.drills import bore_limits
    from holeqc.problems import TableError

    try:
        bore = bore_limits(tool, unit)
    except TableError:
        return None
    return float(bore.lower), float(bore.upper)
