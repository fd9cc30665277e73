"""A fixture's history on the screen: what to do, then the bushings in order of urgency."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING

from holeqc.wear.words import FORECAST_NOTE, LIMITS_NOTE, answer, count_note, nothing
from holeqc.reports import wording as w

if TYPE_CHECKING:
    from holeqc.wear.result import Wear


def wear_text(wear: Wear, width: int = 96) -> str:
    """Return the short screen of a fixture's history, lines at most ``width`` characters."""
    h = wear.history
    head = f"Fixture {h.fixture or '-'}: {len(h)} parts, {len(h.holes)} holes, lengths in {w.unit_name(h.unit)}"
    lines = [w.plain(head), ""]
    for number, text in enumerate(wear.advice, 1):
        lines += textwrap.wrap(w.plain(text), width, initial_indent=f"{number:>2}. ", subsequent_indent="    ")
    lines += ["", *_table(wear), ""]
    if wear.shares:
        shares = ", ".join(f"{s.cause} {100 * s.share:.0f} %" for s in wear.shares)
        lines += textwrap.wrap(f"What moves a hole, in shares of its mean square deviation: {shares}.", width)
    for note in (FORECAST_NOTE, count_note(wear), LIMITS_NOTE):
        lines += textwrap.wrap(note, width)
    return "\n".join(lines) + "\n"


def _table(wear: Wear) -> list[str]:
    heads = f"{'bushing':<10}{'hole':<7}{'first limit':<23}{'before':>8}{'left':>7}{'half fail from (95 %)':>24}"
    lines = [f"{heads}  answer"]
    for hole in wear.order:
        look = wear.first_of(hole)
        bushing, number = w.plain(wear.history.bushings[hole]), w.plain(wear.history.holes[hole])
        name = f"{w.shorten(bushing, 9):<10}{w.shorten(number, 6):<7}"
        if look is None:
            lines.append(f"{name}{'-':<23}{'-':>8}{'-':>7}{'-':>24}  {nothing(wear, hole)}")
            continue
        f = look.forecast
        before, left = ("-" if v is None else f"{math.floor(v)}" for v in (f.act, f.left))
        out = "-"
        if f.estimate is not None:
            low, high = ("?" if v is None else f"{v:.0f}" for v in (f.lower, f.upper))
            out = f"{f.estimate:.0f} ({low} to {high})"
        lines.append(f"{name}{look.limit:<23}{before:>8}{left:>7}{out:>24}  {answer(look)}")
    return lines
