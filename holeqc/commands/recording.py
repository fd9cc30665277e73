"""A run of `holeqc check` into the ledger, with its tags: all of it or nothing."""

from __future__ import annotations

import datetime as dt
import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from holeqc import printing
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from holeqc.inspection.results import Inspection
    from holeqc.ledger.ledger import Ledger
    from holeqc.ledger.recording import Recorded
    from holeqc.ledger.signing import Signer
    from holeqc.readings.table import Readings
    from holeqc.specification.model import Specification

LEDGER_HELP = "Ledger: a file or postgresql://USER@HOST/DATABASE; else HOLEQC_LEDGER, else ./holeqc-ledger.sqlite3."
BY_VARIABLE = "HOLEQC_BY"
FEW_TAGS = 8  #: so many are named one by one
MANY_TAGS = 40  #: from so many on it is asked whether the run is a history


@dataclass(frozen=True, slots=True)
class RecordedRun:
    """What a run added to the ledger: ``tags`` the numbers of the tags that were opened, ``notes`` what to know."""

    recorded: Recorded
    tags: tuple[str, ...]
    notes: tuple[str, ...]
    inspection: Inspection


def record_run(
    ledger: Ledger, inspection: Inspection, by: str, *, replaces: int | None = None, tags: bool = True
) -> RecordedRun:  # fmt: skip
    """Record a run and open its tags, in one transaction; the kit's text is read from the file that was judged.

    ``replaces``: number of the entry whose file the run's one new file corrects, where its name doesn't tell.
    ``tags``: False for a history that is recorded for trends; what is rejected or held there still can't be approved.
    The same files recorded again with tags open those that are missing.

    Raises:
        LedgerError: the kit file was changed since, nobody is named, ``replaces`` names no standing file of the kit, or
            the database refuses.
    """
    from holeqc.specification.load import kit_bytes

    text = kit_bytes(inspection.specification.path).content
    raw = inspection.readings.before
    if raw is None:
        return _record_sheets(ledger, inspection, text, by, replaces=replaces, tags=tags)
    if replaces is not None or not tags:
        raise LedgerError("a recheck answers tags, and takes the place of what it was asked for: record it without "
                          "--replaces and --no-tags")  # fmt: skip
    with ledger.transaction():
        return _record_rechecks(ledger, inspection.specification, raw, text, by)


def _record_sheets(
    ledger: Ledger, inspection: Inspection, text: bytes, by: str, *, replaces: int | None = None, tags: bool = True
) -> RecordedRun:  # fmt: skip
    """Record sheets that stand for themselves, with their tags."""
    from holeqc.inspection.tags import tags_of
    from holeqc.ledger.reinspection import left_open
    from holeqc.ledger.tags import open_tags, untagged

    printing.progress("recording")
    with ledger.transaction():
        recorded = ledger.record(inspection, text, by, replaces=replaces)
        inspection = recorded.inspection or inspection
        drafts = tags_of(inspection)
        printing.progress(f"opening {len(drafts)} tags" if tags else "recording")
        opened = open_tags(ledger, recorded.inspections, drafts if tags else [], by) if recorded.inspections else []
        known = [f.file_id for f in recorded.files if f.status == "known"]
        late = untagged(ledger, [*known, *recorded.before]) if tags else {}
        late = {key: number for key, number in late.items() if key not in recorded.inspections}
        if late:
            opened += open_tags(ledger, late, drafts, by, ties_older=False)
        notes = _unreleased(ledger, inspection.specification, text)
        printing.progress("")
        notes += [*_locked(ledger, recorded), *left_open(ledger, recorded.inspections.values())]
    if recorded.inspections and drafts and not tags:
        notes.append(f"no tags were opened (--no-tags); {len(drafts)} would have been")
    if len(opened) >= MANY_TAGS:
        notes.append(f"{len(opened)} tags are many: a history that is recorded for trends alone takes --no-tags")
    return RecordedRun(recorded, tuple(opened), (*recorded.notes, *notes), inspection)


def _record_rechecks(
    ledger: Ledger, specification: Specification, raw: Readings, text: bytes, by: str
) -> RecordedRun:  # fmt: skip
    """Record first sheets of a run, then its rechecks, the oldest first, each joined with the newest on record."""
    from holeqc.inspection.judge import inspect
    from holeqc.inspection.recheck import newest_day
    from holeqc.inspection.tags import tags_of
    from holeqc.ledger.rechecks import newly_wrong, record_recheck
    from holeqc.ledger.recording import Recorded
    from holeqc.ledger.reinspection import left_open
    from holeqc.ledger.tags import open_tags

    done: list[Recorded] = []
    opened: list[str] = []
    notes: list[str] = []
    if len(raw.table):
        first = _record_sheets(ledger, inspect(specification, replace(raw, rechecks=())), text, by)
        done.append(first.recorded)
        opened, notes = list(first.tags), list(first.notes)
    inspection = None
    for recheck in sorted(raw.rechecks, key=lambda one: newest_day(one.table)):
        printing.progress("recording")
        one = record_recheck(ledger, specification, text.decode("utf-8"), recheck, by)
        inspection = one.inspection or inspection
        done.append(one)
        notes += one.notes
        if one.inspection is not None:
            new = newly_wrong(ledger, one.inspection, one.inspections, tags_of(one.inspection))
            opened += open_tags(ledger, one.inspections, new, by)
            notes += [*_locked(ledger, one), *left_open(ledger, one.inspections.values())]
    notes += [note for note in _unreleased(ledger, specification, text) if note not in notes]
    printing.progress("")
    entries = [one for one in done if one.added]
    recorded = Recorded(
        entries[0].first if entries else 0, entries[-1].last if entries else 0,
        tuple(file for one in done for file in one.files), {k: n for one in done for k, n in one.inspections.items()},
    )  # fmt: skip
    return RecordedRun(recorded, tuple(opened), tuple(notes), inspection or inspect(specification, raw))


def _unreleased(ledger: Ledger, spec: Specification, text: bytes) -> list[str]:
    """Return the note that the kit's text isn't the one that was released, none where it is."""
    import hashlib

    from holeqc.ledger.kits import unreleased_words

    words = unreleased_words(ledger, spec.id, spec.revision, hashlib.sha256(text).hexdigest(), text.decode("utf-8"))
    return [words] if words else []


def prepared(inspection: Inspection, where: str) -> tuple[Ledger | None, Inspection, LedgerError | None]:
    """Return the ledger opened, a run as it may be recorded there, and what refuses it, None where nothing does.

    The verdicts shown are those that are recorded: serial numbers as answered, copies held.
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.named import refuse_unnamed
    from holeqc.ledger.rechecks import with_bases
    from holeqc.ledger.resemblance import prepare

    ledger = None
    try:
        refuse_unnamed(inspection)  # before a ledger is made for nothing
        ledger = open_ledger(where)
        raw = inspection.readings.before
        if raw is not None:
            return ledger, with_bases(ledger, inspection.specification, raw), None
        return ledger, prepare(ledger, inspection), None
    except LedgerError as refusal:
        return ledger, inspection, refusal


def _locked(ledger: Ledger, recorded: Recorded) -> list[str]:
    """Say of which approved parts the run opened a new inspection, and what to do where that rejects or holds one."""
    from holeqc.ledger.approvals import approved_before

    notes = []
    for (part, serial), (approval, verdict) in approved_before(ledger, recorded.inspections).items():
        name = " ".join(word for word in (part, serial) if word)
        if verdict == "accept":
            notes.append(
                f"{name}: the set approved as entry {approval} is locked; this is a new inspection, not approved yet"
            )
        else:
            does = {"hold": "holds", "reject": "rejects"}[verdict]
            notes.append(
                f"{name} is approved (entry {approval}) and this inspection {does} it: withdraw the approval if this "
                f"stands: holeqc withdraw {serial} --by WHO --reason TEXT"
            )
    return notes


def who(by: str) -> str:
    """Return who records: the option, else the variable HOLEQC_BY; '' where neither says."""
    return by.strip() or os.environ.get(BY_VARIABLE, "").strip()


def told(run: RecordedRun, where: str) -> list[str]:
    """Return what was recorded, in lines for the screen."""
    done = run.recorded
    lines = []
    if done.added:
        entries = f"entry {done.first}" if done.first == done.last else f"entries {done.first} to {done.last}"
        count = len(done.inspections)
        lines.append(f"Recorded as {entries} in {where}: {count} {'part' if count == 1 else 'parts'}")
    else:
        lines.append(f"Nothing was added to {where}")
    if run.tags:
        few = len(run.tags) <= FEW_TAGS
        named = ", ".join(run.tags) if few else f"{len(run.tags)} tags; holeqc tags --open lists them"
        lines.append(f"Tags opened: {named}")
    lines += [f"Note: {note}" for note in run.notes]
    return lines


KEY_HELP = "File of your key, where the kit asks for signatures; the passphrase is asked for, or HOLEQC_PASSPHRASE."


def signer_of(key: Path | None) -> Signer | None:
    """Return a person's key, unlocked by the passphrase of the environment or one that is typed; None for no file."""
    if key is None:
        return None
    from holeqc.ledger.signing import PASSPHRASE, load_key

    return load_key(key, passphrase(PASSPHRASE, f"Passphrase of {key}"))


def passphrase(variable: str, words: str = "Passphrase of the new key") -> str:
    """Return the passphrase of a key: that of a variable of the environment, else typed without being shown."""
    import typer

    return os.environ.get(variable, "") or str(typer.prompt(words, hide_input=True, err=True))


def required_who(by: str, what: str) -> str:
    """Return who records, or raise LedgerError that asks ``what``."""

    name = who(by)
    if not name:
        raise LedgerError(f"say {what}: a role or a number is enough, no name needed (--by)")
    return name


def a_day(text: str, option: str) -> dt.date | None:
    """Return a day that was typed as 2026-11-01, None for no text.

    Raises:
        LedgerError: it is no such day.
    """

    if not text.strip():
        return None
    try:
        return dt.date.fromisoformat(text.strip())
    except ValueError:
        raise LedgerError(f"{option} {text!r} is no day; give year, month, day as 2026-11-01") from None
