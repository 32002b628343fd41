"""``tuner why``: why is a print wrong? Asks for measurements, and leads to the command that tells.

The rule it keeps: a picture that looks alike proves nothing. Sizes tell a ratio from a
constant, a shift has a size and heights, a delivery has a length; what they cannot tell is said.
"""

from __future__ import annotations

import math
import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tuner.commands.choosing import (
    MEASURE,
    Arguments,
    choose_card,
    choose_tune,
    conversation,
    has_card,
)
from tuner.commands.home import home_option
from tuner.errors import BenchFault
from tuner.messages import Choose, Say, Text
from tuner.metrology.prints import PRINT_INSTEAD
from tuner.plans.run import Part, hear
from tuner.session.logbook import utc_now
from tuner.text import shown

__all__ = ["SizeErrors", "size_errors", "why", "why_is_it_wrong"]

# How well a caliper gives a size of a printed part: its own error and the roughness of the
# surface, one standard deviation (common practice, no source).
_U_SIZE_MM = 0.05
_COVERS = 2.0
# Plastics shrink by less than this on cooling (common practice, no source).
_MORE_THAN_SHRINKAGE = 0.04
_SIZES_APART_MM = 20.0
_SHORTEST_MM, _LONGEST_MM = 0.1, 2000.0
# A feeder that is right delivers what was asked to about this (common practice, no source).
_DELIVERY_RIGHT = 0.01

# Further off the line of the others, in standard deviations of that, a size was measured or printed
# wrong.
_OFF_THE_LINE_U = 3.0
# A size by whose side there is hardly another one says nothing about itself.
_HARDLY = 1e-6

Where = Literal["one-axis", "all-axes"]
Size = tuple[float, float]
"""What a size should be and what it is, both in mm."""

_SIZES = "sizes-are-wrong"
_SHIFTS = "layers-are-shifted"
_MATERIAL = "too-much-or-too-little-material"
_READINGS = "i-have-caliper-readings-of-an-axis"
_ELSE = "something-else"
# How people's words for it begin. What may mean two of these kinds is in none of them.
_IN_PLAIN_WORDS = (
    *((f"{words}*", _SIZES) for words in (
        "size", "oversize", "undersize", "wrong size", "dimension", "too big", "too small",
        "too large", "too short", "too wide", "too narrow", "shrink", "shrunk",
    )),
    *((f"{words}*", _SHIFTS) for words in (
        "shift", "skipped", "slipped layer", "misaligned", "staircase", "lost step", "lean",
        "slant",
    )),
    *((f"{words}*", _MATERIAL) for words in (
        "extru", "overextru", "underextru", "over extru", "under extru", "material", "plastic",
        "filament", "gaps",
    )),
    *((f"{words}*", _READINGS) for words in ("reading", "csv")),
    *((words, _ELSE) for words in ("else", "none of these", "none of them")),
)  # fmt: skip


def why(home: Path, *, plain: bool = False) -> Arguments:
    """Ask what is wrong and what was measured; return the command that goes on from there.

    With `plain` one line a message, there too where questions go on.
    """

    def asked() -> Part[Arguments]:
        chosen = yield from why_is_it_wrong(home)
        return [*chosen, "--plain"] if plain and chosen[:1] == ["tune"] else chosen

    return conversation(asked, plain=plain)


def why_is_it_wrong(home: Path) -> Part[Arguments]:
    """Ask which kind of wrong it is, then for its measurements; return the command to run."""
    kinds = {
        _SIZES: _sizes,
        _SHIFTS: _shift,
        _MATERIAL: _delivery,
        _READINGS: _readings,
        _ELSE: _something_else,
    }
    yield Say(key="why", tag="STEP", says="Why is the print wrong?")
    kind = yield from hear(
        Choose(
            key="why.what",
            options=tuple(kinds),
            also=_IN_PLAIN_WORDS,
            says="What is wrong with the print?",
        )
    )
    return (yield from kinds[kind](home))


# --- sizes --------------------------------------------------------------------------------


@dataclass(frozen=True)
class SizeErrors:
    """What sizes say: error = `constant_mm` + `ratio` x nominal, each with its U (95 %).

    `off` are the nominal sizes that may be misread, because not all lie on one line: the one that
    is furthest from the line of the others, or with three all of them. Empty where they lie on it.
    """

    constant_mm: float
    constant_U_mm: float
    ratio: float
    ratio_U: float
    off: tuple[float, ...] = ()

    @property
    def has_constant(self) -> bool:
        """Whether the constant is more than its uncertainty."""
        return abs(self.constant_mm) > self.constant_U_mm

    @property
    def has_ratio(self) -> bool:
        """Whether the ratio is more than its uncertainty."""
        return abs(self.ratio) > self.ratio_U


def size_errors(sizes: Sequence[Size], u_mm: float = _U_SIZE_MM) -> SizeErrors:
    """Return the line of least squares through the errors of `sizes`, two or more.

    `u_mm` is the standard uncertainty of each measured size. The nominal sizes must not all be the
    same. Uncertainties are propagated after JCGM 100, 5.1.2, with k = 2.
    """
    middle_mm = sum(nominal for nominal, _ in sizes) / len(sizes)
    middle_error_mm = sum(measured - nominal for nominal, measured in sizes) / len(sizes)
    spread_mm2 = sum((nominal - middle_mm) ** 2 for nominal, _ in sizes)
    ratio = (
        sum((nominal - middle_mm) * (measured - nominal) for nominal, measured in sizes)
        / spread_mm2
    )
    constant_mm = middle_error_mm - ratio * middle_mm
    off_u = {
        nominal: abs(measured - nominal * (1.0 + ratio) - constant_mm) / (u_mm * math.sqrt(left))
        for nominal, measured in sizes
        if (left := 1.0 - 1.0 / len(sizes) - (nominal - middle_mm) ** 2 / spread_mm2) > _HARDLY
    }
    off: tuple[float, ...] = ()
    if off_u and max(off_u.values()) > _OFF_THE_LINE_U:
        # Of three sizes each is as far off the line of the other two.
        off = (
            tuple(one for one, _ in sizes)
            if len(sizes) == 3
            else (max(off_u, key=off_u.__getitem__),)
        )
    return SizeErrors(
        constant_mm=constant_mm,
        constant_U_mm=_COVERS * u_mm * math.sqrt(1.0 / len(sizes) + middle_mm**2 / spread_mm2),
        ratio=ratio,
        ratio_U=_COVERS * u_mm / math.sqrt(spread_mm2),
        off=off,
    )


def _sizes(home: Path) -> Part[Arguments]:
    where = yield from hear(
        Choose(
            key="why.where",
            options=("one-axis", "all-axes", "nothing-measured-yet"),
            says="Along how many axes are sizes wrong?",
        )
    )
    if where == "nothing-measured-yet":
        yield Say(
            key="why.measure-first",
            says=f"one size cannot tell a ratio from a constant: {PRINT_INSTEAD}. Then come back",
        )
        return []
    axis = yield from _which_axis("Along which axis did you measure?")
    side = yield from hear(
        Choose(
            key="why.side",
            options=("outside", "inside"),
            default="outside",
            says="Measured over the outside of the part, or between inner faces?",
        )
    )
    sizes = yield from _measured_sizes()
    found = size_errors(sizes)
    if found.off:
        yield Say(key="why.off-the-line", says=_off_in_words(found.off))
        return []
    yield Say(key="why.sizes", says=_sizes_in_words(found))
    yield Say(key="why.reason", says=size_reason(found, where, axis))
    if not (found.has_constant or found.has_ratio):
        return []
    if _is_the_axis(found, where):
        measuring = choose_tune(home, axis, work=MEASURE)
        return (yield from _lead(measuring, "measure the axis itself now"))
    return (yield from _lead(_written(home, axis, side, sizes), "split these sizes now"))


def _is_the_axis(found: SizeErrors, where: Where) -> bool:
    too_much = abs(found.ratio) - found.ratio_U > _MORE_THAN_SHRINKAGE
    return found.has_ratio and (too_much or (where == "one-axis" and not found.has_constant))


def _measured_sizes() -> Part[list[Size]]:
    """Ask for two sizes, which tell a ratio from a constant, and for as many more as there are."""
    small = yield from _size("small", "The smaller size", low_mm=_SHORTEST_MM)
    large = yield from _size(
        "large",
        f"A larger size of the same kind, at least {_SIZES_APART_MM:g} mm more",
        low_mm=small[0] + _SIZES_APART_MM,
    )
    sizes = [small, large]
    while (
        yield from hear(
            Choose(
                key="why.another",
                options=("no", "yes"),
                default="no",
                says="Did you measure another size of the same kind? Each makes both parts surer",
            )
        )
    ) == "yes":
        sizes.append((yield from _size("more", "Another size", low_mm=_SHORTEST_MM)))
    return sizes


def _sizes_in_words(found: SizeErrors) -> str:
    return (
        f"the part of the error that every size has: {found.constant_mm:+z.2f} ± "
        f"{found.constant_U_mm:.2f} mm; the part that grows with the size: "
        f"{100 * found.ratio:+z.2f} ± {100 * found.ratio_U:.2f} %"
    )


def _off_in_words(off: Sequence[float]) -> str:
    which = (
        f"the size of {off[0]:g} mm does not lie on one line with the others. Measure that one"
        if len(off) == 1
        else "these sizes do not lie on one line, so one of them is misread. Measure them"
    )
    return f"{which} again, several times around the part, then come back"


def size_reason(found: SizeErrors, where: Where, axis: str) -> str:
    """Return what sizes mean and why that leads where it leads."""
    letter = axis.upper()
    if _is_the_axis(found, where):
        return (
            f"it grows with the size and is more than cooling plastic explains, or on {letter} "
            f"alone: the number for the travel of {letter} is suspected. A print cannot prove it, "
            "because the width of the line and shrinkage are in it; the axis itself can"
        )
    if found.has_constant and found.has_ratio:
        return (
            "there is a part that every size has, which is the width of the line, and one that "
            "grows, which is shrinkage or the axis. Never correct the first with the travel of an "
            "axis: it would make every other size wrong"
        )
    if found.has_constant:
        return (
            "every size is wrong by the same amount: that is the width of the line or a wall that "
            "bulges, not the travel of the axis. Leave the number of the axis alone"
        )
    if found.has_ratio:
        return (
            "if every axis is wrong by the same share of the size, plastic that shrinks on cooling "
            "does that: the same mistake on every axis would be a coincidence. Measure the others "
            "too; if they are not wrong alike, it is the axis"
        )
    return (
        "neither is more than what a caliper can tell on a print. If it still matters, print and "
        "measure longer parts"
    )


def _size(key: str, which: str, *, low_mm: float) -> Part[Size]:
    """Ask for what a size should be and what it is, both in mm."""
    nominal = yield from hear(
        Text(
            key=f"why.{key}.nominal",
            low_mm=low_mm,
            high_mm=_LONGEST_MM,
            says=f"{which}: how long should it be, by the drawing?",
        )
    )
    measured = yield from hear(
        Text(
            key=f"why.{key}.measured",
            low_mm=nominal / 2.0,
            high_mm=nominal * 2.0,
            says="And how long is it, by the caliper?",
        )
    )
    return nominal, measured


def _written(home: Path, axis: str, side: str, sizes: Sequence[Size]) -> Part[Arguments]:
    """Write the sizes as a table that more rows can be added to; return what examines it."""
    folder = home / "sizes"
    path = folder / f"{utc_now():%Y%m%d-%H%M%S}.csv"
    rows = "".join(f"{nominal:g},{measured:g},{side},{axis}\n" for nominal, measured in sizes)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(f"nominal_mm,measured_mm,side,axis\n{rows}")
    except OSError as error:
        raise BenchFault(
            f"{shown(str(path))} cannot be written ({shown(error.strerror or str(error))}); choose "
            "another folder with --home"
        ) from error
    yield Say(
        key="why.written",
        says=f"the sizes are in {shown(str(path))}; add a row for every size you measure, "
        "inside as well as outside",
    )
    return ["prints", str(path)]


# --- shifts -------------------------------------------------------------------------------


_HEIGHTS: Mapping[str, str] = {
    "at-one-height": (
        "one shift at one height is an event: steps were lost, a belt jumped a tooth, or something "
        "was knocked. Its size tells which of them"
    ),
    "at-the-same-height-in-every-print": (
        "the same height every time is in the job or the path: look for what the tool meets there, "
        "a corner that curls up, a cable at its end, or the longest and fastest move. The size "
        "tells what was lost"
    ),
    "at-several-heights": (
        "several shifts of one kind are one cause that comes back: a loose pulley or belt, a motor "
        "that is too hot or asked for too much. The size tells what is lost each time"
    ),
}
_LEANING = "a-little-more-at-every-layer"


def _shift(home: Path) -> Part[Arguments]:
    heights = yield from hear(
        Choose(
            key="why.heights",
            options=(*_HEIGHTS, _LEANING),
            says="At which heights is the print shifted?",
        )
    )
    axis = yield from _which_axis("Along which axis is it shifted? If along both, the larger one")
    if heights == _LEANING:
        return (yield from _leaning(home, axis))
    yield Say(key="why.reason", says=_HEIGHTS[heights])
    if not has_card(home):
        yield Say(
            key="why.card-first",
            says="the size of a shift is held against the parts of the machine, which stand on its "
            f"card, and there is none here yet: tuner card new{home_option(home)}",
        )
    if heights == "at-several-heights":
        how = yield from hear(
            Choose(
                key="why.shift-how",
                options=("measure-the-shift", "test-the-machine"),
                says="measure-the-shift: its size says what was lost. test-the-machine: the axis "
                "goes ever faster until it loses its way, which says at which feed, and whether it "
                "comes back",
            )
        )
        if how == "test-the-machine":
            return (yield from choose_tune(home, axis, work="lost-steps"))
    size_mm = yield from hear(
        Text(
            key="why.shift",
            low_mm=0.01,
            high_mm=_LONGEST_MM,
            says="By how much, measured from face to face with the caliper?",
        )
    )
    return (yield from _lead(_offset(home, size_mm, axis), "hold that size against the parts now"))


def _leaning(home: Path, axis: str) -> Part[Arguments]:
    yield Say(
        key="why.reason",
        says="a print that leans has no jump in it: either the machine is not square, or a little "
        f"is lost at every turn of {axis.upper()}. A lean that is the same in every print, also in "
        "one that was printed slowly, is squareness; one that comes and goes, or grows with the "
        "speed, is lost steps",
    )
    work = yield from hear(
        Choose(
            key="why.lean",
            options=("squareness", "lost-steps", "measure"),
            says="squareness: two sides and two diagonals of a frame, nothing moves. lost-steps: "
            f"{axis.upper()} goes ever faster until it loses its way. measure: readings of "
            f"{axis.upper()} from both sides, at slow feeds",
        )
    )
    return (yield from choose_tune(home, axis, work=str(work)))


def _offset(home: Path, size_mm: float, axis: str) -> Part[Arguments]:
    found = yield from choose_card(home)
    if found is not None and axis in found[1].axes:
        return ["offset", f"{size_mm:g}", "--card", str(found[0]), "--axis", axis]
    if found is not None:
        path, card = found
        yield Say(
            key="why.no-such-axis",
            says=f"the card of {shown(card.name)} has no axis {axis}, it has "
            f"{', '.join(card.axes)}. Its parts can be added: tuner card new --from "
            f"{shlex.quote(str(path))}{home_option(home)}",
        )
    offset = ["offset", f"{size_mm:g}", "--card", "CARD", "--axis", axis]
    yield Say(
        key="why.with-card",
        says="with the file of the card for CARD, this goes on from here: "
        f"tuner {shlex.join(offset)}{home_option(home)}",
    )
    return []


# --- delivery -----------------------------------------------------------------------------


def _delivery(home: Path) -> Part[Arguments]:
    yield Say(
        key="why.mark",
        says="mark the filament 120 mm before the feeder, have 100 mm fed, measure what is left to "
        "the mark, and take that from 120",
    )
    asked_mm = yield from hear(
        Text(
            key="why.asked",
            low_mm=10.0,
            high_mm=_LONGEST_MM,
            default="100",
            says="How much was to be fed?",
        )
    )
    fed_mm = yield from hear(
        Text(key="why.fed", low_mm=0.0, high_mm=2.0 * asked_mm, says="How much was fed in truth?")
    )
    how = yield from hear(
        Choose(
            key="why.through",
            options=("free", "through-the-nozzle"),
            says="Did it come out free, or through the hot nozzle?",
        )
    )
    ratio = fed_mm / asked_mm
    yield Say(key="why.reason", says=delivery_reason(ratio, how))
    if abs(ratio - 1.0) <= _DELIVERY_RIGHT or how != "free":
        return []
    return (yield from _lead(_feeder(home), "see what the parts of the feeder give"))


def delivery_reason(ratio: float, how: str) -> str:
    """Return what fed / asked means, by whether it came out ``free``."""
    if abs(ratio - 1.0) <= _DELIVERY_RIGHT:
        return (
            f"{100 * ratio:.1f} % of what was asked: the feeder delivers what it is told. Look for "
            "the cause elsewhere: the diameter of the filament, or the width of the line"
        )
    if how == "free":
        return (
            f"{100 * ratio:.1f} % of what was asked, with nothing in the way: the number for the "
            "feeder, or the diameter of its wheel, is not what was assumed"
        )
    return (
        f"{100 * ratio:.1f} % of what was asked, but through the nozzle: wheel and filament can "
        "slip there, and then no number puts it right. Feed once more with the filament free of "
        "the nozzle, and come back; or let tuner tune CARD --port PORT --axis e tell slip from a "
        "wrong number"
    )


def _feeder(home: Path) -> Part[Arguments]:
    found = yield from choose_card(home)
    if found is None:
        return []
    path, card = found
    feeders = [name for name, axis in card.axes.items() if axis.filament is not None]
    if not feeders:
        yield Say(
            key="why.no-feeder",
            says=f"the card of {shown(card.name)} has no feeder; write one into it, or type its "
            "parts: tuner travel feeder --help",
        )
        return []
    return ["travel", "--card", str(path), "--axis", feeders[0]]


# --- the rest -----------------------------------------------------------------------------


def _readings(home: Path) -> Part[Arguments]:
    while True:
        name = yield from hear(
            Text(key="why.file", wanted="file name", says="The CSV file with the readings")
        )
        if Path(name).is_file():
            break
        yield Say(key="refused", says=f"there is no file {shown(name)}; type where it is")
    found = yield from choose_card(home)
    if found is None:
        return ["examine", name]
    axis = yield from hear(
        Choose(key="why.of", options=tuple(found[1].axes), says="Readings of which axis?")
    )
    return ["examine", name, "--card", str(found[0]), "--axis", str(axis)]


def _something_else(home: Path) -> Part[Arguments]:
    yield Say(
        key="why.reason",
        says="whatever cannot be measured on the part cannot be told from here. What a caliper can "
        "still tell is whether each axis travels what it is told, without play and without loss",
    )
    return (yield from _lead(choose_tune(home), "measure the axes now"))


def _which_axis(says: str) -> Part[str]:
    axis = yield from hear(Choose(key="why.axis", options=("x", "y", "z"), says=says))
    return str(axis)


def _lead(further: Part[Arguments], to_do: str) -> Part[Arguments]:
    """Ask whether to go on, and return what that comes to; empty for no."""
    wanted = yield from hear(
        Choose(key="why.go-on", options=("yes", "no"), default="yes", says=f"Shall we {to_do}?")
    )
    if wanted == "yes":
        return (yield from further)
    further.close()
    return []
