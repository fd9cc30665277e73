"""First parts and lots on the screen, and the operating characteristic of a plan as a picture."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from holeqc.reports import blocks as w
from holeqc.sampling.first_parts import CIRCLE, NORMAL, ORDER, OWN
from holeqc.specification.words import limits_line

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from holeqc.answers.sampling import FirstParts, HoleProof, Plan
    from holeqc.ledger.draws import Draw, LotVerdict
    from holeqc.sampling.first_parts import PartProof, Proof
    from holeqc.sampling.lots import Switching
    from holeqc.specification.model import Specification

WIDTH = 96
MARKS = {NORMAL: "n", OWN: "o", CIRCLE: "c", ORDER: " "}
DEFER = "What may stay unread is for the drawing, the contract and the customer to say; local codes prevail."


def percent(share: float, digits: int = 1) -> str:
    """Return a proven share, never rounded up: ``99.9 %``."""
    scale = 10**digits
    return f"{math.floor(share * 100 * scale + 1e-9) / scale:.{digits}f} %"


def _paragraph(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(w.plain(text), WIDTH, initial_indent=indent, subsequent_indent=indent)


def _plain_percent(share: float) -> str:
    return f"{100 * share:.10g} %"


# ------------------------------------------------------------------------------------------------------- first parts


def first_parts_text(spec: Specification, found: FirstParts) -> str:
    """Return the screen of `holeqc first-parts`: what is needed, and with readings what has been proven."""
    claim = f"at least {_plain_percent(found.share)} of the next parts are good, with {_plain_percent(found.confidence)} confidence"
    lines = [*_paragraph(limits_line(spec)), ""]
    lines += _paths(found, claim) if found.part is None else _proven(found, claim)
    off = "; ".join(
        f"{what} {u:g} {spec.unit} ({gauge}"
        + (f", {100 * share:.0f} % of the band of size, both sides)" if share else ")")
        for what, gauge, u, share in found.uncertainty
    )
    lines += ["", *_paragraph(f"U taken off before a part counts as good: {off or 'none, the kit states no U'}.")]
    lines += _paragraph(
        "A proof holds for parts made as these were: not after a change, not for what wears, and not for what was not read."
    )
    return "\n".join([*lines, *_paragraph(DEFER)]) + "\n"


def _paths(found: FirstParts, claim: str) -> list[str]:
    none, one, two = found.needed
    lines = [
        *_paragraph(f"To claim that {claim}, read in full:"), "",
        f"  {none:>5} parts, all good", f"  {one:>5} parts, 1 bad", f"  {two:>5} parts, 2 bad", "",
        *_paragraph("That assumes nothing. Values that look normal (8 parts or more) need fewer, for each limit: by how many "
                    "standard deviations their mean lies inside the limit with U taken off."), "",
        "  " + "".join(f"{distance:>8g} s" for distance, _ in found.by_distance),
        "  " + "".join(f"{_count(n):>10}" for _, n in found.by_distance) + "  parts", "",
        *_paragraph("With their readings (holeqc first-parts KIT READINGS...) it says what has been proven so far: size by its "
                    "tolerance interval, position from its two coordinates, pins and the part as a whole by their own "
                    "distribution."),
    ]  # fmt: skip
    return lines


def _count(n: int | None) -> str:
    return "never" if n is None else str(max(n, 8))


def _proven(found: FirstParts, claim: str) -> list[str]:
    part = found.part
    assert part is not None
    lines = [
        *_paragraph(f"Claim: {claim}. Parts: {len(found.serials)}, {found.serials[0]} to {found.serials[-1]}."), "",
        "The part as a whole, all holes and pins together:", f"  counted   {_counted(part)}",
    ]  # fmt: skip
    if found.part_measured is not None:
        lines.append(f"  measured  {_by_values(found.part_measured)}, by the least room of each part")
    if found.pins is not None:
        lines.append(f"  pins      {_by_values(found.pins)}, by the pin margin")
    lines += ["", *_table(found.holes), ""]
    lines += _paragraph(
        "n: if normal (tolerance interval); c: two coordinates, bivariate normal; o: over every shape that the values allow; "
        "no letter: counted, no assumption. A hole's share is its own; the part's takes all together."
    )
    for restart in found.restarts:
        kept = f"; all before still counts for {', '.join(restart.kept)}" if restart.kept else ""
        lines += _paragraph(
            f"{restart.what} ({restart.where}) before {restart.serial}: {', '.join(restart.anew) or 'nothing'} starts anew{kept}."
        )
    return lines


def _counted(part: PartProof) -> str:
    if len(part.grounds) == 1:
        g = part.grounds[0]
        unread = f", {g.unread} not read in full" if g.unread else ""
        return f"{g.counted} parts, {g.bad} bad{unread}: {percent(part.share)} proven; {_more(part.more)}"
    each = " and ".join(f"{g.counted} ({g.bad} bad)" for g in part.grounds)
    return f"{each} parts since the changes: {percent(part.share)} proven; {_more(part.more)}"


def _more(more: int | None) -> str:
    if more is None:
        return "no number of good parts mends that: find the cause"
    return "enough" if more == 0 else f"{more} more good parts are needed"


def _by_values(proof: Proof) -> str:
    why = f" ({proof.why})" if proof.how == ORDER else ""
    return f"{percent(proof.share)} proven{why}"


def _table(holes: tuple[HoleProof, ...]) -> list[str]:
    names = list(dict.fromkeys(name for hole in holes for name in hole.measured))
    lines = [
        f"{'hole':<8}{'counted':>20}"
        + "".join(f"{n.replace(' position', ''):>16}" for n in names)
        + f"{'more parts':>14}"
    ]
    for hole in holes:
        c = hole.counted
        cells = "".join(
            f"{percent(p.share, 2) + ' ' + MARKS[p.how]:>16}" if (p := hole.measured.get(n)) else f"{'-':>16}"
            for n in names
        )
        counted = f"{c.counted}, {c.bad} bad {percent(c.share)}"
        more = "never" if c.more is None else "enough" if c.more == 0 else str(c.more)
        lines.append(f"{w.shorten(w.plain(hole.hole), 7):<8}{counted:>20}{cells}{more:>14}")
    return lines


# -------------------------------------------------------------------------------------------------------------- lots


NOT_PROTECTED = (
    "It doesn't protect from a single bad part in a lot that is accepted: every part found bad is rejected by itself, the "
    "rest of the lot was not looked at.",
    "It doesn't protect from bad parts that stand together (a box, a shift, the end of a drill's life) unless the draw is "
    "from all of the lot, and not from a fixture that changes between lots.",
    "AQL is no permission to deliver bad parts, and no promise about one lot: it is what a run of lots may hold on average.",
)
SHARES = (0.001, 0.005, 0.01, 0.02, 0.05, 0.10, 0.20)  #: bad shares that the screen says the chance of


def lot_text(plan: Plan) -> str:
    """Return the screen of `holeqc lot plan`: the plan, its curve in numbers, what it doesn't protect from."""
    lines = [*_paragraph(f"{plan.words[0].upper()}{plan.words[1:]}."), *_paragraph(plan.source + "."), ""]
    if plan.switching is not None:
        lines += [*_paragraph(_next(plan.switching)), ""]
    if plan.n >= plan.lot:
        lines += ["The sample is the whole lot: every part is read and judged by itself.", ""]
    elif plan.verdict is not None:
        lines += [*_judged_sample(plan), ""]
    if plan.n < plan.lot:
        lines += _curve_lines(plan)
        for text in NOT_PROTECTED:
            lines += _paragraph(text)
    if plan.variables is not None:
        lines += _paragraph(
            "By values it holds for normal values only, one characteristic of one hole at a time; with two limits the share "
            "outside both is estimated and held against M, which is worked out from k (its printed table was not seen)."
        )
    return "\n".join([*lines, *_paragraph(DEFER)]) + "\n"


def _next(state: Switching) -> str:
    if state.stop:
        return f"Stop sampling: {state.why}. Read every part until the cause is mended."
    return f"{state.severity.capitalize()} inspection: {state.why}."


def _curve_lines(plan: Plan) -> list[str]:
    from holeqc.sampling.lots import accept_chance, variables_accept_chance

    c = plan.curve
    chances = (
        accept_chance(plan.n, plan.accept, SHARES) if plan.variables is None
        else variables_accept_chance(plan.n, plan.variables.k, SHARES)
    )  # fmt: skip
    lines = [
        "  bad parts the process makes  " + "".join(f"{_plain_percent(s):>8}" for s in SHARES),
        "  lots accepted of 100         " + "".join(f"{100 * x:>8.1f}" for x in chances), "",
        *_paragraph(f"95 of 100 lots are accepted where {_nearly(c.producer)} of the parts are bad, 10 of 100 where "
                    f"{_nearly(c.consumer)} are."),
        *_paragraph(f"If lots not accepted are read in full and their bad parts replaced, at most {_nearly(c.worst)} bad parts "
                    f"go out on average (where the process makes {_nearly(c.worst_at)})."), "",
    ]  # fmt: skip
    return lines


def _nearly(share: float) -> str:
    return f"{100 * share:.2g} %"


def _judged_sample(plan: Plan) -> list[str]:
    v, var = plan.verdict, plan.variables
    assert v is not None
    assert var is not None
    sides = [
        f"{q:.3f} s inside the {name} limit"
        for q, name in zip(v.quality, ("lower", "upper"), strict=True)
        if q is not None
    ]
    asked = (
        f"k = {var.k:g}"
        if len(sides) == 1
        else f"estimated outside {100 * v.outside:.3g} %, M = {100 * var.most:.3g} %"
    )
    word = "ACCEPTED" if v.accepted else "NOT ACCEPTED"
    return _paragraph(f"{word}: mean {v.mean:.6g}, s {v.sd:.3g} of {v.n} readings; {' and '.join(sides)}; {asked}.")


def drawn_text(draw: Draw, why: str) -> str:
    """Return what was drawn and recorded: what to read next."""
    lines = _paragraph(
        f"Lot {draw.lot} of kit {draw.kit}: {len(draw.parts)} parts, {draw.parts[0]} to {draw.parts[-1]}."
    )
    lines += _paragraph(f"{draw.words}.")
    if why:
        lines += _paragraph(f"{draw.severity.capitalize()} inspection, from the lots judged before: {why}.")
    if draw.first:
        lines += _paragraph(
            f"Drawn again: the first draw is entry {draw.first}, and goes on counting. Reason: {draw.reason}"
        )
    lines += ["", f"Read these {len(draw.drawn)}:", *_paragraph(", ".join(draw.drawn), "  "), ""]
    lines += _paragraph(
        f"Recorded as entry {draw.entry}, seed {draw.seed}: drawn are the serial numbers with the smallest SHA-256 of "
        f"'seed|serial'. Only readings recorded after it count. Then: holeqc lot judge {draw.lot}"
    )
    return "\n".join([*lines, *_paragraph(DEFER)]) + "\n"


def judged_text(lot: str, verdict: str, found: Sequence[LotVerdict], state: Switching | None, said: str) -> str:
    """Return how a lot stands by all its draws."""
    lines = [f"Lot {w.plain(lot)}: {verdict.upper()}"]
    for one in found:
        d = one.draw
        again = f", drawn again ({d.reason})" if d.first else ""
        name = f"as lot {d.lot}, " if d.lot.casefold() != lot.casefold() else ""
        lines += _paragraph(
            f"{name}entry {d.entry} by {d.by} on {d.at[:10]}{again}: {one.bad} bad of {len(d.drawn)} drawn, accepted on "
            f"{d.accept}; {len(one.waiting)} wait. {one.verdict}", "  ",
        )  # fmt: skip
        bad = [p.serial for p in one.parts if p.verdict == "reject"]
        if bad:
            lines += _paragraph(f"bad: {', '.join(bad)}", "    ")
        if one.waiting:
            lines += _paragraph(f"to be read, or held: {', '.join(one.waiting)}", "    ")
    if len(found) > 1:
        lines += _paragraph("The lot was drawn from more than once: the worst of its draws counts.")
    if verdict == "not accepted":
        lines += _paragraph("Read the rest in full, or do as the contract says; bad parts are rejected one by one.")
    if said:
        lines.append(said)
    if state is not None:
        lines += _paragraph(f"Next lot: {_next(state)}")
    return "\n".join([*lines, *_paragraph(NOT_PROTECTED[0]), *_paragraph(DEFER)]) + "\n"


def curve_figure(plan: Plan) -> Figure:
    """Return the operating characteristic and the average outgoing quality of a plan."""
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    from holeqc.reports.chart_plots import INK, LIMIT, LINE, SETTINGS, SMALL, SOFT

    c = plan.curve
    with mpl.rc_context(SETTINGS):
        figure = Figure(figsize=(7.6, 6.0), layout="constrained")
        FigureCanvasAgg(figure)
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=[3.0, 2.0])
        upper.plot(100 * c.share, 100 * c.accepted, color=LINE, linewidth=1.8)
        for share, level, word in ((c.producer, 95.0, "95 of 100 accepted"), (c.consumer, 10.0, "10 of 100 accepted")):
            upper.plot([100 * share], [level], marker="D", color=LIMIT, markersize=5.5)
            upper.annotate(f"{word}: {_nearly(share)}", (100 * share, level), (7, 3), textcoords="offset points",
                           fontsize=SMALL, color=INK)  # fmt: skip
        upper.set_ylabel("lots accepted of 100")
        upper.set_ylim(0, 104)
        lower.plot(100 * c.share, 100 * c.outgoing, color=SOFT, linewidth=1.8, linestyle=(0, (6, 2)))
        lower.plot([100 * c.worst_at], [100 * c.worst], marker="D", color=LIMIT, markersize=5.5)
        lower.annotate(f"at most {_nearly(c.worst)}", (100 * c.worst_at, 100 * c.worst), (7, 3), textcoords="offset points",
                       fontsize=SMALL, color=INK)  # fmt: skip
        lower.set_ylabel("bad parts going out [%]\n(refused lots read in full)")
        lower.set_xlabel("bad parts that the process makes [%]")
        lower.set_ylim(0, 1.25 * 100 * c.worst or 1.0)
        for axes in (upper, lower):
            axes.spines[["top", "right"]].set_visible(False)
            axes.set_xlim(0, 100 * float(c.share[-1]))
            axes.grid(color="#e3e8ec", linewidth=0.7)
        words = textwrap.fill(w.plain(f"{plan.words[0].upper()}{plan.words[1:]}"), 80)
        upper.set_title(words, loc="left", fontsize=10.5, fontweight="bold")
    return figure
