"""What a ledger holds, in a few numbers counted by the database."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import func, select

from holeqc.ledger import schema as s
from holeqc.ledger.filters import newest_inspection
from holeqc.ledger.migrations import version_of
from holeqc.ledger.tags import closed_tag

if TYPE_CHECKING:
    from holeqc.ledger.ledger import Ledger


@dataclass(frozen=True, slots=True)
class Summary:
    """Counts, first and last moment, and the number and hash of the newest entry.

    ``kits``: (kit, revision, parts) of the newest inspections; ``verdicts``: parts by the newest verdict.
    """

    place: str
    version: int
    entries: int
    head: str
    first_at: str
    last_at: str
    files: int
    readings: int
    parts: int
    verdicts: dict[str, int]
    approved: int
    tags: int
    open_tags: int
    kits: tuple[tuple[str, str, int], ...]


def summary(ledger: Ledger) -> Summary:
    """Return what the ledger holds."""
    i, text = s.INSPECTION.c, s.SPECIFICATION.c
    taken_back = select(s.WITHDRAWAL.c.id).where(s.WITHDRAWAL.c.approval_id == s.APPROVAL.c.id)
    with ledger.reading() as connection:

        def number(question: object) -> int:
            return int(connection.execute(question).scalar() or 0)  # type: ignore[call-overload]

        seq, head = ledger.head()
        first, last = connection.execute(select(func.min(s.ENTRY.c.at), func.max(s.ENTRY.c.at))).one()
        by_verdict = select(i.verdict, func.count()).where(newest_inspection()).group_by(i.verdict)
        by_kit = (
            select(text.kit, text.revision, func.count()).select_from(s.INSPECTION)
            .join(s.SPECIFICATION, text.id == i.specification_id).where(newest_inspection())
            .group_by(text.kit, text.revision).order_by(text.kit, text.revision)
        )  # fmt: skip
        counted = {str(verdict): int(n) for verdict, n in connection.execute(by_verdict)}
        return Summary(
            ledger.location.shown, version_of(connection), seq, head, str(first or ""), str(last or ""),
            number(select(func.count()).select_from(s.FILE)), number(select(func.sum(s.FILE.c.readings))),
            sum(counted.values()), {verdict: counted.get(verdict, 0) for verdict in s.VERDICTS},
            number(select(func.count(func.distinct(s.APPROVAL.c.inspection_id))).where(~taken_back.exists())),
            number(select(func.count()).select_from(s.TAG)),
            number(select(func.count()).select_from(s.TAG).where(~closed_tag())),
            tuple((str(k), str(r), int(n)) for k, r, n in connection.execute(by_kit)),
        )  # fmt: skip
