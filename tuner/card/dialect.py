"""What a controller understands beyond the standard, and how it answers.

A dialect is a small TOML file: ``printer`` and ``plain`` come with the program, another one
is named by its path, relative to the card. It only chooses among words that the program
knows; a word outside the allow-list is refused when the dialect is put to use, so no
dialect can make the program send something new.

What a controller says is compared without regard to capitals.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Literal

from tuner.card.strict import Section, parse, read_text, refused
from tuner.text import shown

_WHAT = "dialect"
_SHIPPED = resources.files("tuner.card").joinpath("dialects")
_SUFFIX = ".toml"
_LONGEST_LINE = 80
_LONGEST_SENTENCE = 300
_DWELL = re.compile(r"G4 P([0-9]+\.?[0-9]*|\.[0-9]+)", re.ASCII)
_SECONDS_PER = {"s": 1.0, "ms": 0.001}


@dataclass(frozen=True)
class Barrier:
    """The line that is answered when all motion before it has ended.

    Unless `proven`, the controller may answer early, and the computed duration has to pass.
    """

    line: str
    proven: bool


@dataclass(frozen=True)
class HeatWords:
    """The lines that heat, with ``{target}`` where whole degrees C go; None: it cannot."""

    nozzle: str | None = None
    bed: str | None = None


@dataclass(frozen=True)
class Stop:
    """The line that asks for a stop: `immediate` if it cuts a move short, `halts` if the
    controller needs a reset afterwards."""

    line: str
    immediate: bool
    halts: bool


@dataclass(frozen=True, kw_only=True)
class Dialect:
    """How one family of controllers is spoken to. What is None, the family cannot do.

    `greeting`, `error` and `resend` are beginnings of lines, `busy` is part of one.
    `reference` has ``{axis}`` where the letter of the axis goes, and moves that axis only.
    `position_means` says what the reported position is: where the axes were told to go
    (``commanded``), where the queue of moves will end (``planned``), or where the motors
    have got to (``true``). With `checksum` every line has a number and a checksum, and
    `line_number_reset` is the line that starts counting anew. `feeder_relative` makes the
    feeder count from where it stands. `text` is the file.
    """

    name: str
    says: str
    source: Literal["common practice", "NISTIR 6556"]
    acknowledgement: str
    barrier: Barrier
    dwell_unit: Literal["s", "ms"]
    greeting: tuple[str, ...] = ()
    error: tuple[str, ...] = ()
    busy: tuple[str, ...] = ()
    resend: tuple[str, ...] = ()
    setup: tuple[str, ...] = ()
    reference: str | None = None
    stop: Stop | None = None
    position: str | None = None
    position_means: Literal["commanded", "planned", "true"] | None = None
    temperatures: str | None = None
    switches: str | None = None
    heaters_off: tuple[str, ...] = ()
    heat: HeatWords = HeatWords()
    feeder_relative: str | None = None
    checksum: bool = False
    line_number_reset: str | None = None
    text: str = ""

    @property
    def dwell_s(self) -> float:
        """How long the barrier itself lasts, in s: nothing, unless it is a dwell that waits."""
        dwell = _DWELL.fullmatch(self.barrier.line)
        return float(dwell[1]) * _SECONDS_PER[self.dwell_unit] if dwell else 0.0


def shipped_dialects() -> tuple[str, ...]:
    """Return the names of the dialects that come with the program."""
    files = (one.name for one in _SHIPPED.iterdir())
    return tuple(sorted(name.removesuffix(_SUFFIX) for name in files if name.endswith(_SUFFIX)))


def read_dialect(name_or_path: str, beside: Path | None) -> Dialect:
    """Return the dialect of that name, or from the file at that path.

    A relative path starts at `beside`, the card that names it or its folder, or without one
    at the current folder. Raises ``BadFile`` with all that is wrong.
    """
    shipped = shipped_dialects()
    if name_or_path in shipped:
        text = _SHIPPED.joinpath(name_or_path + _SUFFIX).read_text(encoding="utf-8")
        return parse_dialect(text, f"dialect {name_or_path}")
    path = Path(name_or_path)
    if beside is not None:
        path = (beside if beside.is_dir() else beside.parent) / path
    if not path.suffix and not path.exists():
        raise refused(
            name_or_path,
            f"there is no such dialect; expected {', '.join(shipped)} or the path of a dialect "
            f"file, looked for at {shown(str(path))}",
        )
    return parse_dialect(read_text(path, _WHAT), str(path))


def parse_dialect(text: str, source: str) -> Dialect:
    """Return the dialect written in `text`; raises ``BadFile`` with every finding."""
    top = parse(text, source, _WHAT)
    position = _line(top, "position")
    checksum = top.flag("checksum", False)
    dialect = Dialect(
        name=top.text("name", "a short name", _LONGEST_LINE),
        says=top.text("says", "one sentence that says which controllers", _LONGEST_SENTENCE),
        source=top.word("source", ("common practice", "NISTIR 6556")),
        acknowledgement=_heard(top, "acknowledgement"),
        barrier=_barrier(top),
        dwell_unit=top.word("dwell_unit", ("s", "ms")),
        greeting=_all_heard(top, "greeting"),
        error=_all_heard(top, "error"),
        busy=_all_heard(top, "busy"),
        resend=_all_heard(top, "resend"),
        setup=_lines(top, "setup"),
        reference=_reference(top),
        stop=_stop(top),
        position=position,
        position_means=_position_means(top) if position else None,
        temperatures=_line(top, "temperatures"),
        switches=_line(top, "switches"),
        heaters_off=_lines(top, "heaters_off"),
        heat=_heat(top),
        feeder_relative=_line(top, "feeder_relative"),
        checksum=checksum,
        line_number_reset=_number_reset(top) if checksum else None,
        text=text,
    )
    top.unknown_keys(
        {
            "position_means": "it only together with position",
            "line_number_reset": "it only together with checksum = true",
        }
    )
    top.raise_if_any()
    return dialect


_A_LINE = "a line to send, in quotes"


def _line(section: Section, key: str) -> str | None:
    return section.text(key, _A_LINE, _LONGEST_LINE, "") or None


def _lines(section: Section, key: str) -> tuple[str, ...]:
    return section.texts(key, "a list of lines to send, in quotes", _LONGEST_LINE, ())


def _heard(section: Section, key: str) -> str:
    return section.text(key, "what the controller answers, in quotes", _LONGEST_LINE)


def _all_heard(section: Section, key: str) -> tuple[str, ...]:
    return section.texts(key, "a list of what the controller says, in quotes", _LONGEST_LINE, ())


def _reference(section: Section) -> str | None:
    line = _line(section, "reference")
    if line is not None and not _has_one_place(line, "{axis}"):
        section.refuse(
            "reference", "the letter of the axis has no place in it", 'one such as "G28 {axis}"'
        )
    return line


def _number_reset(section: Section) -> str:
    return section.text(
        "line_number_reset", 'the line that starts counting anew, such as "M110 N0"', _LONGEST_LINE
    )


def _heat(section: Section) -> HeatWords:
    if not section.has("heat"):
        return HeatWords()
    heat = section.section("heat", '{ nozzle = "M104 S{target}" }')
    read = HeatWords(_heating(heat, "nozzle"), _heating(heat, "bed"))
    heat.unknown_keys()
    return read


def _heating(section: Section, key: str) -> str | None:
    line = _line(section, key)
    if line is not None and not _has_one_place(line, "{target}"):
        section.refuse(key, "the temperature has no place in it", 'one such as "M104 S{target}"')
    return line


def _has_one_place(line: str, place: str) -> bool:
    return line.count(place) == 1 and line.count("{") + line.count("}") == 2


def _position_means(section: Section) -> Literal["commanded", "planned", "true"]:
    return section.word("position_means", ("commanded", "planned", "true"))


def _barrier(section: Section) -> Barrier:
    barrier = section.section("barrier", '{ line = "G4 P0", proven = false }')
    read = Barrier(barrier.text("line", _A_LINE, _LONGEST_LINE), barrier.flag("proven"))
    barrier.unknown_keys()
    return read


def _stop(section: Section) -> Stop | None:
    if not section.has("stop"):
        return None
    stop = section.section("stop", "{ line = …, immediate = …, halts = … }")
    read = Stop(
        stop.text("line", _A_LINE, _LONGEST_LINE), stop.flag("immediate"), stop.flag("halts")
    )
    stop.unknown_keys()
    return read
