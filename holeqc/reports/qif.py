"""A part's verdict as a result document of ISO 23952 (QIF 3.0), for other programs of quality work.

Features, characteristics with limits, statuses, tags, gauges with U and calibration, and the serial number stand where
the standard has a place for them. What it has none for goes into attributes: each reading as it was typed (direction,
repeat, gauge, day, doubt), U at k = 2, the cause of a verdict, what holds the part. `readings.qif` reads it back.

The order of children is the schema's. Counts, ids and references are made here and checked again before anything is
written, for the schema alone doesn't catch them.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
import uuid
from collections.abc import Callable, Iterable
from typing import Any
from xml.etree.ElementTree import Element

import numpy as np

import holeqc
from holeqc import writer
from holeqc.characteristics import ANGLES
from holeqc.inspection.results import ACCEPT, words_of
from holeqc.inspection.tags import tags_of_part
from holeqc.inspection.view import PartView, Run
from holeqc.printing import visible
from holeqc.problems import HoleQCError
from holeqc.readings.qif import NAMESPACE, OWN, OWN_DIGEST, OWN_KIT, OWN_PROBLEM, OWN_REVISION
from holeqc.readings.table import cell_name
from holeqc.specification.model import SINGLE_WALL, Gauge, boundaries
from holeqc.tables import Row

DECIMALS = 7  #: of a number in a document: a hundredth of what any gauge shows, in either unit
_UNITS = {"in": ("inch", "0.0254"), "mm": ("mm", "0.001")}
_TEXTS = ("hole", "wall", "characteristic", "word", "typed", "unit", "gauge", "by", "note", "file", "sheet", "doubt")
_STATUS, _WHOLE = ("PASS", "INDETERMINATE", "FAIL"), ("PASS", "UNKNOWN", "FAIL")
_CONDITION = {"MMC": "MAXIMUM", "LMC": "LEAST", "RFS": "REGARDLESS"}
_WORDS = {
    "GO": ("does the GO plug enter", ("enters",), ("does not enter",)),
    "NO-GO": ("does the NO-GO plug enter", ("does not enter",), ("enters",)),
    "surface": ("what the surface shows", ("clean",), ("burr", "not clean", "crack")),
}


def write_documents(
    runs: Iterable[Run], folder: writer.Folder, within: str = "", progress: Callable[[str], None] = lambda _: None
) -> list[str]:  # fmt: skip
    """Write one document a part into a folder that is being filled, below ``within``; return their names.

    Raises:
        HoleQCError: a document would be wrong.
    """
    names: dict[str, str] = {}
    for part in (part for run in runs for part in run):
        name, number = _file_name(part), 1
        progress(f"documents: part {len(names) + 1}")
        while name.casefold() in names:
            number += 1
            name = f"{_file_name(part)}_{number}"
        names[name.casefold()] = f"{within}{name}.qif"
        folder.write_bytes(names[name.casefold()], document(part))
    progress("")
    return list(names.values())


def _file_name(part: PartView) -> str:
    """Return a serial number as a name that any disk takes; one that had to be changed has a digest behind it."""
    name = re.sub(r"[^A-Za-z0-9._-]+", "_", part.serial).strip("._-")[:60]
    reserved = re.fullmatch(r"(?i)(con|prn|aux|nul|com\d|lpt\d)(\..*)?", name)
    if name == part.serial and name and not reserved:
        return name
    digest = hashlib.sha256(f"{part.part}/{part.serial}".encode("utf-8", "backslashreplace")).hexdigest()[:8]
    return f"{name}_{digest}" if name and not reserved else f"part_{digest}"


# ------------------------------------------------------------------------------------------------------------ pieces


def _tag(name: str, /, *inside: Element | str | None, **attributes: str | int) -> Element:
    """Return an element with its children or its text; what is None is left out."""
    element = Element(name, {key: visible(str(value)) for key, value in attributes.items()})
    for one in inside:
        if isinstance(one, str):
            element.text = visible(one)
        elif one is not None:
            element.append(one)
    return element


def _list(name: str, inside: Iterable[Element | None]) -> Element | None:
    """Return a list with its count, None where it holds nothing."""
    held = [one for one in inside if one is not None]
    return _tag(name, *held, n=len(held)) if held else None


def _ids(name: str, numbers: Iterable[int]) -> Element | None:
    return _list(name, (_tag("Id", str(number)) for number in numbers))


def _said(**attributes: object) -> Element | None:
    """Return attributes: numbers as numbers, texts as texts; blank ones are left out."""
    return _list("Attributes", (_attribute(name.replace("_", " "), value) for name, value in attributes.items()))


def _attribute(name: str, value: object) -> Element | None:
    if isinstance(value, float):
        return _tag("AttributeD1", name=name, value=repr(value)) if math.isfinite(value) else None
    return _tag("AttributeStr", name=name, value=str(value)) if value not in ("", None) else None


def _number(value: float) -> str:
    """Return a number as xs:decimal has it, without exponent."""
    text = f"{value:.{DECIMALS}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _length(name: str, value: float, uncertainty: float = math.nan) -> Element | None:
    """Return a length, with its combined standard uncertainty where U (k = 2) is known; None for NaN."""
    if not math.isfinite(value):
        return None
    known = {"combinedUncertainty": _number(uncertainty / 2), "meanError": "0"} if math.isfinite(uncertainty) else {}
    return _tag(name, _number(value), **known)


def _point(xyz: Iterable[float], *unknown: str, **attributes: str) -> dict[str, Any]:
    """Return text and attributes of a point; coordinates that aren't known are 0, and marked."""
    numbers = list(xyz)
    marks = {f"{axis}Validity": "DUMMY" for axis, v in zip("xyz", numbers, strict=True) if not math.isfinite(v)}
    marks |= {f"{axis}Validity": "SET" for axis in unknown}
    text = " ".join(_number(v) if math.isfinite(v) else "0" for v in numbers)
    return {"text": text, "attributes": marks | attributes}


# ---------------------------------------------------------------------------------------------------------- document


class _Document:
    """The document of one part while it is put together: every element with an id gets the next one."""

    def __init__(self, part: PartView) -> None:
        self.part, self.spec, self.last = part, part.specification, 0
        self.readings: list[Row] = part.read
        self.read: dict[tuple[str, str], list[Row]] = {}  #: the same by hole and wall
        for reading in self.readings:
            self.read.setdefault((reading["hole"], reading["wall"]), []).append(reading)
        self.several = self.spec.walls.names != (SINGLE_WALL,)
        self.rows = part.characteristics
        self.devices: dict[str, int] = {}
        self.definitions: dict[tuple[object, ...], tuple[int, int]] = {}
        self.parts: dict[str, list[Element]] = {name: [] for name in (
            "FeatureDefinitions", "FeatureNominals", "FeatureItems", "CharacteristicDefinitions",
            "CharacteristicNominals", "CharacteristicItems", "MeasuredFeatures", "CharacteristicMeasurements")}
        self.sizes: dict[tuple[str, str | None], int] = {}
        self.items: dict[tuple[str, str], tuple[int, int, int]] = {}  #: hole, wall -> nominal, item, measurement
        self.tags = {hole: tag.code for tag in tags_of_part(part) for hole in tag.holes}

    def new(self) -> int:
        """Return the next id."""
        self.last += 1
        return self.last

    def put(self, where: str, name: str, *inside: Element | str | None) -> int:
        """Add an element to a list and return its id."""
        number = self.new()
        self.parts[where].append(_tag(name, *inside, id=number))
        return number

    def listed(self, name: str) -> Element | None:
        """Return one of the lists."""
        return _list(name, self.parts[name])

    def build(self) -> Element:
        """Return the document's root."""
        spec = self.spec
        standard, software, fixture = self.new(), self.new(), self.new()
        resources = _tag(
            "MeasurementResources",
            _list("Fixtures", [_tag("Fixture", _tag("Name", spec.fixture), id=fixture)] if spec.fixture else []),
            _list("MeasurementDevices", self._gauges()),
        )
        self._features()
        frame = self.new(), self.new(), self.new(), self.new()
        for row in self.rows:
            self._characteristic(row, frame[3])
        product = self._product(frame[0], frame[1], frame[2])
        document = self._digest()
        unit, factor = _UNITS[spec.unit]
        angle = _tag("AngularUnit", _tag("SIUnitName", "radian"), _tag("UnitName", "degree"),
                     _tag("UnitConversion", _tag("Factor", "0.01745329251994329577")))  # fmt: skip
        length = _tag("LinearUnit", _tag("SIUnitName", "meter"), _tag("UnitName", unit),
                      _tag("UnitConversion", _tag("Factor", factor)))  # fmt: skip
        results = self._results(software, frame[2], frame[3], fixture if spec.fixture else 0)
        root = _tag(
            "QIFDocument",
            _tag("QPId", str(uuid.uuid5(uuid.NAMESPACE_URL, document))),
            _list("Attributes", [
                _attribute(OWN_KIT, spec.id), _attribute(OWN_REVISION, spec.revision or "-"),
                _attribute(OWN_DIGEST, spec.digest), _attribute("decision rule", spec.decision.rule),
                _attribute("caution", "a verdict supports and never replaces the drawing, the approved data and the "
                           "person licensed to sign; local codes prevail")]),
            _tag("Header", _tag("Application", _tag("Name", f"holeqc {holeqc.__version__}"))),
            _list("StandardsDefinitions", [_tag(
                "Standard", _tag("Organization", _tag("StandardsOrganizationEnum", "ASME")),
                _tag("Designator", "Y14.5"), id=standard)]),
            _list("SoftwareDefinitions", [_tag(
                "Software", _tag("VendorName", "holeqc"), _tag("ApplicationName", "holeqc"),
                _tag("Version", holeqc.__version__), id=software)]),
            _tag("FileUnits", _tag("PrimaryUnits", angle, length)),
            resources if len(resources) else None,
            product,
            _tag("Features", *map(self.listed, ("FeatureDefinitions", "FeatureNominals", "FeatureItems"))),
            _tag("Characteristics", _tag("FormalStandardId", str(standard)), *(self.listed(name) for name in (
                "CharacteristicDefinitions", "CharacteristicNominals", "CharacteristicItems"))) if self.rows else None,
            results,
            versionQIF="3.0.0",
        )  # fmt: skip
        root.set("idMax", str(self.last))
        root.set("xmlns", NAMESPACE)
        return root

    def _digest(self) -> str:
        """Return what the document's number follows from: kit text, part, and every reading."""
        said = json.dumps([_of_reading(row) | {"file": ""} for row in self.readings])
        text = "\0".join(("holeqc", self.spec.digest, self.part.part, self.part.serial, holeqc.__version__, said))
        return hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()

    def _gauges(self) -> list[Element]:
        """Return the kit's gauges, and those that only readings name."""
        read = dict.fromkeys(row["gauge"] for row in self.readings)
        named = [name for name in read if name and not self.spec.gauge(name)]
        made = []
        for gauge in (*self.spec.gauges, *(Gauge(name, measures=()) for name in named)):
            self.devices[gauge.id] = number = self.new()
            known = math.nan if gauge.uncertainty is None else gauge.uncertainty
            step = math.nan if gauge.resolution is None else gauge.resolution
            due = gauge.calibration_due
            until = _tag("Calibration", _tag("ExpirationDate", f"{due}T23:59:59")) if due else None
            kind = "ManualMeasurementDevice" if {"x", "y"} & set(gauge.measures) else "GageDevice"
            made.append(_tag(
                kind, _tag("Name", gauge.id), _tag("Description", gauge.kind) if gauge.kind else None,
                _said(expandedUncertainty=known, coverageFactor=2.0 if known == known else None, resolution=step),
                _list("Calibrations", [until]), id=number,
            ))  # fmt: skip
        return made

    def _product(self, part: int, component: int, path: int) -> Element:
        spec, known = self.spec, self.part.declared
        number = known.number if known is not None else ""
        drawing = None
        if spec.drawing:
            sheet = _tag("PrintedDrawing", _tag("Name", spec.title or spec.drawing),
                         _tag("Version", spec.revision or "-"),
                         _tag("DrawingNumber", spec.drawing), id=self.new())  # fmt: skip
            drawing = _tag("DefinitionExternal", sheet, id=self.new(), n=1)
        return _tag(
            "Product",
            _list("PartSet", [_tag("Part", _tag("Header", _tag("Name", self.part.part or "unknown")),
                                   _tag("ModelNumber", number) if number else None, drawing, id=part)]),
            _list("ComponentSet", [_tag("Component", _tag("Part", _tag("Id", str(part))), id=component)]),
            _list("AsmPaths", [_tag("AsmPath", _ids("ComponentIds", [component]), id=path)]),
        )  # fmt: skip

    # ------------------------------------------------------------------------------------------------------ features

    def _features(self) -> None:
        """Put a cylinder for each hole, a circle for each of its walls, and what was read there."""
        spec, part = self.spec, self.part
        blank = np.full((len(spec.holes), 2), math.nan)
        basic = spec.basic_xy(part.part) if part.declared is not None else blank
        heights = [0.0, -spec.walls.stack_depth] if spec.walls.stack_depth else [0.0, math.nan]
        for hole, (x, y) in zip(spec.holes, basic.tolist(), strict=True):
            size = _length("Diameter", (hole.size.lower + hole.size.upper) / 2)
            inside = _tag("InternalExternal", "INTERNAL")
            whole = self._feature("Cylinder", hole.id, "", [inside, size], (x, y, 0.0), (0, 0))
            for place, wall in enumerate(spec.walls.names):
                at = (x, y, heights[place] if place < 2 else math.nan)
                self._feature("Circle", hole.id, wall, [inside, size], at, whole)

    def _feature(
        self, kind: str, hole: str, wall: str, definition: list[Element | None], at: tuple[float, ...],
        over: tuple[int, int],
    ) -> tuple[int, int]:  # fmt: skip
        """Put one feature: definition, nominal, item, and its measurement where something was read."""
        name = f"hole {hole} {wall}" if wall and self.several else f"hole {hole}"
        key = kind, definition[1].text if definition[1] is not None else ""
        if key not in self.sizes:
            self.sizes[key] = self.put("FeatureDefinitions", f"{kind}FeatureDefinition", *definition)
        made = self.sizes[key]
        place, up = _point(at), _tag("Direction" if kind == "Cylinder" else "Normal", "0 0 1")
        point = _tag("AxisPoint" if kind == "Cylinder" else "Location", place["text"], **place["attributes"])
        nominal = self.put(
            "FeatureNominals", f"{kind}FeatureNominal", _tag("Name", name), _tag("FeatureDefinitionId", str(made)),
            _tag("ParentFeatureNominalId", str(over[0])) if over[0] else None,
            *([_tag("Axis", point, up)] if kind == "Cylinder" else [point, up]),
        )
        item = self.put(
            "FeatureItems", f"{kind}FeatureItem", _tag("FeatureNominalId", str(nominal)),
            _tag("ParentFeatureItemId", str(over[1])) if over[1] else None, _tag("FeatureName", name),
            _tag("DeterminationMode", _tag("Checked")),
        )
        here = self.read.get((hole, wall), [])
        measured = self._measured(kind, item, here, at) if here else 0
        self.items[hole, wall] = nominal, item, measured
        return nominal, item

    def _measured(self, kind: str, item: int, here: list[Row], at: tuple[float, ...]) -> int:
        """Put what was read of a feature: readings as attributes, its size and centre as the standard has them."""
        values = {name: _sound(here, name) for name in ("diameter", "x", "y")}
        days = [row["date"] for row in here if row["date"]]
        location, sizes = None, list[Element | None]()
        if kind == "Circle" and values["x"] and values["y"]:
            known = {axis: self._u(here, axis) for axis in "xy"}
            uncertain = {f"{axis}CombinedUncertainty": _number(u / 2) for axis, u in known.items() if u == u}
            point = _point((values["x"][0], values["y"][0], at[2]), "z", **uncertain,
                           **{f"{axis}MeanError": "0" for axis, u in known.items() if u == u})  # fmt: skip
            location = _tag("Location", point["text"], **point["attributes"])
        if kind == "Circle" and (read := values["diameter"]):
            u, mean = self._u(here, "diameter"), sum(read) / len(read)
            tags = {"Diameter": mean, "DiameterMin": min(read), "DiameterMax": max(read)}
            sizes = [_length(tag, value, u) for tag, value in tags.items()]
        gauges = [self.devices[name] for name in dict.fromkeys(row["gauge"] for row in here) if name in self.devices]
        return self.put(
            "MeasuredFeatures", f"{kind}FeatureMeasurement", _list("Attributes", map(_reading, here)),
            _tag("FeatureItemId", str(item)), _tag("TimeStamp", f"{max(days):%Y-%m-%d}T00:00:00") if days else None,
            _ids("MeasurementDeviceIds", gauges), location, *sizes,
        )  # fmt: skip

    def _u(self, here: list[Row], kind: str) -> float:
        """Return the largest U (k = 2) of the gauges of some readings, NaN where one isn't known."""
        usual = self.spec.plan.diameter_gauge if kind == "diameter" else self.spec.plan.position_gauge
        names = {row["gauge"] or usual for row in here if row["characteristic"] == kind}
        gauges = [self.spec.gauge(name) for name in names]
        known = [math.nan if g is None or g.uncertainty is None else g.uncertainty for g in gauges]
        return max(known) if known and all(map(math.isfinite, known)) else math.nan

    # ------------------------------------------------------------------------------------------------ characteristics

    def _characteristic(self, row: Row, component: int) -> None:
        """Put one row of the verdicts: definition and nominal where new, item, measurement."""
        name, hole, wall = str(row["characteristic"]), str(row["hole"]), str(row["wall"])
        if name == "hole-to-hole position" and (hole, wall, "position") in self.part.table:
            return  # the second segment of the position
        kind = _kind_of(name)
        nominal, item, measured = self.items[hole, wall]
        asked = self.spec.hole(hole).position if kind == "Position" else _key(row["upper"])
        key = (name, _key(row["lower"]), asked)
        if key not in self.definitions:
            definition = self.put("CharacteristicDefinitions", f"{kind}CharacteristicDefinition", _tag("Name", name),
                                  *self._asked(kind, name, row, hole))  # fmt: skip
            words = _WORDS.get(name)
            self.definitions[key] = definition, self.put(
                "CharacteristicNominals", f"{kind}CharacteristicNominal",
                _tag("CharacteristicDefinitionId", str(definition)), _ids("FeatureNominalIds", [nominal]),
                _tag("Name", name),
                *(_list(each, (_tag("StringValue", word) for word in some))
                  for each, some in zip(("PassValues", "FailValues"), words[1:] if words else (), strict=False)))
        device, tag = self._device(row), self.tags.get(hole, "")
        made = self.put(
            "CharacteristicItems", f"{kind}CharacteristicItem", _tag("Name", f"{name} hole {hole} {wall}".strip()),
            _ids("FeatureItemIds", [item]), device, _tag("CharacteristicNominalId", str(self.definitions[key][1])),
        )  # fmt: skip
        self.put(
            "CharacteristicMeasurements", f"{kind}CharacteristicMeasurement",
            _said(expandedUncertainty=float(row["uncertainty"]), coverageFactor=2.0 if row["uncertainty"] ==
                  row["uncertainty"] else None, cause=words_of(str(row["cause"])),
                  conformanceProbability=float(row["probability"])),
            _status(row), _tag("CharacteristicItemId", str(made)),
            _ids("FeatureMeasurementIds", [measured] if measured else []), _tag("ActualComponentId", str(component)),
            self._device(row),
            _tag("NonConformanceDesignator", tag) if row["verdict"] != ACCEPT and tag else None,
            *self._found(kind, row, item),
        )  # fmt: skip

    def _device(self, row: Row) -> Element | None:
        reading = self.part.reading(row["reading"])
        gauge = str(reading["gauge"]) if reading else ""
        return _ids("MeasurementDeviceIds", [self.devices[gauge]] if gauge in self.devices else [])

    def _asked(self, kind: str, name: str, row: Row, hole: str) -> list[Element | None]:
        """Return what is asked, after the name of a definition."""
        if kind == "UserDefinedAttribute":
            return [_tag("WhatToMeasure", _WORDS.get(name, (name,))[0])]
        if kind == "Position":
            asked, size = self.spec.hole(hole).position, self.spec.hole(hole).size
            segments = []
            for tolerance, condition in ((asked.tolerance, asked.condition),
                                         (asked.pattern_tolerance, asked.pattern_condition)):  # fmt: skip
                if tolerance is not None:
                    bonus = boundaries(size.lower, size.upper, tolerance, condition).bonus
                    segments.append([
                        _length("ToleranceValue", tolerance), _tag("MaterialCondition", _CONDITION[condition]),
                        _tag("ZoneShape", _tag("DiametricalZone")),
                        _length("MaximumToleranceValue", tolerance + bonus) if bonus else None])  # fmt: skip
            second = _tag("SecondCompositeSegmentPositionDefinition", *segments[1]) if len(segments) > 1 else None
            return [*segments[0], second]
        ends = [_length("MaxValue", float(row["upper"])), _length("MinValue", float(row["lower"]))]
        limits = _tag("Tolerance", *ends, _tag("DefinedAsLimit", "true")) if any(e is not None for e in ends) else None
        what = _tag("WhatToMeasure", name) if kind.startswith("UserDefined") else None
        return [limits if limits is not None else _tag("NonTolerance", "MEASURED"), what]

    def _found(self, kind: str, row: Row, item: int) -> list[Element | None]:
        """Return what was found, in the order of the schema; nothing of what is doubtful."""
        if row["doubtful"]:
            return []
        found, u = float(row["found"]), float(row["uncertainty"])
        if kind == "UserDefinedAttribute":
            return [_tag("Value", str(row["found_word"]))] if row["found_word"] else []
        if kind == "Position":
            second = self.part.table.get((str(row["hole"]), str(row["wall"]), "hole-to-hole position"))
            pattern = None
            if second is not None:
                bonus = float(second["bonus"])
                zone = [_tag("ZoneData", _tag("FeatureItemId", str(item)), _length("Bonus", bonus),
                             _tag("ReferenceLength", "0"))] if math.isfinite(bonus) else []  # fmt: skip
                pattern = _tag("SecondCompositeSegmentPositionMeasurement",
                               _length("Value", float(second["found"]), float(second["uncertainty"]))
                               if not second["doubtful"] else None, _status(second), _list("ZoneDataSet", zone))
            return [_length("Value", found, u), _length("Bonus", float(row["bonus"])), pattern]
        if kind == "Diameter":
            here = _sound(self.read.get((str(row["hole"]), str(row["wall"])), []), "diameter")
            ends = (sum(here) / len(here), max(here), min(here)) if here else (found, math.nan, math.nan)
            return [_length(tag, float(v), u) for tag, v in zip(("Value", "MaxValue", "MinValue"), ends, strict=True)]
        return [_length("Value", found, u)]

    # ------------------------------------------------------------------------------------------------------- results

    def _results(self, software: int, path: int, component: int, fixture: int) -> Element:
        part, table = self.part, self.readings
        loose = [row for row in table if (row["hole"], row["wall"]) not in self.items]
        who = [name for name in dict.fromkeys(row["by"] for row in table) if name]
        doubts = {row["doubt"] for row in table}
        said = [p for p in part.run.problems if p.holds and p.serial in ("", part.serial) and p.part in ("", part.part)]
        problems = [_attribute(OWN_PROBLEM, json.dumps({
            "code": p.code, "message": p.message, "hole": p.hole, "wall": p.wall, "place": p.place})) for p in said
            if p.code not in doubts]  # fmt: skip
        days = [f"{day:%Y-%m-%d}T00:00:00" for day in (part.row["first_date"], part.row["last_date"]) if day]
        trace = _tag(
            "InspectionTraceability",
            *(_tag(tag, day) for tag, day in zip(("InspectionStart", "InspectionEnd"), days, strict=False)),
            _tag("InspectionSoftwareItems", _ids("AnalysisSoftware", [software])),
            _tag("InspectionOperator", _tag("Name", who[0])) if len(who) == 1 else None,
        )
        status = _tag("InspectionStatusEnum", _WHOLE[part.verdict])
        results = _tag(
            "MeasurementResults", _list("Attributes", [*map(_reading, loose), *problems]), trace,
            self.listed("MeasuredFeatures"),
            _tag("MeasuredCharacteristics", self.listed("CharacteristicMeasurements")) if self.rows else None,
            _tag("InspectionStatus", status), _ids("ActualComponentIds", [component]), id=self.new(),
        )  # fmt: skip
        actual = _tag(
            "ActualComponent", _said(verdict=("accept", "hold", "reject")[part.verdict]),
            _tag("SerialNumber", part.serial) if part.serial else None, _tag("Status", status),
            _tag("Traceability", _tag("FixtureId", str(fixture))) if fixture else None, _tag("AsmPathId", str(path)),
            id=component,
        )  # fmt: skip
        return _tag("Results", _list("MeasurementResultsSet", [results]),
                    _list("ActualComponentSets", [_list("ActualComponentSet", [actual])]))  # fmt: skip


def _kind_of(name: str) -> str:
    if name in _WORDS:
        return "UserDefinedAttribute"
    angle = name in {word.replace("_", " ") for word in ANGLES}
    return {"size": "Diameter", "position": "Position"}.get(name) or f"UserDefined{'Angular' if angle else 'Linear'}"


def _key(value: float) -> float | None:
    return float(value) if value == value else None


def _status(row: Row) -> Element:
    return _tag("Status", _tag("CharacteristicStatusEnum", _STATUS[int(row["verdict"])]))


def _sound(rows: list[Row], kind: str) -> list[float]:
    """Return the readings of a kind that nothing doubts."""
    return [float(row["value"]) for row in rows if row["characteristic"] == kind and row["doubt"] == "" and
            math.isfinite(row["value"])]  # fmt: skip


def _of_reading(row: Row) -> dict[str, Any]:
    """Return one reading as it was typed; what is blank is left out."""
    said: dict[str, Any] = {name: row[name] for name in _TEXTS}
    said |= {name: _key(row[name]) for name in ("direction", "value", "temperature_c")}
    said |= {"trial": int(row["trial"]), "date": f"{row['date']:%Y-%m-%d}" if row["date"] else "",
             "cell": cell_name(row["row"], row["column"])}  # fmt: skip
    return {name: value for name, value in said.items() if value not in ("", None)}


def _reading(row: Row) -> Element | None:
    return _attribute(OWN, json.dumps(_of_reading(row)))


def document(part: PartView) -> bytes:
    """Return the document of one part.

    Raises:
        HoleQCError: its counts, ids, references or numbers are wrong.
    """
    root = _Document(part).build()
    if wrong := faults(root):
        raise HoleQCError(f"{part.name}: the document of its results would be wrong: {'; '.join(wrong[:5])}")
    text = ["<?xml version='1.0' encoding='utf-8'?>\n"]
    _write(root, "\n", text.append)
    return "".join((*text, "\n")).encode()


def _write(element: Element, line: str, put: Callable[[str], object]) -> None:
    """Put an element as text, its children two spaces in; a third of the time of the library's writer.

    Nothing here has both text and children, and `visible` has taken out what XML can't hold.
    """
    inside = "".join(f' {name}="{_quoted(value)}"' for name, value in element.items())
    if len(element):
        put(f"<{element.tag}{inside}>")
        for child in element:
            put(line + "  ")
            _write(child, line + "  ", put)
        put(f"{line}</{element.tag}>")
    elif element.text:
        put(f"<{element.tag}{inside}>{_escaped(element.text)}</{element.tag}>")
    else:
        put(f"<{element.tag}{inside} />")


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;") if _MARKUP.search(text) else text


def _quoted(text: str) -> str:
    return _escaped(text).translate(_BREAKS) if _MARKUP.search(text) else text


_MARKUP = re.compile('[&<>"\r\n\t]')
_BREAKS = str.maketrans({'"': "&quot;", "\r": "&#13;", "\n": "&#10;", "\t": "&#09;"})


def faults(root: Element) -> list[str]:
    """Return what is wrong with a document that the schema doesn't catch: counts, ids, references, units, numbers."""
    found: list[str] = []
    ids = [int(text) for element in root.iter() if (text := element.get("id")) is not None]
    if len(set(ids)) < len(ids):
        found.append("an id stands twice")
    if max(ids, default=0) > int(root.get("idMax", "0")):
        found.append("idMax is below an id")
    if root.find("FileUnits/PrimaryUnits/LinearUnit/UnitConversion/Factor") is None:
        found.append("no unit of length")
    known = set(ids)
    for element in root.iter():
        if (count := element.get("n")) is not None and int(count) != len(element):
            found.append(f"{element.tag} counts {count} and holds {len(element)}")
        refers = element.tag.endswith("Id") and element.tag != "QPId"
        if refers and int(element.text or 0) not in known:
            found.append(f"{element.tag} {element.text} refers to nothing")
        if "combinedUncertainty" in element.attrib and "meanError" not in element.attrib:
            found.append(f"{element.tag} has an uncertainty without a mean error")
        if element.tag in {"Value", "Diameter", "DiameterMin", "DiameterMax"} and element.text and re.search(
                r"nan|inf|\d[eE]", element.text):  # fmt: skip
            found.append(f"{element.tag} {element.text} is no decimal")
    if root.find("Results/ActualComponentSets/ActualComponentSet/ActualComponent/Status") is None:
        found.append("no part")
    return found


