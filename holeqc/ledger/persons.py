"""Who logged, read, decided and worked on a part, for the two-person rule, which a kit asks for."""

from __future__ import annotations

import re
import unicodedata
from typing import TYPE_CHECKING

from sqlalchemy import select

from holeqc.ledger import schema as s

if TYPE_CHECKING:
    from holeqc.ledger.ledger import Ledger


_LIKE_DIGITS = str.maketrans("oil", "011")


def same(name: str) -> str:
    """Return a name so that small differences of typing don't make another person: case, marks between, leading zeros,
    and in a word with digits O for 0, I and l for 1.
    """
    text = unicodedata.normalize("NFKC", name).casefold()
    words = ["".join(sign for sign in word if sign.isalnum()) for word in re.split(r"[\s._/-]+", text)]
    words = [w.translate(_LIKE_DIGITS) if any(sign.isdigit() for sign in w) else w for w in words if w]
    return re.sub(r"(?<!\d)0+(?=\d)", "", " ".join(words))


def logged_by(ledger: Ledger, inspection_id: int) -> set[str]:
    """Return who logged an inspection or a file that it rests on, each as `same` writes it."""
    i, sets, e = s.INSPECTION.c, s.READING_SET.c, s.ENTRY.c
    own = select(e.made_by).join(s.INSPECTION, i.entry == e.seq).where(i.id == inspection_id)
    files = (
        select(e.made_by).join(s.FILE, s.FILE.c.entry == e.seq).join(s.READING_SET, sets.file_id == s.FILE.c.id)
        .join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == sets.id)
        .where(s.INSPECTION_SET.c.inspection_id == inspection_id)
    )  # fmt: skip
    return {same(str(row["made_by"])) for question in (own, files) for row in ledger.rows(question)} - {""}


def read_by(ledger: Ledger, inspection_id: int) -> set[str]:
    """Return who read what an inspection rests on, each as `same` writes it."""
    r = s.READING.c
    question = (
        select(r.read_by).join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == r.set_id)
        .where(s.INSPECTION_SET.c.inspection_id == inspection_id).distinct()
    )  # fmt: skip
    return {same(str(row["read_by"])) for row in ledger.rows(question)} - {""}
