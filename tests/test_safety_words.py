"""The allow-list: what may be sent, what may not, and what a dialect may choose."""

from __future__ import annotations

import dataclasses
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tuner.card.dialect import Barrier, Dialect, HeatWords, Stop, read_dialect, shipped_dialects
from tuner.errors import BadFile, LineNotAllowed
from tuner.safety.words import LONGEST_LINE, WORDS, Kind, check_dialect, classify

PRINTER = read_dialect("printer", None)

ALLOWED = [
    ("G1 X5 F600", Kind.MOTION),
    ("G1 F600 X5", Kind.MOTION),
    ("G1 X-0.0125 F1200.5", Kind.MOTION),
    ("G1 Z9 F0.001", Kind.MOTION),
    ("G1 X0 F1", Kind.MOTION),
    ("G1 E10.5 F180", Kind.MOTION),
    ("G28 X", Kind.MOTION),
    ("G28 Z0", Kind.MOTION),
    ("G21", Kind.MODE),
    ("G90", Kind.MODE),
    ("G91", Kind.MODE),
    ("G94", Kind.MODE),
    ("M105", Kind.QUERY),
    ("M114", Kind.QUERY),
    ("M119", Kind.QUERY),
    ("M400", Kind.WAIT),
    ("G4 P0", Kind.WAIT),
    ("G4 P1.5", Kind.WAIT),
    ("M104 S0", Kind.HEATERS_OFF),
    ("M140 S0", Kind.HEATERS_OFF),
    ("M104 S1", Kind.HEAT),
    ("M104 S200", Kind.HEAT),
    ("M140 S60", Kind.HEAT),
    ("M104 S500", Kind.HEAT),
    ("M83", Kind.MODE),
    ("M110 N0", Kind.NUMBERING),
    ("M112", Kind.STOP),
]

# line -> part of the reason
REFUSED = [
    ("", "1 to 80 characters"),
    (" ", "a space"),
    ("G1 X1 F1" + "0" * LONGEST_LINE, "1 to 80 characters"),
    ("G1  X1 F60", "takes no ''"),
    (" G1 X1 F60", "a space"),
    ("G1 X1 F60 ", "takes no ''"),
    ("G1X1F60", "G1X1F60 is not one of"),
    ("g1 x1 f60", "capital letters"),
    ("G1 X1 F60\n", "capital letters"),
    ("G1 X1 F60\nG1 X1 F60", "capital letters"),
    ("G1 X1\tF60", "capital letters"),
    ("G1 X1 F60;", "capital letters"),
    ("N1 G1 X1 F60", "N1 is not one of"),
    ("G1 X１ F60", "capital letters"),  # a full-width digit, which \d would take
    ("G1 X٣ F60", "capital letters"),
    ("G01 X1 F60", "G01 is not one of"),
    ("G1.0 X1 F60", "G1.0 is not one of"),
    ("G0 X1 F60", "G0 is not one of"),
    ("G1", "G1 needs F"),
    ("G1 X1 Y1 F60", "needs one axis letter"),
    ("G1 F60", "needs one axis letter"),
    ("G1 X1", "G1 needs F"),
    ("G1 X F60", "'' is not allowed after X"),
    ("G1 X1 X2 F60", "X stands there more than once"),
    ("G1 X1 F60 F60", "F stands there more than once"),
    ("G1 X1 F0", "'0' is not allowed after F"),
    ("G1 X1 F0.000", "not allowed after F"),
    ("G1 X1 F-60", "not allowed after F"),
    ("G1 X1 F+60", "not allowed after F"),
    ("G1 X1 E1 F60", "needs one axis letter"),
    ("G1 X1 F60 G28", "takes no 'G28'"),
    ("G1 X1 F60 G10", "takes no 'G10'"),
    ("G28", "one axis letter"),
    ("G28 X Y", "one axis letter"),
    ("G28 X1", "'1' is not allowed after X"),
    ("G28 E", "takes no 'E'"),
    ("G28 F60", "takes no 'F60'"),
    ("G21 X1", "takes no 'X1'"),
    ("G20", "G20 is not one of"),
    ("G4", "G4 needs P"),
    ("G4 P-1", "'-1' is not allowed after P"),  # NISTIR 6556 3.5.4: an error
    ("G4 S1", "takes no 'S1'"),
    ("M104 S501", "'501' is not allowed after S"),
    ("M104 S1000", "'1000' is not allowed after S"),
    ("M104 S200.5", "not allowed after S"),
    ("M104 S-1", "not allowed after S"),
    ("M104 S0200", "not allowed after S"),
    ("M110", "M110 needs N"),
    ("M110 N1", "'1' is not allowed after N"),
    ("M83 E1", "takes no 'E1'"),
    ("M104 S0.0", "not allowed after S"),
    ("M104 S00", "not allowed after S"),
    ("M104 S", "not allowed after S"),
    ("M104", "M104 needs S"),
    ("M109 S0", "M109 is not one of"),
    ("M112 P1", "takes no 'P1'"),
    ("M400 X", "takes no 'X'"),
]

# What stores a setting or an origin; the standard's words (NISTIR 6556 table 5, 3.3.2.2).
STORING = ["G10 L2 P1 X0", "G28.1", "G30", "G30.1", "G92 X0", "G92.1", "G92.2", "G92.3", "#5161=1"]

# NISTIR 6556 3.3.2.1, as kept in the published check values: the form of a number.
LEGAL_NUMBERS = ["5", "+5", "-.5", "5.", "007.50"]
ILLEGAL_NUMBERS = ["1e3", "1E3", ".", "+", "1,5", "1.2.3", "--1", "0x1", "1_0", "inf", "nan", "#1"]


@pytest.mark.parametrize(("line", "kind"), ALLOWED)
def test_allowed_lines_have_their_kind(line: str, kind: Kind) -> None:
    assert classify(line) is kind


@pytest.mark.parametrize(("line", "reason"), REFUSED)
def test_other_lines_are_refused_with_the_reason(line: str, reason: str) -> None:
    with pytest.raises(LineNotAllowed) as caught:
        classify(line)
    assert reason in str(caught.value)
    assert "nothing was sent" in str(caught.value)


@pytest.mark.parametrize("line", STORING)
def test_nothing_that_stores_is_on_the_list(line: str) -> None:
    assert line.split()[0] not in WORDS
    with pytest.raises(LineNotAllowed):
        classify(line)


@pytest.mark.parametrize("number", LEGAL_NUMBERS)
def test_numbers_of_the_standard_are_taken(number: str) -> None:
    assert classify(f"G1 X{number} F60") is Kind.MOTION


@pytest.mark.parametrize("number", ILLEGAL_NUMBERS)
def test_other_numbers_are_refused(number: str) -> None:
    with pytest.raises(LineNotAllowed):
        classify(f"G1 X{number} F60")


def test_the_longest_line_is_taken_and_one_more_character_is_not() -> None:
    longest = "G1 F60 X".ljust(LONGEST_LINE, "0")
    assert classify(longest) is Kind.MOTION
    with pytest.raises(LineNotAllowed):
        classify(longest + "0")


def test_every_word_says_where_it_is_defined() -> None:
    for word in WORDS.values():
        assert word.source.startswith(("NISTIR 6556 ", "common practice, no source"))


@given(st.text(alphabet="GMXYZFSPE0123456789.+- ", max_size=30))
def test_what_is_allowed_is_made_of_listed_words(line: str) -> None:
    try:
        kind = classify(line)
    except LineNotAllowed:
        return
    command, *parameters = line.split(" ")
    off = "S0" in parameters
    assert kind is (WORDS[command].at_zero if off else WORDS[command].kind)
    letters = [parameter[0] for parameter in parameters]
    assert len(set(letters)) == len(letters)
    assert set(letters) <= {*WORDS[command].needs, *WORDS[command].axes}


@given(st.text(max_size=20))
def test_a_refusal_shows_no_hidden_character(line: str) -> None:
    try:
        classify(line)
    except LineNotAllowed as refusal:
        assert not any(unicodedata.category(one).startswith("C") for one in str(refusal))


@pytest.mark.parametrize("name", shipped_dialects())
def test_the_dialects_that_come_with_the_program_pass(name: str) -> None:
    check_dialect(read_dialect(name, None))


def but(**changes: object) -> Dialect:
    return dataclasses.replace(PRINTER, **changes)  # type: ignore[arg-type]


BAD_DIALECTS = [
    (but(reference="G92 {axis}0"), "reference = 'G92 X0'"),
    (but(reference="G1 {axis}5 F60"), "does not search an end switch"),
    (but(reference="G28 X"), "does not name the axis"),
    (but(reference="G28 {axis}{axis}"), "does not name the axis"),
    (but(reference="G28 {axis.__class__}"), "reference = "),
    (but(barrier=Barrier("M105", True)), "barrier = 'M105' asks for a report"),
    (but(stop=Stop("M400", True, True)), "stop = 'M400' waits; expected a line that asks for a"),
    (but(stop=Stop("G10", True, True)), "G10 is not one of"),
    (but(position="M112"), "position = 'M112' asks for a stop"),
    (but(temperatures="M104 S0"), "temperatures = 'M104 S0' turns a heater off"),
    (but(switches="G28 X"), "switches = 'G28 X' moves something"),
    (but(heaters_off=("M104 S200",)), "heaters_off = 'M104 S200' turns a heater on"),
    (but(heat=HeatWords("M104 S5{target}")), "heat.nozzle = 'M104 S50' turns a heater on"),
    (but(heat=HeatWords("M104 S{target}{target}")), "heat.nozzle = 'M104 S00'"),
    (but(heat=HeatWords(bed="M109 S{target}")), "heat.bed = 'M109 S1'"),
    (but(heat=HeatWords(bed="M105")), "heat.bed = 'M105' asks for a report"),
    (but(temperatures=None), "heat is there without temperatures"),
    (
        but(temperatures=None, heat=HeatWords(bed="M140 S{target}")),
        "heat is there without temperatures",
    ),
    (but(heaters_off=()), "heat is there without temperatures"),
    (but(feeder_relative="G90"), "says nothing about the feeder; expected M83"),
    (but(feeder_relative="M105"), "feeder_relative = 'M105' asks for a report"),
    (but(barrier=Barrier("G4 P2001", True)), "waits for 2.001 s in its dwell_unit"),
    (but(barrier=Barrier("G4 P3", True), dwell_unit="s"), "waits for 3 s in its dwell_unit"),
    (but(heaters_off=("M105",)), "heaters_off = 'M105' asks for a report"),
    (but(setup=("G21", "G91", "G10")), "setup = 'G10'"),
    (but(setup=("G21", "G91", "G1 X1 F60")), "setup = 'G1 X1 F60' moves something"),
    (but(setup=("G91",)), "expected G21 and G91"),
    (but(setup=("G21", "G91", "G90")), "expected G21 and G91"),
    (but(setup=()), "expected G21 and G91"),
    (but(checksum=True), "expected both or neither"),
    (but(line_number_reset="M110 N0"), "expected both or neither"),
    (but(checksum=True, line_number_reset="M105"), "line_number_reset = 'M105' asks for a"),
    (but(stop=Stop("M112\x1b[2J", True, True)), r"stop = 'M112\x1b[2J'"),
]


@pytest.mark.parametrize(("dialect", "finding"), BAD_DIALECTS)
def test_a_dialect_cannot_add_a_word(dialect: Dialect, finding: str) -> None:
    with pytest.raises(BadFile) as caught:
        check_dialect(dialect)
    assert any(finding in one for one in caught.value.findings)


def test_all_findings_come_at_once() -> None:
    dialect = but(position="G10", switches="G92", setup=("G91",))
    with pytest.raises(BadFile) as caught:
        check_dialect(dialect)
    assert len(caught.value.findings) == 3


def test_a_dialect_may_leave_out_what_its_controller_cannot_do() -> None:
    check_dialect(
        but(
            reference=None,
            stop=None,
            position=None,
            temperatures=None,
            switches=None,
            heaters_off=(),
            heat=HeatWords(),
        )
    )
