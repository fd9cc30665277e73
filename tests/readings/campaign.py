"""Judge thousands of made-up sheets whose truth is known, and say by layout and by fault how many were read rightly.

    python tests/readings/campaign.py --seed 1 --cases 20000
    python tests/readings/campaign.py --seed 1 --cases 2000 --layout cards --show 10
    python tests/readings/campaign.py --case 1:17 --keep folder   writes kit and sheet, prints right and answered
    python tests/readings/campaign.py --seed 1 --structural 5000  rows, cells, sheets, bytes moved, added, damaged

A bad part accepted and a good part rejected are counted apart from all other wrong answers. Sheets that a person would
ask about count for those two and for crashes only.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import shutil
import signal
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from campaign_kits import ACCEPT, REFUSED
from campaign_sheets import Made, Outcome, run_tool

KINDS = ("right", "false accept", "false reject", "held", "refused", "let through", "crash", "hang")
GRAVE = ("false accept", "false reject", "crash", "hang")
SECONDS = 60


@dataclass(frozen=True)
class Score:
    """What became of one case."""

    name: str
    group: str  # layout, or mutation
    fault: str
    plain: bool
    kind: str
    answers: str


class TooLong(Exception):
    """The tool took longer than any person waits."""


def run_watched(words: list[str]) -> Outcome | None:
    """Run the tool; None where it hangs."""

    if threading.current_thread() is not threading.main_thread():
        return run_tool(words)  # no alarm here

    def stop(*_: Any) -> None:
        raise TooLong

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(SECONDS)
    try:
        outcome = run_tool(words)
    except TooLong:
        return None
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
    return None if "TooLong" in outcome.err else outcome


def answers_of(outcome: Outcome) -> dict[str, str]:
    """Verdict of each serial number; empty where the file was refused."""
    try:
        data = json.loads(outcome.out)
    except ValueError:
        return {}
    return {str(p["serial"]): p["verdict"] for p in data.get("parts", [])}


def judge_answers(outcome: Outcome | None, expected: dict[str, tuple[set[str], set[str]]]) -> tuple[str, str]:
    """The worst of what became of the serial numbers of a case, and the answers in words."""
    if outcome is None:
        return "hang", "no answer"
    got = answers_of(outcome)
    words = f"exit {outcome.code}: {got}"
    if outcome.crashed:
        return "crash", words
    kinds = set()
    for serial, (right, grave) in expected.items():
        # a serial of which nothing is said, in a file that isn't refused, was lost in silence
        answer = got.get(serial, REFUSED if outcome.code != 0 else ACCEPT)
        kinds.add(_kind(answer, right, grave))
    for serial in got.keys() - expected.keys():  # a part that nobody made
        kinds.add("let through" if outcome.code == 0 else "held")
        words += f" (no such part: {serial})"
    return next(
        k for k in ("false accept", "false reject", "let through", "refused", "held", "right") if k in kinds
    ), words


def _kind(answer: str, right: set[str], grave: set[str]) -> str:
    if answer in right:
        return "right"
    if answer in grave:
        return "false accept" if answer == ACCEPT else "false reject"
    if answer == REFUSED:
        return "refused"
    return "held" if answer == "hold" else "let through"


def judge_case(made: Made, folder: Path) -> tuple[Score, Outcome | None]:
    outcome = run_watched(made.write(folder))
    kind, words = judge_answers(outcome, made.expectations())
    name = f"{made.seed}:{made.index}"
    return Score(name, made.layout, made.fault, made.plain, kind, words), outcome


def _one(job: tuple[int, int, str | None, str | None]) -> Score:
    seed, index, layout, keep = job
    with tempfile.TemporaryDirectory() as temporary:
        score, _ = judge_case(Made(seed, index, layout), Path(temporary))
        if keep and score.kind != "right":
            shutil.copytree(temporary, Path(keep) / score.name.replace(":", "_"), dirs_exist_ok=True)
    return score


def run_many(function: Callable[[Any], Score], jobs: list[Any], processes: int) -> Iterator[Score]:
    if processes == 1:
        yield from map(function, jobs)
        return
    with multiprocessing.get_context("fork").Pool(processes, maxtasksperchild=20) as pool:
        yield from pool.imap(function, jobs, chunksize=10)


def cases(seed: int, count: int, layout: str | None = None, keep: str | None = None, processes: int = 2) -> list[Score]:
    """Judge ``count`` cases of a seed."""
    return list(run_many(_one, [(seed, i, layout, keep) for i in range(count)], processes))


def table(scores: list[Score], by: Callable[[Score], str], title: str) -> str:
    """Counts by group: plain ones with the share judged rightly, and every kind of wrong answer."""
    heads = ("cases", "plain", "right %", *KINDS[1:])
    lines = [f"{title:30}" + "".join(f"{h:>13}" for h in heads)]
    groups = sorted({by(s) for s in scores})
    for group in [*groups, "all"]:
        some = [s for s in scores if group == "all" or by(s) == group]
        plain = [s for s in some if s.plain]
        kinds = Counter(s.kind for s in some)
        share = 100 * sum(s.kind == "right" for s in plain) / len(plain) if plain else float("nan")
        counts = "".join(f"{kinds[k]:13}" for k in KINDS[1:])
        lines.append(f"{group:30}{len(some):13}{len(plain):13}{share:13.2f}{counts}")
    return "\n".join(lines)


def summary(scores: list[Score], show: int) -> str:
    out = [table(scores, lambda s: s.group, "layout"), "", table(scores, lambda s: s.fault, "fault"), ""]
    wrong = [s for s in scores if s.kind in GRAVE or (s.plain and s.kind != "right")]
    wrong.sort(key=lambda s: (GRAVE.index(s.kind) if s.kind in GRAVE else len(GRAVE), s.group))
    out.append(f"not right: {len(wrong)}")
    out += [
        f"  {s.name:10} {s.kind:13} {s.group:16} {s.fault:24} {'' if s.plain else '(not plain) '}{s.answers[:150]}"
        for s in wrong[:show]
    ]
    if len(wrong) > show:
        out.append("  others: " + " ".join(f"{s.name}" for s in wrong[show : show + 400]))
    return "\n".join(out)


def show_case(name: str, keep: str, layout: str | None) -> None:
    """Write one case and print what is right, what was answered, and the grid."""
    seed, index, *change = name.split(":")
    folder = Path(keep)
    folder.mkdir(parents=True, exist_ok=True)
    if change:
        from mutations import changes

        print(*changes((int(seed), int(index), keep), int(change[0])), f"written to {keep}", sep="\n")
        return
    made = Made(int(seed), int(index), layout)
    score, outcome = judge_case(made, folder)
    print(f"case {name}: {made.layout}, {made.fault}, {'plain' if made.plain else 'not plain'}; {made.style.kind}")
    for serial, (right, grave) in made.expectations().items():
        print(f"  {serial}: right {sorted(right)}, grave {sorted(grave)}")
    print(f"  {score.kind}: {score.answers}")
    for sheet in made.sheets:
        print(f"  sheet {sheet.name}")
        for i, row in enumerate(sheet.rows, 1):
            print(f"  {i:4} " + " | ".join("" if c is None else str(c) for c in row))
    if outcome:
        try:
            data = json.loads(outcome.out)
        except ValueError:
            print("  " + (outcome.out + outcome.err)[-3000:])
            return
        for part in data["parts"]:
            print(f"  {part['serial']} {part['verdict']}: " + "; ".join(r["sentence"] for r in part["reasons"][:6]))
        for p in data["problems"][:15]:
            print(f"    {p['severity']} {p['code']} {p['cell']}: {p['message']}")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cases", type=int, default=0)
    parser.add_argument("--structural", type=int, default=0)
    parser.add_argument("--layout")
    parser.add_argument("--show", type=int, default=40)
    parser.add_argument("--keep")
    parser.add_argument("--case", metavar="SEED:INDEX[:CHANGE]")
    parser.add_argument("--processes", type=int, default=2)
    words = parser.parse_args()
    if words.case:
        show_case(words.case, words.keep or tempfile.mkdtemp(), words.layout)
        return
    start = time.monotonic()
    scores: list[Score] = []
    if words.structural:
        from mutations import structural

        scores = structural(words.seed, words.structural, words.keep, words.processes)
        print(summary(scores, words.show))
    if words.cases or not words.structural:
        scores = cases(words.seed, words.cases or 1000, words.layout, words.keep, words.processes)
        print(summary(scores, words.show))
    print(f"{time.monotonic() - start:.0f} s")
    if any(s.kind in GRAVE for s in scores):
        raise SystemExit(1)


if __name__ == "__main__":
    main()
