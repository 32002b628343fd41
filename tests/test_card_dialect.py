"""Dialects: the two that are shipped, files beside a card, and every mistake at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from tuner.card.dialect import (
    Barrier,
    Dialect,
    HeatWords,
    Stop,
    parse_dialect,
    read_dialect,
    shipped_dialects,
)
from tuner.errors import BadFile

SMALL = """\
schema = 1
name = "bench"
says = "A controller on a bench."
source = "common practice"
acknowledgement = "ok"
dwell_unit = "s"
barrier = { line = "G4 P0", proven = false }
"""


def findings(text: str) -> tuple[str, ...]:
    with pytest.raises(BadFile) as caught:
        parse_dialect(text, "bench.toml")
    assert all(finding.startswith("bench.toml: ") for finding in caught.value.findings)
    return caught.value.findings


def test_the_printer_dialect() -> None:
    dialect = read_dialect("printer", None)
    assert (dialect.name, dialect.source) == ("printer", "common practice")
    assert dialect.greeting == ("start",)
    assert dialect.acknowledgement == "ok"
    assert dialect.error == ("error", "!!")
    assert dialect.busy == ("busy",)
    assert dialect.resend == ("resend", "rs")
    assert dialect.reference is not None
    assert dialect.reference.format(axis="X") == "G28 X"
    assert dialect.barrier == Barrier("M400", proven=True)
    assert dialect.stop == Stop("M112", immediate=True, halts=True)
    assert (dialect.position, dialect.position_means) == ("M114", "planned")
    assert (dialect.temperatures, dialect.switches) == ("M105", "M119")
    assert dialect.heaters_off == ("M104 S0", "M140 S0")
    assert dialect.heat == HeatWords("M104 S{target}", "M140 S{target}")
    assert dialect.feeder_relative == "M83"
    assert dialect.setup == ("G21", "G91")
    assert not dialect.checksum
    assert dialect.line_number_reset is None
    assert dialect.dwell_s == 0.0


def test_the_plain_dialect_cannot_search_stop_or_ask() -> None:
    dialect = read_dialect("plain", None)
    assert (dialect.name, dialect.source) == ("plain", "NISTIR 6556")
    assert dialect.setup == ("G21", "G91", "G94")
    assert dialect.barrier == Barrier("G4 P0", proven=False)
    assert dialect.dwell_unit == "s"
    cannot = (
        dialect.stop,
        dialect.reference,
        dialect.position,
        dialect.position_means,
        dialect.temperatures,
        dialect.switches,
    )
    assert cannot == (None,) * 6
    assert dialect.heaters_off == ()
    assert dialect.heat == HeatWords()
    assert dialect.dwell_s == 0.0


def test_what_is_shipped() -> None:
    assert shipped_dialects() == ("plain", "printer")
    for name in shipped_dialects():
        dialect = read_dialect(name, None)
        assert dialect.name == name
        assert parse_dialect(dialect.text, "again") == dialect


def test_the_least_a_dialect_says() -> None:
    assert parse_dialect(SMALL, "bench") == Dialect(
        name="bench",
        says="A controller on a bench.",
        source="common practice",
        acknowledgement="ok",
        dwell_unit="s",
        barrier=Barrier("G4 P0", proven=False),
        text=SMALL,
    )


def test_a_path_starts_at_the_card(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "bench.toml").write_text(SMALL, encoding="utf-8")
    (tmp_path / "own" / "bare").write_text(SMALL, encoding="utf-8")
    card = tmp_path / "card.toml"
    for beside in (card, tmp_path):
        assert read_dialect("own/bench.toml", beside).name == "bench"
        assert read_dialect("own/bare", beside).name == "bench"
    assert read_dialect(str(tmp_path / "own" / "bench.toml"), Path("elsewhere/card")).text == SMALL
    monkeypatch.chdir(tmp_path / "own")
    assert read_dialect("bench.toml", None).name == "bench"


def test_a_shipped_name_is_never_a_file(tmp_path: Path) -> None:
    (tmp_path / "plain").write_text(SMALL, encoding="utf-8")
    assert read_dialect("plain", tmp_path).name == "plain"


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("printers", "expected plain, printer or the path"),
        ("a\x1b", r"a\x1b: there is no such dialect"),
        ("missing.toml", "there is no such file"),
    ],
)
def test_no_such_dialect(name: str, says: str, tmp_path: Path) -> None:
    with pytest.raises(BadFile) as caught:
        read_dialect(name, tmp_path)
    assert says in caught.value.findings[0]


@pytest.mark.parametrize(
    ("old", "new", "names", "expects"),
    [
        ('"bench"', "1", "name = 1", "a short name"),
        ('"common practice"', '"my own"', 'source = "my own"', '"NISTIR 6556"'),
        ('acknowledgement = "ok"\n', "", "acknowledgement: missing", "answers"),
        ('"ok"', '""', 'acknowledgement = ""', "blank"),
        ('"ok"', r'"ok\n"', r'acknowledgement = "ok\x0a"', "cannot be seen"),
        ('"s"', '"minutes"', 'dwell_unit = "minutes"', '"s" or "ms"'),
        ("proven = false", "proven = 0", "barrier.proven = 0", "true or false"),
        (", proven = false", "", "barrier.proven: missing", "true or false"),
        ("proven = false", "proven = false, halts = 1", "halts = 1", "expected line, proven"),
        ('{ line = "G4 P0", proven = false }', '"G4 P0"', 'barrier = "G4 P0"', "proven = false"),
        ("schema = 1", "schema = 1\nsetup = 'G21'", 'setup = "G21"', "a list of lines to send"),
        ("schema = 1", "schema = 1\nsetup = [21]", "setup = [21]", "text in quotes"),
        ("schema = 1", 'schema = 1\nsetup = ["G21\\nG1 X9"]', r"G21\x0aG1 X9", "cannot be seen"),
        ("schema = 1", f"schema = 1\nsetup = {['G21'] * 60}", "setup = [", "at most 50"),
        ("schema = 1", f"schema = 1\nsetup = ['{'G' * 81}']", "setup = [", "80 at most"),
        ("schema = 1", "schema = 1\nbusy = true", "busy = true", "what the controller says"),
        ("schema = 1", "schema = 1\nreference = 'G28'", 'reference = "G28"', "G28 {axis}"),
        ("schema = 1", "schema = 1\nreference = 'G28 {axis}{0}'", "{axis}{0}", "G28 {axis}"),
        ("schema = 1", "schema = 1\nreference = 'G28 {axis.x}'", "{axis.x}", "G28 {axis}"),
        ("schema = 1", "schema = 1\nstop = 'M112'", 'stop = "M112"', "halts"),
        ("schema = 1", "schema = 1\nstop = { line = 'M112', halts = true }",
         "stop.immediate: missing", "true or false"),
        ("schema = 1", "schema = 1\nposition = 'M114'", "position_means: missing", '"commanded"'),
        ("schema = 1", "schema = 1\nposition_means = 'true'", "position_means = ", "position"),
        ("schema = 1", "schema = 1\nchecksum = true", "line_number_reset: missing", "M110 N0"),
        ("schema = 1", "schema = 1\nline_number_reset = 'M110 N0'", "line_number_reset = ",
         "together with checksum"),
        ("schema = 1", "schema = 1\nheat = 'M104 S200'", 'heat = "M104 S200"', "S{target}"),
        ("schema = 1", "schema = 1\nheat = { nozzle = 'M104 S200' }", "heat.nozzle = ",
         "M104 S{target}"),
        ("schema = 1", "schema = 1\nheat = { bed = 'M140 S{target}{target}' }", "heat.bed = ",
         "M104 S{target}"),
        ("schema = 1", "schema = 1\nheat = { chamber = 'M141 S{target}' }", "heat.chamber = ",
         "expected nozzle, bed"),
        ("schema = 1", "schema = 1\nfeeder_relative = 83", "feeder_relative = 83", "a line to"),
        ("schema = 1", "schema = 1\nchecksum = 'no'", 'checksum = "no"', "true or false"),
        ("schema = 1", "schema = 1\nstart = 1", "start = 1: this key is not known", "expected"),
        ("schema = 1", "schema = 0", "schema = 0: this dialect", "expected 1"),
    ],
)  # fmt: skip
def test_a_mistake_names_key_value_and_what_is_expected(
    old: str, new: str, names: str, expects: str
) -> None:
    assert SMALL.count(old) == 1
    (finding,) = findings(SMALL.replace(old, new))
    assert names in finding
    assert expects in finding


def test_all_mistakes_at_once() -> None:
    assert len(findings("schema = 1\n")) == 6


def test_a_dialect_of_ones_own_with_everything() -> None:
    more = """
checksum = true
line_number_reset = "M110 N0"
feeder_relative = "M83"
heat = { nozzle = "M104 S{target}" }
"""
    dialect = parse_dialect(SMALL + more, "own")
    assert (dialect.checksum, dialect.line_number_reset) == (True, "M110 N0")
    assert dialect.feeder_relative == "M83"
    assert dialect.heat == HeatWords("M104 S{target}", None)


@pytest.mark.parametrize(
    ("line", "unit", "seconds"),
    [("G4 P1.5", "s", 1.5), ("G4 P1500", "ms", 1.5), ("G4 P.5", "s", 0.5), ("G4 P0", "ms", 0.0),
     ("M400", "s", 0.0), ("G4 P1 X1", "s", 0.0)],
)  # fmt: skip
def test_how_long_a_barrier_lasts(line: str, unit: str, seconds: float) -> None:
    text = SMALL.replace("G4 P0", line).replace('"s"', f'"{unit}"')
    assert parse_dialect(text, "bench").dwell_s == pytest.approx(seconds)
