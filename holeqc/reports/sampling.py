"""First parts and lots on the screen, and the operating characteristic of a plan as a picture."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING

from holeqc.reports import blocks as w
from holeqc.sampling.first_parts import CIRCLE, NORMAL, ORDER, OWN
from holeqc.specification.words import limits_line

if TYPE_CHECKING:
    from holeqc.answers.sampling import FirstParts, HoleProof
    from holeqc.sampling.first_parts import PartProof, Proof
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
        f"{what} {u:g} {spec.unit} ({gauge}" + (f", {100 * share:.0f} % of the band of size, both sides)" if share else ")")
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
    lines = [f"{'hole':<8}{'counted':>20}" + "".join(f"{n.replace(' position', ''):>16}" for n in names) + f"{'more parts':>14}"]
    for hole in holes:
        c = hole.counted
        cells = "".join(
            f"{percent(p.share, 2) + ' ' + MARKS[p.how]:>16}" if (p := hole.measured.get(n)) else f"{'-':>16}" for n in names
        )
        counted = f"{c.counted}, {c.bad} bad {percent(c.share)}"
        more = "never" if c.more is None else "enough" if c.more == 0 else str(c.more)
        lines.append(f"{w.shorten(w.plain(hole.hole), 7):<8}{counted:>20}{cells}{more:>14}")
    return lines
