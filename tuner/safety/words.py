"""Every word that may leave for a controller, and what kind of thing it does.

The rule this module keeps: a line that is not made of the words below is never sent. The
table is the whole list, there is no other door, and a dialect file can choose among these
words but not add one. Nothing here stores a setting or sets an origin. What moves or heats
needs a permit besides; nothing heats above 500 degrees C, whatever a card says.

The written form is a strict subset of NISTIR 6556 (RS-274/NGC), section 3.3: one command
word, then its parameters, upper case, single spaces, numbers without exponent. Where that
report lacks a word or gives it another meaning, the table says "common practice, no source".
"""

from __future__ import annotations

import functools
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import Enum

from tuner.card.dialect import Dialect
from tuner.errors import BadFile, LineNotAllowed
from tuner.text import clipped, shown

__all__ = ["WORDS", "Kind", "Word", "check_dialect", "classify"]

LONGEST_LINE = 80  # the report allows 256; small controllers buffer about 100 (common practice)

_STANDARD = "NISTIR 6556"
_PRACTICE = "common practice, no source"

_UNSIGNED = r"(?:[0-9]+\.?[0-9]*|\.[0-9]+)"
_NUMBER = rf"[+-]?{_UNSIGNED}"
_ABOVE_ZERO = rf"(?=[0-9.]*[1-9]){_UNSIGNED}"
_ZERO = "0"
_WHOLE_TO_500 = r"(?:[0-9]|[1-9][0-9]|[1-4][0-9]{2}|500)"
_NOTHING_OR_ZERO = "0?"

_CHARACTERS = re.compile(r"[A-Z0-9.+ -]+")

# U, V, W are not letters of the report, nor is E, the feeder, which has no end switch.
_AXES = "ABCUVWXYZ"
_FEEDER = "E"

_FEEDER_MODES = ("M83",)
_LONGEST_DWELL_S = 2.0  # a stop without a word waits for the line that runs


class Kind(Enum):
    """What a line does, in words a person can read."""

    MOTION = "moves something"
    MODE = "sets units or distance mode"
    QUERY = "asks for a report"
    WAIT = "waits"
    HEAT = "turns a heater on"
    HEATERS_OFF = "turns a heater off"
    NUMBERING = "starts counting lines anew"
    STOP = "asks for a stop"


@dataclass(frozen=True)
class Word:
    """One command word: its kind, where it is defined, and the parameters it takes.

    `needs` are parameters that must be there; of `axes` (letter -> number pattern) at least
    one and at most `most_axes` must be there. No other parameter is allowed. `at_zero` is the
    kind of the word with S0 behind it, where that is another one.
    """

    kind: Kind
    source: str
    needs: Mapping[str, str] = field(default_factory=dict)
    axes: Mapping[str, str] = field(default_factory=dict)
    most_axes: int = 0
    at_zero: Kind | None = None


WORDS: Mapping[str, Word] = {
    "G1": Word(
        Kind.MOTION,
        f"{_STANDARD} 3.5.2; the letters U, V, W, E: {_PRACTICE}",
        needs={"F": _ABOVE_ZERO},
        axes=dict.fromkeys(_AXES + _FEEDER, _NUMBER),
        most_axes=1,  # more than one at once is never asked for
    ),
    # The report moves to a stored position via the given point; as a switch search, and with
    # a letter that has no number, the word is the trade's.
    "G28": Word(Kind.MOTION, _PRACTICE, axes=dict.fromkeys(_AXES, _NOTHING_OR_ZERO), most_axes=1),
    "G21": Word(Kind.MODE, f"{_STANDARD} table 5, group 6: millimetre"),
    "G90": Word(Kind.MODE, f"{_STANDARD} table 5, group 3: absolute distance"),
    "G91": Word(Kind.MODE, f"{_STANDARD} table 5, group 3: incremental distance"),
    "G94": Word(Kind.MODE, f"{_STANDARD} table 5, group 5: units per minute"),
    "M83": Word(Kind.MODE, f"{_PRACTICE}: the feeder counts from where it stands"),
    "M105": Word(Kind.QUERY, _PRACTICE),
    "M114": Word(Kind.QUERY, _PRACTICE),
    "M119": Word(Kind.QUERY, _PRACTICE),
    "G4": Word(Kind.WAIT, f"{_STANDARD} 3.5.4: P not negative", needs={"P": _UNSIGNED}),
    "M400": Word(Kind.WAIT, _PRACTICE),
    "M104": Word(Kind.HEAT, _PRACTICE, needs={"S": _WHOLE_TO_500}, at_zero=Kind.HEATERS_OFF),
    "M140": Word(Kind.HEAT, _PRACTICE, needs={"S": _WHOLE_TO_500}, at_zero=Kind.HEATERS_OFF),
    "M110": Word(Kind.NUMBERING, _PRACTICE, needs={"N": _ZERO}),
    "M112": Word(Kind.STOP, _PRACTICE),
}


def _fault(line: str) -> str:
    """Return what forbids `line`, or an empty text."""
    if not _CHARACTERS.fullmatch(line) or len(line) > LONGEST_LINE:
        return (
            f"a line has 1 to {LONGEST_LINE} characters, only capital letters, digits, "
            "point, sign and space"
        )
    command, *parameters = line.split(" ")
    word = WORDS.get(command)
    if word is None:
        return f"{command or 'a space'} is not one of {', '.join(WORDS)}"
    patterns = {**word.needs, **word.axes}
    letters = [parameter[:1] for parameter in parameters]
    for letter, parameter in zip(letters, parameters, strict=True):
        if letter not in patterns:
            return f"{command} takes no '{parameter}'"
        if letters.count(letter) > 1:
            return f"{letter} stands there more than once"
        if not re.fullmatch(patterns[letter], parameter[1:]):
            return f"'{parameter[1:]}' is not allowed after {letter}"
    for letter in word.needs:
        if letter not in letters:
            return f"{command} needs {letter}"
    axes = sum(letter in word.axes for letter in letters)
    if word.axes and not 1 <= axes <= word.most_axes:
        most = "one axis letter" if word.most_axes == 1 else "at least one axis letter"
        return f"{command} needs {most}"
    return ""


@functools.lru_cache(maxsize=256)  # a session says the same few lines over and over
def classify(line: str) -> Kind:
    """Return the kind of `line`, a line without its line end.

    Raises ``LineNotAllowed`` with the reason when the line is not on the list.
    """
    fault = _fault(line)
    if fault:
        raise LineNotAllowed(
            f"the line '{clipped(shown(line), LONGEST_LINE)}' is not on the list of lines that "
            f"may be sent: {fault}; nothing was sent"
        )
    command, *parameters = line.split(" ")
    word = WORDS[command]
    return word.at_zero if word.at_zero and "S0" in parameters else word.kind


def _lines_by_role(dialect: Dialect) -> Iterator[tuple[str, str | None, Kind]]:
    """Yield every line that `dialect` can make the program send: its key, the line, its kind."""
    if dialect.reference is not None:
        # replace, not format: a template from a file must not reach into objects
        yield "reference", dialect.reference.replace("{axis}", "X"), Kind.MOTION
    yield "barrier", dialect.barrier.line, Kind.WAIT
    yield "stop", dialect.stop.line if dialect.stop else None, Kind.STOP
    yield "position", dialect.position, Kind.QUERY
    yield "temperatures", dialect.temperatures, Kind.QUERY
    yield "switches", dialect.switches, Kind.QUERY
    for line in dialect.heaters_off:
        yield "heaters_off", line, Kind.HEATERS_OFF
    for key, template in (("nozzle", dialect.heat.nozzle), ("bed", dialect.heat.bed)):
        if template is not None:
            # With 0 in its place too: nothing but the temperature may stand behind S.
            yield f"heat.{key}", template.replace("{target}", "1"), Kind.HEAT
            yield f"heat.{key}", template.replace("{target}", "0"), Kind.HEATERS_OFF
    for line in dialect.setup:
        yield "setup", line, Kind.MODE
    yield "feeder_relative", dialect.feeder_relative, Kind.MODE
    yield "line_number_reset", dialect.line_number_reset, Kind.NUMBERING


def check_dialect(dialect: Dialect) -> None:
    """Raise ``BadFile`` with all findings unless every line of `dialect` fits its role.

    A dialect may only choose among ``WORDS``, and must leave the controller counting in
    millimetres and in relative distances: every motion line is written for that.
    """
    findings = []
    for key, line, kind in _lines_by_role(dialect):
        if line is None:
            continue
        value = f"dialect {shown(dialect.name)}: {key} = '{clipped(shown(line), LONGEST_LINE)}'"
        fault = _fault(line)
        if fault:
            findings.append(f"{value}: {fault}; expected a line that {kind.value}")
            continue
        found = classify(line)
        if found is not kind:
            findings.append(f"{value} {found.value}; expected a line that {kind.value}")
        elif kind is Kind.MOTION and not line.startswith("G28 "):
            findings.append(f"{value} does not search an end switch; expected 'G28 {{axis}}'")
    if dialect.reference is not None and dialect.reference.count("{axis}") != 1:
        findings.append(
            f"dialect {shown(dialect.name)}: reference = '{shown(dialect.reference)}' does not "
            "name the axis it is for; expected {axis} once, as in 'G28 {axis}'"
        )
    distance_modes = [line for line in dialect.setup if line in ("G90", "G91")]
    if "G21" not in dialect.setup or distance_modes[-1:] != ["G91"]:
        findings.append(
            f"dialect {shown(dialect.name)}: setup = '{', '.join(map(shown, dialect.setup))}' does "
            "not end in millimetres and relative distances; expected G21 and G91 in it"
        )
    if dialect.feeder_relative is not None and dialect.feeder_relative not in _FEEDER_MODES:
        findings.append(
            f"dialect {shown(dialect.name)}: feeder_relative = '{shown(dialect.feeder_relative)}' "
            f"says nothing about the feeder; expected {', '.join(_FEEDER_MODES)}"
        )
    if dialect.checksum != (dialect.line_number_reset is not None):
        findings.append(
            f"dialect {shown(dialect.name)}: checksum and line_number_reset belong together; "
            "expected both or neither"
        )
    if dialect.dwell_s > _LONGEST_DWELL_S:
        findings.append(
            f"dialect {shown(dialect.name)}: barrier = '{shown(dialect.barrier.line)}' waits for "
            f"{dialect.dwell_s:g} s in its dwell_unit; expected at most {_LONGEST_DWELL_S:g} s"
        )
    if (dialect.heat.nozzle or dialect.heat.bed) and not (
        dialect.temperatures and dialect.heaters_off
    ):
        findings.append(
            f"dialect {shown(dialect.name)}: heat is there without temperatures and heaters_off; "
            "expected both, so that what is heated is watched and switched off"
        )
    if findings:
        raise BadFile(findings)
