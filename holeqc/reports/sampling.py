"""First parts and lots on the screen, and the operating characteristic of a plan as a picture."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from holeqc.inspection.results import capital
from holeqc.reports import blocks as w
from holeqc.sampling.first_parts import CIRCLE, DRIFTS, FEWEST, NORMAL, ORDER, OWN
from holeqc.sampling.lots import VariablesPlan, accept_chance_of_lot, chance
from holeqc.specification.words import limits_line

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from holeqc.ledger.draws import Draw, LotVerdict
    from holeqc.sampling.first_parts import FirstParts, HoleProof, PartProof, Proof
    from holeqc.sampling.lots import AskedPlan, Curve, Switching, VariablesVerdict
    from holeqc.sampling.lots import Plan as LotPlan
    from holeqc.specification.model import Specification

WIDTH = 96
MARKS = {NORMAL: "n", OWN: "o", CIRCLE: "c", ORDER: " "}
DEFER = "Whether parts may stay unread is for the drawing, the contract and the customer to say; local codes prevail."


def _paragraph(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(w.plain(text), WIDTH, initial_indent=indent, subsequent_indent=indent)


def _proven_percent(share: float, digits: int = 1) -> str:
    """Return a proven share, never rounded up, and never all: ``99.9 %``."""
    scale = 10**digits
    return f"{min(math.floor(share * 100 * scale + 1e-9), 100 * scale - 1) / scale:.{digits}f} %"


def _typed(share: float) -> str:
    return f"{100 * share:.10g} %"


def _nearly(share: float) -> str:
    return f"{100 * share:.2g} %"


# ------------------------------------------------------------------------------------------------------- first parts


def first_parts_text(spec: Specification, found: FirstParts) -> str:
    """Return the screen of `holeqc first-parts`: what is needed, and with readings what has been proven."""
    claim = f"at least {_typed(found.share)} of the next parts are good, with {_typed(found.confidence)} confidence"
    lines = [*_paragraph(limits_line(spec)), ""]
    lines += _ways(found, claim) if found.part is None else _so_far(found, found.part, claim)
    off = [
        f"{what} {u:g} {spec.unit} ({gauge}{f', {100 * of:.0f} % of the band on both sides' if of else ''})"
        for what, gauge, u, of in found.uncertainty
    ]
    lines += ["", *_paragraph(
        f"U is taken off ({'; '.join(off) or 'the kit states none'}): a part nearer to a limit counts as bad, and so "
        "does a held one."
    )]  # fmt: skip
    lines += _paragraph(
        "It holds for parts made as these were: not after a change, not for what wears, not for what was not read."
    )
    return "\n".join([*lines, *_paragraph(DEFER)]) + "\n"


def _ways(found: FirstParts, claim: str) -> list[str]:
    none, one, two = found.needed
    return [
        *_paragraph(f"To claim that {claim}, read in full:"), "",
        f"  {none:>5} parts, all good", f"  {one:>5} parts, 1 bad", f"  {two:>5} parts, 2 bad", "",
        *_paragraph(
            f"That assumes nothing. Values that look normal ({FEWEST} parts or more) need fewer for each limit, by how "
            "many standard deviations their mean lies inside it with U taken off:"
        ), "",
        "  " + "".join(f"{distance:>8g} s" for distance, _ in found.by_distance),
        "  " + "".join(f"{max(n, FEWEST) if n else 'never':>10}" for _, n in found.by_distance) + "  parts", "",
        *_paragraph(
            "With readings behind the kit file it is said what has been proven so far: size by tolerance intervals, "
            "places from two coordinates, the pins and the part as a whole by their own distribution."
        ),
    ]  # fmt: skip


def _so_far(found: FirstParts, part: PartProof, claim: str) -> list[str]:
    lines = _paragraph(f"Claim: {claim}. {len(found.serials)} parts, {found.serials[0]} to {found.serials[-1]}.")
    but = ", but only if the process stays as it was, and it drifts" if found.drifts else ""
    lines += ["", "The part as a whole, all holes and pins together:"]
    lines += _paragraph(f"counted   {_counted(part)}{but}", "  ")
    by = ("measured", found.part_measured, "least room of each part"), ("pins", found.pins, "margin")
    for name, proof, of in by:
        if proof is None and name == "measured":
            lines += _paragraph(f"{name:<10}not given: a part is bad in what has no number", "  ")
        if proof is not None and proof.how == DRIFTS:
            lines += _paragraph(f"{name:<10}drifts: {proof.why}", "  ")
        elif proof is not None:
            why = f" (counted: {proof.why})" if proof.how == ORDER else ""
            lines += _paragraph(f"{name:<10}{_proven_percent(proof.share)} proven by the {of}{why}", "  ")
    lines += ["", *_table(found.holes), ""]
    lines += _paragraph(
        "n: if normal; c: two coordinates, if bivariate normal; o: over every shape that the values allow; no letter: "
        "counted. A hole's share is its own; the part's takes all together, with what their seating has in common."
    )
    if found.drifts:
        lines += _paragraph(
            f"drifts: says nothing of later parts; see holeqc wear. {capital('; '.join(found.drifts))}. The count "
            "assumes no shape, but that later parts come from the same process: where it drifts, they don't."
        )
    if found.never:
        lines += _paragraph(f"Read on no part, so nothing is proven of {', '.join(found.never)}.")
    for r in found.restarts:
        kept = f"; for {', '.join(r.kept)} all before still counts" if r.kept else ""
        anew = ", ".join(r.anew) or "nothing"
        when = f"before {r.serial}" if r.serial else "after the last part"
        lines += _paragraph(f"{capital(r.what)} ({r.where}) {when}: proven anew are {anew}{kept}.")
    return lines


def _counted(part: PartProof) -> str:
    more = "no number of good parts mends that: find the cause"
    if part.more is not None:
        more = f"{part.more} more good parts are needed" if part.more else "enough"
    unread = [f", {g.unread} not read in full" if g.unread else "" for g in part.grounds]
    each = [f"{g.counted} parts, {g.bad} bad{left}" for g, left in zip(part.grounds, unread, strict=True)]
    since = " since the changes" if part.grounds[0].first or len(each) > 1 else ""
    return f"{'; '.join(each)}{since}: {_proven_percent(part.share)} proven, {more}"


def _table(holes: tuple[HoleProof, ...]) -> list[str]:
    def cell(proof: Proof | None) -> str:
        if proof is not None and proof.how == DRIFTS:
            return DRIFTS
        return "-" if proof is None else f"{_proven_percent(proof.share, 2)} {MARKS[proof.how]}"

    names = list(dict.fromkeys(name for hole in holes for name in hole.measured))
    heads = "".join(f"{name.removesuffix(' position'):>16}" for name in names)
    lines = [f"{'hole':<8}{'counted':>24}{heads}{'more parts':>13}"]
    for hole in holes:
        c = hole.counted
        counted = f"{c.counted}, {c.bad} bad  {_proven_percent(c.share)}"
        more = "never" if c.more is None else c.more or "enough"
        if any(proof.how == DRIFTS for proof in hole.measured.values()) and more == "enough":
            more = DRIFTS
        cells = "".join(f"{cell(hole.measured.get(name)):>16}" for name in names)
        lines.append(f"{w.shorten(w.plain(hole.hole), 7):<8}{counted:>24}{cells}{more:>13}")
    return lines


# -------------------------------------------------------------------------------------------------------------- lots


NOT_PROTECTED = (
    "The parts that weren't drawn are not looked at: an accepted lot may hold bad ones.",
    "Bad parts that stand together (a box, a shift, the end of a drill's life) are missed unless the draw is from the "
    "whole lot; what changes behind the lot isn't seen at all.",
    "An AQL is no permission to deliver bad parts and no promise about one lot: it speaks of a long run of lots.",
)
SHARES = (0.001, 0.005, 0.01, 0.02, 0.05, 0.10, 0.20)  #: of bad parts, whose chance the screen shows


def lot_text(plan: AskedPlan) -> str:
    """Return the screen of `holeqc lot plan`: the plan, its curve in numbers, what it doesn't protect from."""
    record = plan.record
    lines = [*_paragraph(f"{capital(plan.words)}."), *_paragraph(f"{plan.source}."), ""]
    if plan.switching is not None:
        lines += [*_paragraph(_next(plan.switching)), ""]
    if record.full:
        lines += ["The sample is the whole lot: every part is read and judged by itself.", ""]
        return "\n".join([*lines, *_paragraph(DEFER)]) + "\n"
    by_values = isinstance(record, VariablesPlan)
    if plan.verdict is not None and isinstance(record, VariablesPlan):
        lines += [*_judged_sample(plan.verdict, record), ""]
    lines += _lets_through(record, plan.curve)
    for text in NOT_PROTECTED:
        lines += _paragraph(text)
    if by_values:
        lines += _paragraph(
            "By values it holds for normal values only, one characteristic of one hole at a time. With two limits the "
            "share outside both is estimated and held against M, worked out from k on the safe side of its rounding "
            "(its printed table was not seen)."
        )
    return "\n".join([*lines, *_paragraph(DEFER)]) + "\n"


def _lets_through(record: LotPlan, c: Curve | None) -> list[str]:
    if c is None:
        return ["Faults per 100 parts: one part may have several, so no curve of bad parts is given.", ""]
    lines = [
        "  bad parts the process makes  " + "".join(f"{_typed(s):>8}" for s in SHARES),
        "  lots accepted of 100         " + "".join(f"{100 * x:>8.1f}" for x in chance(record, SHARES)), "",
        *_paragraph(
            f"95 of 100 lots are accepted where {_nearly(c.producer)} of the parts are bad, 10 of 100 where "
            f"{_nearly(c.consumer)} are."
        ),
        *_paragraph(
            "If lots that aren't accepted are read in full and their bad parts replaced, on average at most "
            f"{_nearly(c.worst)} of what goes out is bad (where the process makes {_nearly(c.worst_at)})."
        ), "",
    ]  # fmt: skip
    if not isinstance(record, VariablesPlan):
        few = accept_chance_of_lot(record.lot, record.n, record.accept, [1, 2, 5])
        lines += _paragraph(
            f"Of 100 lots of {record.lot} with 1 bad part {100 * few[0]:.0f} are accepted, with 2 {100 * few[1]:.0f}, "
            f"with 5 {100 * few[2]:.0f}."
        )
    return lines


def _next(state: Switching) -> str:
    if state.stop:
        return f"Stop sampling: {state.why}. Read every part until the cause is mended."
    return f"{capital(state.severity)} inspection: {state.why}."


def _judged_sample(v: VariablesVerdict, plan: VariablesPlan) -> list[str]:
    sides = [f"{q:.3f} s inside the {name} limit" for q, name in zip(v.quality, ("lower", "upper"), strict=True)
             if q is not None]  # fmt: skip
    asked = f"k = {plan.k:g}"
    if len(sides) > 1:
        asked = f"estimated outside {100 * v.outside:.3g} %, M = {100 * plan.most:.3g} %"
    word = "ACCEPTED" if v.accepted else "NOT ACCEPTED"
    return _paragraph(f"{word}: mean {v.mean:.6g}, s {v.sd:.3g} of {v.n} readings; {' and '.join(sides)}; {asked}.")


def drawn_text(draw: Draw, why: str) -> str:
    """Return what was drawn and recorded: what to read next."""
    first, last = draw.parts[0], draw.parts[-1]
    lines = _paragraph(f"Lot {draw.lot} of kit {draw.kit}: {len(draw.parts)} parts, {first} to {last}.")
    lines += _paragraph(f"{capital(draw.words)}.")
    if why:
        lines += _paragraph(f"{capital(draw.severity)} inspection, from the lots judged before: {why}.")
    if draw.first:
        again = f"Drawn again: the first draw is entry {draw.first} and goes on counting. Reason: {draw.reason}"
        lines += _paragraph(again)
    for remark in draw.remarks:
        lines += _paragraph(f"Drawn although {remark}. Reason: {draw.reason}")
    which = "Read this one:" if len(draw.drawn) == 1 else f"Read these {len(draw.drawn)}:"
    lines += ["", which, *_paragraph(", ".join(draw.drawn), "  "), ""]
    lines += _paragraph(
        f"Recorded as entry {draw.entry}, seed {draw.seed}: drawn are the serial numbers with the smallest SHA-256 of "
        f"'seed|serial'. Only readings taken and recorded after it count. Then: holeqc lot judge {draw.lot}"
    )
    return "\n".join([*lines, *_paragraph(DEFER)]) + "\n"


def judged_text(
    lot: str, verdict: str, found: Sequence[LotVerdict], state: Switching, elsewhere: Sequence[str]
) -> str:  # fmt: skip
    """Return how a lot stands by all its draws; ``elsewhere``: draws of other kits with its serial numbers."""
    lines = [f"Lot {w.plain(lot)}: {verdict.upper()}"]
    for one in found:
        d = one.draw
        name = f"As lot {d.lot}, entry" if d.lot.casefold() != lot.casefold() else "Entry"
        again = f", drawn again ({d.reason})" if d.first else ""
        lines += _paragraph(
            f"{name} {d.entry} by {d.by}, {d.at[:10]}{again}: {one.verdict}, {one.bad} bad of {len(d.drawn)} drawn, "
            f"{d.accept} allowed, {len(one.waiting)} wait", "  ",
        )  # fmt: skip
        for remark in d.remarks:
            lines += _paragraph(f"Drawn although {remark}. Reason: {d.reason}", "    ")
        bad = [p.serial for p in one.parts if p.verdict == "reject"]
        for word, names in (("bad", bad), ("to be read, or held", one.waiting)):
            lines += _paragraph(f"{word}: {', '.join(names)}", "    ") if names else []
        for why in [f"{p.serial} doesn't count: {p.why}; read it again" for p in one.parts if p.why]:
            lines += _paragraph(why, "    ")
    said = {remark for one in found for remark in one.draw.remarks}
    for note in elsewhere:
        lines += _paragraph(f"{capital(note)}.", "  ") if note not in said else []
    if len(found) > 1:
        lines += _paragraph("It was drawn from more than once: the worst of the draws counts.")
    following = _next(state) if state.stop else f"{state.severity} inspection, {state.why}."
    lines += _paragraph(f"Next lot by AQL: {following}")
    return "\n".join([*lines, *_paragraph(NOT_PROTECTED[0]), *_paragraph(DEFER)]) + "\n"


def curve_figure(plan: AskedPlan, c: Curve) -> Figure:
    """Return the operating characteristic and the average outgoing quality of a plan."""
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    from holeqc.reports.chart_plots import INK, LIMIT, LINE, SETTINGS, SMALL, SOFT

    with mpl.rc_context(SETTINGS):
        figure = Figure(figsize=(7.6, 6.0), layout="constrained")
        FigureCanvasAgg(figure)
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=[3.0, 2.0])
        upper.plot(100 * c.share, 100 * c.accepted, color=LINE, linewidth=1.8)
        lower.plot(100 * c.share, 100 * c.outgoing, color=SOFT, linewidth=1.8, linestyle=(0, (6, 2)))
        for axes, x, y, words in (
            (upper, c.producer, 0.95, f"95 of 100 at {_nearly(c.producer)} bad"),
            (upper, c.consumer, 0.10, f"10 of 100 at {_nearly(c.consumer)} bad"),
            (lower, c.worst_at, c.worst, f"at most {_nearly(c.worst)}"),
        ):
            axes.plot([100 * x], [100 * y], marker="D", color=LIMIT, markersize=5.5)
            axes.annotate(words, (100 * x, 100 * y), (7, 3), textcoords="offset points", fontsize=SMALL, color=INK)
        upper.set(ylabel="lots accepted of 100", ylim=(0, 104))
        lower.set(xlabel="bad parts that the process makes [%]", ylim=(0, 125 * c.worst or 1.0),
                  ylabel="bad parts going out [%]\n(refused lots read in full)")  # fmt: skip
        for axes in (upper, lower):
            axes.spines[["top", "right"]].set_visible(False)
            axes.set_xlim(0, 100 * float(c.share[-1]))
            axes.grid(color="#e3e8ec", linewidth=0.7)
        upper.set_title(textwrap.fill(capital(plan.words), 80), loc="left", fontsize=10.5, fontweight="bold")
    return figure
