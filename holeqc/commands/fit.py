"""`holeqc fit ...`: fit arithmetic at the keyboard."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from holeqc import printing
from holeqc.commands import show

if TYPE_CHECKING:
    from holeqc.answers import Answer

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
    from holeqc.answers import fits

    _show(fits.class_(name, " ".join(size or ())), json_, plot)


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
    from holeqc.answers import fits

    _show(fits.metric(name, " ".join(size)), json_, plot)


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
    from holeqc.answers import fits

    found = fits.pair(
        hole, pin, unit=unit, wanted=wanted, temperature=temperature, expansion=expansion, wear=wear, measured=measured
    )
    _show(found, json_, plot)


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
    from holeqc.answers import fits

    found = fits.drill(low, high, unit=unit, history=history or (), series=series or (), light_metal=light_metal)
    _show(found, json_, plot)


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
    from holeqc.answers import fits

    found = fits.plug(
        low, high, unit=unit, wear_limit=wear_limit, uncertainty=uncertainty, needs=needs, go_size=go_size,
        no_go_size=no_go_size, mean=mean, sd=sd,
    )  # fmt: skip
    _show(found, json_, plot)


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
    from holeqc.answers import fits

    _show(fits.pattern(kit, pairs=pairs, seed=seed, normal=normal, confidence=confidence), json_, plot)


def _show(answer: Answer, json_: bool, plot: Path | None) -> None:
    show(answer, json_, plot, "Drawing")
    for problem in answer.problems:
        printing.warn(f"holeqc: warning: {problem.message}")
