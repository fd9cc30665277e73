"""U written into a kit file: one number and its remarks change, every other byte stays, nothing is ever lost."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from holeqc.problems import SpecificationError
from holeqc.specification import load
from holeqc.specification.load import load_specification, write_gauge_uncertainty

ROOT = Path(__file__).resolve().parents[2]
DEMO = (ROOT / "tolerances" / "bl7.toml").read_bytes()
BUDGET = ("# repeatability: 0.0001 in, 80 % (repeats)", "# master: 0.00005 in, 20 % (certificate)")


@pytest.fixture
def kit(tmp_path: Path) -> Path:
    path = tmp_path / "bl7.toml"
    path.write_bytes(DEMO)
    return path


def untouched(kit: Path, data: bytes = DEMO) -> bool:
    return kit.read_bytes() == data and [p.name for p in kit.parent.iterdir()] == [kit.name]


def test_one_number_changes_and_nothing_else(kit: Path) -> None:
    done = write_gauge_uncertainty(kit, "BG-2", 0.00027, BUDGET, "study.csv")
    assert (done.old, done.new) == (0.0003, 0.00027)
    before, after = DEMO.decode().split("\n"), kit.read_text(encoding="utf-8").split("\n")
    at = before.index("uncertainty = 0.0003           # U at k = 2, from the certificate")
    assert after[:at] == before[:at]
    assert after[at] == "uncertainty = 0.00027  # U at k = 2"
    assert after[at + 1] == "# U from a gauge study: study.csv"
    assert after[at + 2 : at + 4] == list(BUDGET)
    assert after[at + 5 :] == before[at + 1 :]
    old, new = tomllib.loads(DEMO.decode()), tomllib.loads(kit.read_text(encoding="utf-8"))
    old["gauge"][0]["uncertainty"] = 0.00027
    assert new == old
    gauge = load_specification(kit).gauge("BG-2")
    assert gauge is not None
    assert gauge.uncertainty == 0.00027
    assert Path(done.backup).read_bytes() == DEMO
    assert sorted(p.name for p in kit.parent.iterdir()) == ["bl7.toml", "bl7.toml.bak"]


def test_the_right_gauge_of_several(kit: Path) -> None:
    write_gauge_uncertainty(kit, "CM-1", 0.001)
    spec = load_specification(kit)
    assert [g.uncertainty for g in spec.gauges] == [0.0003, 0.001, 0.0001]


def test_a_second_study_takes_the_place_of_the_first(kit: Path) -> None:
    write_gauge_uncertainty(kit, "BG-2", 0.00027, BUDGET, "study.csv")
    first = kit.read_bytes()
    write_gauge_uncertainty(kit, "BG-2", 0.00031, BUDGET[:1], "later.csv")
    text = kit.read_text(encoding="utf-8")
    assert "study.csv" not in text
    assert text.count("# U from a gauge study") == 1
    assert text.count("# master") == 0
    # every older file is kept under a name of its own
    assert (kit.parent / "bl7.toml.bak").read_bytes() == DEMO
    assert (kit.parent / "bl7.toml.bak2").read_bytes() == first


@pytest.mark.parametrize("change", [
    lambda d: d.replace(b"\n", b"\r\n"), lambda d: b"\xef\xbb\xbf" + d, lambda d: d.rstrip(b"\n"),
    lambda d: d.replace(b"uncertainty = 0.0003           # U at k = 2, from the certificate\n", b""),
    lambda d: d.replace(b"[[gauge]]", b"  [[ gauge ]]  # a gauge"),
    lambda d: d.replace(b"uncertainty =", b"\tuncertainty  =  "),
    lambda d: d + b"\n# trailing remark without an end",
])  # fmt: skip
def test_files_as_people_write_them(kit: Path, change: object) -> None:
    data = change(DEMO)  # type: ignore[operator]
    kit.write_bytes(data)
    write_gauge_uncertainty(kit, "BG-2", 0.0004, BUDGET)
    new = kit.read_bytes()
    gauge = load_specification(kit).gauge("BG-2")
    assert gauge is not None
    assert gauge.uncertainty == 0.0004
    start = data.index(b'"BG-2"')
    assert new[:start] == data[:start]
    end = data.index(b"expansion_per_c")
    assert new.endswith(data[end:])
    assert new.count(b"\n") - new.count(b"\r\n") == data.count(b"\n") - data.count(b"\r\n") + (
        0 if b"\r\n" in data else new.count(b"\n") - data.count(b"\n")
    )


def test_last_gauge_of_a_file_without_a_final_line_end(kit: Path) -> None:
    head, _, rest = DEMO.partition(b"[[gauge]]")
    tail = rest.partition(b"[plan]")[2]
    kit.write_bytes(
        head + b"[plan]" + tail + b'\n[[gauge]]\nid = "BG-2"\n\n[[gauge]]\nid = "CM-1"\n'
        b'measures = ["x", "y"]\nuncertainty = 0.0006'
    )
    write_gauge_uncertainty(kit, "CM-1", 0.0007)
    write_gauge_uncertainty(kit, "BG-2", 0.0002)
    assert [g.uncertainty for g in load_specification(kit).gauges] == [0.0002, 0.0007]


@pytest.mark.parametrize("change", [
    lambda d: d.replace(b'note = "clamped', b'note = """\n[[gauge]]\nuncertainty = 1\n"""  # "clamped'),
    lambda d: d.replace(b'revision = "C"', b'revision = '),
    lambda d: d.replace(b'"BG-2"', b'"BG-3"'),
])  # fmt: skip
def test_what_cannot_be_edited_stays(kit: Path, change: object) -> None:
    data = change(DEMO)  # type: ignore[operator]
    kit.write_bytes(data)
    with pytest.raises(SpecificationError):
        write_gauge_uncertainty(kit, "BG-2", 0.0004)
    assert untouched(kit, data)


def test_gauges_in_one_line_are_refused(kit: Path) -> None:
    head, _, rest = DEMO.decode().partition("[[gauge]]")
    tail = rest.partition("[plan]")[2]
    one_line = 'gauge = [{ id = "BG-2", uncertainty = 0.0003 }, { id = "CM-1", measures = ["x", "y"] }]\n'
    data = (one_line + head + "[plan]" + tail).encode()
    kit.write_bytes(data)
    assert load_specification(kit).gauge("BG-2") is not None
    with pytest.raises(SpecificationError, match="by hand"):
        write_gauge_uncertainty(kit, "BG-2", 0.0004)
    assert untouched(kit, data)


@pytest.mark.parametrize("value", [-1.0, float("nan"), float("inf")])
def test_a_number_that_is_no_uncertainty_is_refused(kit: Path, value: float) -> None:
    with pytest.raises(SpecificationError):
        write_gauge_uncertainty(kit, "BG-2", value)
    assert untouched(kit)


def test_a_remark_cannot_end_its_comment(kit: Path) -> None:
    write_gauge_uncertainty(kit, "BG-2", 0.0004, ["cause\nuncertainty = 9"], "a\r\n[kit]\nb")
    gauge = load_specification(kit).gauge("BG-2")
    assert gauge is not None
    assert gauge.uncertainty == 0.0004


def test_somebody_else_writing_meanwhile_wins(kit: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    theirs = DEMO + b"# theirs\n"
    keep = load._backup

    def late(place: Path, data: bytes) -> Path:
        kit.write_bytes(theirs)
        return keep(place, data)

    monkeypatch.setattr(load, "_backup", late)
    with pytest.raises(SpecificationError, match="meanwhile"):
        write_gauge_uncertainty(kit, "BG-2", 0.0004)
    assert untouched(kit, theirs)


def test_links_and_rights_stay(kit: Path, tmp_path: Path) -> None:
    kit.chmod(0o640)
    link = tmp_path / "link.toml"
    link.symlink_to(kit)
    write_gauge_uncertainty(link, "BG-2", 0.0004)
    assert link.is_symlink()
    assert kit.stat().st_mode & 0o777 == 0o640
    gauge = load_specification(kit).gauge("BG-2")
    assert gauge is not None
    assert gauge.uncertainty == 0.0004


def test_any_other_change_of_content_is_refused() -> None:
    before = DEMO.decode()
    # what must never leave the editor: another gauge's number, a lost key, text that is no TOML
    moved = before.replace("uncertainty = 0.0006", "uncertainty = 0.0003")
    for after in (moved, before.replace('revision = "C"', ""), before + "["):
        with pytest.raises(SpecificationError, match="by hand"):
            load._check_only_change(before, after, 0, 0.0003, "kit")
    load._check_only_change(before, before, 0, 0.0003, "kit")
