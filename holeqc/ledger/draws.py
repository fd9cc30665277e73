"""Samples of lots on record: who was drawn, by which plan, before the readings; and what the readings since then say.

A draw is a setting (`DRAW` and the lot's name) with the lot's serial numbers, the seed, who was drawn and the plan, so
that anybody can draw again and find the same. Whoever isn't pleased with it can draw again, with a reason; the earlier
draw stays, and a lot is accepted only where every draw of it accepts. A lot is known by its parts too: another name
doesn't hide an earlier draw, nor does another spelling of its serial numbers, unless it is on record that they are two
parts.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from sqlalchemy import select

from holeqc.ledger import schema as s
from holeqc.ledger.resemblance import alike, answers, folded, near_answers, told_apart
from holeqc.ledger.schema import batches, one_line, plain, shown
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from holeqc.ledger.ledger import Ledger

DRAW = "draw of lot "
ACCEPTED, REFUSED, OPEN = "accepted", "not accepted", "open"
Drawing = Callable[[Sequence[str], int, str], list[str]]  #: (names, how many, seed) -> who is drawn


@dataclass(frozen=True, slots=True)
class Draw:
    """A draw on record: ``parts`` of the lot, ``drawn`` of them by ``seed``, the plan (``n``, ``accept``, ``words``).

    ``first`` is the entry of the first draw of any of its parts, 0 for itself; ``remarks`` are what else asked for a
    ``reason``: inspection less strict than due, parts drawn in another kit, an older lot of the kit still open.
    """

    lot: str
    kit: str
    part: str
    parts: tuple[str, ...]
    drawn: tuple[str, ...]
    seed: str
    n: int
    accept: int
    severity: str
    words: str
    first: int = 0
    reason: str = ""
    remarks: tuple[str, ...] = ()
    entry: int = 0
    at: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True)
class DrawnPart:
    """A drawn part: its worst verdict of readings since the draw ('' where none), and the entry of that.

    ``why`` says why a reading that was recorded since doesn't count.
    """

    serial: str
    verdict: str
    entry: int
    why: str = ""


@dataclass(frozen=True, slots=True)
class LotVerdict:
    """What one draw says of its lot: `ACCEPTED`, `REFUSED`, or `OPEN` while parts aren't read or are held."""

    draw: Draw
    parts: tuple[DrawnPart, ...]
    bad: int
    waiting: tuple[str, ...]
    verdict: str


def draws(ledger: Ledger) -> list[Draw]:
    """Return all draws on record, the oldest first."""
    e = s.ENTRY.c
    asked = (
        select(*s.SETTING.columns, e.at, e.offset_minutes, e.made_by).join(s.ENTRY, e.seq == s.SETTING.c.entry)
        .where(s.SETTING.c.name.startswith(DRAW, autoescape=True)).order_by(s.SETTING.c.id)
    )  # fmt: skip
    out = []
    for row in ledger.rows(asked):
        said = json.loads(str(row["value"]))
        said |= {name: tuple(said.get(name, ())) for name in ("parts", "drawn", "remarks")}
        when = shown(str(row["at"]), int(row["offset_minutes"]))
        out.append(Draw(**said | {"entry": int(row["entry"]), "at": when, "by": str(row["made_by"])}))
    return out


def of_lot(ledger: Ledger, lot: str, drawing: Drawing) -> list[Draw]:
    """Return the draws of a lot and of any lot that shares a part of the kit with it, the oldest first.

    Raises:
        LedgerError: there is none, or seed and list don't give who is said to be drawn.
    """
    known = draws(ledger)
    named = [d for d in known if d.lot.casefold() == lot.strip().casefold()]
    if not named:
        lots = ", ".join(dict.fromkeys(d.lot for d in known)) or "none"
        raise LedgerError(f"ledger {ledger.location.shown}: no draw of lot {lot} is on record; known are {lots}")
    found = [d for d in known if any(_shared(ledger, d, other) for other in named)]
    for draw in found:
        if tuple(drawing(draw.parts, draw.n, draw.seed)) != draw.drawn:
            raise LedgerError(
                f"lot {draw.lot}, entry {draw.entry}: seed and list don't give the parts that are said to be drawn; "
                "whoever keeps the ledger must look (holeqc ledger verify)"
            )
    return found


def _shared(ledger: Ledger, one: Draw, other: Draw) -> bool:
    same = one.lot.casefold() == other.lot.casefold()
    parts = {one.part, other.part}
    return same or (one.kit == other.kit and (len(parts) == 1 or "" in parts) and bool(_common(ledger, one, other)))


def _common(ledger: Ledger, one: Draw, other: Draw) -> list[str]:
    """Return the parts of ``one`` that are parts of ``other`` under any spelling, those told apart on record not."""
    by_fold: dict[str, list[str]] = {}
    for serial in other.parts:
        by_fold.setdefault(folded(serial), []).append(serial)
    me, you, same = (one.kit, one.part), (other.kit, other.part), one.kit == other.kit
    return [
        x for x in one.parts
        if any((same and x == y) or told_apart(ledger, (*me, x), (*you, y)) is None for y in by_fold.get(folded(x), ()))
    ]  # fmt: skip


def elsewhere(ledger: Ledger, draw: Draw, known: Sequence[Draw]) -> list[str]:
    """Return, in words, the draws of other kits with serial numbers of this one."""
    return [
        f"{len(common)} of its serial numbers {'was' if len(common) == 1 else 'were'} drawn from in kit {d.kit}, lot "
        f"{d.lot}, entry {d.entry}"
        for d in known if d.kit != draw.kit and (common := _common(ledger, draw, d))
    ]  # fmt: skip


def _refuse_spellings(ledger: Ledger, draw: Draw) -> None:
    """Refuse a lot that names one part twice, or a part on record by another spelling than that on record."""
    by_fold: dict[str, list[str]] = {}
    for x in draw.parts:
        near = [(y, told_apart(ledger, (draw.kit, draw.part, x), (draw.kit, draw.part, y)))
                for y in by_fold.get(folded(x), ()) if alike(x, y)]  # fmt: skip
        twice = [y for y, apart in near if apart is None]
        recorded = [y for y, said in near_answers(ledger, x)
                    if (said is None and alike(x, y)) or (said and said["same"] and said["serial"] == x)]  # fmt: skip
        if twice or recorded:
            y = (twice or recorded)[0]
            where = "in this lot too" if twice else "on record"
            raise LedgerError(
                f"lot {draw.lot}: serial {x} may be the part {y}, {where}. Write it as {y}; if they are two parts, say "
                f"so first: holeqc serial {x} --not {y} --by WHO --reason TEXT. Nothing was recorded"
            )
        by_fold.setdefault(folded(x), []).append(x)


def record_draw(ledger: Ledger, draw: Draw, drawing: Drawing, by: str) -> Draw:
    """Record a draw; ``draw.drawn`` is worked out here, from the seed that it brings. Return it as recorded.

    Raises:
        LedgerError: no name of the lot; an earlier draw of the lot or of any of its parts, or ``draw.remarks``, and no
            reason.
    """
    lot = one_line(draw.lot.strip(), "lot")
    if not lot:
        raise LedgerError("name the lot")
    with ledger.transaction():
        _refuse_spellings(ledger, draw)
        known = draws(ledger)
        before = [d for d in known if _shared(ledger, d, draw)]
        if before and not draw.reason.strip():
            d = before[0]
            shared = len(_common(ledger, draw, d))
            raise LedgerError(
                f"lot {lot}: {shared} of its parts were drawn from already, as lot {d.lot} on {d.at[:10]} by {d.by} "
                f"(entry {d.entry}). Judge that draw (holeqc lot judge {d.lot}); to draw again say why (--reason). The "
                "first draw goes on counting; nothing was recorded"
            )
        mine = {number for d in before for number in (d.entry, d.first)}
        still_open = tuple(
            f"lot {o.lot}, drawn on {o.day}, is still open, {len(o.waiting)} to be read (holeqc lot judge {o.lot})"
            for o in open_lots(ledger, draw.kit) if o.entry not in mine
        )  # fmt: skip
        remarks = (*draw.remarks, *elsewhere(ledger, draw, known), *still_open)
        if remarks and not draw.reason.strip():
            raise LedgerError(
                f"lot {lot}: {'; '.join(remarks)}. To draw all the same say why (--reason): it is recorded and shown "
                "when the lot is judged; nothing was recorded"
            )
        chosen = tuple(drawing(draw.parts, draw.n, draw.seed))
        made = asdict(draw) | {
            "lot": lot, "drawn": chosen, "first": before[0].entry if before else 0,
            "reason": one_line(draw.reason.strip(), "reason"), "remarks": remarks,
        }  # fmt: skip
        kept = {name: made[name] for name in made if name not in ("entry", "at", "by")}
        value = json.dumps(kept, ensure_ascii=False)
        entry = ledger.entry("setting", by, {"setting": [{"name": DRAW + lot, "value": value}]})
    return Draw(**made | {"entry": entry.seq, "by": by})


def judged_by(ledger: Ledger, draw: Draw) -> LotVerdict:
    """Return what readings recorded after a draw say: a part that any of them rejects is bad, also if it was mended.

    An inspection that was corrected by another entry doesn't count. Parts that are held or weren't read since are
    waited for, and so are those whose readings are dated before the draw or not at all, unless they are rejected; more
    bad ones than the plan accepts decide at once.
    """
    i, corrected = s.INSPECTION.c, s.ENTRY.alias("correction")
    spelled = {y: x for x in draw.drawn for y in _other_spellings(ledger, draw, x)}
    spelled |= {str(plain(x)): x for x in draw.drawn}
    worst: dict[str, tuple[int, int]] = {}
    early: dict[str, str] = {}
    for some in batches(list(spelled)):
        asked = (
            select(i.serial, i.verdict, i.entry, i.first_day)
            .join(s.SPECIFICATION, s.SPECIFICATION.c.id == i.specification_id)
            .where(i.serial.in_(some), i.entry > draw.entry, s.SPECIFICATION.c.kit == draw.kit)
            .where(~select(corrected.c.seq).where(corrected.c.replaces == i.entry).exists()).order_by(i.id)
        )  # fmt: skip
        for row in ledger.rows(asked.where(i.part == plain(draw.part)) if draw.part else asked):
            serial, code = spelled[str(row["serial"])], s.VERDICTS.index(str(row["verdict"]))
            rejected = worst.get(serial, (0, 0))[0] == s.VERDICTS.index("reject")
            if not rejected and row["verdict"] == "accept" and str(row["first_day"] or "") < draw.at[:10]:
                read = f"read {row['first_day']}, before the draw" if row["first_day"] else "no day of measuring"
                early[serial] = f"{read} (entry {row['entry']})"
            elif not rejected:  # a hold that was cleared counts as what it came to
                worst[serial] = code, int(row["entry"])
    found = [(x, *worst.get(x, (-1, 0))) for x in draw.drawn]
    parts = tuple(
        DrawnPart(x, s.VERDICTS[code] if code >= 0 else "", entry, "" if code in (0, 2) else early.get(x, ""))
        for x, code, entry in found
    )
    bad = sum(p.verdict == "reject" for p in parts)
    waiting = tuple(p.serial for p in parts if p.verdict in ("", "hold"))
    verdict = REFUSED if bad > draw.accept else OPEN if waiting else ACCEPTED
    return LotVerdict(draw, parts, bad, waiting, verdict)


def _other_spellings(ledger: Ledger, draw: Draw, serial: str) -> list[str]:
    """Return how a drawn part is spelled on record too, told apart not: it is read once, its bad readings count."""
    near = [y for y, said in near_answers(ledger, serial) if (said["same"] if said else alike(serial, y))]
    near += [y if x == serial else x for (x, y), said in answers(ledger, [serial]).items() if said["same"]]
    return [y for y in dict.fromkeys(near) if y not in draw.parts]


def together(verdicts: Sequence[LotVerdict]) -> str:
    """Return what all draws of a lot say together: the worst."""
    return max((v.verdict for v in verdicts), key=(ACCEPTED, OPEN, REFUSED).index)


def _lots(ledger: Ledger, kit: str = "") -> list[tuple[Draw, list[LotVerdict]]]:
    """Return the first draw of each lot, of one kit or all, with what each of its draws says."""
    known = [d for d in draws(ledger) if kit in ("", d.kit)]
    return [(first, [judged_by(ledger, d) for d in known if d is first or d.first == first.entry])
            for first in known if not first.first]  # fmt: skip


def lots_before(ledger: Ledger, kit: str) -> list[bool]:
    """Return how the drawn lots of a kit came out, accepted or not, in the order of their draws; open ones left out."""
    out = [together(verdicts) for _, verdicts in _lots(ledger, kit)]
    return [verdict == ACCEPTED for verdict in out if verdict != OPEN]


@dataclass(frozen=True, slots=True)
class OpenLot:
    """A lot that is drawn and not yet judged, by its first draw; ``waiting`` in any of its draws."""

    lot: str
    kit: str
    entry: int
    day: str
    waiting: tuple[str, ...]


def open_lots(ledger: Ledger, kit: str = "") -> list[OpenLot]:
    """Return the lots that are drawn and still open, the oldest first."""
    return [
        OpenLot(d.lot, d.kit, d.entry, d.at[:10], tuple(dict.fromkeys(x for v in verdicts for x in v.waiting)))
        for d, verdicts in _lots(ledger, kit) if together(verdicts) == OPEN
    ]  # fmt: skip
