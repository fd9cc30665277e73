"""How a number is known, in plain words, from the best evidence to none.

``exact`` arithmetic or definition; ``two sources`` two separately printed tables agree; ``one source`` one printed
table; ``derived`` by the rule of the standard from printed values; ``disputed`` printed tables differ; ``memory`` no
outside evidence.
"""

from __future__ import annotations

from collections.abc import Iterable

WORDS = ("exact", "two sources", "one source", "derived", "disputed", "memory")
RANK = {word: rank for rank, word in enumerate(WORDS)}
PRINTED = RANK["one source"]  #: ranks up to here rest on print or arithmetic

_WARNINGS = {
    "derived": "derived by the rule of the standard, not read in a printed table",
    "disputed": "printed tables differ here",
    "memory": "from memory, unconfirmed",
}


def weakest(words: Iterable[str]) -> str:
    """Return the weakest of several confirmation words; ``exact`` for none."""
    return WORDS[max((RANK[word] for word in words), default=0)]


def warning(word: str, what: str) -> str:
    """Return a sentence that warns of a number no printed source confirms, empty when one does."""
    if word not in _WARNINGS:
        return ""
    return f"{what}: {_WARNINGS[word]}. Check it against the standard before you rely on it."
