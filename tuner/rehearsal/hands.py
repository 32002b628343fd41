"""The simulated person at the simulated machine: looks, reads the caliper, answers.

Rule: an answer is what somebody with eyes, a caliper and a steady hand would see of the true
mechanics, never what the program would like to hear. Noise belongs to (seed, axis, number of
the reading) alone, so a session that was cut off and taken up again reads the same numbers.
A question that no person could answer is answered with ``stop``.

A key is an axis and what is asked of it, ``x.holds``, or what is asked alone, ``job-running``.
Tables hold what this person can do, each by what is asked: ``LOOKS`` at a part, ``_MEASURES``
of a quantity, ``_CHOICES`` between options, ``_DEEDS`` done before the answer.
"""

from __future__ import annotations

import hashlib
import itertools
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from statistics import NormalDist

from tuner.errors import Unanswered
from tuner.messages import (
    Accepts,
    Ask,
    Choose,
    Confirm,
    Go,
    Length,
    OneOf,
    Question,
    Text,
    Words,
)
from tuner.rehearsal.coaching import hint
from tuner.rehearsal.controller import FEEDER
from tuner.rehearsal.faults import machine
from tuner.rehearsal.looks import LOOKS, SEEN_MM
from tuner.rehearsal.mule import Mule

__all__ = ["Hands"]

READING_SECONDS = 8.0
ANSWER_SECONDS = 2.0

CALIPER_RANGE_MM = (0.0, 150.0)  # as on the card of the mule
# The fixed face is placed so that about 60 mm show where the carriage stands first: then the
# caliper covers 50 mm to one side and 80 mm to the other.
READING_AT_START_MM = 60.0
READING_SPREAD_MM = 2.0
HAND_NOISE_MM = 0.02  # one standard deviation of a careful hand

MARK_AT_MM = 120.0  # from the inlet, where a new mark is put on the filament
MARK_NOISE_MM = 0.2
FILAMENT_WANTS_C = 210.0
ANGLE_NOISE_DEG = 0.1  # an index mark against a line on the frame
POINTS_NOISE_MM = 0.05  # the points of the jaws, set to a mark and to a tip
TIP_BESIDE_MM = 0.2  # at most, where a tip is set upon a mark
RADIUS_NOISE_MM = 0.07  # half of what was measured across the rim
FRAME_MM = (100.0, 100.0)  # what the machine is told for the frame whose diagonals are measured
# The square that both fixed faces of coupled axes belong to is never quite along the machine.
FACES_TURNED_DEG = 0.2

SEEN_PART = 0.1
FINGER_MM = 15.0
TOO_HOT_TO_TOUCH_C = 50.0
# By eye and over a millimetre nobody tells 2 mm from 1 mm; a multiple of inches everybody does.
FAR_PART = 4.0
EVEN_PART = 0.2  # less than this nobody tells from as far


def _uniform(*of: object) -> float:
    """Return a number in (0, 1) that depends on nothing but `of`."""
    digest = hashlib.blake2b("/".join(map(str, of)).encode(), digest_size=7).digest()
    return ((int.from_bytes(digest) >> 4) + 0.5) / 2**52


def _two_digits_swapped(shown: str) -> str:
    """Return a reading with the first two neighbours that differ in each other's place."""
    for n, (one, other) in enumerate(itertools.pairwise(shown)):
        if one != other and (one + other).isdigit():
            return shown[:n] + other + one + shown[n + 2 :]
    return shown


def _by_form(accepts: Accepts) -> str:
    """Return an answer to what the program asks outside any plan."""
    match accepts:
        case Go():
            return "go"
        case OneOf():
            return accepts.default or accepts.options[0]
        case Length():
            return accepts.default or "stop"
        case Words():
            return accepts.default


class Hands:
    """Somebody at the mule who answers every question of a session.

    `seed` fixes where the caliper's fixed face sits and the noise of every reading. Both the
    question before a move and the one after it must pass through here, so that the person can
    say what moved. Not safe for two threads.
    """

    def __init__(self, mule: Mule, seed: int) -> None:
        self._mule = mule
        self._seed = seed
        self._healthy = machine("none", None, seed, mule.name)
        self._mark_delivered_mm = 0.0
        self._pointer_deg: dict[str, float] = {}  # where what turns stood when it was set
        self._misread: set[str] = set()  # axes on which it happened: who reads again takes care
        self._true_before_mm = mule.true_mm()
        self._commanded_before = mule.commanded()
        self._datum_mm = {
            axis: READING_AT_START_MM
            + READING_SPREAD_MM * (2 * _uniform(seed, axis, "datum") - 1)
            - one.start_mm
            for axis, one in mule.truth.axes.items()
        }

    def answer(self, question: Question) -> str:
        """Return what the person types; takes a few seconds of the machine's time.

        Raises ``Unanswered`` when the question has less patience than that.
        """
        self._watch(question)
        self._do(question)
        seconds = READING_SECONDS if isinstance(question.message, Ask) else ANSWER_SECONDS
        if question.patience_s is not None and question.patience_s < seconds:
            self._mule.clock.advance(question.patience_s)
            raise Unanswered(question.patience_s)
        self._mule.clock.advance(seconds)
        return self._written_down(question, self._typed(question))

    def caliper_shows(self, question: Question) -> str | None:
        """Return one sentence with what is to be seen, for a person who has no machine.

        ``None`` where there is nothing to see. What the question asks to be done is done. Takes
        no time.
        """
        self._watch(question)
        self._do(question)
        message = question.message
        axis, asked = self._parts_of(question)
        if message is not None and asked in _DEEDS:
            return _DEEDS[asked].says
        match message:
            case Ask() | Text() if (measure := self._measure(axis, asked)) is not None:
                return measure.says.format(self._typed(question))
            case Ask():
                typed = self._typed(question)
                if typed == "stop":
                    return "the caliper cannot reach that far"
                shown = _IN_JAWS if asked == _CHORD else _SHOWN.get(self._kind(message.axis))
                return (shown or _IN_JAWS).format(typed)
            case Choose() if axis and asked == "first-move":
                return self._movement(axis)
            case Choose() if axis and asked.startswith("look."):
                cause, _, _ = asked.removeprefix("look.").partition(".")
                found = self._found(axis, cause)
                return None if found is None else LOOKS[cause].says(found)
            case Text() if axis and asked in ("free-minus", "free-plus"):
                side = asked.removeprefix("free-")
                free = f"{self._free_mm(axis, side)} {self._unit(axis)}"
                return f"{axis.upper()} has {free} free to the {side} side"
            case Choose() | Confirm() | Text():
                return hint(asked, axis, self._typed(question))
        return None

    def was_done(self, key: str) -> str | None:
        """Return one sentence with what somebody did to what a line speaks of; ``None`` if nothing.

        Its stored number is what is typed in by hand.
        """
        axis, _, spoken_of = key.partition(".")
        if spoken_of != "stored" or axis not in self._mule.typed:
            return None
        held = self._mule.truth.axes[axis].held_steps_per_mm
        return f"{held:.9g} steps per mm was typed in for {axis.upper()} by the simulated person"

    # --- what is asked ------------------------------------------------------------------

    def _parts_of(self, question: Question) -> tuple[str, str]:
        """Return the axis a key begins with, or nothing, and what is asked about it."""
        key = question.message.key if question.message else question.line.key
        axis, _, asked = key.partition(".")
        return (axis, asked) if axis in self._mule.truth.axes else ("", key)

    def _watch(self, question: Question) -> None:
        """Remember where everything stands just before a move."""
        if isinstance(question.accepts, Go):
            self._true_before_mm = self._mule.true_mm()
            self._commanded_before = self._mule.commanded()

    def _typed(self, question: Question) -> str:
        message = question.message
        axis, asked = self._parts_of(question)
        if message is None or isinstance(question.accepts, Go):
            return _by_form(question.accepts)
        if axis and asked == "zero-first":
            return "0.00"
        if axis and asked == "zero-last":
            return f"{self._mule.truth.axes[axis].zero_mm:.2f}"
        measure = self._measure(axis, asked)
        if measure is not None and isinstance(message, (Ask, Text)):
            return f"{measure.read(self, axis):g}"
        match message:
            case Ask():
                return self._reading(message)
            case Confirm():
                return "yes"
            case Choose():
                return self._choice(axis, asked, message)
            case Text():
                return self._text(axis, asked, message)
        return _by_form(question.accepts)

    def _choice(self, axis: str, asked: str, message: Choose) -> str:
        if asked in _CHOICES:
            return _CHOICES[asked](self)
        if asked in _HEATERS:
            return "yes" if self.is_hot(_HEATERS[asked]) else "no"
        if axis and asked in _AXIS_CHOICES:
            return _AXIS_CHOICES[asked](self, axis)
        if axis and asked.startswith("look."):
            return self._looked(axis, asked.removeprefix("look."))
        return message.default or message.options[0]

    def one_turn(self, axis: str) -> str:
        """Say whether a mark on the motor's shaft came back after the steps of one turn."""
        return "yes" if self._found(axis, "motor-turn") else "no"

    def typed_elsewhere(self, axis: str) -> frozenset[str]:
        """Return the other axes for which a number was typed into the controller."""
        return self._mule.typed - {axis}

    def _measure(self, axis: str, asked: str) -> _Measure | None:
        measure = _MEASURES.get(asked)
        return None if measure is None or (measure.of_an_axis and not axis) else measure

    def _do(self, question: Question) -> None:
        """Do what a question asks for before it is answered."""
        axis, asked = self._parts_of(question)
        if question.message is not None and asked in _DEEDS:
            _DEEDS[asked].do(self, axis)

    def _text(self, axis: str, asked: str, message: Text) -> str:
        if axis and asked in ("free-minus", "free-plus"):
            free_mm = self._free_mm(axis, asked.removeprefix("free-"))
            most_mm = free_mm if message.high_mm is None else min(free_mm, message.high_mm)
            return f"{most_mm:g}"
        if axis and asked == "fastest":
            return message.suggestions[-1]
        is_length = message.low_mm is not None or message.high_mm is not None
        return "stop" if is_length and not message.default else message.default

    def _written_down(self, question: Question, typed: str) -> str:
        """Return what is typed, but one reading with two digits swapped where hands do that."""
        match question.message:
            case Ask(axis=axis, n=n) if (
                n and n == self._mule.truth.axes[axis].misread_at and axis not in self._misread
            ):
                self._misread.add(axis)
                return _two_digits_swapped(typed)
        return typed

    # --- what the person sees -----------------------------------------------------------

    def _kind(self, axis: str) -> str:
        return self._mule.truth.axes[axis].kind

    def _off(self, spread: float, *of: object) -> float:
        """Return the error of one reading with the standard deviation `spread`."""
        return NormalDist(0.0, spread).inv_cdf(_uniform(self._seed, *of))

    def _reading(self, ask: Ask) -> str:
        match self._kind(ask.axis):
            case "feeder":
                mark_mm = round(self.mark_mm() + self._off(MARK_NOISE_MM, ask.axis, ask.n), 1)
                return f"{mark_mm:.1f}" if ask.low_mm <= mark_mm <= ask.high_mm else "stop"
            case "rotary" if ask.key == f"{ask.axis}.{_CHORD}":
                noise_mm = self._off(POINTS_NOISE_MM, ask.axis, ask.n)
                chord_mm = round(abs(self._chord_mm(ask.axis) + noise_mm), 2)
                return f"{chord_mm:.2f}" if ask.low_mm <= chord_mm <= ask.high_mm else "stop"
            case "rotary":
                turned_deg = self._mule.true_mm()[ask.axis]
                seen_deg = round(turned_deg + self._off(ANGLE_NOISE_DEG, ask.axis, ask.n), 1)
                return f"{seen_deg:.1f}" if ask.low_mm <= seen_deg <= ask.high_mm else "stop"
        one = self._mule.truth.axes[ask.axis]
        moved_mm = one.face_moved_mm if one.face_moves_at and ask.n >= one.face_moves_at else 0.0
        noise_mm = self._off(HAND_NOISE_MM, ask.axis, ask.n)
        at_mm = self._at_mm(ask.axis, ask.key)
        from_datum_mm = self._datum_mm[ask.axis] + at_mm + moved_mm - ask.block_mm
        seen_mm = round(from_datum_mm / math.cos(math.radians(one.tilt_deg)) + noise_mm, 2)
        low_mm, high_mm = CALIPER_RANGE_MM
        return f"{seen_mm:.2f}" if low_mm <= seen_mm <= high_mm else "stop"

    def _at_mm(self, axis: str, key: str) -> float:
        """Return where an axis stands against its fixed face; a key says at which screw."""
        screw = _AT_SCREW.search(key)
        if screw is not None:
            at_mm = self._mule.at_screws_mm(axis)
            return at_mm[min(int(screw[1]), len(at_mm)) - 1]
        true_mm = self._mule.true_mm()
        if not (self._mule.truth.habits.coupled_belts and axis in ("x", "y")):
            return true_mm[axis]
        turned_rad = math.radians(FACES_TURNED_DEG * (2 * _uniform(self._seed, "faces") - 1))
        along_x_mm, along_y_mm = (
            true_mm[one] - self._mule.truth.axes[one].start_mm for one in ("x", "y")
        )
        across_mm, sign = (along_y_mm, 1) if axis == "x" else (along_x_mm, -1)
        along_mm = along_x_mm if axis == "x" else along_y_mm
        return (
            self._mule.truth.axes[axis].start_mm
            + along_mm * math.cos(turned_rad)
            + sign * across_mm * math.sin(turned_rad)
        )

    # --- what the tables are made of ------------------------------------------------------

    def mark_mm(self) -> float:
        """Return how far the mark on the filament really is from the inlet, in mm."""
        delivered_mm = self._mule.true_mm()[FEEDER] - self._mark_delivered_mm
        return MARK_AT_MM - delivered_mm

    def put_mark(self) -> None:
        """Put a new mark on the filament."""
        self._mark_delivered_mm = self._mule.true_mm()[FEEDER]

    def free_filament(self, is_free: bool) -> None:
        """Take the filament out of the nozzle, or put it back."""
        self._mule.free_filament(is_free)

    def frame_shows_mm(self, part: str) -> float:
        """Return a side or diagonal of the frame as the caliper shows it; see ``Frame``."""
        true_mm: float = getattr(self._mule.frame_mm(*FRAME_MM), part)
        return round(true_mm + self._off(HAND_NOISE_MM, "frame", part), 2)

    def feeds_how(self, axis: str) -> str:
        """Say ``hot`` where something is wrong with nozzle or grip, which one sees in the work."""
        truth, healthy = self._mule.truth, self._healthy.truth
        is_as_always = (
            truth.axes[axis].slip == healthy.axes[axis].slip
            and truth.habits.nozzle_has_wire == healthy.habits.nozzle_has_wire
            and truth.habits.nozzle_sensor == healthy.habits.nozzle_sensor
        )
        return "free" if is_as_always else "hot"

    def is_hot(self, heater: str) -> bool:
        """Say whether a hand is drawn back from the nozzle "T" or the bed "B"."""
        return self._mule.temperature_c(heater) > TOO_HOT_TO_TOUCH_C

    def is_still(self) -> str:
        """Say ``yes`` when nothing moves."""
        return "no" if self._mule.is_moving() else "yes"

    def slide_mm(self, axis: str) -> float:
        """Return what a clamped caliper shows before its first reading."""
        return round(self._datum_mm[axis] + self._at_mm(axis, axis), 2)

    def index_deg(self, axis: str) -> float:
        """Return how far the index mark of a table is off its line, above -180 to 180 degrees."""
        turned_deg = self._mule.true_mm()[axis]
        return round(180.0 - (180.0 - turned_deg) % 360.0, 1) + 0.0

    def set_pointer(self, axis: str) -> None:
        """Set the tip of a pointer upon the mark on a table."""
        self._pointer_deg[axis] = self._mule.true_mm()[axis]

    def radius_mm(self, axis: str) -> float:
        """Return how far the mark is from the centre, as measured across the rim."""
        true_mm = self._mule.truth.axes[axis].mark_radius_mm
        return round(true_mm + self._off(RADIUS_NOISE_MM, axis, "radius"), 1)

    def _chord_mm(self, axis: str) -> float:
        """Return the straight way from the tip to the mark; the tip never stands quite on it."""
        mark_mm = self._mule.truth.axes[axis].mark_radius_mm
        beside_mm, out_mm = (
            TIP_BESIDE_MM * (2 * _uniform(self._seed, axis, "tip", way) - 1) / math.sqrt(2)
            for way in ("beside", "out")
        )
        tip_mm = mark_mm + out_mm
        turned_rad = math.radians(self._mule.true_mm()[axis] - self._pointer_deg.get(axis, 0.0))
        return math.dist(
            (mark_mm * math.cos(turned_rad), mark_mm * math.sin(turned_rad)), (tip_mm, beside_mm)
        )

    def holds(self, axis: str) -> str:
        """Say ``yes`` when the axis cannot be pushed away."""
        return "yes" if self._holds(axis) else "no"

    def went_all_the_way(self, axis: str) -> str:
        """Say whether the last move was about as long as it should be, by eye."""
        moved_mm = abs(self._mule.true_mm()[axis] - self._true_before_mm[axis])
        told_mm = abs(self._mule.commanded()[axis] - self._commanded_before[axis])
        if moved_mm < SEEN_MM:
            return "not-at-all"
        return "yes" if abs(told_mm - moved_mm) <= FINGER_MM else "short"

    def belt_tension(self, axis: str) -> str:
        """Say how a belt gives to a finger."""
        weakness = self._mule.truth.axes[axis].weakness
        gives = weakness is not None and weakness.unit == "tooth"
        return "slack" if gives else "firm"

    def is_loose(self, axis: str) -> bool:
        """Say whether the pulley can be turned on its shaft by hand."""
        return bool(self._found(axis, "loose-pulley"))

    def _moved_mm(self) -> dict[str, float]:
        """Return which axes were seen to move since the last go, and how far."""
        now_mm = self._mule.true_mm()
        moved_mm = {axis: now_mm[axis] - self._true_before_mm[axis] for axis in now_mm}
        return {axis: by_mm for axis, by_mm in moved_mm.items() if abs(by_mm) >= SEEN_MM}

    def first_move(self, axis: str) -> str:
        """Say in one of the words of the first-move question what was seen to move."""
        moved_mm = self._moved_mm()
        if axis not in moved_mm:
            return "other-axis" if moved_mm else self._unmoved(axis)
        if len(moved_mm) > 1:
            return "diagonal"
        commanded = self._mule.commanded()[axis] - self._commanded_before[axis]
        part = moved_mm[axis] / commanded if commanded else math.inf
        if part < 0:
            return "wrong-way"
        if part > FAR_PART:
            return "too-far"
        return "about-right" if part >= SEEN_PART else "nothing"

    def slant(self, axis: str) -> str:
        """Say how far a move went aside, against how far it went ahead."""
        moved_mm = {name: abs(by_mm) for name, by_mm in self._moved_mm().items()}
        ahead_mm = moved_mm.pop(axis, 0.0)
        part = max(moved_mm.values(), default=0.0) / ahead_mm if ahead_mm else math.inf
        return "less" if part < 1 - EVEN_PART else "as-far" if part < 1 + EVEN_PART else "further"

    def guides(self) -> str:
        """Say whether a square was held to the guides of X and Y."""
        return "square" if self._mule.truth.guides_checked else "not-checked"

    def _unmoved(self, axis: str) -> str:
        was_told = self._mule.commanded()[axis] != self._commanded_before[axis]
        shakes = was_told and self._mule.truth.axes[axis].motor_plug == "half"
        return "shakes" if shakes else "nothing"

    def _movement(self, axis: str) -> str:
        moved_mm = self._moved_mm()
        if not moved_mm and self._unmoved(axis) == "shakes":
            return f"{axis.upper()} shakes and stays where it is"
        if not moved_mm:
            return f"nothing is seen to move, not on {axis.upper()} and nowhere else"
        return ", ".join(
            f"{name.upper()} moved about {abs(by_mm):.1f} {self._unit(name)} to the "
            f"{'plus' if by_mm > 0 else 'minus'} side"
            for name, by_mm in moved_mm.items()
        )

    def _free_mm(self, axis: str, side: str) -> int:
        at_mm = self._mule.true_mm()[axis]
        low_mm, high_mm = self._mule.truth.axes[axis].range_mm
        free_mm = at_mm - low_mm if side == "minus" else high_mm - at_mm
        return max(0, math.floor(free_mm))

    def _holds(self, axis: str) -> bool:
        return self._mule.truth.axes[axis].motor_plug in ("right", "turned")

    def _unit(self, axis: str) -> str:
        return "degrees" if self._kind(axis) == "rotary" else "mm"

    def _found(self, axis: str, cause: str) -> float | bool | None:
        return LOOKS[cause].find(self._mule, axis) if cause in LOOKS else None

    def _looked(self, axis: str, suspicion: str) -> str:
        """Say whether a part has the value behind the point, or is wrong at all without one."""
        cause, _, suspected = suspicion.partition(".")
        found = self._found(axis, cause)
        if found is None:
            return "unsure"
        if not suspected:
            should = LOOKS[cause].find(self._healthy, axis)
            return "yes" if found != should else "no"
        try:
            is_so = math.isclose(found, float(suspected), rel_tol=1e-6)
        except ValueError:
            return "unsure"
        return "yes" if is_so else "no"


_SHOWN = {
    "feeder": "the mark on the filament is {} mm from the inlet",
    "rotary": "the table has turned to {} degrees",
}

_CHORD = "chord"

# A reading beside one of several screws says so in its key: z.screw-2.far.1
_AT_SCREW = re.compile(r"\.screw-([1-9])\b")


@dataclass(frozen=True)
class _Measure:
    """A quantity that a person reads, and how they would say it."""

    read: Callable[[Hands, str], float]
    says: str
    of_an_axis: bool = False


@dataclass(frozen=True)
class _Deed:
    """What a person does before answering, and how they would say it."""

    do: Callable[[Hands, str], None]
    says: str


_IN_JAWS = "the caliper shows {} mm"

_MEASURES: Mapping[str, _Measure] = {
    "temperature": _Measure(lambda *_: FILAMENT_WANTS_C, "the spool says {} degrees", True),
    "radius": _Measure(Hands.radius_mm, "the mark is {} mm from the centre", True),
    "slide-now": _Measure(Hands.slide_mm, _IN_JAWS, True),
    "index": _Measure(Hands.index_deg, "the index mark is {} degrees off its line", True),
    "frame.side-x": _Measure(lambda hands, _: hands.frame_shows_mm("side_x_mm"), _IN_JAWS),
    "frame.side-y": _Measure(lambda hands, _: hands.frame_shows_mm("side_y_mm"), _IN_JAWS),
    "frame.rising": _Measure(lambda hands, _: hands.frame_shows_mm("rising_mm"), _IN_JAWS),
    "frame.falling": _Measure(lambda hands, _: hands.frame_shows_mm("falling_mm"), _IN_JAWS),
}

_HEATERS = {"nozzle-hot": "T", "bed-hot": "B"}

_CHOICES: Mapping[str, Callable[[Hands], str]] = {
    "job-running": lambda _: "no",
    "motor-power": lambda _: "yes",
}

_AXIS_CHOICES: Mapping[str, Callable[[Hands, str], str]] = {
    "first-move": Hands.first_move,
    "still": lambda hands, _: hands.is_still(),
    "holds": Hands.holds,
    "slant": Hands.slant,
    "square": lambda hands, _: hands.guides(),
    "feed-how": Hands.feeds_how,
    "look.motor-turn": Hands.one_turn,
    "typed-where": lambda hands, axis: next(iter(hands.typed_elsewhere(axis)), "none"),
    "origin": lambda *_: "declare",
    "reading-direction": lambda *_: "no",
    "belt-tension": lambda hands, axis: hands.belt_tension(axis),
    "pulley-screws": lambda hands, axis: "loose" if hands.is_loose(axis) else "tight",
    "runs-free": lambda *_: "yes",
    "got-there": lambda hands, axis: hands.went_all_the_way(axis),
    # Nothing was made on it yet.
    "same-height": lambda *_: "unsure",
    "same-direction": lambda *_: "unsure",
    # The fault stays in: trying once more would show the same for ever.
    "after-look": lambda *_: "leave-axis",
    "no-room": lambda *_: "leave-axis",
}

_DEEDS: Mapping[str, _Deed] = {
    "put-mark": _Deed(lambda hands, _: hands.put_mark(), "a new mark is on the filament"),
    "free-filament": _Deed(
        lambda hands, _: hands.free_filament(True), "the filament hangs free of the nozzle"
    ),
    "load-filament": _Deed(
        lambda hands, _: hands.free_filament(False), "the filament is in the nozzle"
    ),
    "pointer-set": _Deed(Hands.set_pointer, "the tip of the pointer is above the mark"),
}
