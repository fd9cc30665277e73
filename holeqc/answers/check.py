"""Filled sheets judged as it is asked: verdicts, reasons and tags by the words that a notebook uses."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from holeqc import printing
from holeqc.answers import Named, as_html, who
from holeqc.answers.files import flat, kit_and_files
from holeqc.inspection.results import VERDICTS
from holeqc.inspection.view import Run
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    import pandas as pd

    from holeqc.answers.fixture import FixtureAnswer
    from holeqc.inspection.results import Inspection, Reason
    from holeqc.inspection.tags import Tag
    from holeqc.ledger.ledger import Ledger
    from holeqc.ledger.read_back import Filter
    from holeqc.ledger.recording import Recorded
    from holeqc.readings.containers import ReadOptions
    from holeqc.readings.table import Readings, UnusableFile
    from holeqc.specification.model import Specification


class Checked(Run):
    """What came of some sheets: the verdict of each hole and part, why, and what to do.

    As a sequence it gives each part with its readings, holes and reasons; ``inspection`` holds the frames as the judge
    made them, ``unusable`` names the files of which nothing was judged, ``recorded`` says what went on record.
    """

    def __init__(self, inspection: Inspection, unusable: Sequence[UnusableFile] = ()) -> None:
        super().__init__(inspection)
        self.unusable = tuple(unusable)
        self.recorded: RecordedRun | None = None

    @property
    def verdict(self) -> str:
        """The worst verdict: accept, hold or reject; hold where nothing was judged."""
        return VERDICTS[self.count.verdict]

    @cached_property
    def parts(self) -> pd.DataFrame:
        """One row a part: its verdict in words, pins, days; `PART_COLUMNS` of `inspection.results` explains each."""
        return _in_words(self.inspection.parts, "verdict", "pin_verdict")

    @cached_property
    def holes(self) -> pd.DataFrame:
        """One row a hole: verdict in words, mating size, smallest and largest [kit's unit], rework."""
        return _in_words(self.inspection.holes, "verdict")

    def reasons(self, serial: str, part: str = "") -> list[Reason]:
        """Return why a part isn't accepted, worst first, each with its cell and what to do; none for an accepted one.

        ``part``: its name, where two have the same serial number.

        Raises:
            DataError: no part of this serial number was judged, or several.
        """
        from holeqc.door import near_names
        from holeqc.problems import DataError

        found = [view for view in self if view.serial == serial.strip() and (not part or view.part == part)]
        if len(found) == 1:
            return list(found[0].reasons)
        if found:
            names = ", ".join(view.part for view in found)
            raise DataError(f"{serial}: several parts have this serial number; say which with part: {names}")
        serials = list(dict.fromkeys(view.serial for view in self))
        near = near_names(serial, serials) or serials[:1]
        raise DataError(f"no part {serial!r} was judged" + (f" (nearest: {near[0]!r})" if near else ""))

    def tags(self) -> list[Tag]:
        """Return the reject and hold tags, each with its code."""
        from holeqc.inspection.tags import tags_for

        return tags_for(self)

    def __str__(self) -> str:
        from holeqc.reports.screen import screen_text

        return screen_text(self.inspection)

    def _repr_html_(self) -> str:
        return as_html(str(self))


def _in_words(frame: pd.DataFrame, *columns: str) -> pd.DataFrame:
    words = dict(enumerate(VERDICTS))
    return frame.assign(**{name: frame[name].map(words).fillna("") for name in columns})


def check(
    *files: Named | Sequence[Named],
    tolerances: str | Path | None = None,
    unit: str = "",
    part: str = "",
    serial: str = "",
    delimiter: str = "",
    decimal: str = "",
    encoding: str = "",
    record: bool = False,
    by: str = "",
    ledger: str | Path = "",
    replaces: int | None = None,
    tags: bool = True,
) -> Checked:
    """Return the verdicts of filled reading sheets: accept, hold or reject for each hole and part, why, what to do.

    A file that can't be used doesn't stop the rest: it is named among the problems, and nothing of it is judged.

    Args:
        files: a kit, loaded or its file, and filled sheets or a folder of them. Without a kit, the kit id and revision
            inside a sheet are looked for in the folders of kit files, or in ``tolerances``.
        unit: in or mm, of readings whose sheet doesn't say one. part, serial: where the sheets don't say them.
        delimiter, decimal, encoding: of CSV; recognised if not given.
        record: log readings, verdicts and tags in the ledger, all or nothing; ``by`` says who (else HOLEQC_BY),
            ``ledger`` where, ``replaces`` the entry that the file corrects; without ``tags`` none are opened.

    Raises:
        HoleQCError: no kit, no sheet or none that can be used, or the record refuses.
    """
    from holeqc.readings.containers import ReadOptions

    refuse_unsigned(record, by, replaces)
    options = ReadOptions(unit=unit, part=part, serial=serial, delimiter=delimiter, decimal=decimal, encoding=encoding)
    run = judge(files, tolerances, options)
    if record:
        opening = Opening(run, str(ledger))
        run = opening.run
        opening.record(by, replaces, tags)
    return run


def refuse_unsigned(record: bool, by: str, replaces: int | None) -> None:
    """Raise ``LedgerError`` for a record without anyone's name, or a correction of an entry that isn't recorded."""
    if record and not who(by):
        raise LedgerError('say who records: a role or a number is enough (--by "bench 2")')
    if replaces is not None and not record:
        raise LedgerError(f"--replaces {replaces} corrects an entry of the ledger; add --record to log the new file")


def judge(files: Sequence[Named | Sequence[Named]], tolerances: str | Path | None, options: ReadOptions) -> Checked:
    """Return the verdicts of sheets, read by these options."""
    from holeqc.inspection.recheck import inspect
    from holeqc.readings.read import read_files

    folder = None if tolerances is None else Path(tolerances)
    specification, sheets, notes = kit_and_files(flat(files), folder)
    readings = read_files(sheets, specification, options, go_on=True)
    printing.progress("judging")
    inspection = inspect(specification, replace(readings, problems=(*notes, *readings.problems)))
    printing.progress("")
    return Checked(inspection, readings.unusable)


class Opening:
    """A ledger opened for a run; ``run`` is judged as it may be recorded there: copies held, serials as answered.

    What refuses the record is raised by `record` only, so that the verdicts can be shown first.
    """

    def __init__(self, run: Checked, ledger: str) -> None:
        self.ledger, inspection, self.refusal = prepared(run.inspection, ledger)
        printing.progress("")
        self.run = Checked(inspection, run.unusable)

    def record(self, by: str, replaces: int | None, tags: bool) -> list[str]:
        """Record the run and its tags, all of it or nothing, and return what was recorded, in lines."""
        if self.ledger is None or self.refusal is not None:
            raise self.refusal or LedgerError("the ledger couldn't be opened")
        with self.ledger as there:
            self.run.recorded = record_run(there, self.run.inspection, who(by), replaces=replaces, tags=tags)
            return told(self.run.recorded, there.location.shown)


def report(run: Checked | FixtureAnswer, folder: str | Path, *, brief: bool = False) -> list[Path]:
    """Write the report of verdicts, or of a fixture, into a folder and return the paths of its files.

    The folder is made new as a whole or stays as it was. ``brief``: a line for each part instead of pages.

    Raises:
        HoleQCError: the folder holds other files, or the disk refuses.
    """
    from holeqc.answers.fixture import FixtureAnswer

    out = Path(folder)
    if isinstance(run, FixtureAnswer):
        from holeqc.reports.wear import write_wear

        return write_wear(run.wear, run.kit, out, run.sources)
    from holeqc.reports.write import write_reports

    return write_reports(run.inspection, out, brief=brief, made=dt.date.today())


def documents(ledger: Ledger, wanted: Filter, folder: Path, *, replace: bool = False) -> int:
    """Write a document (QIF 3.0) of the newest inspection of each part that is wanted, and return their number.

    Raises:
        HoleQCError: no part fits, the folder holds other files, or the disk refuses.
    """
    from holeqc.ledger.read_back import inspections_again
    from holeqc.ledger.stories import newest_parts
    from holeqc.reports.write import export_documents

    ids = [int(row["id"]) for row in newest_parts(ledger, wanted)]
    if not ids:
        raise LedgerError(f"ledger {ledger.location.shown}: no part fits what was asked")
    if wanted.holes or wanted.characteristics or wanted.measured != "all":
        raise LedgerError("documents are of whole parts as they were judged: leave --hole, --characteristic and "
                          "--measured out")  # fmt: skip
    return export_documents((Run(one) for one in inspections_again(ledger, ids)), folder, replace=replace)


# A run of `holeqc check` into the ledger, with its tags: all of it or nothing.


FEW_TAGS = 8  #: so many are named one by one
MANY_TAGS = 40  #: from so many on it is asked whether the run is a history


@dataclass(frozen=True, slots=True)
class RecordedRun:
    """What a run added to the ledger: ``tags`` the numbers of the tags that were opened, ``notes`` what to know,
    ``late`` the entry of tags opened for readings that were on record already, 0 for none.
    """

    recorded: Recorded
    tags: tuple[str, ...]
    notes: tuple[str, ...]
    inspection: Inspection
    late: int = 0


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
    from holeqc.ledger.recording import record
    from holeqc.ledger.tags import left_open, open_tags, untagged

    printing.progress("recording")
    with ledger.transaction() as transaction:
        recorded = record(ledger, inspection, text, by, replaces=replaces)
        inspection = recorded.inspection or inspection
        drafts = tags_of(inspection)
        printing.progress(f"opening {len(drafts)} tags" if tags else "recording")
        opened = open_tags(ledger, recorded.inspections, drafts if tags else [], by) if recorded.inspections else []
        known = [f.file_id for f in recorded.files if f.status == "known"]
        late = untagged(ledger, [*known, *recorded.before]) if tags else {}
        late = {key: number for key, number in late.items() if key not in recorded.inspections}
        if late:
            opened += open_tags(ledger, late, drafts, by, ties_older=False)
        entry = transaction.head[0] if late else 0
        notes = _unreleased(ledger, inspection.specification, text)
        printing.progress("")
        notes += [*_locked(ledger, recorded), *left_open(ledger, recorded.inspections.values())]
    if recorded.inspections and drafts and not tags:
        notes.append(f"no tags were opened (--no-tags); {len(drafts)} would have been")
    if len(opened) >= MANY_TAGS:
        notes.append(f"{len(opened)} tags are many: a history that is recorded for trends alone takes --no-tags")
    return RecordedRun(recorded, tuple(opened), (*recorded.notes, *notes), inspection, entry)


def _record_rechecks(
    ledger: Ledger, specification: Specification, raw: Readings, text: bytes, by: str
) -> RecordedRun:  # fmt: skip
    """Record first sheets of a run, then its rechecks, the oldest first, each joined with the newest on record."""
    from holeqc.inspection.recheck import inspect, newest_day
    from holeqc.inspection.tags import tags_of
    from holeqc.ledger.rechecks import newly_wrong, record_recheck
    from holeqc.ledger.recording import Recorded
    from holeqc.ledger.tags import closed_now, left_open, open_tags

    done: list[Recorded] = []
    opened: list[str] = []
    notes: list[str] = []
    if len(raw.rows):
        first = _record_sheets(ledger, inspect(specification, replace(raw, rechecks=())), text, by)
        done.append(first.recorded)
        opened, notes = list(first.tags), list(first.notes)
    inspection = None
    for recheck in sorted(raw.rechecks, key=lambda one: newest_day(one.rows)):
        printing.progress("recording")
        one = record_recheck(ledger, specification, text.decode("utf-8"), recheck, by)
        inspection = one.inspection or inspection
        done.append(one)
        notes += one.notes
        if one.inspection is not None:
            new = newly_wrong(ledger, one.inspection, one.inspections, tags_of(one.inspection))
            opened += open_tags(ledger, one.inspections, new, by)
            notes += [*_locked(ledger, one), *closed_now(ledger, one.inspections.values()),
                      *left_open(ledger, one.inspections.values())]  # fmt: skip
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
    from holeqc.ledger.rechecks import with_bases
    from holeqc.ledger.recording import refuse_unnamed, with_plans

    ledger = None
    try:
        refuse_unnamed(inspection)  # before a ledger is made for nothing
        ledger = open_ledger(where)
        raw = inspection.readings.before
        if raw is not None:
            return ledger, with_bases(ledger, inspection.specification, raw), None
        return ledger, with_plans(ledger, inspection), None
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


def told(run: RecordedRun, where: str) -> list[str]:
    """Return what was recorded, in lines for the screen."""
    done = run.recorded
    lines = []
    if done.added:
        entries = f"entry {done.first}" if done.first == done.last else f"entries {done.first} to {done.last}"
        count = len(done.inspections)
        lines.append(f"Recorded as {entries} in {where}: {count} {'part' if count == 1 else 'parts'}")
    elif run.tags and run.late:
        lines.append(f"The readings are on record in {where} already; their tags were added as entry {run.late}")
    else:
        lines.append(f"Nothing was added to {where}")
    if run.tags:
        few = len(run.tags) <= FEW_TAGS
        named = ", ".join(run.tags) if few else f"{len(run.tags)} tags; holeqc tags --open lists them"
        lines.append(f"Tags opened: {named}")
    lines += [f"Note: {note}" for note in run.notes]
    return lines
