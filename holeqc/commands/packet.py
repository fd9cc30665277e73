"""`holeqc packet`: everything that speaks for an approved part, in one folder, and the proof that it is unchanged."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from holeqc import printing
from holeqc.answers import required_who
from holeqc.commands import KEY_HELP, LEDGER_HELP, signer_of

if TYPE_CHECKING:
    from holeqc.ledger.persons import Signer
    from holeqc.reports.packet import PacketCheck


def packet(
    words: Annotated[
        list[str],
        typer.Argument(metavar="SERIAL | verify FOLDER", help="Serial number; or verify and a packet's folder."),
    ],
    out: Annotated[Path | None, typer.Option("--out", "-o", help="New folder for the packet.")] = None,
    kit: Annotated[str, typer.Option(help="Kit, where one serial number belongs to several.")] = "",
    name: Annotated[str, typer.Option("--part", help="Part, where one serial number belongs to several.")] = "",
    by: Annotated[str, typer.Option(help="Who makes it; the manifest's digest is logged. Else HOLEQC_BY.")] = "",
    key: Annotated[Path | None, typer.Option(metavar="FILE", help=KEY_HELP)] = None,
    known_key: Annotated[
        list[str] | None,
        typer.Option(metavar="DIGITS", help="verify: a public key that you know; as holeqc person list shows it."),
    ] = None,
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
) -> None:
    """Make the packet of an approved part: report, list of characteristics, certificate, kit file, manifest.

    verify FOLDER compares a packet with its manifest and names what differs. Where there is a ledger (--ledger,
    HOLEQC_LEDGER, or holeqc-ledger.sqlite3 in this folder) it also compares the approval and the manifest with it,
    which nobody can change together with the folder, checks every entry that they rest on, and says whether the
    approval was withdrawn or a later inspection rejects or holds the part. Without one nothing is proven, and the last
    line says so: a manifest that isn't on record is no packet.

    A packet is refused while a later inspection rejects or holds the part.

    Exit code 0: made, or unchanged and on record. 2: refused, or something differs. 3: not compared with a ledger.

    Example: holeqc packet P-0107 -o P-0107_packet --by 41

    Example: holeqc packet verify P-0107_packet

    Caution: a packet supports and never replaces the drawing, the approved data and the person licensed to sign.
    """
    from holeqc.problems import HoleQCError

    if len(words) == 2 and words[0] == "verify":
        raise typer.Exit(_verify(Path(words[1]), ledger, known_key or []))
    if len(words) != 1:
        raise HoleQCError("give one serial number, or: holeqc packet verify FOLDER")
    if out is None:
        raise HoleQCError("say where to: -o FOLDER, a new one")
    _make(words[0], out, (kit, name), (required_who(by, "who makes the packet"), signer_of(key)), ledger)


def _make(serial: str, out: Path, of: tuple[str, str], maker: tuple[str, Signer | None], ledger: str) -> None:
    from holeqc.ledger import open_ledger
    from holeqc.ledger.approvals import approved_set, record_packet
    from holeqc.ledger.ledger import SEALED
    from holeqc.reports.packet import MANIFEST, SEAL, write_packet

    with open_ledger(ledger, create=False) as there:
        approved = approved_set(there, serial, kit=of[0], part=of[1])
        done = write_packet(approved, out, lambda digest: record_packet(there, approved, digest, *maker))
        count = len(set(done.files) - {MANIFEST, SEAL})
        printing.say(f"Packet: {done.folder}, {count} files beside manifest and seal")
        printing.say(f"Manifest SHA-256 {done.manifest_digest}")
        printing.say(f"The manifest is on record as entry {there.head()[0]}")
        if (sealed := there.leave_seal(f"packet of {serial}")).startswith(SEALED):
            printing.say(sealed)
        for row in approved.later:
            printing.warn(f"Note: inspection {row['id']} ({row['verdict']}) was recorded since; it isn't approved")


def _verify(folder: Path, ledger: str, known_keys: list[str]) -> int:
    from holeqc.ledger.database import DEFAULT_NAME, VARIABLE, find_location
    from holeqc.reports.packet import verify_packet

    found = verify_packet(folder)
    digest, stated = found.manifest_digest, found.manifest.get("sha256")
    words = digest if stated == digest else f"found {digest}, stated {stated}"
    differences, notes = list(found.differences), [f"manifest SHA-256 {words}"]
    place = find_location(ledger)
    compared = bool(ledger or os.environ.get(VARIABLE)) or (place.path is not None and place.path.exists())
    if compared:
        more, known = _against_ledger(found, ledger)
        differences += more
        notes += known
    keys = {"".join(key.split()).lower() for key in known_keys}
    proven = compared or bool(found.signers and all(key in keys for _, _, key in found.signers))
    notes += [f"{what} signed by {who}, key {key}" for what, who, key in found.signers]
    for sentence in differences:
        printing.say(f"DIFFERS  {sentence}")
    for sentence in notes:
        printing.say(f"note     {sentence}")
    outcome = (
        "differs from what was made" if differences
        else f"unchanged, {found.files} files beside manifest and seal" if proven
        else f"NOT PROVEN: {found.files} files agree with a manifest that nobody has looked up"
    )  # fmt: skip
    printing.say(f"{folder}: {outcome}")
    if not compared:
        printing.say(
            f"Not compared with a ledger: none was named and there is no {DEFAULT_NAME} here, so whether the manifest "
            "is on record, a withdrawal or a later rejection isn't known. --ledger names one."
            + (" --known-key proves a signed packet without it." if found.signers and not proven else "")
        )
    return 2 if differences else 0 if proven else 3


def _against_ledger(found: PacketCheck, ledger: str) -> tuple[list[str], list[str]]:
    from holeqc.ledger import open_ledger
    from holeqc.ledger.approvals import compare_with_ledger

    approval = found.manifest.get("approval")
    with open_ledger(ledger, create=False) as there:
        return compare_with_ledger(there, approval if isinstance(approval, dict) else {}, found.manifest_digest)
