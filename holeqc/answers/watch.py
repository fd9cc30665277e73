"""A folder that is watched: each filled sheet saved there is judged once, and again when it was changed.

A sheet is taken when nobody has it open any more (no lock file beside it) and two looks in a row find the same bytes;
one that can't be used must stay unchanged for longer, since it may still be written. What was judged is kept by its
digest in a small file in the folder, so that a restart judges nothing twice.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from holeqc import door, printing, writer
from holeqc.answers.files import DRAFT, REPORTS, SHEETS, loaded
from holeqc.problems import HoleQCError, LedgerError, ReadingsError, shown_path
from holeqc.readings.containers import LOCKS, ReadOptions

if TYPE_CHECKING:
    from holeqc.answers.check import Checked
    from holeqc.specification.model import Specification

STATE = ".holeqc-watch.json"
RESULTS = "judged"  #: folder inside it, with a folder of report and tags for each sheet
EVERY = 0.5  #: between two looks [s]
PATIENCE = 20  #: looks: so long is an unusable file looked at again before it is told, since it may still be copied,
#: and so long does a single pass wait for one that somebody has open
AGAIN = 60  #: looks after which a record that refused is asked again
FEW = 3  #: so many reasons stand on the screen; the report has them all


@dataclass(slots=True)
class _Seen:
    """A file as it was found: its size and times, its digest, and how many looks found it so."""

    stat: tuple[int, int, int]
    digest: str
    looks: int = 0
    wait: int = 0  #: looks to let pass


@dataclass(slots=True)
class Watch:
    """A folder under watch. ``kit``: the kit that counts, None where each sheet says its own."""

    folder: Path
    kit: Specification | None = None
    tolerances: Path | None = None
    record: bool = False
    by: str = ""
    ledger: str = ""
    worst: int = 0  #: worst exit code so far, in the order 0, 3, 1, 2
    _seen: dict[str, _Seen] = field(default_factory=dict)
    _locks: set[str] = field(default_factory=set)
    _open: dict[str, int] = field(default_factory=dict)  #: name -> looks that found it open
    _known: dict[str, dict[str, str]] = field(default_factory=dict)  #: name -> digest and kit by which it was judged

    def __post_init__(self) -> None:
        state = self.folder / STATE
        if state.exists():
            try:
                found = door.json_values(door.take(state, door.TABLE).content)
                self._known = {str(name): dict(one) for name, one in found["judged"].items()}
            except (HoleQCError, ValueError, KeyError, TypeError, AttributeError):
                printing.warn(f"note: {shown_path(state)} is damaged; every sheet is judged once more")

    def look(self, *, once: bool = False) -> bool:
        """Look once: judge what is ready, say what is waited for; whether anything is still on its way.

        ``once``: what stays open is waited for `PATIENCE` looks, then named and left unjudged.
        """
        names = self._names()
        locked = {name for name in names if self._lock_of(name)}
        for name in sorted(locked - self._open.keys()):
            printing.say(f"{_clock()}  {name}: somebody has it open ({self._lock_of(name)} lies beside it); "
                         "it is judged once it is closed")  # fmt: skip
        self._open = {name: self._open.get(name, 0) + 1 for name in locked}
        for name in sorted(locked) if once else ():
            if self._open[name] == PATIENCE:
                printing.failure(f"{name}: not judged: somebody still has it open. Close it; if nobody has, take "
                                 f"{self._lock_of(name)} away, and watch again")  # fmt: skip
                self._count(2)
        waiting = any(looks < PATIENCE or not once for looks in self._open.values())
        for name in names:
            if name not in locked:
                waiting |= self._one(name)
        for name in self._seen.keys() - set(names):
            del self._seen[name]
        printing.flush()
        return waiting

    def _names(self) -> list[str]:
        there = sorted(os.listdir(self.folder))
        self._locks = {name for name in there if name.startswith(LOCKS)}
        return [
            name for name in there
            if Path(name).suffix.lower() in SHEETS and not name.startswith((*LOCKS, "."))
            and name.lower() not in REPORTS and not name.endswith(DRAFT) and (self.folder / name).is_file()
        ]  # fmt: skip

    def _lock_of(self, name: str) -> str:
        return min(self._locks & {f"~${name}", f"~${name[2:]}", f".~lock.{name}#"}, default="")

    def _one(self, name: str) -> bool:
        """Look at one file; whether it is still on its way."""
        path = self.folder / name
        try:
            found = os.stat(path)
            stat = (found.st_size, found.st_mtime_ns, found.st_ino)
            seen = self._seen.get(name)
            if seen is not None and seen.stat == stat and seen.looks < 0:
                return False  # judged, or told
            if seen is not None and seen.stat == stat and seen.wait > 0:
                seen.wait -= 1
                return True
            came = door.take(path, door.READINGS)
            digest = came.sha256
        except (OSError, HoleQCError):  # it was moved or is being written: the next look will tell
            self._seen.pop(name, None)
            return True
        if seen is None or (seen.stat, seen.digest) != (stat, digest):
            self._seen[name] = seen = _Seen(stat, digest)
            if not self._is_known(name, digest):
                return True
        seen.looks += 1
        if seen.looks < PATIENCE and _may_go_on(name, came.content):
            seen.looks = seen.wait = PATIENCE
            return True
        done = self._is_known(name, digest) or self._judge(name, path, seen)
        seen.looks = -1 if done else seen.looks
        return not done

    def _is_known(self, name: str, digest: str) -> bool:
        known = self._known.get(name)
        return known is not None and known["sha256"] == digest and known["kit"] == self._kit_digest

    @property
    def _kit_digest(self) -> str:
        return self.kit.digest if self.kit is not None else ""

    def _judge(self, name: str, path: Path, seen: _Seen) -> bool:
        """Judge a file that is whole, record it and write its report; whether it is done with."""
        from holeqc.answers import check

        twin = next((n for n, one in self._known.items() if n != name and one["sha256"] == seen.digest), "")
        if twin and not self._is_known(twin, seen.digest):
            twin = ""  # judged by another text of the kit
        if twin:
            printing.say(f"{_clock()}  {name}: the same bytes as {twin}, judged before")
            return self._keep(name, seen.digest)
        try:
            run = check.judge([*([self.kit] if self.kit else []), path], self.tolerances, ReadOptions())
        except HoleQCError as error:
            if isinstance(error, ReadingsError) and seen.looks < PATIENCE:
                seen.looks = seen.wait = PATIENCE
                return False
            printing.say(f"{_clock()}  {name}: not judged")
            printing.failure(str(error), [p.sentence() for p in error.problems if p.sentence() not in str(error)])
            self._count(2)
            return True
        if run.inspection.readings.sources[0].sha256 != seen.digest:
            return False  # saved again while it was read
        if not (run.inspection.readings.rows["characteristic"] != "").any():
            printing.say(f"{_clock()}  {name}: nothing is filled in yet")
            return True
        return self._tell(name, path, seen, run)

    def _tell(self, name: str, path: Path, seen: _Seen, run: Checked) -> bool:
        """Record a judged sheet, say its verdict and write its report; whether it is done with."""
        from holeqc.answers import check
        from holeqc.answers.bench import verdict_code

        lines: list[str] = []
        try:
            if self.record:
                opening = check.Opening(run, self.ledger)
                run = opening.run
                lines = opening.record(self.by, None, True)
        except LedgerError as error:
            printing.failure(f"{name}: not recorded, asked again in a while: {error}")
            seen.wait = AGAIN
            return False
        before = self._known.get(name)
        changed = before is not None and before["sha256"] != seen.digest
        again = ": changed since, judged anew" if changed else ""
        printing.say("", f"{_clock()}  {name}{again}", *_verdict(run), *lines)
        printing.flush()
        self._count(verdict_code(run))
        try:
            written = check.report(run, self.folder / RESULTS / name)
            printing.say(f"Report: {written[0]}")
        except HoleQCError as error:
            printing.failure(str(error))
        return self._keep(name, seen.digest)

    def _keep(self, name: str, digest: str) -> bool:
        self._known[name] = {"sha256": digest, "kit": self._kit_digest}
        writer.write_json(self.folder / STATE, {"judged": self._known})
        return True

    def _count(self, code: int) -> None:
        self.worst = max(self.worst, code, key=(0, 3, 1, 2).index)


def _may_go_on(name: str, content: bytes) -> bool:
    """Whether a text table stops as one does that is half copied: in a line without its end, or with fewer fields."""
    if not name.lower().endswith((".csv", ".tsv", ".txt")):
        return False
    tail = content[-100_000:].replace(b"\0", b"")
    lines = tail.rstrip(b"\r\n").splitlines()[-2:] or [b""]
    delimiter = max((b",", b";", b"\t", b"|"), key=tail.count)
    return not tail.endswith((b"\n", b"\r")) or lines[-1].count(delimiter) < lines[0].count(delimiter)


def _clock() -> str:
    return time.strftime("%H:%M:%S")


def _verdict(run: Checked) -> Iterator[str]:
    """Give the verdict of each part, its first reasons and its tags."""
    from holeqc.reports.blocks import marked
    from holeqc.reports.screen import holes_sentence

    codes: dict[tuple[str, str], list[str]] = {}
    for tag in run.tags():
        codes.setdefault((tag.part, tag.serial), []).append(tag.code)
    for part in run:
        yield f"{marked(part.verdict)}  {part.name}: {holes_sentence(part)}"
        for reason, action in part.reasons_once[:FEW]:
            yield f"  {reason.sentence}{f' {action}' if action else ''}"
        if mine := codes.get((part.part, part.serial)):
            yield f"  Tags: {', '.join(mine)}"


def watch(folder: Path, kit: Path | None, *, once: bool = False, **settings: Any) -> int:
    """Watch a folder until Ctrl-C, or ``once``: until all that is there now is judged; return the exit code.

    Raises:
        HoleQCError: there is no such folder, the kit can't be used, or nobody is named who records.
    """
    from holeqc.answers.check import refuse_unsigned

    refuse_unsigned(settings.get("record", False), settings.get("by", ""), None)
    if not folder.is_dir():
        raise HoleQCError(f"{shown_path(folder)}: there is no such folder")
    watched = Watch(folder, loaded(kit) if kit else None, **settings)
    import holeqc.inspection.recheck
    import holeqc.readings.read
    import holeqc.reports.write  # noqa: F401  before the first sheet comes, which then waits for nothing
    printing.say(f"Watching {shown_path(folder)}; reports go into {RESULTS} there. Ctrl-C stops.")
    gone = False
    try:
        while True:
            try:
                waiting, gone = watched.look(once=once), False
            except OSError as error:
                if not gone:
                    printing.warn(f"{_clock()}  {shown_path(folder)} can't be looked into: {error.strerror}; waiting")
                waiting = gone = True
            if once and not waiting:
                return watched.worst
            time.sleep(EVERY)
    except KeyboardInterrupt:
        printing.say(f"{_clock()}  Watching ends.")
        raise
