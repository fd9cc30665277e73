"""Documents of QIF 3.0 read: five that look different, written from the schema's names alone, and each with one thing wrong.

The schema is ISO 23952's, published as XSD with QIF 3.0 (Digital Metrology Standards Consortium); that each of the five is
valid by it is checked where HOLEQC_TEST_QIF_SCHEMA names the folder that holds it (`QIFApplications/QIFDocument.xsd`).
The measured part is `making.GOOD`, so the readings that must come out are known.
"""

# ruff: noqa: E501  (pieces of XML are read better unbroken)

from __future__ import annotations

import datetime as dt
import json
import os
import re
from collections.abc import Callable
from itertools import count
from pathlib import Path
from xml.sax.saxutils import quoteattr

import numpy as np
import pytest
from making import GOOD, KIT, KIT_MM, codes, kit, only, read

from holeqc.inspection.recheck import inspect
from holeqc.problems import ReadingsError
from holeqc.readings.table import Readings

TODAY = dt.date(2026, 11, 30)
SCHEMA = os.environ.get("HOLEQC_TEST_QIF_SCHEMA", "")
STACKED = KIT.replace('names = ["near", "far"]', 'names = ["near", "far"]\nstack_depth = 1.25')
INCH = "<LinearUnit><UnitName>inch</UnitName><UnitConversion><Factor>0.0254</Factor></UnitConversion></LinearUnit>"
MM = "<LinearUnit><SIUnitName>meter</SIUnitName><UnitName>mm</UnitName><UnitConversion><Factor>0.001</Factor></UnitConversion></LinearUnit>"
BASIC = {1: (1.5, 1.25), 2: (4.5, 1.25), 3: (1.5, 5.75), 4: (10.5, 5.75)}
PORT = '<Product><PartSet n="1"><Part id="900"><Header><Name>port</Name></Header></Part></PartSet></Product>'


def many(name: str, pieces: list[str]) -> str:
    """Return a list with its count."""
    return f'<{name} n="{len(pieces)}">{"".join(pieces)}</{name}>' if pieces else ""


def whole(units: str, middle: str, results: str, serials: dict[int, str], product: str = PORT) -> str:
    """Return a document around its middle; ``serials``: id of a component -> serial number."""
    parts = [f'<ActualComponent id="{n}"><SerialNumber>{s}</SerialNumber><Status><InspectionStatusEnum>PASS'
             f'</InspectionStatusEnum></Status></ActualComponent>' for n, s in serials.items()]  # fmt: skip
    return (
        '<QIFDocument xmlns="http://qifstandards.org/xsd/qif3" versionQIF="3.0.0" idMax="999">'
        "<QPId>6b0b2a52-5d0c-4d5c-9f0e-3a3c6e1f7a10</QPId>"
        '<StandardsDefinitions n="1"><Standard id="990"><Organization><StandardsOrganizationEnum>ASME'
        "</StandardsOrganizationEnum></Organization><Designator>Y14.5</Designator></Standard></StandardsDefinitions>"
        f"{f'<FileUnits><PrimaryUnits>{units}</PrimaryUnits></FileUnits>' if units else ''}{product}{middle}<Results>{results}"
        f"{many('ActualComponentSets', [many('ActualComponentSet', parts)])}</Results></QIFDocument>"
    )


def result(number: int, features: list[str], characteristics: list[str], component: int, trace: str = "") -> str:
    """Return one set of results."""
    return (
        f'<MeasurementResults id="{number}">{trace}{many("MeasuredFeatures", features)}'
        + (f"<MeasuredCharacteristics>{many('CharacteristicMeasurements', characteristics)}</MeasuredCharacteristics>"
           if characteristics else "")
        + "<InspectionStatus><InspectionStatusEnum>PASS</InspectionStatusEnum></InspectionStatus>"
        f'<ActualComponentIds n="1"><Id>{component}</Id></ActualComponentIds></MeasurementResults>'
    )  # fmt: skip


def sets(*results: str) -> str:
    return many("MeasurementResultsSet", list(results))


def features(definitions: list[str], nominals: list[str], items: list[str]) -> str:
    return (f"<Features>{many('FeatureDefinitions', definitions)}{many('FeatureNominals', nominals)}"
            f"{many('FeatureItems', items)}</Features>")  # fmt: skip


def characteristics(definitions: list[str], nominals: list[str], items: list[str]) -> str:
    return (f"<Characteristics><FormalStandardId>990</FormalStandardId>{many('CharacteristicDefinitions', definitions)}"
            f"{many('CharacteristicNominals', nominals)}{many('CharacteristicItems', items)}</Characteristics>")


CIRCLE = ('<CircleFeatureDefinition id="1"><InternalExternal>INTERNAL</InternalExternal><Diameter>{}</Diameter>'
          '</CircleFeatureDefinition>')  # fmt: skip
CHECKED = "<DeterminationMode><Checked/></DeterminationMode>"
PASS = "<Status><CharacteristicStatusEnum>PASS</CharacteristicStatusEnum></Status>"


def in_millimetres() -> str:
    """Circles in mm for the inch kit, a prefix on every element, positions with bonus, limits and a machine named."""
    new = count(10)
    nominals, items, measured, asked, said = ([] for _ in range(5))
    definitions = [
        '<DiameterCharacteristicDefinition id="2"><Tolerance><MaxValue>11.7348</MaxValue><MinValue>11.557</MinValue>'
        "<DefinedAsLimit>1</DefinedAsLimit></Tolerance></DiameterCharacteristicDefinition>",
        '<PositionCharacteristicDefinition id="3"><ToleranceValue>1.524</ToleranceValue><MaterialCondition>MAXIMUM'
        "</MaterialCondition><ZoneShape><DiametricalZone/></ZoneShape></PositionCharacteristicDefinition>",
    ]
    of = ['<DiameterCharacteristicNominal id="4"><CharacteristicDefinitionId>2</CharacteristicDefinitionId>'
          '</DiameterCharacteristicNominal>', '<PositionCharacteristicNominal id="5"><CharacteristicDefinitionId>3'
          '</CharacteristicDefinitionId></PositionCharacteristicNominal>']  # fmt: skip
    for (hole, wall), (a, b, x, y) in GOOD.items():
        n, i, m, da, pa, dm, pm = (next(new) for _ in range(7))
        bx, by = (25.4 * v for v in BASIC[hole])
        z = 0 if wall == "near" else -31.75
        low, high = (25.4 * v for v in sorted((a, b)))
        position = 2 * 25.4 * np.hypot(x - BASIC[hole][0], y - BASIC[hole][1])
        bonus = 25.4 * (min(v for (h, _), vs in GOOD.items() if h == hole for v in vs[:2]) - 0.455)
        nominals.append(f'<CircleFeatureNominal id="{n}"><FeatureDefinitionId>1</FeatureDefinitionId><Location>{bx:.4f} '
                        f'{by:.4f} {z}</Location><Normal>0 0 1</Normal></CircleFeatureNominal>')  # fmt: skip
        items.append(f'<CircleFeatureItem id="{i}"><FeatureNominalId>{n}</FeatureNominalId><FeatureName>CIR_H{hole}_'
                     f'{wall.upper()}</FeatureName>{CHECKED}</CircleFeatureItem>')  # fmt: skip
        measured.append(
            f'<CircleFeatureMeasurement id="{m}"><FeatureItemId>{i}</FeatureItemId><TimeStamp>2026-11-02T09:10:00+01:00'
            f"</TimeStamp><Location>{25.4 * x:.5f} {25.4 * y:.5f} {z}</Location><Diameter>{(low + high) / 2:.5f}</Diameter>"
            f"<DiameterMin>{low:.5f}</DiameterMin><DiameterMax>{high:.5f}</DiameterMax></CircleFeatureMeasurement>"
        )
        for kind, item, nominal in (("Diameter", da, 4), ("Position", pa, 5)):
            asked.append(f'<{kind}CharacteristicItem id="{item}"><FeatureItemIds n="1"><Id>{i}</Id></FeatureItemIds>'
                         f'<CharacteristicNominalId>{nominal}</CharacteristicNominalId></{kind}CharacteristicItem>')
        refers = f'<FeatureMeasurementIds n="1"><Id>{m}</Id></FeatureMeasurementIds>'
        said += [f'<DiameterCharacteristicMeasurement id="{dm}">{PASS}<CharacteristicItemId>{da}</CharacteristicItemId>{refers}'
                 f'<Value>{(low + high) / 2:.5f}</Value></DiameterCharacteristicMeasurement>',
                 f'<PositionCharacteristicMeasurement id="{pm}">{PASS}<CharacteristicItemId>{pa}</CharacteristicItemId>{refers}'
                 f'<Value>{position:.4f}</Value><Bonus>{bonus:.4f}</Bonus></PositionCharacteristicMeasurement>']
    text = whole(MM, features([CIRCLE.format(11.6459)], nominals, items) + characteristics(definitions, of, asked),
                 sets(result(800, measured, said, 801)), {801: "P-7"})  # fmt: skip
    text = re.sub(r"<(/?)([A-Z])", r"<\1q:\2", text).replace("xmlns=", "xmlns:q=")
    return re.sub(r">\s*<", ">\n<", text)


def cylinders() -> str:
    """Cylinders in one line, leaning a little and measured above the plate; a diameter alone, deviations from a target."""
    new = count(10)
    lists: tuple[list[str], ...] = ([], [], [], [], [])
    for hole, (a, x, y) in {"A": (11.612, 20.05, 10.02), "B": (11.598, 59.97, 10.04), "C": (11.604, 40.01, 49.95)}.items():
        n, i, m, ci, cm = (next(new) for _ in range(5))
        bx, by = {"A": (20, 10), "B": (60, 10), "C": (40, 50)}[hole]
        for some, piece in zip(lists, (
            f'<CylinderFeatureNominal id="{n}"><Name>Bore {hole}</Name><FeatureDefinitionId>1</FeatureDefinitionId><Axis>'
            f'<AxisPoint>{bx} {by} 0</AxisPoint><Direction>0 0 1</Direction></Axis></CylinderFeatureNominal>',
            f'<CylinderFeatureItem id="{i}"><FeatureNominalId>{n}</FeatureNominalId><FeatureName>CYL{hole}</FeatureName>'
            f'{CHECKED}</CylinderFeatureItem>',
            f'<CylinderFeatureMeasurement id="{m}"><FeatureItemId>{i}</FeatureItemId><Axis><AxisPoint>{x + 0.1:.3f} {y:.3f} '
            f'10</AxisPoint><Direction>0.01 0 1</Direction></Axis></CylinderFeatureMeasurement>',
            f'<DiameterCharacteristicItem id="{ci}"><FeatureItemIds n="1"><Id>{i}</Id></FeatureItemIds>'
            '<CharacteristicNominalId>5</CharacteristicNominalId></DiameterCharacteristicItem>',
            f'<DiameterCharacteristicMeasurement id="{cm}">{PASS}<CharacteristicItemId>{ci}</CharacteristicItemId>'
            f'<Value>{a}</Value></DiameterCharacteristicMeasurement>'), strict=True):  # fmt: skip
            some.append(piece)
    definition = ('<CylinderFeatureDefinition id="1"><InternalExternal>INTERNAL</InternalExternal><Diameter>11.55</Diameter>'
                  '</CylinderFeatureDefinition>')  # fmt: skip
    limits = ('<DiameterCharacteristicDefinition id="4"><Tolerance><MaxValue>0.15</MaxValue><MinValue>-0.05</MinValue>'
              '<DefinedAsLimit>false</DefinedAsLimit></Tolerance></DiameterCharacteristicDefinition>')  # fmt: skip
    target = ('<DiameterCharacteristicNominal id="5"><CharacteristicDefinitionId>4</CharacteristicDefinitionId>'
              '<TargetValue>11.55</TargetValue></DiameterCharacteristicNominal>')  # fmt: skip
    middle = features([definition], lists[0], lists[1]) + characteristics([limits], [target], lists[3])
    return whole(MM, middle, sets(result(800, lists[2], lists[4], 801)), {801: "M-1"}, "")


def characteristics_alone() -> str:
    """Two parts in one document, no features at all: diameters' ends and coordinates, named by their items."""
    new = count(10)
    items, said = [], {"P-7": [], "P-8": []}
    nominals = ['<DiameterCharacteristicNominal id="4"><CharacteristicDefinitionId>2</CharacteristicDefinitionId>'
                '</DiameterCharacteristicNominal>'] + [
        f'<LinearCoordinateCharacteristicNominal id="{n}"><CharacteristicDefinitionId>3</CharacteristicDefinitionId><Direction>'
        f'{d}</Direction></LinearCoordinateCharacteristicNominal>' for n, d in ((5, "XAXIS"), (6, "YAXIS"))]
    for (hole, wall), (a, b, x, y) in GOOD.items():
        for kind, nominal, values in (
            ("Diameter", 4, {"MaxValue": max(a, b), "MinValue": min(a, b)}), ("LinearCoordinate", 5, {"Value": x}),
            ("LinearCoordinate", 6, {"Value": y}),
        ):  # fmt: skip
            item = next(new)
            items.append(f'<{kind}CharacteristicItem id="{item}"><Name>Hole {hole}, {wall} wall</Name><CharacteristicNominalId>'
                         f'{nominal}</CharacteristicNominalId></{kind}CharacteristicItem>')  # fmt: skip
            for serial, pieces in said.items():
                shift = 0.0002 * (serial == "P-8") * (1 + hole % 2)
                inner = "".join(f"<{tag}>{v + shift:.4f}</{tag}>" for tag, v in values.items())
                cartesian = "<TypeOfCoordinates><CoordinateEnum>CARTESIAN_2D</CoordinateEnum></TypeOfCoordinates>"
                pieces.append(f'<{kind}CharacteristicMeasurement id="{next(new)}">{PASS}<CharacteristicItemId>{item}'
                              f'</CharacteristicItemId>{cartesian if kind != "Diameter" else ""}{inner}'
                              f'</{kind}CharacteristicMeasurement>')  # fmt: skip
    definitions = ['<DiameterCharacteristicDefinition id="2"><NonTolerance>MEASURED</NonTolerance></DiameterCharacteristic'
                   'Definition>', '<LinearCoordinateCharacteristicDefinition id="3"><NonTolerance>MEASURED</NonTolerance>'
                   '</LinearCoordinateCharacteristicDefinition>']  # fmt: skip
    trace = "<InspectionTraceability><InspectionEnd>2026-11-02T10:00:00Z</InspectionEnd></InspectionTraceability>"
    results = sets(*(result(800 + n, [], pieces, 810 + n, trace) for n, pieces in enumerate(said.values())))
    return whole(INCH, characteristics(definitions, nominals, items), results, {810: "P-7", 811: "P-8"})


def by_centre() -> str:
    """Names that say nothing: holes by nominal centre, walls by height; mm given value by value, a plane and a tooling hole."""
    new = count(10)
    nominals, items, measured = [], [], []
    every = [(BASIC[h], 0.0 if w == "near" else -1.25, v) for (h, w), v in GOOD.items()] + [((7.0, 3.5), 0.0, (0.25, 0.25, 7, 3.5))]
    for number, ((bx, by), z, (a, b, x, y)) in enumerate(every, 41):
        n, i, m = (next(new) for _ in range(3))
        nominals.append(f'<CircleFeatureNominal id="{n}"><FeatureDefinitionId>1</FeatureDefinitionId><Location>{bx} {by} {z}'
                        '</Location><Normal>0 0 1</Normal></CircleFeatureNominal>')  # fmt: skip
        items.append(f'<CircleFeatureItem id="{i}"><FeatureNominalId>{n}</FeatureNominalId><FeatureName>Circle {number}'
                     f'</FeatureName>{CHECKED}</CircleFeatureItem>')  # fmt: skip
        measured.append(f'<CircleFeatureMeasurement id="{m}"><FeatureItemId>{i}</FeatureItemId><Location zValidity="SET">{x} {y} 0'
                        f'</Location><DiameterMin linearUnit="mm">{25.4 * min(a, b):.5f}</DiameterMin><DiameterMax linearUnit='
                        f'"mm">{25.4 * max(a, b):.5f}</DiameterMax></CircleFeatureMeasurement>')  # fmt: skip
    plane = ('<PlaneFeatureMeasurement id="700"><FeatureName>PLANE A</FeatureName><Location>0 0 0</Location>'
             '</PlaneFeatureMeasurement>')  # fmt: skip
    other = f'</PrimaryUnits><OtherUnits n="1">{MM}</OtherUnits></FileUnits>'
    text = whole(INCH, features([CIRCLE.format(0.4585)], nominals, items), sets(result(800, [plane, *measured], [], 801)), {801: "P-7"})
    return text.replace("</PrimaryUnits></FileUnits>", other)


def nested() -> str:
    """Circles called near and far inside cylinders that name the hole; nominals of another document; two-point plugs."""
    new = count(10)
    items, measured, asked, said = [], [], [], []
    for hole in BASIC:
        cylinder = next(new)
        outer = f'<FeatureNominalId xId="{hole}">3</FeatureNominalId>'
        items.append(f'<CylinderFeatureItem id="{cylinder}">{outer}<FeatureName>Hole {hole}</FeatureName>{CHECKED}'
                     '</CylinderFeatureItem>')  # fmt: skip
        measured.append(f'<CylinderFeatureMeasurement id="{next(new)}"><FeatureItemId>{cylinder}</FeatureItemId><Diameter>0.458'
                        '</Diameter></CylinderFeatureMeasurement>')  # fmt: skip
        for wall in ("near", "far"):
            a, b, x, y = GOOD[hole, wall]
            item, circle, plug, go = (next(new) for _ in range(4))
            items.append(f'<CircleFeatureItem id="{item}">{outer}<ParentFeatureItemId>{cylinder}</ParentFeatureItemId><FeatureName>'
                         f'{wall}</FeatureName>{CHECKED}</CircleFeatureItem>')  # fmt: skip
            measured.append(f'<CircleFeatureMeasurement id="{circle}"><FeatureItemId>{item}</FeatureItemId><Location>{x} {y} 0'
                            f'</Location><DiameterMin>{min(a, b)}</DiameterMin><DiameterMax>{max(a, b)}</DiameterMax>'
                            '</CircleFeatureMeasurement>')  # fmt: skip
            asked.append(f'<UserDefinedAttributeCharacteristicItem id="{plug}"><FeatureItemIds n="1"><Id>{item}</Id></FeatureItemIds>'
                         '<CharacteristicNominalId>5</CharacteristicNominalId></UserDefinedAttributeCharacteristicItem>')
            said.append(f'<UserDefinedAttributeCharacteristicMeasurement id="{go}">{PASS}<CharacteristicItemId>{plug}'
                        '</CharacteristicItemId><Value>enters</Value></UserDefinedAttributeCharacteristicMeasurement>')
    definition = ('<UserDefinedAttributeCharacteristicDefinition id="4"><Name>GO</Name><WhatToMeasure>does the GO plug enter'
                  '</WhatToMeasure></UserDefinedAttributeCharacteristicDefinition>')  # fmt: skip
    nominal = ('<UserDefinedAttributeCharacteristicNominal id="5"><CharacteristicDefinitionId>4</CharacteristicDefinitionId>'
               '</UserDefinedAttributeCharacteristicNominal>')  # fmt: skip
    external = ('<ExternalQIFReferences n="1"><ExternalQIFDocument id="3"><QPId>6b0b2a52-5d0c-4d5c-9f0e-3a3c6e1f7a11</QPId><URI>'
                'plan.qif</URI></ExternalQIFDocument></ExternalQIFReferences>')  # fmt: skip
    middle = features([], [], items) + characteristics([definition], [nominal], asked)
    text = whole(INCH, middle, sets(result(800, measured, said, 801)), {801: "P-7"})
    return text.replace("<StandardsDefinitions", external + "<StandardsDefinitions", 1)


FIVE: dict[str, tuple[Callable[[], str], str]] = {
    "mm": (in_millimetres, STACKED), "characteristics": (characteristics_alone, STACKED), "centre": (by_centre, STACKED),
    "nested": (nested, STACKED),
}  # fmt: skip


def put(folder: Path, text: str) -> Path:
    path = folder / "machine.qif"
    path.write_text(text, encoding="utf-8")
    return path


def readings_of(folder: Path, text: str, spec: str = STACKED, **options: str) -> Readings:
    return read(put(folder, text), kit(spec), today=TODAY, **options)


def table_of(readings: Readings, serial: str = "P-7") -> dict[tuple[str, str], tuple[float, ...]]:
    """Return what was read: hole and wall -> smallest and largest diameter, x, y."""
    table = readings.table
    rows = table[(table["serial"] == serial) & np.isfinite(table["value"])]
    out: dict[tuple[str, str], list[float]] = {}
    for hole, wall, value in zip(rows["hole"], rows["wall"], rows["value"], strict=True):
        out.setdefault((hole, wall), []).append(round(value, 6))
    return {key: tuple(values) for key, values in out.items()}


TRUE = {(str(h), w): (min(a, b), max(a, b), x, y) for (h, w), (a, b, x, y) in GOOD.items()}


@pytest.mark.parametrize("name", FIVE)
def test_a_machine_s_document_gives_what_was_measured(tmp_path: Path, name: str) -> None:
    readings = readings_of(tmp_path, FIVE[name][0]())
    assert table_of(readings) == TRUE
    assert codes(readings) == []
    assert set(readings.table["part"]) == {"port"}
    assert not any(p.holds for p in readings.problems)


def test_a_cylinder_counts_where_its_axis_meets_the_plate(tmp_path: Path) -> None:
    readings = readings_of(tmp_path, cylinders(), KIT_MM)
    assert table_of(readings, "M-1") == {
        ("A", "single"): (11.612, 20.05, 10.02), ("B", "single"): (11.598, 59.97, 10.04),
        ("C", "single"): (11.604, 40.01, 49.95)}  # fmt: skip
    assert codes(readings) == []


def test_two_parts_of_one_document_stay_apart_and_every_value_has_its_place(tmp_path: Path) -> None:
    readings = readings_of(tmp_path, characteristics_alone())
    assert list(dict.fromkeys(readings.table["serial"])) == ["P-7", "P-8"]
    assert table_of(readings, "P-8")["1", "near"] == pytest.approx((0.4585, 0.4587, 1.5025, 1.2497))
    uses = [(u.heading, u.place, u.use, u.cells) for u in readings.sources[0].columns]
    assert ("LinearCoordinateCharacteristicMeasurement", "Value", "reading", 16) not in uses
    assert sum(cells for *_, use, cells in uses if use == "reading") == 64


def test_what_is_not_used_is_named(tmp_path: Path) -> None:
    readings = readings_of(tmp_path, by_centre())
    uses = {(u.heading, u.place): (u.use, u.cells, u.reason) for u in readings.sources[0].columns if u.reason}
    assert uses["PlaneFeatureMeasurement", "feature"] == ("not used", 1, "no circle or cylinder")
    assert uses["CircleFeatureMeasurement", "X"] == ("not used", 1, "of no hole of the kit")
    assert only(readings, "no-hole-of-kit").found == "'Circle 49'"
    told = by_centre().replace("<Location z", "<Attributes n='1'><AttributeD1 name='load' value='3.5'/></Attributes><Location z", 1)
    attributes = [(u.place, u.reason) for u in readings_of(tmp_path, told).sources[0].columns if u.heading == "AttributeD1"]
    assert attributes == [("load", "not asked")]
    nest = readings_of(tmp_path, nested())
    assert [u.cells for u in nest.sources[0].columns if u.reason == "of the hole as a whole"] == [4]
    assert nest.table["word"].tolist().count("enters") == 8


def first(pattern: str, new: str) -> Callable[[str], str]:
    """Return a change of the first place that a pattern finds."""

    def change(text: str) -> str:
        changed, done = re.subn(pattern, new, text, count=1, flags=re.DOTALL)
        assert done == 1, pattern
        return changed

    return change


#: one thing wrong -> what must be said, and at which element where that is known
WRONG: dict[str, tuple[Callable[[str], str], str, str]] = {
    "a failed characteristic that is inside": (first(r"PASS(.*?id=12|.)", r"FAIL\1"), "status-disagrees", ""),
    "a hole out of limits that passes": (
        lambda t: re.sub(r"<q:DiameterMax>11.64082", "<q:DiameterMax>11.75", t), "status-disagrees", "id=15"),
    "a failed part without a reason": (
        lambda t: t.replace("<q:InspectionStatusEnum>\nPASS", "<q:InspectionStatusEnum>\nFAIL").replace(
            "<q:InspectionStatusEnum>PASS", "<q:InspectionStatusEnum>FAIL", 1), "status-disagrees", "id=800"),
    "a count": (first(r'FeatureItems n="8"', 'FeatureItems n="9"'), "count-wrong", ""),
    "a reference": (first(r"<q:FeatureItemId>11<", "<q:FeatureItemId>555<"), "id-missing", "id=12"),
    "limits of another drawing": (first(r"<q:MaxValue>11.7348", "<q:MaxValue>11.76"), "other-limits", "id=2/MaxValue"),
    "a tolerance of another drawing": (first(r"<q:ToleranceValue>1.524", "<q:ToleranceValue>1.0"), "other-limits", "id=3/Value"),
    "a material condition": (first("MAXIMUM", "LEAST"), "other-limits", "id=3/Value"),
    "another nominal": (first(r"<q:Location>38.1000", "<q:Location>39.1000"), "other-nominal", "id=12"),
    "a position that doesn't follow": (first(r"<q:Value>0.1125<", "<q:Value>0.2125<"), "position-disagrees", "id=16/Value"),
    "a radius for a position": (first(r"<q:Value>0.1125<", "<q:Value>0.0562<"), "position-disagrees", "id=16/Value"),
    "a bonus": (first(r"<q:Bonus>0.0711<", "<q:Bonus>0.1511<"), "bonus-disagrees", "id=16/Value"),
    "a mean beside its ends": (first(r"<q:Diameter>11.638", "<q:Diameter>11.648"), "values-disagree", ""),
    "a value said twice": (first(r"<q:Value>11.63828<", "<q:Value>11.62828<"), "values-disagree", "id=12/Diameter"),
    "a pin": (first("INTERNAL", "EXTERNAL"), "no-hole", "id=12/DiameterMin"),
    "a hole the kit doesn't have": (
        lambda t: t.replace("CIR_H1_NEAR", "CIR_H77_NEAR").replace("<q:Location>38.1000", "<q:Location>40.0000", 1),
        "unknown-hole", "id=12/DiameterMin"),
    "no number": (first(r"<q:DiameterMin>11.63574", "<q:DiameterMin>NaN"), "not-a-number", "id=12/DiameterMin"),
    "a blank": (first(r"<q:DiameterMin>11.63574", "<q:DiameterMin>"), "not-a-number", "id=12/DiameterMin"),
    "a blank of what isn't read": (
        first(r"</q:CharacteristicMeasurements>", "<q:UserDefinedLinearCharacteristicMeasurement id='777'><q:Value/>"
              "</q:UserDefinedLinearCharacteristicMeasurement></q:CharacteristicMeasurements>"), "values-disagree", "id=777/Value"),
    **{f"{name}": (first(old, new), "unknown-element", cell) for name, old, new, cell in (
        ("an element that nobody knows", "<q:TimeStamp>", "<q:Bore>11.9</q:Bore><q:TimeStamp>", "id=12"),
        ("an element around a reading", r"<q:DiameterMin>(.*?)</q:DiameterMin>", r"<q:x><q:DiameterMin>\1</q:DiameterMin></q:x>", "id=12"),
        ("an element in a reading", r"<q:DiameterMin>(.*?)</q:DiameterMin>", r"<q:DiameterMin>\1<q:x>11.9</q:x></q:DiameterMin>", "id=12"),
        ("a number between elements", r"</q:DiameterMin>", r"</q:DiameterMin>11.9", "id=12"),
        ("an element of another language", "<q:TimeStamp>", "<Diameter xmlns='urn:shop'>11.9</Diameter><q:TimeStamp>", "id=12"),
        ("a number in an attribute", "<q:TimeStamp>", "<q:Bore value='11.9'/><q:TimeStamp>", "id=12"),
        ("a number of the position", "<q:Bonus>", "<q:Offset>0.9</q:Offset><q:Bonus>", "id=16"),
        ("a list that nobody knows", "<q:MeasuredFeatures", "<q:Extra><q:Bore>11.9</q:Bore></q:Extra><q:MeasuredFeatures", "id=800"),
    )},
    "an unknown unit of one value": (
        first(r"<q:DiameterMin>11.63574", '<q:DiameterMin linearUnit="line">11.63574'), "unknown-unit", "id=12/DiameterMin"),
    "a larger uncertainty": (
        first(r"<q:DiameterMin>11.63574", '<q:DiameterMin combinedUncertainty="0.05" meanError="0">11.63574'),
        "uncertainty-larger", "id=12/DiameterMin"),
    "a transform": (
        first(r"</q:TimeStamp>", "</q:TimeStamp><q:ActualTransformId>801</q:ActualTransformId>"), "other-frame", "id=12"),
    "two names": (
        first(r"</q:FeatureItemId>", "</q:FeatureItemId><q:FeatureName>Hole 2 near</q:FeatureName>"), "names-disagree", ""),
    "a day": (first("2026-11-02T", "2026-13-02T"), "bad-date", "id=12"),
    "a component without a serial number": (
        first(r"<q:SerialNumber>P-7</q:SerialNumber>", ""), "serial-missing", ""),
    "a note": (first("<q:Header>", "<q:Notes><q:Note><q:Text>hole 3 cracked</q:Text></q:Note></q:Notes><q:Header>"),
               "remark-of-defect", ""),
    "a description": (
        first("<q:FeatureItemId>11<", "<q:Description>cracked, pin will not go in</q:Description><q:FeatureItemId>11<"),
        "remark-of-defect", "id=12"),
    "a value that was set": (
        first(r"<q:DiameterMin>11.63574", '<q:DiameterMin validity="NOMINAL">11.63574'), "not-measured", "id=12/DiameterMin"),
    "a system of the machine": (
        first(r"</q:TimeStamp>", "</q:TimeStamp><q:CoordinateSystemId>801</q:CoordinateSystemId>"), "other-frame", "id=12"),
    "a hole the kit doesn't have, in the place of one": (
        lambda t: t.replace("CIR_H1_NEAR", "CIR_H77_NEAR"), "unknown-hole", "id=12/DiameterMin"),
    "a hole measured as a slot": (
        lambda t: t.replace("q:CircleFeatureMeasurement", "q:SlotFeatureMeasurement", 1).replace(
            "</q:CircleFeatureMeasurement", "</q:SlotFeatureMeasurement", 1), "other-feature", "id=12"),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_one_thing_wrong_holds_the_part_and_is_named(tmp_path: Path, name: str) -> None:
    change, code, cell = WRONG[name]
    readings = readings_of(tmp_path, change(in_millimetres()))
    judged = inspect(kit(STACKED), readings)
    before = inspect(kit(STACKED), readings_of(tmp_path, in_millimetres()))
    held = [p for p in judged.problems if p.holds]
    assert held, [p.code for p in readings.problems]
    assert not [p for p in before.problems if p.holds]
    if code:
        found = [p for p in readings.problems if p.code == code]
        assert found, [p.code for p in readings.problems]
        assert cell in {"", found[0].cell}, found[0]


def test_a_name_of_another_hole_than_that_it_is_nested_in_holds(tmp_path: Path) -> None:
    readings = readings_of(tmp_path, nested().replace("<FeatureName>near", "<FeatureName>hole 9 near", 1))
    assert [(p.cell, p.holds) for p in readings.problems if p.code == "names-disagree"][:1] == [("id=13/DiameterMin", True)]


def test_texts_that_say_nothing_against_the_part_are_quoted(tmp_path: Path) -> None:
    text = first("<q:Header>", "<q:Notes><q:Note><q:Text>second shift</q:Text></q:Note></q:Notes><q:Header>")(in_millimetres())
    problem = only(readings_of(tmp_path, text), "remark")
    assert (problem.found, problem.severity, problem.holds) == ("Text: second shift", "note", False)


OURS: dict[str, object] = {
    "hole": "1", "wall": "near", "characteristic": "diameter", "typed": "0.458", "unit": "in", "value": 0.458, "trial": 1,
    "date": "2026-11-02",
}  # fmt: skip


def ours(reading: dict[str, object]) -> str:
    """Return a document of ours with one reading."""
    said = {"holeqc kit": "T-4", "holeqc revision": "B", "holeqc reading": json.dumps(reading)}
    kits, one = ("".join(f"<AttributeStr name={quoteattr(name)} value={quoteattr(said[name])}/>" for name in names)
                 for names in (list(said)[:2], list(said)[2:]))  # fmt: skip
    text = whole(INCH, "", sets(result(800, [], [], 801)), {801: "P-7"})
    text = text.replace("<QPId>", f'<Attributes n="2">{kits}</Attributes><QPId>', 1)
    return text.replace('<MeasurementResults id="800">', f'<MeasurementResults id="800"><Attributes n="1">{one}</Attributes>')


@pytest.mark.parametrize("place", ["_Growing._start", "_Results._own_reading", "_Results._own_reason"])
@pytest.mark.parametrize("error", [KeyError, ValueError, TypeError, LookupError])
def test_a_slip_of_ours_is_no_damage_of_the_document(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: str, error: type[Exception]
) -> None:
    def slip(*_: object) -> None:
        raise error("planted")

    monkeypatch.setattr(f"holeqc.readings.qif.{place}", slip)
    with pytest.raises(error, match="planted"):
        readings_of(tmp_path, ours(OURS))


#: how a reading of ours was changed
@pytest.mark.parametrize("change", [
    {"hole": "77"}, {"wall": "beside"}, {"characteristic": "colour"}, {"word": "maybe"}, {"unit": "cubit"}, {"hole": 1},
    {"value": "0.4"}, {"value": 1e301}, {"trial": 0}, {"trial": 70000}, {"trial": "1"}, {"date": "2026-13-01"}, {"date": 1},
    {"typed": None},
])  # fmt: skip
def test_a_reading_of_ours_that_was_changed_is_none(tmp_path: Path, change: dict[str, object]) -> None:
    whole = readings_of(tmp_path, ours(OURS))
    assert (len(whole.table), [p.code for p in whole.problems if p.holds]) == (1, [])
    changed = readings_of(tmp_path, ours(OURS | change))
    assert [p.found for p in changed.problems if p.code == "damaged-reading" and p.holds]


@pytest.mark.parametrize(("change", "code"), [
    (first(r"\A(<\?xml.*?\?>)?", '<?xml version="1.0" encoding="shift_jis"?>'), "wrong-encoding"),
    (first(r"\A(<\?xml.*?\?>)?", '<?xml version="1.0" encoding="none"?>'), "wrong-encoding"),
    (lambda t: t.replace('id="12"', 'id="13"', 1), "id-twice"),
    (lambda t: t.replace("/xsd/qif3", "/xsd/qif2"), "old-format"),
    (lambda t: t.replace("/xsd/qif3", "/xsd/other"), "other-format"),
    (lambda t: t[: len(t) // 2], "damaged-file"),
    (lambda t: '<!DOCTYPE QIFDocument [<!ENTITY a "b">]>' + t, "unsafe-file"),
    (lambda t: t.replace("<q:Factor>0.001", "<q:Factor>0.0254"), "unit-unclear"),
    (lambda t: t.replace("<q:Header>", "<q:a>" * 80 + "</q:a>" * 80 + "<q:Header>"), "too-large"),
    (lambda t: re.sub(r"<q:Results>.*</q:Results>", "", t, flags=re.DOTALL), "no-table"),
    (lambda t: t.replace("<q:Header>", "<q:ModelNumber>BL9-100</q:ModelNumber><q:Header>", 0) + "<", "damaged-file"),
    (lambda t: t.replace('id="900"', 'id="99999999999"'), "bad-id"),
])  # fmt: skip
def test_a_document_that_can_t_be_used_is_refused_in_words(tmp_path: Path, change: Callable[[str], str], code: str) -> None:
    with pytest.raises(ReadingsError) as refused:
        readings_of(tmp_path, change(in_millimetres()))
    assert [p.code for p in refused.value.problems] == [code]
    assert refused.value.problems[0].message


def test_without_a_unit_lengths_are_metres_by_the_standard(tmp_path: Path) -> None:
    text = cylinders().replace(MM, "").replace("<FileUnits><PrimaryUnits></PrimaryUnits></FileUnits>", "")
    readings = readings_of(tmp_path, text, KIT_MM)
    assert only(readings, "unit-not-said").severity == "note"
    assert readings.table["value"].iloc[0] == pytest.approx(11_612.0)
    assert (readings.table["doubt"] != "").all()


def test_another_frame_is_said_once_for_the_whole_part(tmp_path: Path) -> None:
    moved = re.sub(r"(NominalCircle|<Location>)([\d.]+) ", lambda m: f"{m[1]}{float(m[2]) + 2:g} ", nested_with_nominals())
    readings = readings_of(tmp_path, moved)
    problem = only(readings, "other-frame")
    assert (problem.serial, problem.hole, problem.holds) == ("P-7", "", True)


def nested_with_nominals() -> str:
    """The document in mm without its prefix and its positions, names kept."""
    text = in_millimetres().replace("q:", "").replace("xmlns:q", "xmlns").replace("\n", "")
    return re.sub(r"<CircleFeatureMeasurement.*?</CircleFeatureMeasurement>", lambda m: m[0].replace("<Location>", "<Location  >"), text)


def test_circles_whose_height_fits_no_wall_hold(tmp_path: Path) -> None:
    readings = readings_of(tmp_path, by_centre().replace(" -1.25<", " -0.6<"))
    assert {p.code for p in readings.problems if p.holds} >= {"wall-missing"}
    assert (readings.table["doubt"] == "wall-missing").sum() == 16


@pytest.mark.skipif(not SCHEMA, reason="HOLEQC_TEST_QIF_SCHEMA names no folder with the schema")
def test_the_five_are_valid_by_the_schema() -> None:
    etree = pytest.importorskip("lxml.etree")
    schema = etree.XMLSchema(etree.parse(str(Path(SCHEMA) / "QIFApplications" / "QIFDocument.xsd")))
    for make in [*(make for make, _ in FIVE.values()), cylinders]:
        assert schema.validate(etree.fromstring(make().encode())), schema.error_log
