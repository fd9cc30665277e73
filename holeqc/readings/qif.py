"""Result documents of ISO 23952 (QIF 3.0), as coordinate machines write them and as we do, into the tidy table.

What is a reading, and where it stands:

- Circles and cylinders are holes. Their smallest and largest diameter are two readings; a diameter alone is one.
  A centre gives x and y, a cylinder's axis where it meets the nominal point's height.
- A feature is the hole that its name says (of the measurement, the item, the nominal, the feature it is nested in);
  where no name says one, the hole whose basic dimensions its nominal centre has.
- Its wall is what its name says; else by height: near lies at z = 0, far a stack's depth away from it.
- A place is the element's id: ``id=57/Diameter``.

Limits, nominal centres, positions, bonus and statuses are compared with the kit and with what follows from the
readings: what disagrees holds. Everything measured that isn't used is named. Documents of ours carry each reading as it
was typed, as an attribute; the standard elements beside them must follow from those.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from decimal import Decimal
from itertools import pairwise
from typing import Any
from xml.etree.ElementTree import Element, TreeBuilder
from xml.parsers import expat

import numpy as np

from holeqc.door import json_values
from holeqc.printing import shortened
from holeqc.problems import ERROR, NOTE, WARNING, Problem, ReadingsError, flaw
from holeqc.quantities import FloatArray, format_length
from holeqc.readings.containers import Container, ReadOptions, refusal
from holeqc.readings.draft import TYPES, UNIT_CODES, Draft
from holeqc.readings.headings import Vocabulary
from holeqc.readings.identities import FeatureNames, Gauges, Match, Parts, Titles, match_serial
from holeqc.readings.table import CHARACTERISTICS, ELEMENTS, FIRST_ELEMENT, Collector, ColumnUse, cell_name
from holeqc.readings.values import length_of
from holeqc.readings.words import WORDS, plug_word, remark_against, surface_word
from holeqc.specification.model import Hole, Limits, Position, Specification

NAMESPACE = "http://qifstandards.org/xsd/qif3"
MOST_BYTES, MOST_ELEMENTS, DEEPEST = 100_000_000, 3_000_000, 60
LARGEST_ID = 2**31 - 1
#: what holds no readings and can be large: shapes, pictures, clouds of points
_SKIPPED = {
    "GeometrySet", "TopologySet", "PointCloudSet", "VisualizationSet", "ViewSet", "MeasuredPointSets", "PointList",
    "UserDataXML", "Statistics", "Rules", "Plan",
}  # fmt: skip
_TEXTS = ("hole", "wall", "characteristic", "word", "typed", "unit", "gauge", "by", "note", "doubt")
OWN, OWN_PROBLEM, OWN_KIT, OWN_REVISION = "holeqc reading", "holeqc problem", "holeqc kit", "holeqc revision"
OWN_DIGEST = "kit text SHA-256"
_REFERENCES = {
    "FeatureItemId", "FeatureNominalId", "FeatureDefinitionId", "ParentFeatureItemId", "CharacteristicItemId",
    "CharacteristicNominalId", "CharacteristicDefinitionId", "ActualComponentId",
}  # fmt: skip
_LISTS = {
    "FeatureDefinitions", "FeatureNominals", "FeatureItems", "MeasuredFeatures", "CharacteristicDefinitions",
    "CharacteristicNominals", "CharacteristicItems", "CharacteristicMeasurements", "MeasurementResultsSet",
    "FeatureMeasurementIds", "FeatureItemIds", "FeatureNominalIds", "MeasurementDeviceIds", "ActualComponentIds",
    "Attributes", "ActualComponentSets", "MeasurementDevices",
}  # fmt: skip
_GOOD_WORDS = {"go": "enters", "no_go": "does not enter", "surface": "clean"}
_DECIMAL = re.compile(r"[+-]?(?:\d{1,40}(?:\.\d{0,40})?|\.\d{1,40})(?:[eE][+-]?\d{1,3})?")
_QUOTED, _UNQUOTED = {"Notes", "Results", "Features", "Characteristics"}, {"MeasurementResources", "Header", "Product"}
_REMARKS = {"Description", "Text", "Note", "Comment", "Comments", "Remark", "Remarks"}
#: elements below the results whose texts are read, or name something
_KNOWN_TEXTS = (
    "Enum", "Id", "Ids", "Name", "TimeStamp", "Value", "Status", "SerialNumber", "InspectionStart", "InspectionEnd",
    "DateAndTime", "Diameter", "DiameterMin", "DiameterMax", "Location", "Direction", "AxisPoint", "Number", "Scope",
    "NonConformanceDesignator", "UUID", "QPId", "Normal", "Checked", "Version",
)  # fmt: skip
_MEASURED = {
    "Attributes", "TimeStamp", "ActualComponentId", "ManufacturingProcessId", "MeasurementDeviceIds", "NotedEventIds",
    "SubstituteFeatureAlgorithm", "PointList", "ActualTransformId", "CoordinateSystemId",
}  # fmt: skip
_LENGTHS = {"Diameter", "DiameterMin", "DiameterMax", "Form", "Length", "Value", "MaxValue", "MinValue", "Bonus"}
_OF_FEATURE = _MEASURED | {
    "FeatureItemId", "FeatureName", "ProxyMeasurementId", "Diameter", "DiameterMin", "DiameterMax", "Form",
    "SweepMeasurementRange", "SweepFull",
}  # fmt: skip
_OF_CHARACTERISTIC = _MEASURED | {
    "Description", "Status", "CharacteristicItemId", "FeatureMeasurementIds", "NonConformanceDesignator", "Value",
    "MaxValue", "MinValue",
}  # fmt: skip
_SEGMENTS = {f"{each}CompositeSegmentPositionMeasurement" for each in ("Second", "Third", "Fourth")}
#: what may stand inside what of a hole's results (QIFResults.xsd, Characteristics.xsd): all else may be a reading
_INSIDE: dict[str, set[str]] = {
    "MeasurementResults": {
        "Attributes", "InspectionTraceability", "ThisResultsInstanceQPId", "ExternalFileReferences", "MeasuredFeatures",
        "MeasuredPointSets", "MeasuredCharacteristics", "ActualTransforms", "InspectionStatus", "ActualComponentIds",
        "CoordinateSystemActualTransformAssociations", "CoordinateSystemId",
    },
    "MeasuredCharacteristics": {"CharacteristicMeasurements", "CharacteristicGroupStatuses"},
    "CircleFeatureMeasurement": _OF_FEATURE | {"Location", "Normal"},
    "CylinderFeatureMeasurement": _OF_FEATURE | {"Axis", "Length"},
    "DiameterCharacteristicMeasurement": _OF_CHARACTERISTIC,
    "PositionCharacteristicMeasurement": _OF_CHARACTERISTIC | _SEGMENTS | {
        "ZoneDataSet", "DatumsOk", "Bonus", "DRFTransformActualId"},
    "LinearCoordinateCharacteristicMeasurement": _OF_CHARACTERISTIC | {"TypeOfCoordinates"},
    "UserDefinedAttributeCharacteristicMeasurement": _OF_CHARACTERISTIC,
    "Axis": {"AxisPoint", "Direction"}, "Status": {"CharacteristicStatusEnum", "OtherCharacteristicStatus"},
    **{tag: set() for tag in (*_LENGTHS, "Location", "Normal", "AxisPoint", "Direction")},
}  # fmt: skip
_METRE = {
    "inch": "0.0254", "inches": "0.0254", "in": "0.0254", "mm": "0.001", "millimeter": "0.001", "millimetre": "0.001",
    "millimeters": "0.001", "millimetres": "0.001", "m": "1", "meter": "1", "metre": "1", "cm": "0.01",
    "centimeter": "0.01", "centimetre": "0.01", "um": "0.000001", "micrometer": "0.000001", "micrometre": "0.000001",
    "micron": "0.000001",
}  # fmt: skip
_HOLE_KINDS = ("Diameter", "Position", "LinearCoordinate", "UserDefinedAttribute")
_INCH = Decimal("0.0254")
#: a name that says which hole it is: another than the kit's isn't taken for one by where it lies
_SAYS_HOLE = re.compile(r"(?:^|[\W_])(?:hole|bore|bohrung|trou|agujero|h)[\W_]*\d", re.IGNORECASE)
_NO_HOLE = re.compile(r"plane|ebene|datum|point|punkt|line|edge|kante", re.IGNORECASE)

_CONDITIONS = {"MAXIMUM": "MMC", "LEAST": "LMC", "REGARDLESS": "RFS", "NONE": "RFS"}
_SILENT = {"", "NOT_ANALYZED", "BASIC_OR_TED"}  #: statuses that say nothing about the part
HEIGHT_SHARE = 0.1  #: of the stack's depth: how far from its wall's height a circle may lie


def _issue(code: str, message: str, allowed: str = "", action: str = "Export the document again", *,
           severity: str = WARNING, holds: bool = True) -> Problem:  # fmt: skip
    return flaw(code, message, allowed, action, severity, holds)


_LOOK, _PROGRAM = "Look at the machine's own report", "Take the machine's program of this drawing"
_ISSUES = {issue.code: issue for issue in (
    _issue("unit-not-said", "the document says no unit of length; by the standard its lengths are metres",
           "FileUnits with inch or mm", "If they aren't, have the program export its unit", severity=NOTE, holds=False),
    _issue("count-wrong", "a list holds more or fewer than it says: something is missing or was added", severity=ERROR),
    _issue("id-missing", "a reference leads nowhere", "an id of this document", severity=ERROR),
    _issue("unknown-unit", "the document doesn't say what this unit is", "a unit of FileUnits", severity=ERROR),
    _issue("not-a-number", "no number stands where a length belongs", "a number", severity=ERROR),
    _issue("beyond-any-length", "no length is as large as this", severity=ERROR),
    _issue("bad-date", "this is no date", "2026-05-04"),
    _issue("serial-missing", "the document says no serial number", "SerialNumber of the ActualComponent",
           "Say it with --serial"),
    _issue("unknown-part", "which part of the kit was measured isn't said", "", "Say it with --part", severity=ERROR),
    _issue("whose-results", "the results don't say of which part they are", "ActualComponentIds with one id",
           "Export each part's results with its serial number", severity=ERROR),
    _issue("no-readings", "the part is named, but not one reading is there", "readings of its holes",
           "Measure the part, or export its results", severity=ERROR),
    _issue("names-disagree", "its names say different holes or walls", "one hole and wall",
           "Name the feature the same everywhere", severity=ERROR),
    _issue("no-hole", "the document says that this is a pin and no hole", "INTERNAL", "Look at what was measured"),
    _issue("wall-missing", "the wall isn't said by its name, and its height fits none",
           "the wall in its name; z = 0 for the first wall, a stack's depth away for the second",
           "Measure a circle in each wall and name the wall", severity=ERROR),
    _issue("other-feature", "a hole was measured as another feature, and nothing of it is used",
           "a circle or a cylinder", "Measure it as a circle in each wall"),
    _issue("other-frame", "the document is in another coordinate system than the kit, or made for another drawing",
           "the frame of the kit's basic dimensions", "Export the results in the drawing's frame", severity=ERROR),
    _issue("other-nominal", "its nominal centre isn't the kit's basic dimension", "", _PROGRAM, severity=ERROR),
    _issue("other-limits", "limits or tolerances aren't the kit's: the document may be made for another drawing", "",
           _PROGRAM),
    _issue("hole-by-centre", "its name says no hole of the kit; taken from its nominal centre", severity=NOTE,
           action="", holds=False),
    _issue("no-hole-of-kit", "measured and not used: its name says no hole of the kit and none is near", severity=NOTE,
           action="", holds=False),
    _issue("not-measured", "the document says that this value wasn't measured, so it is no reading",
           "validity REPORTED", "Measure it"),
    _issue("other-text", "the document was written by another text of the kit file, of the same revision", "",
           "Take the kit file that belongs to the document, or write it anew", holds=False),
    _issue("frame-declared", "a turned or shifted coordinate system is declared; readings that refer to it hold",
           severity=NOTE, action="", holds=False),
    _issue("remark-of-defect", "a text of the document speaks against the part", "texts that speak of no defect",
           "Look at the hole; say what was found, or clear up the text"),
    _issue("remark", "a text of the document", severity=NOTE, action="", holds=False),
    _issue("whose-diameter", "a diameter is said of several features or of none, so it isn't used", "",
           "Export a diameter for each hole and wall", severity=ERROR),
    _issue("uncertainty-larger", "the document says a larger uncertainty than the kit's gauge has", "",
           "Correct the gauge in the kit, or in the document"),
    _issue("gauge-expired", "the document says that the calibration had ended", "",
           "Read with a gauge in calibration, or correct the date"),
    _issue("values-disagree", "what the document says of one thing differs", "", _LOOK, severity=ERROR),
    _issue("no-centre", "a position without a centre can't be worked out again", "", "Export the measured centre too"),
    _issue("position-disagrees", "the position doesn't follow from the centre", "",
           "Look at frame and datums in the machine's program", severity=ERROR),
    _issue("bonus-disagrees", "the bonus doesn't follow from the diameters", "", _LOOK),
    _issue("status-disagrees", "the document's verdict isn't the one that follows from its readings", "", _LOOK),
    _issue("unknown-element", "a number stands where none is known: it could be a reading, and isn't used",
           "elements of QIF 3.0", "Export the document again, or look at what it says there"),
    _issue("damaged-reading", "a reading of the document was changed, or another version wrote it", "",
           "Write the document anew", severity=ERROR),
    _issue("edited", "it doesn't follow from the readings of the document: it was changed", "",
           "Write the document anew", severity=ERROR),
)}  # fmt: skip


# ------------------------------------------------------------------------------------------------------- the XML in


class _Growing:
    """Builds the tree while expat reads: no document type, no entities, bounded, without what holds no readings."""

    def __init__(self, container: Container) -> None:
        self.name = container.name
        self.builder = TreeBuilder()
        self.depth = self.elements = self.skipping = 0
        self.parser = expat.ParserCreate(namespace_separator=" ")
        self.parser.buffer_text = True
        self.parser.StartDoctypeDeclHandler = self._refuse
        self.parser.EntityDeclHandler = self._refuse
        self.parser.XmlDeclHandler = self._declares
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._text

    def _refuse(self, *_: object) -> None:
        raise refusal(self.name, "unsafe-file", "the document declares a document type or entities; such files aren't "
                      "read", action="Have the program export it without")  # fmt: skip

    def _declares(self, _: str, encoding: str | None, __: int) -> None:
        """Refuse an encoding that the parser can't take: it knows UTF-8, UTF-16 and what has a byte for a letter."""
        named = (encoding or "utf-8").casefold()
        try:
            known = named in {"utf-8", "utf-16"} or len(bytes(range(256)).decode(named, "replace")) == 256
        except (LookupError, ValueError):
            known = False
        if not known:
            raise refusal(self.name, "wrong-encoding", "the document says an encoding that isn't read",
                          found=shortened(named), allowed="UTF-8", action="Export it in UTF-8")  # fmt: skip

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        space, _, local = tag.rpartition(" ")
        self.elements += 1
        self.depth += 1
        if self.elements > MOST_ELEMENTS or self.depth > DEEPEST:
            what, most = ("elements", MOST_ELEMENTS) if self.elements > MOST_ELEMENTS else ("nested levels", DEEPEST)
            raise refusal(self.name, "too-large", f"the document has too many {what}", allowed=f"at most {most}",
                          action="Export the results alone, without models and points")  # fmt: skip
        if self.depth == 1:
            self._check_root(space, local)
        if self.skipping or (local in _SKIPPED and space == NAMESPACE):
            self.skipping += 1
        elif space == NAMESPACE:
            self.builder.start(local, attributes)
        else:  # none of the standard's: it has no id, and what it holds is named
            self.builder.start(f"{space}:{local}", {f":{name}": value for name, value in attributes.items()})

    def _check_root(self, space: str, local: str) -> None:
        if local == "QIFDocument" and space == NAMESPACE:
            return
        older = local == "QIFDocument" and "/qif2" in space
        raise refusal(
            self.name, "old-format" if older else "other-format",
            "the document is of QIF 2, whose names and rules differ" if older else "this is no document of QIF 3.0",
            found=shortened(f"{local} in {space or 'no namespace'}"), allowed=f"QIFDocument in {NAMESPACE}",
            action="Have the machine's program export QIF 3.0 (ISO 23952)",
        )  # fmt: skip

    def _end(self, tag: str) -> None:
        self.depth -= 1
        if self.skipping:
            self.skipping -= 1
        else:
            space, _, local = tag.rpartition(" ")
            self.builder.end(local if space == NAMESPACE else f"{space}:{local}")

    def _text(self, text: str) -> None:
        if not self.skipping and self.depth:
            self.builder.data(text)


def _parsed(container: Container) -> Element:
    """Return the root of a document.

    Raises:
        ReadingsError: too large, unsafe, damaged, or no document of QIF 3.
    """
    if container.bytes > MOST_BYTES:
        raise refusal(container.name, "too-large", "the document is too large", found=f"{container.bytes} bytes",
                      allowed=f"at most {MOST_BYTES} bytes", action="Export the results alone, without models")
    growing = _Growing(container)
    content, piece = memoryview(container.incoming.content), 1 << 20
    try:
        for start in range(0, len(content), piece):
            growing.parser.Parse(bytes(content[start : start + piece]), False)
        growing.parser.Parse(b"", True)
    except expat.ExpatError as error:
        raise refusal(
            container.name, "damaged-file", "the document isn't well formed, or was cut", found=shortened(str(error)),
            action="Export it again, or copy it again from where it came",
        ) from None  # fmt: skip
    root: Element = growing.builder.close()
    return root


# --------------------------------------------------------------------------------------------- values and references

Tied = dict[str, str]  #: part, serial, hole, wall
Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class _Value:
    """One length: in the kit's unit and as typed; ``half`` of its last digit and ``u`` (standard) [kit unit].

    ``number`` and ``place`` are the element's id and one of `ELEMENTS`; ``fault`` the code of what is wrong with it.
    """

    value: float
    typed: str
    unit: str
    raw: float
    half: float
    number: int
    place: str
    fault: str = ""
    u: float = float("nan")

    @property
    def cell(self) -> str:
        """Where it stands."""
        return cell_name(self.number, FIRST_ELEMENT + ELEMENTS.index(self.place))

    def differs(self, other: float, more: float = 0.0) -> bool:
        """Whether it is another one than a number by more than its last digit hides; NaN differs from nothing."""
        return abs(self.value - other) > self.half + more + 1e-9 * max(1.0, abs(other))


@dataclass(slots=True)
class _Feature:
    """One measured circle or cylinder: hole and wall as codes, -1 where not told, and what was read of it."""

    element: Element
    number: int
    names: list[str]
    component: int = 0
    hole: int = -1
    wall: int = -1
    fault: str = ""
    whole: bool = False  #: through several walls, whose own circles are there
    nominal: Point | None = None
    z: float = float("nan")
    mean: list[_Value] = field(default_factory=list)
    low: list[_Value] = field(default_factory=list)
    high: list[_Value] = field(default_factory=list)
    x: list[_Value] = field(default_factory=list)
    y: list[_Value] = field(default_factory=list)
    devices: dict[str, list[int]] = field(default_factory=dict)
    day: str = ""

    @property
    def name(self) -> str:
        """What it is called."""
        return self.names[0] if self.names else f"id={self.number}"

    @property
    def diameters(self) -> list[_Value]:
        """The readings of its diameter: the smallest and the largest where both are there."""
        low, high = self.low[:1], self.high[:1]
        return [*low, *high] if (low and high) or not self.mean else self.mean[:1]

    @property
    def sizes(self) -> list[float]:
        """The same as numbers."""
        return [v.value for v in self.diameters if np.isfinite(v.value)]


class _Document:
    """A document with its elements by id, its units, and the problems met."""

    def __init__(self, container: Container, spec: Specification, collector: Collector) -> None:
        self.file, self.spec, self.collector = container.name, spec, collector
        self.root = _parsed(container)
        self.by_id: dict[int, Element] = {}
        self._said: set[object] = set()
        self._index()
        units = self.root.find("FileUnits")
        primary = units.find("PrimaryUnits/LinearUnit") if units is not None else None
        if primary is None:
            self.say("unit-not-said")
        self.primary = Decimal(1) if primary is None else self._factor(primary)
        others = units.findall("OtherUnits/LinearUnit") if units is not None else []
        self.units = {_text(unit, "UnitName"): self._factor(unit) for unit in others}
        if primary is not None:
            self.units[_text(primary, "UnitName")] = self.primary

    def say(
        self, code: str, at: int | str = 0, found: str = "", tied: Tied | None = None, *, message: str = "",
        allowed: str = "",
    ) -> None:  # fmt: skip
        """Report a problem at an element's id or a cell, once."""
        issue = _ISSUES[code]
        issue = replace(issue, message=message or issue.message, allowed=allowed or issue.allowed)
        self.say_issue(issue, at, found, tied)

    def say_issue(self, issue: Problem, at: int | str, found: str, tied: Tied | None = None) -> None:
        """Report an issue of any reader, once."""
        cell = at if isinstance(at, str) else cell_name(at, FIRST_ELEMENT) if at else ""
        problem = issue.at(found=shortened(found), file=self.file, sheet="", cell=cell, **(tied or {}))
        if problem not in self._said:
            self._said.add(problem)
            self.collector.add(problem)

    def refuse(self, code: str, message: str, found: str, allowed: str, action: str = "") -> ReadingsError:
        """Return the error of a document that can't be used at all."""
        return refusal(self.file, code, message, found=shortened(found), allowed=allowed,
                       action=action or "Export the document again")

    def _index(self) -> None:
        twice: list[str] = []
        for element in self.root.iter():
            text = element.get("id")
            if text is not None:
                number = _whole(text)
                if not 0 < number <= LARGEST_ID:
                    raise self.refuse("bad-id", "an id is no whole number that can be used", text, f"1 to {LARGEST_ID}")
                if number in self.by_id:
                    twice.append(text)
                self.by_id[number] = element
        if twice:
            raise self.refuse("id-twice", "an id stands more than once, so what refers to it can't be told",
                              ", ".join(twice[:8]), "each id once in a document")  # fmt: skip
        for element in self.root.iter():
            count = element.get("n")
            held = sum(element.tag == "Attributes" or child.tag != "Attributes" for child in element)
            if element.tag in _LISTS and count is not None and _whole(count) != held:
                self.say("count-wrong", int(element.get("id") or 0), f'{element.tag} n="{count}" with {held}')
            for child in element:
                refers = child.tag in _REFERENCES or (child.tag == "Id" and element.tag in _LISTS)
                if refers and not child.get("xId") and _whole(child.text) not in self.by_id:
                    self.say("id-missing", int(element.get("id") or 0), f"{child.tag} {child.text}")

    def follow(self, element: Element | None, tag: str) -> Element | None:
        """Return what an element refers to in a child; None where that is absent or in another document."""
        child = element.find(tag) if element is not None else None
        return None if child is None or child.get("xId") else self.by_id.get(_whole(child.text))

    def is_moved(self, system: int) -> bool:
        """Whether a coordinate system is turned or shifted, or what it is can't be told."""
        element = self.by_id.get(system)
        if element is None:
            return True
        said = {tag: " ".join(e.text or "" for e in element.iter(tag)).split() for tag in (
            "XDirection", "YDirection", "ZDirection", "Origin", "Rotation")}  # fmt: skip
        if any(not _DECIMAL.fullmatch(number) for numbers in said.values() for number in numbers):
            return True
        ways = {"XDirection": [1, 0, 0], "YDirection": [0, 1, 0], "ZDirection": [0, 0, 1], "Origin": [0, 0, 0],
                "Rotation": [1, 0, 0, 0, 1, 0, 0, 0, 1]}  # fmt: skip
        return not any(said.values()) or any(
            numbers and list(map(float, numbers)) != ways[tag] for tag, numbers in said.items())

    def listed(self, element: Element | None, tag: str) -> list[int]:
        """Return the ids in a list of references."""
        ids = element.find(tag) if element is not None else None
        return [_whole(child.text) for child in ids if not child.get("xId")] if ids is not None else []

    def _factor(self, unit: Element) -> Decimal:
        """Return metres in a unit; a known name is exact, where the factor may be rounded.

        Raises:
            ReadingsError: no factor and no known name, or both disagree: every length would be wrong.
        """
        name, text = _text(unit, "UnitName"), _text(unit, "UnitConversion/Factor")
        known, factor = _METRE.get(name.casefold()), Decimal(text) if _DECIMAL.fullmatch(text) else None
        agree = factor is None or known is None or abs(factor / Decimal(known) - 1) < Decimal("1e-6")
        if not agree or (factor is None and known is None) or (factor is not None and factor <= 0) or _text(
                unit, "UnitConversion/Offset").strip("0.") or (text and factor is None):  # fmt: skip
            raise self.refuse("unit-unclear", "what its unit of length is can't be told",
                              f"{name or 'no name'}, factor {text or 'none'}", "inch with 0.0254, mm with 0.001")
        return Decimal(known) if known is not None else factor or Decimal(1)

    def length(self, element: Element, number: int, place: str, text: str | None = None, u: str = "") -> _Value:
        """Return a length that an element holds; ``text``: one number of a list, with its uncertainty ``u``."""
        typed = " ".join(((element.text or "") if text is None else text).split())
        named, nothing = element.get("linearUnit"), float("nan")
        factor = self.primary if named is None else self.units.get(named.strip())
        if factor is None and (known := _METRE.get((named or "").strip().casefold())):
            factor = Decimal(known)
        if factor is None or not _DECIMAL.fullmatch(typed):
            fault = "unknown-unit" if factor is None else "not-a-number"
            return _Value(nothing, shortened(typed) or "blank", "", nothing, 0.0, number, place, fault)
        amount = Decimal(typed)
        step = Decimal(1).scaleb(int(amount.as_tuple().exponent))
        unit, u = "in" if factor == _INCH else "mm", u or element.get("combinedUncertainty") or ""
        value, half, uncertain = (
            float(each * factor / _INCH if self.spec.unit == "in" else each * factor * 1000)
            for each in (amount, step / 2, Decimal(u) if _DECIMAL.fullmatch(u) else Decimal("NaN"))
        )
        raw = float(amount if unit == "in" else amount * factor * 1000)
        if abs(value) > 1e6:
            return _Value(nothing, typed, unit, raw, half, number, place, "beyond-any-length")
        return _Value(value, typed, unit, raw, half, number, place, "", uncertain)

    def point(self, element: Element | None, number: int) -> list[_Value | None]:
        """Return x, y, z of a point, None for what its validity says was not measured."""
        if element is None:
            return [None] * 3
        pieces = [*(element.text or "").split(), "", "", ""]
        return [
            None if not _is_measured(element.get(f"{axis}Validity") or element.get("validity")) else
            self.length(element, number, axis.upper() if axis != "z" else "", text,
                        element.get(f"{axis}CombinedUncertainty") or "")
            for axis, text in zip("xyz", pieces, strict=False)
        ]  # fmt: skip


def _is_measured(validity: str | None) -> bool:
    return validity in {None, "", "REPORTED"}


def _whole(text: str | None) -> int:
    """Return a whole number of a document, 0 where there is none."""
    text = (text or "").strip()
    return int(text) if text.isdecimal() and len(text) < 11 else 0


def _text(element: Element | None, path: str) -> str:
    return " ".join((element.findtext(path) or "").split()) if element is not None else ""


# ------------------------------------------------------------------------------------------------------- the reading


class _Reader:
    """Reads the results of one document into the draft."""

    def __init__(self, document: _Document, options: ReadOptions, vocabulary: Vocabulary, draft: Draft) -> None:
        self.document, self.options, self.draft, self.spec = document, options, draft, document.spec
        self.names, self.vocabulary = FeatureNames(self.spec, vocabulary), vocabulary
        self.gauges, self.parts = Gauges(self.spec), Parts(self.spec)
        self.rows: list[dict[str, Any]] = []
        self.uses: dict[ColumnUse, int] = {}
        self._whose: dict[int, tuple[int, int, Tied]] = {}
        self.tied: dict[int, Tied] = {}  #: id of a measurement -> its hole
        self.own = _declared(document.root) is not None

    def use(self, kind: str, what: str, reason: str = "", **more: Any) -> None:
        """Count one value of a kind of element: a reading, or why it isn't used."""
        new = ColumnUse("", what, kind, "not used" if reason else "reading", 0, reason=reason, **more)
        self.uses[new] = self.uses.get(new, 0) + 1

    def check_kit(self) -> tuple[str, str]:
        """Return kit and revision that a document of ours says.

        Raises:
            ReadingsError: the document says another kit, revision, drawing or part than this kit's.
        """
        kit, revision = _declared(self.document.root) or ("", "")
        titles = Titles(self.spec)
        said = [("kit", kit, self.spec.id, ""), ("revision", revision, self.spec.revision, "")] if kit else []
        for part in self.document.root.iterfind("Product/PartSet/Part"):
            texts = [("part", _text(part, "ModelNumber")), ("", _text(part, "Header/Name"))]
            for drawing in part.iter("PrintedDrawing"):
                name, version = _text(drawing, "DrawingNumber"), _text(drawing, "Version")
                texts += [("drawing", name), ("", f"Drawing {name} Rev {version}" if version else "")]
            cell = cell_name(_whole(part.get("id")), FIRST_ELEMENT)
            said += [(n.kind, n.value, n.wanted, cell) for word, t in texts for n in titles.others_in(t, word)]
        wrong = [
            Problem(ERROR, f"other-{word}", f"the document was made for another {word} than the kit file describes",
                    f"{word} {found}", f"{word} {wanted}", "Take the kit file that belongs to the document",
                    self.document.file, cell=cell, holds=True)
            for word, found, wanted, cell in dict.fromkeys(said)
            if found.strip().casefold() != wanted.strip().casefold()
        ]  # fmt: skip
        if wrong:
            raise ReadingsError("", wrong)
        for one in self.document.root.findall("Attributes/AttributeStr"):
            digest = one.get("value") or ""
            if kit and one.get("name") == OWN_DIGEST and digest != self.spec.digest:
                self.document.say("other-text", 0, f"SHA-256 {digest[:16]}", allowed=f"SHA-256 {self.spec.digest[:16]}")
        return kit, revision

    def whose(self, component: int) -> tuple[int, int, Tied]:
        """Return part and serial of a measured component as codes, -1 where not told, and in words."""
        if component not in self._whose:
            element = self.document.by_id.get(component)
            match = match_serial(_text(element, "SerialNumber") or self.options.serial or "?")
            text = match.text if match.text != "?" else ""
            part = self._part_of(element)
            tied = {"part": self.spec.parts[part].name if part >= 0 else "", "serial": text}
            self._whose[component] = part, self.draft.serial.code(text) if text else -1, tied
            if not text:
                self.document.say("serial-missing", component)
            elif match.issue is not None:
                self.document.say_issue(match.issue, component, repr(text), tied)
        return self._whose[component]

    def _part_of(self, component: Element | None) -> int:
        if len(self.spec.parts) == 1:
            return 0
        document = self.document
        path = document.follow(component, "AsmPathId")
        components = [document.by_id.get(number) for number in document.listed(path, "ComponentIds")]
        linked = [part for one in components if (part := document.follow(one, "Part/Id")) is not None]
        parts = linked[-1:] or document.root.findall("Product/PartSet/Part")
        texts = [t for part in parts for t in (_text(part, "ModelNumber"), _text(part, "Header/Name")) if t]
        found = {code for text in texts if (code := self.parts.match(text).code) >= 0}
        if len(found) == 1:
            return found.pop()
        stated = self.parts.match(self.options.part).code if self.options.part else -1
        if stated < 0:
            document.say("unknown-part", 0, ", ".join(texts) or "no part",
                         allowed="parts " + ", ".join(f"{p.name} {p.number}".strip() for p in self.spec.parts))
        return stated

    def read(self) -> None:
        """Read every set of results.

        Raises:
            ReadingsError: there is none.
        """
        document = self.document
        results = document.root.findall("Results/MeasurementResultsSet/MeasurementResults")
        known = [_whole(c.get("id")) for c in document.root.iter("ActualComponent")]
        if not results:
            raise document.refuse("no-table", "the document holds no measurement results", "no MeasurementResults",
                                  "Results", "Export results, not a plan or a model")  # fmt: skip
        for one in results:
            ids = document.listed(one, "ActualComponentIds") or known
            _Results(self, one, ids[0] if len(ids) == 1 else 0, several=len(ids) > 1).read()
        self._remarks(known)
        frames = [n for n, e in document.by_id.items() if e.tag == "CoordinateSystem" and document.is_moved(n)]
        for number in frames:
            document.say("frame-declared", number, _text(document.by_id[number], "Name"))
        measured = {row["serial"] for row in self.rows}
        for number in known:
            part, serial, tied = self.whose(number)
            if serial not in measured:
                document.say("no-readings", number, f"serial {tied['serial']!r}", tied)
                self.draft.reported.add(self.draft.issue_code(_ISSUES["no-readings"]))
                self.add(part=part, serial=serial, row=number, issue=self.draft.issue_code(_ISSUES["no-readings"]))
        self.draft.room_for(0)
        if self.rows:
            kinds = {name: kind for name, kind in TYPES.items() if name != "ends"}
            self.draft.add({name: np.array([r[name] for r in self.rows]).astype(kind) for name, kind in kinds.items()})

    def _remarks(self, components: list[int]) -> None:
        """Quote the texts of the document that nobody asked for; one that speaks against the part holds it."""
        whole = self.whose(components[0])[2] if len(components) == 1 else {}
        stack = [(self.document.root, 0, "")]
        while stack:
            element, number, within = stack.pop()
            number = _whole(element.get("id")) or number
            where = element.tag if element.tag in _QUOTED | _UNQUOTED else within
            stack += [(child, number, where) for child in reversed(element)]
            text = " ".join((element.text or "").split())
            if element.tag == "AttributeStr" and not self.own:
                text = f"{element.get('name')}: {element.get('value')}"
            elif len(element) or element.tag.endswith(_KNOWN_TEXTS) or (
                    element.tag not in _REMARKS and where != "Results"):  # fmt: skip
                continue
            if not re.search(r"[^\W\d_]{2}|[?\u2717]", text):
                continue
            tied = self.tied.get(number, whole)
            if word := remark_against(text):
                self.document.say("remark-of-defect", number, text, tied,
                                  message=f"a text of the document speaks of {word!r}")  # fmt: skip
            elif where in _QUOTED and element.tag != "AttributeStr":
                self.document.say("remark", number, f"{element.tag}: {text}", tied)

    def add(self, **reading: Any) -> None:
        """Add one reading; what isn't given is blank."""
        nothing, no_day, draft = float("nan"), np.datetime64("NaT", "D"), self.draft
        blank: dict[str, Any] = {
            "part": -1, "serial": -1, "hole": -1, "wall": -1, "characteristic": -1, "direction": nothing, "trial": 1,
            "value": nothing, "word": 0, "typed": draft.typed.code(""), "unit": 0, "gauge": -1,
            "temperature_c": nothing,
            "date": no_day, "latest": no_day, "by": -1, "note": -1, "file": draft.file.code(self.document.file),
            "sheet": draft.sheet.code(""), "row": 0, "column": FIRST_ELEMENT, "issue": 0, "raw": nothing, "text": False,
        }  # fmt: skip
        self.rows.append(blank | reading)


class _Results:
    """One set of results: its features, its characteristics, and what they must agree in."""

    def __init__(self, reader: _Reader, element: Element, component: int, *, several: bool) -> None:
        self.reader, self.document, self.spec = reader, reader.document, reader.spec
        self.element, self.component, self.several = element, component, several
        self.features: list[_Feature] = []
        self.by_number: dict[int, list[_Feature]] = {}
        self.of_hole: dict[tuple[int, int], list[_Feature]] = {}  #: hole and component -> its features
        self.sizes: dict[tuple[int, int], list[float]] = {}
        self.failed = False  #: the document says of something that it isn't good
        self.own_words: dict[tuple[int, str], set[str]] = {}  #: hole and check -> words read, in a document of ours
        self.unexplained: list[tuple[int, str, Tied]] = []  #: its statuses that nothing in it explains
        self.reasons: set[str] = set()  #: holes that a document of ours can't pass as it was read; '' for the part
        self.inch = 1.0 if self.spec.unit == "in" else 25.4

    def read(self) -> None:
        """Read the features, then what is said of them."""
        trace = self.element.find("InspectionTraceability")
        self.day = _text(trace, "InspectionEnd") or _text(trace, "InspectionStart")
        person = _text(trace, "InspectionOperator/EmployeeId") or _text(trace, "InspectionOperator/Name")
        self.by = self.reader.draft.by.code(person) if person else -1
        for element in self.element.findall("MeasuredFeatures/*"):
            self._feature(element)
        measured = self.element.findall("MeasuredCharacteristics/CharacteristicMeasurements/*")
        links = [(element, self._features_of(element)) for element in measured]
        for element, features in links:
            self._values_of(element, features)
        self._places()
        if self.reader.own:
            self._own_readings()
        else:
            for feature in self.features:
                self._emit(feature)
        for element, features in links:
            self._word(element, features)
        self._nominals()
        whole = self.reader.whose(self.component)[2]
        self.reader.tied.update((feature.number, self._tied(feature)) for feature in self.features)
        for element, features in links:
            self._compare(element, features)
            if len(features) == 1:
                self.reader.tied[_whole(element.get("id"))] = self._tied(features[0])
            self._unknown(element, self._tied(features[0]) if len(features) == 1 else whole)
        for feature in self.features:
            if feature.hole >= 0 or not self._elsewhere(feature):
                self._unknown(feature.element, self._tied(feature))
        self._unknown(self.element, whole)
        self._whole_status()

    def _unknown(self, element: Element, tied: Tied) -> None:
        """Hold where a number stands beside or in elements that are read, and no element of the standard holds it."""
        for one in element.findall("Attributes/*") if not self.reader.own else ():
            self.reader.use(one.tag, one.get("name") or "", "not asked")
        number = _whole(element.get("id"))
        for at, said in _strays(element):
            if any(map(str.isdecimal, said)):
                self.document.say("unknown-element", number, f"{at}: {said}", tied)

    # -------------------------------------------------------------------------------------------------- the features

    def _feature(self, element: Element) -> None:
        """Take a circle or a cylinder; name any other feature, and hold where it is named like a hole."""
        document, number, kind = self.document, _whole(element.get("id")), element.tag
        feature = self._placed(document.follow(element, "FeatureItemId"), _text(element, "FeatureName"), element)
        if kind not in {"CircleFeatureMeasurement", "CylinderFeatureMeasurement"}:
            self.reader.use(kind, "feature", "no circle or cylinder")
            other = any(_NO_HOLE.search(name) for name in [*feature.names, kind])
            if feature.hole >= 0 and not other and self.reader.names.place(feature.name)[0] >= 0:
                document.say("other-feature", number, f"{kind} {feature.name!r}", self._tied(feature))
            return
        self._keep(feature)
        devices = document.listed(element, "MeasurementDeviceIds")
        feature.devices, feature.day = {"diameter": devices, "x": devices, "y": devices}, _text(element, "TimeStamp")
        for tag, values in (("Diameter", feature.mean), ("DiameterMin", feature.low), ("DiameterMax", feature.high)):
            values += self._lengths(element, tag, feature)
        place = element.find("Location" if kind.startswith("Circle") else "Axis/AxisPoint")
        x, y, z = document.point(place, number)
        feature.z = z.value if z is not None else feature.z
        direction = _text(element, "Axis/Direction").split()
        if z is not None and len(direction) == 3 and all(map(_DECIMAL.fullmatch, direction)) and float(direction[2]):
            up = ((feature.nominal[2] if feature.nominal else 0.0) - z.value) / float(direction[2])
            x, y = (self._moved(v, float(along) * up) for v, along in zip((x, y), direction, strict=False))
        feature.x, feature.y = [x] if x is not None else [], [y] if y is not None else []
        for tag in ("Form", "Length", "Normal"):
            if element.find(tag) is not None:
                self.reader.use(kind, tag, "not asked")
        if place is not None and None in (x, y):
            self.reader.use(kind, place.tag, "not measured")
        item = document.follow(element, "FeatureItemId")
        for holder in (element, item, document.follow(item, "FeatureNominalId"), self.element):
            if holder is not None and (refers := holder.find("CoordinateSystemId")) is not None and (
                    document.is_moved(_whole(refers.text) if not refers.get("xId") else 0)):  # fmt: skip
                document.say("other-frame", number, f"{feature.name!r} in coordinate system {refers.text}",
                             self._tied(feature))  # fmt: skip
        if element.find("ActualTransformId") is not None:
            document.say("other-frame", number, f"{feature.name!r} was moved by a transform", self._tied(feature))

    def _lengths(self, element: Element, tag: str, feature: _Feature) -> list[_Value]:
        """Return the lengths of a feature in a tag; one that wasn't measured holds and is none."""
        number, some = feature.number, element.findall(tag)
        for one in some:
            if not _is_measured(one.get("validity")):
                cell = cell_name(number, FIRST_ELEMENT + ELEMENTS.index(tag))
                self.document.say("not-measured", cell, one.text or "", self._tied(feature))
        return [self.document.length(one, number, tag) for one in some if _is_measured(one.get("validity"))]

    def _moved(self, value: _Value | None, by: float) -> _Value | None:
        """Return a coordinate of a cylinder's axis at the nominal point's height (z = 0 where there is none)."""
        if value is None or not np.isfinite(by) or abs(by) <= value.half:
            return value
        moved, scale = value.value + by, {True: 1.0, False: 25.4 if value.unit == "mm" else 1 / 25.4}
        at = format_length(moved, self.spec.unit)
        return replace(value, value=moved, raw=moved * scale[value.unit == self.spec.unit],
                       typed=f"{value.typed}, {at} at its height")  # fmt: skip

    def _placed(self, item: Element | None, name: str, element: Element) -> _Feature:
        """Return a feature with the hole and wall that its names, and those of what it is nested in, say."""
        document, place = self.document, self.reader.names.place
        nominal = document.follow(item, "FeatureNominalId")
        outer, over = document.follow(item, "ParentFeatureItemId"), document.follow(nominal, "ParentFeatureNominalId")
        names = [t for t in (name, _text(item, "FeatureName"), _text(nominal, "Name")) if t]
        feature = _Feature(element, _whole(element.get("id")), names)
        feature.component = _whole(_text(element, "ActualComponentId")) or self.component
        places = [place(text) for text in [*names, _text(outer, "FeatureName"), _text(over, "Name")]]
        holes = list(dict.fromkeys(hole for hole, _ in places if hole >= 0))
        walls = list(dict.fromkeys(wall for _, wall in places[: len(names)] if wall >= 0))
        walls = [wall for wall in walls if wall < len(self.spec.walls.names)]
        other = holes and any(_SAYS_HOLE.search(text) and place(text)[0] < 0 for text in names)
        if len(holes) > 1 or len(walls) > 1 or other:
            feature.fault = "names-disagree"
        else:
            feature.hole, feature.wall = (holes or [-1])[0], (walls or [-1])[0]
        definition = document.follow(nominal, "FeatureDefinitionId")
        if _text(definition, "InternalExternal") == "EXTERNAL" and holes:
            feature.fault = "no-hole"
        feature.nominal = self._nominal_point(nominal)
        return feature

    def _nominal_point(self, nominal: Element | None) -> Point | None:
        point = nominal.find("Location") if nominal is not None else None
        if point is None and nominal is not None:
            point = nominal.find("Axis/AxisPoint")
        values = [v.value for v in self.document.point(point, 0) if v is not None]
        return (values[0], values[1], values[2]) if len(values) == 3 and np.isfinite(values).all() else None

    def _away(self, feature: _Feature) -> FloatArray:
        """Return how far the nominal centre of a feature lies from each hole of the kit (H,), NaN where not known."""
        part = self.reader.whose(feature.component)[0]
        if feature.nominal is None or part < 0:
            return np.full(len(self.spec.holes), np.nan)
        basic = self.spec.basic_xy(self.spec.parts[part].name)
        return np.hypot(basic[:, 0] - feature.nominal[0], basic[:, 1] - feature.nominal[1])

    def _places(self) -> None:
        """Find holes by nominal centre and walls by height where names don't say them; the first wall is at z = 0."""
        several = len(self.spec.walls.names) > 1
        for feature in self.features:
            near = np.flatnonzero(self._away(feature) < 2e-4 * self.inch)
            if any(map(_SAYS_HOLE.search, feature.names)):
                near = near[:0]
            if feature.hole < 0 and not feature.fault and near.size == 1:
                feature.hole = int(near[0])
                self.of_hole.setdefault((feature.hole, feature.component), []).append(feature)
                found = f"{feature.name!r}: hole {self.spec.hole_ids[feature.hole]}"
                self.document.say("hole-by-centre", feature.number, found, self._tied(feature))
            feature.wall = feature.wall if several else 0
        for feature in self.features:
            if feature.hole < 0 or feature.wall >= 0 or feature.fault or not (feature.diameters or feature.x):
                continue
            beside = [f for f in self.of_hole[feature.hole, feature.component]
                      if f is not feature and f.element.tag.startswith("Circle")]  # fmt: skip
            feature.whole = feature.element.tag.startswith("Cylinder") and bool(beside)
            heights = [abs(f.nominal[2] if f.nominal else f.z) for f in (feature, *beside)]
            depth = self.spec.walls.stack_depth or (max(heights) if len(heights) == 2 else 0.0)
            if feature.element.tag.startswith("Circle") and len(self.spec.walls.names) == 2 and depth:
                fits = [abs(heights[0] - at) <= HEIGHT_SHARE * depth for at in (0.0, depth)]
                feature.wall = fits.index(True) if any(fits) else -1
            if feature.wall < 0 and not feature.whole:
                feature.fault = "wall-missing"

    def _tied(self, feature: _Feature) -> Tied:
        hole = self.spec.hole_ids[feature.hole] if feature.hole >= 0 else ""
        wall = self.spec.walls.names[feature.wall] if feature.wall >= 0 and hole else ""
        return self.reader.whose(feature.component)[2] | {"hole": hole, "wall": wall}

    # --------------------------------------------------------------------------------------------- characteristics in

    def _features_of(self, element: Element) -> list[_Feature]:
        """Return the features that a characteristic speaks of, a new one where it was measured alone."""
        document = self.document
        item = document.follow(element, "CharacteristicItemId")
        wanted, items = document.listed(element, "FeatureMeasurementIds"), document.listed(item, "FeatureItemIds")
        found = [f for number in dict.fromkeys(wanted) for f in self.by_number.get(number, [])]
        found = found or [f for number in dict.fromkeys(items) for f in self.by_number.get(-number, [])]
        if found or len(items) > 1 or not element.tag.startswith(_HOLE_KINDS):
            return found
        named = "" if items else _text(item, "Name")
        alone = self._placed(document.by_id.get(items[0]) if items else None, named, element)
        same = [f for f in self.of_hole.get((alone.hole, alone.component), []) if f.wall == alone.wall]
        if not same:
            self._keep(alone)
        return same or [alone]

    def _keep(self, feature: _Feature) -> None:
        """Keep a feature, to be found by its number, its item's (negative) and its hole."""
        self.features.append(feature)
        for number in {feature.number, -_whole(_text(feature.element, "FeatureItemId"))} - {0}:
            self.by_number.setdefault(number, []).append(feature)
        if feature.hole >= 0:
            self.of_hole.setdefault((feature.hole, feature.component), []).append(feature)

    def _values_of(self, element: Element, features: list[_Feature]) -> None:
        """Take what a characteristic says was measured for its feature; name what isn't used."""
        document, number, kind = self.document, _whole(element.get("id")), _kind(element)
        item = document.follow(element, "CharacteristicItemId")
        devices = document.listed(element, "MeasurementDeviceIds") or document.listed(item, "MeasurementDeviceIds")
        feature = features[0] if len(features) == 1 and kind in _HOLE_KINDS else None
        read: dict[str, list[_Value]] = {}
        if feature is not None and kind == "Diameter":
            read = {"Value": feature.mean, "MinValue": feature.low, "MaxValue": feature.high}
        elif feature is not None and kind == "LinearCoordinate":
            axis = _text(document.follow(item, "CharacteristicNominalId"), "Direction")
            read = {"Value": feature.x} if axis == "XAXIS" else {"Value": feature.y} if axis == "YAXIS" else {}
        for tag in ("Value", "MinValue", "MaxValue"):
            for one in element.findall(tag):
                if tag in read and _is_measured(one.get("validity")):
                    read[tag].append(document.length(one, number, tag))
                elif tag in read:
                    document.say("not-measured", cell_name(number, FIRST_ELEMENT + ELEMENTS.index(tag)), one.text or "",
                                 self._tied(feature or features[0]))  # fmt: skip
                elif kind not in {"Position", "UserDefinedAttribute"} or feature is None:
                    self.reader.use(element.tag, tag, "not asked")
        if feature is None and kind == "Diameter":
            document.say("whose-diameter", number)
        elif feature is not None:
            feature.day = feature.day or _text(element, "TimeStamp")
            for name in ("diameter",) if kind == "Diameter" else ("x", "y"):
                if devices and kind != "UserDefinedAttribute":
                    feature.devices[name] = devices

    def _word(self, element: Element, features: list[_Feature]) -> None:
        """Read what a plug or a look at the surface showed."""
        if _kind(element) != "UserDefinedAttribute" or len(features) != 1:
            return
        document, reader, feature = self.document, self.reader, features[0]
        item = document.follow(element, "CharacteristicItemId")
        nominal = document.follow(item, "CharacteristicNominalId")
        labels = [_text(e, tag) for e in (document.follow(nominal, "CharacteristicDefinitionId"), nominal, item)
                  for tag in ("Name", "WhatToMeasure")]  # fmt: skip
        meanings = [reader.vocabulary.meaning(label) for label in labels if label]
        asked = next((m for m in meanings if m.word in {"go", "no_go", "surface"}), None)
        text = _text(element, "Value")
        if asked is None or not text:
            reader.use(element.tag, "Value", "not asked")
            return
        what, everything = asked.word, frozenset({text.casefold()})
        word = surface_word(text, asked.ask) if what == "surface" else plug_word(text, what, asked.ask, everything)
        if reader.own:
            if word not in self.own_words.get((feature.hole, what), set()):
                found = f"{what.replace('_', '-')}: {text}"
                document.say("edited", _whole(element.get("id")), found, self._tied(feature))
            return
        issue = None if word else _issue(f"unclear-{what.replace('_', '-')}", "what the check showed is unclear")
        nothing = float("nan")
        value = _Value(nothing, text, "", nothing, 0.0, _whole(element.get("id")), "Value")
        feature.devices[what] = (document.listed(element, "MeasurementDeviceIds")
                                 or document.listed(item, "MeasurementDeviceIds"))  # fmt: skip
        self._add(feature, what, value, issue, word=WORDS.index(word))
        reader.use(element.tag, "Value", characteristic=what)

    # ------------------------------------------------------------------------------------------------------- readings

    def _emit(self, feature: _Feature) -> None:
        """Put a feature's readings into the table, and report where one thing is said twice and differs."""
        values = [("diameter", trial, v) for trial, v in enumerate(feature.diameters, 1)]
        values += [(name, 1, some[0]) for name, some in (("x", feature.x), ("y", feature.y)) if some]
        groups = [feature.mean, feature.low, feature.high, feature.x, feature.y]
        pairs = [(a, b) for some in groups for a, b in pairwise(some) if a.differs(b.value, b.half)]
        for mean in feature.mean:
            pairs += [(low, mean) for low in feature.low[:1] if low.value > mean.value + low.half + mean.half]
            pairs += [(high, mean) for high in feature.high[:1] if high.value < mean.value - high.half - mean.half]
        if feature.whole:  # its walls' circles are the readings, and it must not say other than they do
            size = self.spec.holes[feature.hole].size
            pairs += [(v, v) for v in feature.diameters if not size.lower - v.half <= v.value <= size.upper + v.half]
        for one, other in pairs:
            self.document.say("values-disagree", one.cell, f"{one.typed} and {other.typed} ({other.cell})" if one is not
                              other else f"{one.typed} through all walls", self._tied(feature))  # fmt: skip
        if feature.whole or (feature.hole < 0 and self._elsewhere(feature)):
            for name, _, value in values:
                self.reader.use(feature.element.tag, value.place or name, "of the hole as a whole" if feature.whole else
                                "of no hole of the kit")  # fmt: skip
            return
        issue = _ISSUES.get(feature.fault)
        if feature.hole < 0 and issue is None:
            known = self.reader.names.holes.match(feature.name)
            issue = known.issue or _issue("unknown-hole", "the kit has no such hole")
        for name, trial, value in values:
            self._add(feature, name, value, issue or _ISSUES.get(value.fault), trial=trial)
            self.reader.use(feature.element.tag, value.place, characteristic=name, unit=value.unit)
        for value in (v for some in groups for v in some if v not in [value for *_, value in values]):
            self.reader.use(feature.element.tag, value.place, "agrees with the readings")

    def _elsewhere(self, feature: _Feature) -> bool:
        """Whether a feature that no name places lies clear of every hole, by its nominal centre in the kit's frame."""
        placed = next((f for f in self.features if f.hole >= 0 and f.nominal is not None), feature)
        sound = placed.hole >= 0 and self._away(placed)[placed.hole] < 2e-4 * self.inch
        clear = self._away(feature).min() > 2.0 * max(hole.size.upper for hole in self.spec.holes)
        if not (sound and clear) or feature.fault:
            return False
        self.document.say("no-hole-of-kit", feature.number, repr(feature.name), self._tied(feature))
        return True

    def _add(self, feature: _Feature, name: str, value: _Value, issue: Problem | None, **more: Any) -> None:
        reader, draft = self.reader, self.reader.draft
        part, serial, tied = reader.whose(feature.component)
        if not feature.component and self.several:
            issue = _ISSUES["whose-results"]
        day: str = (feature.day or self.day)[:10]
        date: Any = np.datetime64("NaT", "D")
        try:
            date = np.datetime64(dt.date.fromisoformat(day).isoformat(), "D") if day else date
        except ValueError:
            self.document.say("bad-date", feature.number, repr(day), tied)
        wall, walls = feature.wall, self.spec.plan.position_walls
        if feature.fault == "wall-missing" and name in {"x", "y"} and len(walls) == 1:
            wall, issue = self.spec.walls.names.index(walls[0]), _ISSUES.get(value.fault)
        if name not in {"diameter", "x", "y"} and wall < 0:
            issue = None if feature.hole >= 0 else issue  # what a plug shows is of the hole as a whole
        gauge = self._gauge(feature.devices.get(name, []), name, value, str(date), self._tied(feature))
        reader.add(**{
            "part": part, "serial": serial, "hole": feature.hole, "wall": wall, "value": value.value, "raw": value.raw,
            "characteristic": CHARACTERISTICS.index(name), "typed": draft.typed.code(value.typed), "date": date,
            "by": self.by, "unit": UNIT_CODES.index(value.unit), "row": value.number, "gauge": gauge,
            "column": FIRST_ELEMENT + ELEMENTS.index(value.place), "issue": draft.issue_code(issue), **more,
        })  # fmt: skip

    def _gauge(self, devices: list[int], name: str, value: _Value, date: str, tied: Tied) -> int:
        """Return the gauge that read a value; what the document says of it must not be worse than what the kit says."""
        document, spec = self.document, self.spec
        found = []
        for one in (d for number in devices if (d := document.by_id.get(number)) is not None):
            texts = [t for tag in ("Name", "SerialNumber", "Description") if (t := _text(one, tag))]
            matches = [self.reader.gauges.match(text) for text in texts]
            found += [(one, m) for m in ([m for m in matches if spec.gauge(m.text)] or matches)[:1]]
        fits = [(d, m) for d, m in found if (g := spec.gauge(m.text)) is None or name in g.measures]
        usual = spec.plan.diameter_gauge if name == "diameter" else spec.plan.position_gauge
        device: Element | None = None
        match: Match | None = None
        if found:
            device, match = (fits or found)[0]
        gauge = spec.gauge(match.text if match else usual)
        number = _whole(device.get("id")) if device is not None else 0
        if match is not None and match.issue is not None:
            document.say_issue(match.issue, number, repr(match.text), {"serial": tied["serial"]})
        calibrations = device.iter("Calibration") if device is not None else ()
        ends = [t[:10] for c in calibrations if (t := _text(c, "ExpirationDate"))]
        if ends and date != "NaT" and max(ends) < date:
            document.say("gauge-expired", number, max(ends), {"serial": tied["serial"]}, allowed=f"{date} or later")
        if gauge is not None and gauge.uncertainty is not None and 2.0 * value.u > 1.1 * gauge.uncertainty + 1e-9:
            said, limit = (format_length(v, spec.unit) for v in (2.0 * value.u, gauge.uncertainty))
            document.say("uncertainty-larger", value.cell, f"U = {said} (k = 2)", tied,
                         allowed=f"U = {limit} of {gauge.id}")  # fmt: skip
        return self.reader.draft.gauge.code(match.text) if match else -1

    # ----------------------------------------------------------------------------------------- documents of our own

    def _own_readings(self) -> None:
        """Read what a document of ours carries; the standard elements beside it must follow from it."""
        values: dict[int, list[dict[str, Any]]] = {}
        for holder in [self.element, *self.element.findall("MeasuredFeatures/*")]:
            number = _whole(holder.get("id"))
            for attribute in holder.findall("Attributes/AttributeStr"):
                name, text = attribute.get("name"), attribute.get("value") or ""
                said = self._own_said(name, text) if name in {OWN, OWN_PROBLEM} else {}
                if said is None:
                    self.document.say("damaged-reading", number, text)
                elif name == OWN_PROBLEM:
                    self._own_problem(said, number)
                    self.reasons.add(said["hole"])
                elif said:
                    reading = self._own_reading(said)
                    self.reader.add(**reading, row=number, column=FIRST_ELEMENT + ELEMENTS.index("Reading"))
                    values.setdefault(number, []).append(reading)
                    if self._typed_otherwise(reading, said):
                        self.document.say("values-disagree", number, text)
                    self._own_reason(reading)
        for feature in self.features:
            here = [r for r in values.get(feature.number, []) if np.isfinite(r["value"]) and not r["issue"]]
            there = [[r["value"] for r in here if r["characteristic"] == CHARACTERISTICS.index(kind)]
                     for kind in ("diameter", "x", "y")]  # fmt: skip
            slack, sizes = 1e-6 * self.inch, there[0]
            ends = [(feature.low, min(sizes)), (feature.high, max(sizes)), (feature.mean, sum(sizes) / len(sizes))] if (
                sizes) else [(some, float("inf")) for some in (feature.low, feature.high, feature.mean)]  # fmt: skip
            off = [v for some, own in ends for v in some if not abs(v.value - own) <= slack]
            off += [v for some, own in ((feature.x, there[1]), (feature.y, there[2])) for v in some
                    if not any(abs(v.value - one) <= slack for one in own)]  # fmt: skip
            for value in off[:1]:
                self.document.say("edited", value.cell, value.typed, self._tied(feature))

    def _own_said(self, name: str, text: str) -> dict[str, Any] | None:
        """Return what an attribute of ours carries, blanks filled in, None where it isn't as we write it."""
        try:
            said = json_values(text)
            if not isinstance(said, dict):
                return None
            dt.date.fromisoformat(said.get("date") or "2026-01-01")
        except (ValueError, TypeError):  # no JSON, or no day
            return None
        texts, nothing = ("code", "message", "hole", "wall") if name == OWN_PROBLEM else _TEXTS, float("nan")
        said = {key: "" for key in texts if name == OWN} | said
        if not all(isinstance(said.get(key), str) for key in texts):
            return None
        if name == OWN_PROBLEM:
            return said
        numbers = ("value", "direction", "temperature_c")
        said = dict[str, Any](trial=0, date="", **dict.fromkeys(numbers, nothing)) | said
        known = {"hole": self.spec.hole_ids, "wall": self.spec.walls.names, "characteristic": CHARACTERISTICS}
        sound = (
            all(said[key] in ("", *words) for key, words in known.items())
            and said["word"] in WORDS and said["unit"] in UNIT_CODES
            and isinstance(said["trial"], int) and 0 < said["trial"] < 2**15
            and all((isinstance(said[key], int | float) and abs(said[key]) < 1e300) or said[key] is nothing
                    for key in numbers)
        )  # fmt: skip
        return said if sound else None

    def _typed_otherwise(self, reading: dict[str, Any], said: dict[str, Any]) -> bool:
        """Whether a reading isn't the number that was typed; deviations and slips of the point are none of its size."""
        scale = {"mm": 1.0, "in": 25.4}
        unit, value = said["unit"], reading["value"]
        if unit not in scale or reading["issue"] or not (np.isfinite(value) and value):
            return False
        typed = length_of(said["typed"], ".").value * scale[unit] / scale[self.spec.unit]
        return bool(0.5 < typed / value < 2.0 and abs(typed - value) > 1e-5 * self.inch)

    def _own_reason(self, reading: dict[str, Any]) -> None:
        """Note a check's word, and a reading that alone keeps its hole from being accepted."""
        hole = self.spec.holes[reading["hole"]] if reading["hole"] >= 0 else None
        kind = CHARACTERISTICS[reading["characteristic"]] if reading["characteristic"] >= 0 else ""
        word = WORDS[reading["word"]]
        if word:
            self.own_words.setdefault((reading["hole"], kind), set()).add(word)
        size = hole.size if hole is not None and kind == "diameter" and not self.spec.temperature.correct else None
        out = size is not None and not size.lower - 1e-9 <= reading["value"] <= size.upper + 1e-9
        if reading["issue"] or out or (kind in _GOOD_WORDS and word != _GOOD_WORDS[kind]):
            self.reasons.add(hole.id if hole is not None else "")

    def _own_problem(self, said: Any, number: int) -> None:
        message = f"said when the document was written: {said['message']}"
        tied = self.reader.whose(self.component)[2] | {"hole": said["hole"], "wall": said["wall"]}
        self.document.say_issue(_issue(said["code"], message, action="Read it again"), number, "", tied)

    def _own_reading(self, said: dict[str, Any]) -> dict[str, Any]:
        draft, spec, nothing = self.reader.draft, self.spec, float("nan")
        part, serial, _ = self.reader.whose(self.component)
        text = {name: said[name] for name in _TEXTS}
        number = {name: float(said[name]) for name in ("value", "direction", "temperature_c")}
        unit, kind, doubt = UNIT_CODES.index(text["unit"]), text["characteristic"], text["doubt"]
        typed = length_of(text["typed"], ".").value if unit else nothing
        issue = _issue(doubt, "doubtful when the document was written", action="Read it again") if doubt else None
        self.reader.use("Attribute", kind or "part", characteristic=kind, unit=text["unit"])
        return number | {
            "part": part, "serial": serial, "hole": spec.hole_ids.index(text["hole"]) if text["hole"] else -1,
            "wall": spec.walls.names.index(text["wall"]) if text["wall"] else -1, "unit": unit,
            "characteristic": CHARACTERISTICS.index(kind) if kind else -1, "trial": said["trial"],
            "word": WORDS.index(text["word"]), "typed": draft.typed.code(text["typed"]),
            "date": np.datetime64(said["date"] or "NaT", "D"), "issue": draft.issue_code(issue),
            "raw": typed if np.isfinite(typed) else number["value"],
            **{name: getattr(draft, name).code(text[name]) if text[name] else -1 for name in ("gauge", "by", "note")},
        }  # fmt: skip

    # ---------------------------------------------------------------------------------------------- what must agree

    def _nominals(self) -> None:
        """Compare nominal centres with the basic dimensions: another frame or another drawing holds."""
        away = [(f, self._away(f)[f.hole]) for f in self.features if f.hole >= 0]
        known = [(f, float(off)) for f, off in away if np.isfinite(off)]
        wrong = [(f, off) for f, off in known if off > 5e-4 * self.inch]
        frame = len(wrong) == len(known) > 1
        for feature, off in wrong[:1] if frame else wrong:
            x, y, _ = feature.nominal or (off, off, off)
            tied = self._tied(feature)
            found = f"{feature.name!r} at {format_length(x, self.spec.unit)}, {format_length(y, self.spec.unit)}"
            self.document.say("other-frame" if frame else "other-nominal", feature.number, found,
                              tied | {"hole": "", "wall": ""} if frame else tied)  # fmt: skip

    def _compare(self, element: Element, features: list[_Feature]) -> None:
        """Compare limits, position, bonus and status of a characteristic with the kit and the readings."""
        document, number, kind = self.document, _whole(element.get("id")), _kind(element)
        item = document.follow(element, "CharacteristicItemId")
        nominal = document.follow(item, "CharacteristicNominalId")
        definition = document.follow(nominal, "CharacteristicDefinitionId")
        items = [document.by_id.get(number) for number in document.listed(item, "FeatureItemIds")]
        alone = items[0] if len(items) == 1 else None
        feature = features[0] if len(features) == 1 else self._placed(alone, "", element)
        tied, good = self._tied(feature), None
        if feature.hole >= 0 and kind == "Diameter":
            size = self.spec.holes[feature.hole].size
            self._limits(definition, nominal, size, tied)
            good = all(size.lower - 1e-9 <= v <= size.upper + 1e-9 for v in feature.sizes) if feature.sizes else None
        elif feature.hole >= 0 and kind == "Position":
            self._tolerances(definition, self.spec.holes[feature.hole].position, tied)
            good = self._position(element, feature, tied)
        elif kind not in _HOLE_KINDS:
            good = self._worked_out(element, definition, nominal, feature, tied)
        segments = [(status, f"hole to hole: {status}") for one in element if one.tag.endswith("PositionMeasurement")
                    and (status := _status(one, "Characteristic", "Status")) != "PASS"]  # fmt: skip
        status = _status(element, "Characteristic", "Status")
        for word, found in [(status, f"{kind.lower()}: {status}"), *segments]:
            if word in _SILENT:
                continue
            self.failed = self.failed or word != "PASS"
            agrees = good is not False if word == "PASS" else word == "FAIL" and good is False and word is status
            # ours may reject what is inside the limits as it was read, only where sizes are brought to 20 °C
            sure = word == "PASS" or (word == "FAIL" and good is True and not self.spec.temperature.correct)
            if agrees:
                continue
            if self.reader.own and not (sure and word is status):
                if word != "PASS" and not {tied["hole"], ""} & self.reasons:
                    self.unexplained.append((number, found, tied))
                continue
            why = "by the kit it is inside" if good and word is status else "nothing that is read here says why"
            why = "by the kit it is out" if word == "PASS" else why
            why = "its program gave no verdict; the readings alone don't prove it" if word == "NOT_CALCULATED" else why
            document.say("status-disagrees", number, found, tied, message=f"the document says {shortened(word)}; {why}")

    def _limits(self, definition: Element | None, nominal: Element | None, size: Limits, tied: Tied) -> None:
        """Compare limits of size with the kit's: as limits, as deviations from a target, or by reference."""
        document, number = self.document, _whole(definition.get("id")) if definition is not None else 0
        tolerance = definition.find("Tolerance") if definition is not None else None
        named = document.follow(tolerance, "DefinitionId")
        tolerance = named.find("Tolerance") if named is not None and named.find("Tolerance") is not None else (
            tolerance if named is None else named)  # fmt: skip
        if tolerance is None:
            return
        target = nominal.find("TargetValue") if nominal is not None else None
        as_limit = _text(tolerance, "DefinedAsLimit") in {"true", "1"}
        base = 0.0 if as_limit else document.length(target, number, "").value if target is not None else float("nan")
        low, high = (format_length(v, self.spec.unit) for v in (size.lower, size.upper))
        for tag, limit in (("MinValue", size.lower), ("MaxValue", size.upper)):
            for one in tolerance.findall(tag):
                value = document.length(one, number, tag)
                if value.differs(limit - base, 1e-6) or value.fault:
                    document.say("other-limits", value.cell, format_length(value.value + base, self.spec.unit), tied,
                                 allowed=f"{low} to {high}")  # fmt: skip

    def _worked_out(
        self, element: Element, definition: Element | None, nominal: Element | None, feature: _Feature, tied: Tied
    ) -> bool | None:  # fmt: skip
        """Return whether a value that isn't read is inside its own limits; out of them, or a taper larger than all
        diameters of its hole are apart, it holds."""
        document, number, good = self.document, _whole(element.get("id")), None
        tolerance = definition.find("Tolerance") if definition is not None else None
        named = document.follow(tolerance, "DefinitionId")
        tolerance = named.find("Tolerance") if named is not None and named.find("Tolerance") is not None else tolerance
        target = nominal.find("TargetValue") if nominal is not None else None
        base = 0.0 if tolerance is None or _text(tolerance, "DefinedAsLimit") in {"true", "1"} or target is None else (
            document.length(target, number, "Value").value)  # fmt: skip
        sizes = [v for f in self.of_hole.get((feature.hole, feature.component), []) for v in f.sizes]
        ends = {end: document.length(one, number, "Value").value + base for end in ("MinValue", "MaxValue")
                if tolerance is not None and (one := tolerance.find(end)) is not None}  # fmt: skip
        for tag in ("Value", "MinValue", "MaxValue"):
            for one in element.findall(tag):
                value = document.length(one, number, tag)
                inside = ends.get("MinValue", -np.inf) - 1e-9 <= value.value <= ends.get("MaxValue", np.inf) + 1e-9
                taper = "taper" in f"{_text(definition, 'Name')} {_text(definition, 'WhatToMeasure')}".casefold()
                apart = max(sizes) - min(sizes) if taper and sizes else np.inf
                good = inside if good is not False else good
                if not inside or abs(value.value) > apart + 1e-4 * self.inch:
                    what = "is more than its diameters differ" if inside else "is out of its own limits"
                    what = "says no number" if value.fault else what
                    document.say("values-disagree", value.cell, value.typed, tied,
                                 message=f"{_text(definition, 'Name') or _kind(element)} {what}")  # fmt: skip
        return good if ends else None

    def _tolerances(self, definition: Element | None, asked: Position, tied: Tied) -> None:
        """Compare position tolerances and their material conditions with the kit's."""
        if definition is None:
            return
        second = definition.find("SecondCompositeSegmentPositionDefinition")
        for segment, tolerance, condition in ((definition, asked.tolerance, asked.condition),
                                              (second, asked.pattern_tolerance, asked.pattern_condition)):  # fmt: skip
            value = segment.find("ToleranceValue") if segment is not None else None
            if segment is None or value is None:
                continue
            length = self.document.length(value, _whole(definition.get("id")), "Value")
            word, zone = _text(segment, "MaterialCondition"), [e.tag for e in segment.findall("ZoneShape/*")]
            wrong = length.fault or tolerance is None or length.differs(tolerance, 1e-6)
            if wrong or _CONDITIONS.get(word) != condition or (zone and zone != ["DiametricalZone"]):
                asks = f"diameter {format_length(tolerance, self.spec.unit)} {condition}" if tolerance else "none"
                found = f"{length.typed} {word} {' '.join(zone)}"
                self.document.say("other-limits", length.cell, found, tied, allowed=asks)

    def _position(self, element: Element, feature: _Feature, tied: Tied) -> bool | None:
        """Return whether a position is inside by the kit; what the document says of it must follow from the centre."""
        document, number, hole = self.document, _whole(element.get("id")), self.spec.holes[feature.hole]
        part, said, asked = self.reader.whose(feature.component)[0], element.find("Value"), hole.position
        if not (feature.x and feature.y) or part < 0:
            if said is not None:
                document.say("no-centre", number, said.text or "", tied)
            return None
        x, y = feature.x[0], feature.y[0]
        ours = 2.0 * float(np.hypot(*(np.array([x.value, y.value])
                                      - self.spec.basic_xy(self.spec.parts[part].name)[feature.hole])))  # fmt: skip
        if said is not None:
            value, slack = document.length(said, number, "Value"), 2.0 * (x.half + y.half) + 1e-6
            self.reader.use(element.tag, "Value", "worked out again from the centre")
            if value.fault or value.differs(ours, slack):
                half = " (half of it: a radius)" if not value.differs(ours / 2, slack) else ""
                document.say("position-disagrees", value.cell, f"{value.typed}{half}, by the centre "
                             f"{format_length(ours, self.spec.unit)}", tied)  # fmt: skip
        key = (feature.hole, feature.component)
        if key not in self.sizes:
            self.sizes[key] = [v for f in self.of_hole[key] for v in f.sizes]
        every = self.sizes[key]
        counts = every if self.spec.walls.bonus_from_both else feature.sizes
        ways = [_bonus(hole, some) for some in (counts, feature.sizes)]
        for one in element.findall("Bonus"):
            value = document.length(one, number, "Value")
            self.reader.use(element.tag, "Bonus", "worked out again from the diameters")
            if all(value.differs(way, 2e-4 * self.inch) for way in ways):
                document.say("bonus-disagrees", value.cell, f"{value.typed}, by the diameters "
                             f"{format_length(ways[0], self.spec.unit)}", tied)  # fmt: skip
        if asked.tolerance is None or not np.isfinite([ours, ways[0]]).all():
            return None
        return ours <= asked.tolerance + ways[0] + 5e-7

    def _whole_status(self) -> None:
        """Hold a part that the document doesn't pass as a whole without saying what is wrong, or against itself."""
        if self.unexplained:
            number, found, tied = self.unexplained[0]
            several = len({tied["hole"] for *_, tied in self.unexplained}) > 1
            more = f" and {len(self.unexplained) - 1} more" if len(self.unexplained) > 1 else ""
            self.document.say("status-disagrees", number, f"{found}{more}",
                              tied | {"hole": "", "wall": ""} if several else tied,
                              message="the document didn't pass it; its readings alone don't say why")  # fmt: skip
        words = [_status(self.element, "Inspection", "InspectionStatus"),
                 _status(self.document.by_id.get(self.component), "Inspection", "Status"), self._own_verdict()]
        for word in dict.fromkeys(words):
            known = self.reader.own and word != "PASS" and bool(self.reasons or self.unexplained)
            if not known and word not in _SILENT and (word == "PASS") == self.failed:
                what = "something in it isn't passed" if self.failed else "nothing in it says why"
                self.document.say("status-disagrees", _whole(self.element.get("id")), word,
                                  self.reader.whose(self.component)[2],
                                  message=f"the document says {shortened(word)} of the part; {what}")  # fmt: skip


    def _own_verdict(self) -> str:
        """Return the verdict that a document of ours carries as an attribute, as a status."""
        component = self.document.by_id.get(self.component)
        said = [a.get("value") or "" for a in component.findall("Attributes/AttributeStr")
                if a.get("name") == "verdict"] if component is not None else []  # fmt: skip
        return {"accept": "PASS"}.get(said[0], said[0]) if said else ""


def _strays(element: Element) -> Iterator[tuple[str, str]]:
    """Yield what an element holds that none of its kind holds: name and content of elements, and texts between them."""
    known = _INSIDE.get(element.tag)
    if known is None:
        return
    texts = [element.text if known else "", *(child.tail for child in element)]
    yield element.tag, " ".join(" ".join(filter(None, texts)).split())
    for child in element:
        if child.tag in known:
            yield from _strays(child)
        else:
            said = [text for one in child.iter() for text in (one.text, *one.attrib.values(), one.tail) if text]
            yield child.tag, " ".join(" ".join(said).split())


def _kind(element: Element) -> str:
    return element.tag.removesuffix("CharacteristicMeasurement")


def _bonus(hole: Hole, sizes: list[float]) -> float:
    """Return the bonus tolerance that diameters give, NaN where there are none and it needs one."""
    if hole.position.condition == "RFS":
        return 0.0
    room = (min(sizes) - hole.size.lower if hole.position.condition == "MMC" else hole.size.upper - max(sizes)) if (
        sizes) else float("nan")  # fmt: skip
    return min(max(room, 0.0), hole.size.band) if sizes else room


def _status(element: Element | None, kind: str, tag: str) -> str:
    """Return a status as its word of the standard, else its free text."""
    return _text(element, f"{tag}/{kind}StatusEnum") or _text(element, f"{tag}/Other{kind}Status")


def _declared(root: Element) -> tuple[str, str] | None:
    said = {a.get("name"): a.get("value") or "" for a in root.findall("Attributes/AttributeStr")}
    return (said[OWN_KIT], said.get(OWN_REVISION, "")) if OWN_KIT in said else None


def declared(container: Container) -> tuple[str, str] | None:
    """Return kit and revision that a document of ours was made for, None where it says none."""
    return _declared(_parsed(container))


def read_document(
    container: Container, spec: Specification, options: ReadOptions, vocabulary: Vocabulary, draft: Draft,
    collector: Collector,
) -> tuple[str, str, tuple[ColumnUse, ...]]:  # fmt: skip
    """Read a document of QIF 3.0 results into the draft; return kit and revision it says, and what was taken for what.

    Raises:
        ReadingsError: it can't be read, holds no results, or was made for another kit.
    """
    reader = _Reader(_Document(container, spec, collector), options, vocabulary, draft)
    kit, revision = reader.check_kit()
    reader.read()
    return kit, revision, tuple(replace(use, cells=count) for use, count in reader.uses.items())
