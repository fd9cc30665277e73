"""What we write as QIF 3.0 we read back equal; it is valid by the schema where that is at hand, and checked before."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path
from xml.etree.ElementTree import Element, fromstring

import pytest

import holeqc
from holeqc.answers.check import Checked
from holeqc.inspection.view import PartView
from holeqc.problems import HoleQCError
from holeqc.reports.qif import document, faults
from holeqc.reports.write import export_documents, write_reports

TOP = Path(__file__).parents[2]
SCHEMA = os.environ.get("HOLEQC_TEST_QIF_SCHEMA", "")
Q = "{http://qifstandards.org/xsd/qif3}"
PLACES = ["file", "sheet", "row", "column"]  #: what differs: where a reading stands


@pytest.fixture(scope="module")
def runs() -> dict[str, Checked]:
    samples = TOP / "sample_measurements"
    return {
        kit: holeqc.check(TOP / "tolerances" / f"{kit}.toml", *sorted(samples.glob(f"{kit}_{which}")))
        for kit, which in (("bl7", "[PS]-01[01][1278]*"), ("cp12", "*"))
    }


@pytest.fixture(scope="module")
def documents(runs: dict[str, Checked]) -> list[tuple[str, PartView, bytes]]:
    return [(kit, part, document(part)) for kit, run in runs.items() for part in run]


def sorted_readings(table: object) -> list[tuple[str, ...]]:
    frame = table.drop(columns=PLACES).astype(str)  # type: ignore[attr-defined]
    return sorted(map(tuple, frame.to_numpy().tolist()))


def test_what_is_written_is_read_back_equal(tmp_path: Path, documents: list[tuple[str, PartView, bytes]]) -> None:
    for kit, part, content in documents:
        path = tmp_path / f"{part.serial}.qif"
        path.write_bytes(content)
        again = holeqc.check(TOP / "tolerances" / f"{kit}.toml", path)
        assert sorted_readings(again.inspection.readings.table) == sorted_readings(part.readings), part.name
        assert [(p.part, p.serial, p.verdict) for p in again] == [(part.part, part.serial, part.verdict)]
        assert again.inspection.readings.sources[0].kit_id == part.specification.id
        said = {p.code for p in again.inspection.problems}
        assert not said & {"edited", "damaged-reading", *(["status-disagrees"] if part.verdict == 0 else [])}, part.name


@pytest.mark.skipif(not SCHEMA, reason="HOLEQC_TEST_QIF_SCHEMA names no folder with the schema")
def test_every_document_is_valid_by_the_schema(documents: list[tuple[str, PartView, bytes]]) -> None:
    etree = pytest.importorskip("lxml.etree")
    schema = etree.XMLSchema(etree.parse(str(Path(SCHEMA) / "QIFApplications" / "QIFDocument.xsd")))
    for _, part, content in documents:
        assert schema.validate(etree.fromstring(content)), (part.name, schema.error_log)


def every(root: Element, path: str) -> Iterator[Element]:
    return root.iterfind("/".join(Q + step if step[0].isalpha() else step for step in path.split("/")))


def test_statuses_gauges_uncertainties_and_tags_stand_where_the_standard_has_them(
    runs: dict[str, Checked], documents: list[tuple[str, PartView, bytes]]
) -> None:
    _, part, content = next(d for d in documents if d[1].serial == "S-0108")
    root = fromstring(content)
    kit = part.specification
    assert [e.text for e in root.iter(f"{Q}SerialNumber")] == ["S-0108"]
    assert [e.text for e in root.iter(f"{Q}InspectionStatusEnum")] == ["FAIL", "FAIL"]
    due = {e.findtext(f"{Q}Name"): e.findtext(f"{Q}Calibrations/{Q}Calibration/{Q}ExpirationDate")
           for e in every(root, "MeasurementResources/MeasurementDevices/*") if e.tag}  # fmt: skip
    assert due == {g.id: f"{g.calibration_due}T23:59:59" for g in kit.gauges}
    sizes = list(root.iter(f"{Q}DiameterCharacteristicMeasurement"))
    assert len(sizes) == 16
    words = {e.get("id"): e.findtext(f"{Q}Status/{Q}CharacteristicStatusEnum") for e in sizes}
    judged = [row["verdict"] for row in part.characteristics if row["characteristic"] == "size"]
    assert sorted(words.values()) == sorted(("PASS", "INDETERMINATE", "FAIL")[v] for v in judged)  # type: ignore[type-var]
    assert {e.find(f"{Q}Value").get("combinedUncertainty") for e in sizes} == {"0.00015"}  # type: ignore[union-attr]
    tags = {e.text for e in root.iter(f"{Q}NonConformanceDesignator")}
    mine = [tag for tag in runs["bl7"].tags() if tag.serial == "S-0108"]
    assert tags == {tag.code for tag in mine if tag.hole not in {"", "pattern"}}


def test_what_was_changed_by_hand_holds(tmp_path: Path, documents: list[tuple[str, PartView, bytes]]) -> None:
    kit, _, content = next(d for d in documents if d[1].serial == "P-0107")
    text = content.decode()
    largest = re.search(r"<DiameterMax[^>]*>([\d.]+)<", text)
    assert largest
    for old, new, code in (
        (largest[0], largest[0].replace(largest[1], "0.4599"), "edited"),
        ("&quot;value&quot;: 0.4581", "&quot;value&quot;: 0.4589", "edited"),
        ("&quot;trial&quot;", "&quot;tria&quot;", "damaged-reading"),
        ('value="BL-7"', 'value="BL-8"', "other-kit"), ('SHA-256" value="', 'SHA-256" value="0', "other-text"),
        ('value="C"', 'value="B"', "other-revision"),
    ):  # fmt: skip
        path = tmp_path / "changed.qif"
        path.write_text(text.replace(old, new, 1))
        try:
            found = holeqc.check(TOP / "tolerances" / f"{kit}.toml", path).inspection.problems
        except HoleQCError as error:
            found = tuple(error.problems)
        assert any(p.code == code and p.holds is (code != "other-text") for p in found), (code, [p.code for p in found])


#: what was changed in the standard elements of a document of ours that accepts its part -> what must be said
CHANGED = {
    "a fitted diameter": (r"(<Diameter [^>]*>)[\d.]+", r"\g<1>0.4635", "edited"),
    "a mean": (r"(<DiameterCharacteristicMeasurement.*?<Value [^>]*>)[\d.]+", r"\g<1>0.4635", "edited"),
    "a crack": ("<Value>clean", "<Value>crack", "edited"),
    "a GO plug": ("<Value>enters", "<Value>does not enter", "edited"),
    "a failed check": (r"(<UserDefinedAttributeCharacteristicMeasurement.*?Enum>)PASS", r"\1FAIL", "status-disagrees"),
    "a failed part": ("<InspectionStatusEnum>PASS", "<InspectionStatusEnum>FAIL", "status-disagrees"),
    "a failed component": (r"(<ActualComponent .*?Enum>)PASS", r"\1FAIL", "status-disagrees"),
    "a verdict": ('name="verdict" value="accept"', 'name="verdict" value="reject"', "status-disagrees"),
    "a taper out of its limits": (
        r"(<Name>taper</Name>.*<UserDefinedLinearCharacteristicMeasurement id=\"116\".*?<Value [^>]*>)[\d.]+",
        r"\g<1>0.02", "values-disagree"),
    "a taper larger than the diameters differ": (
        r"(<Name>taper</Name>.*<UserDefinedLinearCharacteristicMeasurement id=\"116\".*?<Value [^>]*>)[\d.]+",
        r"\g<1>0.0011", "values-disagree"),
    "a part whose verdict wasn't worked out": (
        "<InspectionStatusEnum>PASS", "<InspectionStatusEnum>NOT_CALCULATED", "status-disagrees"),
    "what was typed": ("typed&quot;: &quot;0.4581", "typed&quot;: &quot;0.4635", "values-disagree"),
    "no serial number": ("<SerialNumber>[^<]*</SerialNumber>", "", "serial-missing"),
}  # fmt: skip


@pytest.mark.parametrize("name", CHANGED)
def test_one_changed_element_of_ours_keeps_the_part_from_being_accepted(
    tmp_path: Path, documents: list[tuple[str, PartView, bytes]], name: str
) -> None:
    kit, _, content = next(d for d in documents if d[1].serial == "P-0107")
    old, new, code = CHANGED[name]
    text, done = re.subn(old, new, content.decode(), count=1, flags=re.DOTALL)
    path = tmp_path / "changed.qif"
    path.write_text(text)
    run = holeqc.check(TOP / "tolerances" / f"{kit}.toml", path)
    assert done == 1
    assert [part.verdict for part in run] == [1]
    assert code in {p.code for p in run.inspection.problems if p.holds}


def test_a_wrong_document_is_never_written(documents: list[tuple[str, PartView, bytes]]) -> None:
    def broken(pattern: str, new: str) -> list[str]:
        text = re.sub(pattern, new, documents[0][2].decode(), count=1)
        return faults(fromstring(re.sub(r' xmlns="[^"]+"', "", text)))

    assert broken("a^", "") == []
    assert broken(r'id="5"', 'id="6"')
    assert broken(r"<FeatureItems n=\"\d+\"", '<FeatureItems n="3"')
    assert broken(r"<FeatureItemId>\d+", "<FeatureItemId>99999")
    assert broken(r'idMax="\d+"', 'idMax="7"')
    assert broken(r"<Factor>0.0254</Factor>", "")
    assert broken(r"(<DiameterMin[^>]*>)[\d.]+", r"\g<1>nan")
    assert broken(r' meanError="0"', "")


def test_names_of_documents_are_safe_and_the_folder_is_ours(tmp_path: Path, runs: dict[str, Checked]) -> None:
    folder = tmp_path / "out"
    written = write_reports(runs["cp12"].inspection, folder)
    assert sorted(p.name for p in written if p.suffix == ".qif") == ["D-0031.qif", "D-0032.qif"]
    write_reports(runs["cp12"].inspection, folder)  # an earlier report gives way
    (folder / "qif" / "other.txt").write_text("kept")
    with pytest.raises(HoleQCError, match="qif"):
        write_reports(runs["cp12"].inspection, folder)
    assert export_documents([runs["cp12"], runs["cp12"]], tmp_path / "docs") == 4
    both = {f"D-003{n}{again}.qif" for n in (1, 2) for again in ("", "_2")}
    assert {p.name for p in (tmp_path / "docs").iterdir()} == both
    with pytest.raises(HoleQCError, match="isn't empty"):
        export_documents([runs["cp12"]], tmp_path / "docs")
    assert export_documents([runs["cp12"]], tmp_path / "docs", replace=True) == 2
