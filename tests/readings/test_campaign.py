"""Some two hundred made-up sheets and changed files; ``campaign.py`` judges thousands of others."""

from __future__ import annotations

from campaign import GRAVE, Score, cases
from mutations import structural

# Two seeds of their own, so that the benchmark's seeds stay sheets that nobody has seen.
SHEETS, CHANGES = 41, 42


def _listed(scores: list[Score]) -> str:
    return "\n".join(f"{s.name} {s.kind}: {s.group}, {s.fault}, {s.answers}" for s in scores)


def test_no_made_up_sheet_is_misunderstood() -> None:
    scores = cases(SHEETS, 160, processes=1)
    grave = [s for s in scores if s.kind in GRAVE]
    assert not grave, _listed(grave)
    plain = [s for s in scores if s.plain]
    wrong = [s for s in plain if s.kind != "right"]
    assert len(wrong) <= 0.01 * len(plain), _listed(wrong)


def test_no_changed_file_is_accepted_in_silence() -> None:
    scores = structural(CHANGES, 60, processes=1)
    grave = [s for s in scores if s.kind in GRAVE]
    assert not grave, _listed(grave)
    assert len(scores) == 60
