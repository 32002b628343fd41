"""Describing a machine from the first question to the card: the plan of ``tuner card new``.

The rules it keeps:

* One question at a time. All parts are looked at first, with power off and unplugged; then
  the controller is asked what it holds.
* Enter never invents a part. What it takes is a habit of the trade that harms nobody, what
  the same person said of the axis before, or the card that the setup started from.
* A part that is not known stands on the card as its commonest kind, with a comment that says
  so; a session at the machine finds out. A stored number is never guessed: without it the axis
  waits, in lines of the card that do not count yet.

It runs straight ahead and looks at nothing but the answers, so whoever runs it goes back by
playing it again without the last one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from fractions import Fraction
from typing import Any

from tuner.card.check import warnings
from tuner.card.dialect import shipped_dialects
from tuner.card.noted import noted
from tuner.card.read import parse_card
from tuner.card.write import card_text, decimal_text
from tuner.drive.numbers import plain_number
from tuner.drive.parts import PI, DriveTrain, Feeder
from tuner.drive.scale import Form, Stored, all_forms, contradiction, convert, form_words
from tuner.messages import Choose, Say
from tuner.metrology.caliper import error_limit_mm
from tuner.plans.asking import (
    UNKNOWN,
    Read,
    length,
    letters,
    name,
    number,
    or_unknown,
    typed,
    whole,
)
from tuner.plans.card_parts import (
    FEEDER,
    LARGEST_MM,
    SMALLEST_MM,
    STRAIGHT,
    TURNING,
    AxisParts,
    Setup,
    describe,
    working,
)
from tuner.plans.run import Part, hear

__all__ = ["Description", "card_setup"]

_COUPLED = "coupled-belts"
_MIXED = "mixed"
_USUAL_BAUD = 115_200
_STORED_SMALLEST, _STORED_LARGEST = Fraction(1, 10**7), Fraction(10**7)
# So many that the comparison of stored number and parts does not see the rounding.
_WHEEL_DECIMALS = 9

# What is kept of the card that the setup starts from, though nobody is asked for it.
_KEPT = ("max_pulse_rate_hz", "caliper", "feed_{}_per_min", "acceleration_{}_per_s2")


@dataclass(frozen=True)
class Description:
    """What came out: the machine's name, and the text of its card."""

    name: str
    text: str


@dataclass(frozen=True)
class _Described:
    """An axis with everything that a card needs."""

    parts: AxisParts
    train: DriveTrain
    stored: Stored


@dataclass(frozen=True)
class _Waiting:
    """An axis whose number, in `form`, is not known."""

    parts: AxisParts
    form: Form


def card_setup(start: Mapping[str, Any]) -> Part[Description | None]:
    """Describe a machine; the result is None when no axis has a number.

    `start` is an earlier card as plain data with exact numbers, whose values Enter takes; it
    may be empty.
    """
    setup = Setup(start)
    yield Say(
        key="welcome",
        says=(
            "From what you see at the machine this writes its card. Nothing is connected, nothing "
            "moves. Machine off and unplugged; pen, caliper and light at hand. back returns to "
            "the question before; stop ends here, and the answers are kept for the next time."
        ),
    )
    yield Say(key="machine", tag="STEP", says="The machine")
    called = yield from typed(
        "machine.name",
        "What do you call this machine?",
        name(80),
        wanted="name",
        default=setup.default("machine", "name"),
    )
    names = yield from typed(
        "machine.axes",
        "Which axes has it? X Y Z U V W go straight, A B C turn, E feeds filament. Type them like "
        "x y z e.",
        letters((*STRAIGHT, *TURNING, FEEDER), may_be_none=False),
        wanted="letters",
        default=" ".join(setup.known("axes") or ()),
    )
    notes: dict[str, list[str]] = {}
    machine = {"name": called, **(yield from _controller(setup, names, notes))}
    coupled = machine["layout"] == _COUPLED
    places = yield from _places(setup, names)
    yield Say(key="caliper", tag="STEP", says="The caliper")
    caliper = yield from _caliper(setup)
    yield Say(
        key="power-off",
        says=(
            "Now the parts. Switch off and unplug before you open a cover or reach in; block an "
            "axis that can drop; never pull a powered motor's plug. Push an axis slowly if at "
            "all: its motor generates voltage."
        ),
    )
    every: list[AxisParts] = []
    for n, one in enumerate(names, 1):
        motor = f", motor {'a' if one == 'x' else 'b'}" if coupled and one in "xy" else ""
        title = f"{one.upper()}{motor}: its parts ({n} of {len(names)})"
        yield Say(key=f"{one}.parts", tag="STEP", says=title)
        axis = AxisParts(one, place=places[one])
        yield from describe(setup, axis, every)
        every.append(axis)
    described, waiting = yield from _what_is_stored(setup, every, coupled)
    if not described:
        yield Say(
            key="no-axis",
            says="No axis has its number, and a card without one says nothing. Find out what the "
            "controller holds for at least one axis; then tuner card new goes on from your answers",
        )
        return None
    for axis in every:
        notes[f"axes.{axis.name}"] = [noted(what) for what in axis.unknown]
    axes = {
        done.parts.name: _as_table(setup, done.parts, done.stored.form, done.stored.value)
        for done in described
    }
    text = card_text(
        {"machine": machine, "caliper": caliper, "axes": axes},
        notes,
        {one.parts.name: _as_table(setup, one.parts, one.form, None) for one in waiting},
    )
    yield from _summary(text, described)
    return Description(called, text)


# --- the machine and the caliper ----------------------------------------------------------


def _controller(
    setup: Setup, names: Sequence[str], notes: dict[str, list[str]]
) -> Part[dict[str, Any]]:
    layout = "independent"
    if {"x", "y"} <= set(names):
        layout = yield from hear(
            Choose(
                key="machine.layout",
                options=("independent", _COUPLED),
                default=setup.default("machine", "layout", otherwise=layout),
                says=(
                    "Have X and Y a motor each, or do two motors with long belts move them "
                    "together, so that one motor alone goes diagonally?"
                ),
            )
        )
    dialects = shipped_dialects()
    known = setup.default("machine", "dialect", otherwise="printer")
    dialect = yield from hear(
        Choose(
            key="machine.dialect",
            options=dialects if known in dialects else (*dialects, known),
            default=known,
            says=(
                "The controller: printer for filament printers and machines built from their "
                "parts, plain for all others: standard words only, and no stop word."
            ),
        )
    )
    baud = yield from typed(
        "machine.baud",
        "Its baud rate: see its manual, or the program used with it. (Or: unknown)",
        or_unknown(whole(300, 20_000_000, "baud", "Bd", "bps")),
        wanted="number or unknown",
        default=setup.default("machine", "baud", otherwise=str(_USUAL_BAUD)),
    )
    if baud is None:
        notes["machine"] = [
            "not known: baud; where the controller does not answer, try 250000, 57600 or 9600"
        ]
    machine = {"layout": layout, "dialect": dialect, "baud": baud or _USUAL_BAUD}
    hold_time_s = setup.known("machine", "hold_time_s")
    return machine if hold_time_s is None else {**machine, "hold_time_s": hold_time_s}


def _places(setup: Setup, names: Sequence[str]) -> Part[dict[str, dict[str, Any]]]:
    """Ask which axes are vertical, move the bed, have several motors; return keys by axis."""
    places: dict[str, dict[str, Any]] = {one: {} for one in names}
    straight = tuple(one for one in names if one in STRAIGHT)
    if straight:
        vertical = yield from typed(
            "machine.vertical",
            "Which axes go up and down, so that they can drop when the power goes?",
            letters(straight),
            wanted="letters or none",
            default=_earlier(setup, straight, lambda n, axis: axis.get("vertical", n == "z"))
            or ("z" if "z" in straight else "none"),
        )
        for one in straight:
            # A card that does not say so means level, and for z vertical.
            if one in vertical or one == "z":
                places[one]["vertical"] = one in vertical
    moving = tuple(one for one in names if one != FEEDER)
    if moving:
        bed = yield from typed(
            "machine.bed",
            "On which axes does the bed or table move, and not the tool?",
            letters(moving),
            wanted="letters or none",
            default=_earlier(setup, moving, lambda _, axis: axis.get("moves") == "bed") or "none",
        )
        for one in bed:
            places[one]["moves"] = "bed"
    several = yield from typed(
        "machine.several",
        "Which axes have several motors turning together, such as two screws?",
        letters(names),
        wanted="letters or none",
        default=_earlier(setup, names, lambda _, axis: axis.get("motors", 1) > 1) or "none",
    )
    for one in several:
        places[one]["motors"] = yield from typed(
            f"{one}.motors",
            f"How many motors turn {one.upper()}?",
            whole(2, 8),
            wanted="number",
            default=setup.default("axes", one, "motors", otherwise="2"),
        )
    return places


def _earlier(
    setup: Setup, names: Sequence[str], is_so: Callable[[str, Mapping[str, Any]], bool]
) -> str:
    """Return the axes for which that was so on the earlier card, as typed; empty without one."""
    axes: Mapping[str, Any] = setup.known("axes") or {}
    found = " ".join(one for one in names if one in axes and is_so(one, axes[one]))
    return found or ("none" if axes else "")


def _caliper(setup: Setup) -> Part[dict[str, Any]]:
    range_mm = yield from typed(
        "caliper.range",
        "How far does it open? See the last number on its beam.",
        length(10, 3000),
        wanted="length in mm",
        default=setup.default("caliper", "range_mm", otherwise="150"),
    )
    step_mm = yield from typed(
        "caliper.step",
        "The smallest step it shows: digital 0.01 mm; vernier 0.02, 0.05 or 0.1 mm, as engraved.",
        length(Fraction("0.0005"), 1),
        wanted="length in mm",
        default=setup.default("caliper", "resolution_mm", otherwise="0.01"),
    )
    by_standard = error_limit_mm(range_mm, step_mm)
    limit_mm = yield from typed(
        "caliper.error-limit",
        "The error limit of its outside jaws: see its certificate. Without one: "
        f"{plain_number(by_standard)} mm, by DIN 862.",
        length(Fraction("0.0005"), 1),
        wanted="length in mm",
        default=setup.default("caliper", "error_limit_mm", otherwise=plain_number(by_standard)),
    )
    caliper = {"range_mm": range_mm, "resolution_mm": step_mm, "error_limit_mm": limit_mm}
    for key in ("id", "calibrated_on"):
        if (kept := setup.known("caliper", key)) is not None:
            caliper[key] = kept
    return caliper


# --- what the controller holds ------------------------------------------------------------


def _what_is_stored(
    setup: Setup, every: Sequence[AxisParts], coupled: bool
) -> Part[tuple[list[_Described], list[_Waiting]]]:
    """Ask for the stored number of each axis; the result is the axes with one, then the others."""
    yield Say(key="stored", tag="STEP", says="What the controller holds today")
    yield Say(
        key="power-on",
        says=(
            "One number for each axis, which is never guessed: the controller reports it when "
            "asked for its settings, or it stands in its configuration. If it must be switched on "
            "for that: covers closed, hands out."
        ),
    )
    usual = yield from _form(setup, "stored.form", every, (*Form, _MIXED))
    described, waiting = [], []
    for axis in every:
        form = usual
        if form == _MIXED:
            form = yield from _form(setup, f"{axis.name}.form", [axis], tuple(Form))
        may_wait = not (coupled and axis.name in ("x", "y"))
        stored = yield from _stored(setup, axis, Form(form), may_wait)
        if stored is None:
            if axis.drive is None:
                axis.unknown.append(
                    "diameter of the wheel; tuner card new --from this card works it out from the "
                    "number that the controller holds"
                )
            waiting.append(_Waiting(axis, Form(form)))
            continue
        if axis.drive is None:
            axis.drive = _wheel_for(axis, stored)
            axis.unknown.append(
                "diameter of the wheel; taken so that it agrees with the stored number. A feeding "
                "test finds out"
            )
            yield working(axis, "drive", f"{axis.drive.working()} per revolution")
        train = DriveTrain(axis.drive, axis.motor, axis.gears)
        yield Say(key=f"{axis.name}.against", says=_against(axis, stored, train))
        described.append(_Described(axis, train, stored))
    return described, waiting


def _form(setup: Setup, key: str, axes: Sequence[AxisParts], options: Sequence[str]) -> Part[str]:
    """Ask for the form of the numbers of `axes`; the result is one of `options`, as for mm."""
    known = [
        form
        for axis in axes
        for form in Form
        if _form_key(form, axis.unit) in (setup.known("axes", axis.name, "stored") or {})
    ]
    example = next((axis for axis in axes if axis.train is not None), None)
    says = "In which form does it hold them, mixed if not all the same?"
    if _MIXED not in options:
        says = f"In which form does it hold the number of {axes[0].letter}?"
    if example is not None and example.train is not None:
        expected = all_forms(example.train.steps_per_mm, example.train)
        says += f" For {example.letter} the parts give: " + "; ".join(
            f"{plain_number(value)} {form_words(form, example.unit)}"
            for form, value in expected.items()
        )
    default = known[0] if len(set(known)) == 1 else _MIXED if known and _MIXED in options else ""
    form: str = yield from hear(
        Choose(
            key=key,
            options=tuple(map(str, options)),
            default=default,
            says=says,
            also=tuple(
                (words, form.value)
                for form in Form
                for unit in sorted({axis.unit for axis in axes})
                for words in _in_words(form, unit)
            ),
        )
    )
    return form


def _in_words(form: Form, unit: str) -> tuple[str, ...]:
    """Return how the unit of `form` is written, in words first."""
    words = form_words(form, unit)
    slashed = words.replace(" per ", "/")
    return words, slashed, slashed.replace("revolution", "rev")


def _units_of(form: Form, unit: str) -> tuple[str, ...]:
    """Return how the unit of `form` is written behind a number, in words first."""
    written = _in_words(form, unit)
    return (*written, unit) if written[0].startswith(unit) else written


def _form_key(form: Form, unit: str) -> str:
    return form.value.replace("mm", unit)


def _stored(setup: Setup, axis: AxisParts, form: Form, may_wait: bool) -> Part[Stored | None]:
    def read(text: str) -> Stored:
        exact = number(_STORED_SMALLEST, _STORED_LARGEST, *_units_of(form, axis.unit))(text)
        stored = Stored(form, exact)
        if axis.drive is None:
            _wheel_for(axis, stored)
        return stored

    key = _form_key(form, axis.unit)
    known = setup.known("axes", axis.name, "stored", key)
    words = form_words(form, axis.unit)
    stored = yield from typed(
        f"{axis.name}.stored",
        f"{axis.letter}: the number it holds, in {words}, with every decimal."
        f"{' (Or: unknown)' if may_wait else ''}",
        or_unknown(read) if may_wait else _not_unknown(read),
        wanted="number or unknown" if may_wait else "number",
        default="" if known is None else decimal_text(Fraction(known)),
    )
    if stored is None:
        yield Say(
            key=f"{axis.name}.waits",
            says=(
                f"{axis.letter} waits on the card with all that you said of it, and does not count "
                "until its number is known"
            ),
        )
    return stored


def _not_unknown(read: Read[Stored]) -> Read[Stored]:
    """Return a reader for an axis that cannot wait, which says so at the word ``unknown``."""

    def read_known(text: str) -> Stored:
        if text.lower() == UNKNOWN:
            raise ValueError(
                "X and Y move together, so a card needs the numbers of both. Where it is not to be "
                "found now, type stop, which keeps your answers; tuner card new goes on from them"
            )
        return read(text)

    return read_known


def _wheel_for(axis: AxisParts, stored: Stored) -> Feeder:
    """Return the wheel with which the parts agree with `stored`; ``ValueError`` if none can."""
    any_wheel = DriveTrain(Feeder(Fraction(1)), axis.motor, axis.gears)
    travel_mm = convert(stored.value, stored.form, Form.TRAVEL_PER_REV_MM, any_wheel)
    diameter_mm = round(travel_mm / PI, _WHEEL_DECIMALS)
    if not SMALLEST_MM <= diameter_mm <= LARGEST_MM:
        raise ValueError(
            f"with {plain_number(stored.value)} {form_words(stored.form)} the wheel would measure "
            f"{plain_number(travel_mm / PI)} mm, which none does; read the number again, or "
            "correct its form with back"
        )
    return Feeder(diameter_mm)


def _against(axis: AxisParts, stored: Stored, train: DriveTrain) -> str:
    against = contradiction(stored, train)
    if against is None:
        granted = ", as far as they are known" if axis.unknown else ""
        return f"{axis.letter}: stored agrees with the parts{granted}"
    return (
        f"{axis.letter}: {against}. If it is typed right, leave it: a session at the machine finds "
        "out which is wrong"
    )


# --- the card -----------------------------------------------------------------------------


def _as_table(setup: Setup, axis: AxisParts, form: Form, number: Fraction | None) -> dict[str, Any]:
    """Return an axis as the keys of a card, with what is kept of the earlier card.

    What is not known is None: the stored `number`, and the wheel that would follow from it.
    """
    unit = axis.unit
    known: Mapping[str, Any] = setup.known("axes", axis.name) or {}
    kept = [key.format(unit) for key in _KEPT]
    drive = {"kind": Feeder.kind, "diameter_mm": None}
    return {
        "drive": drive if axis.drive is None else {"kind": axis.drive.kind, **asdict(axis.drive)},
        "gears": [asdict(pair) for pair in axis.gears],
        "motor": asdict(axis.motor),
        "stored": {_form_key(form, unit): number},
        **axis.place,
        **{key: known[key] for key in kept if key in known},
    }


def _summary(text: str, described: Sequence[_Described]) -> Part[None]:
    yield Say(key="card", tag="STEP", says="The card")
    for done in described:
        train, form = done.train, done.stored.form
        words = form_words(form, train.unit)
        gives = plain_number(all_forms(train.steps_per_mm, train)[form])
        yield Say(
            key=done.parts.name,
            tag="RESULT",
            says=(
                f"{'; '.join(train.travel_sums())}: {gives} {words}; the controller holds "
                f"{plain_number(done.stored.value)}"
            ),
        )
        for n, what in enumerate(done.parts.unknown, 1):
            says = f"{done.parts.letter}: not known: {what}"
            yield Say(key=f"{done.parts.name}.unknown.{n}", says=says)
    odd = warnings(parse_card(text, "the new card"))
    for n, warning in enumerate(odd, 1):
        yield Say(key=f"warning.{n}", says=f"warning: {warning}")
    if not odd:
        yield Say(key="no-warning", says="Nothing on this card is odd")
