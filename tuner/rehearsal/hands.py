"""The simulated person at the simulated machine: looks, reads the caliper, answers.

Rule: an answer is what somebody with eyes, a caliper and a steady hand would see of the true
mechanics, never what the program would like to hear. Noise belongs to (seed, axis, number of
the reading) alone, so a session that was cut off and taken up again reads the same numbers.
A question that no person could answer is answered with ``stop``.
"""

from __future__ import annotations

import hashlib
import math
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
from tuner.rehearsal.faults import HEALTHY_MULE, MachineTruth, Mule

__all__ = ["Hands"]

READING_SECONDS = 8.0
ANSWER_SECONDS = 2.0

CALIPER_RANGE_MM = (0.0, 150.0)  # as on the card of the mule
# The fixed face is placed so that about 60 mm show where the carriage stands first: then the
# caliper covers 50 mm to one side and 80 mm to the other.
READING_AT_START_MM = 60.0
READING_SPREAD_MM = 2.0
HAND_NOISE_MM = 0.02  # one standard deviation of a careful hand

SEEN_MM = 0.05  # less than this nobody sees move
SEEN_PART = 0.1
# By eye and over a millimetre nobody tells 2 mm from 1 mm; a multiple of inches everybody does.
FAR_PART = 4.0


def _uniform(*of: object) -> float:
    """Return a number in (0, 1) that depends on nothing but `of`."""
    digest = hashlib.blake2b("/".join(map(str, of)).encode(), digest_size=7).digest()
    return ((int.from_bytes(digest) >> 4) + 0.5) / 2**52


_Find = Callable[[MachineTruth, str], float | bool | None]


@dataclass(frozen=True)
class _Look:
    """What a look at one part finds, and how a person would say it.

    `find` returns a number, or whether the fault is there; `says` puts that into words.
    """

    find: _Find
    says: Callable[[float], str]


def _of_kind(kind: str, value: Callable[[MachineTruth, str], float]) -> _Find:
    return lambda truth, axis: value(truth, axis) if truth.axes[axis].kind == kind else None


def _either(when_so: str, when_not: str) -> Callable[[float], str]:
    return lambda found: when_so if found else when_not


_LOOKS: Mapping[str, _Look] = {
    "pulley-teeth": _Look(
        _of_kind("belt", lambda truth, axis: truth.axes[axis].count),
        lambda found: f"the pulley has {found:g} teeth",
    ),
    "belt-pitch": _Look(
        _of_kind("belt", lambda truth, axis: truth.axes[axis].pitch_mm),
        lambda found: f"50 teeth of the belt measure {50 * found:.1f} mm",
    ),
    "screw-lead": _Look(
        _of_kind("screw", lambda truth, axis: truth.axes[axis].travel_per_rev_mm),
        lambda found: f"one turn of the screw moves the nut {found:g} mm",
    ),
    "step-angle": _Look(
        lambda truth, axis: truth.axes[axis].step_angle_deg,
        lambda found: f"the label on the motor says {found:g} degrees per step",
    ),
    "microsteps": _Look(
        lambda truth, axis: truth.axes[axis].microsteps,
        lambda found: f"the driver is set to {found:g} microsteps",
    ),
    "stored-number": _Look(
        lambda truth, axis: truth.axes[axis].held_steps_per_mm,
        lambda found: f"the controller holds {found:g} steps per mm",
    ),
    "play": _Look(
        lambda truth, axis: truth.axes[axis].play_mm >= 0.1,
        _either("the carriage can be pushed to and fro", "the carriage cannot be pushed"),
    ),
    "eccentric-pulley": _Look(
        lambda truth, axis: truth.axes[axis].eccentricity_mm >= SEEN_MM,
        _either("the pulley runs out of round", "the pulley runs true"),
    ),
    "inch-units": _Look(
        lambda truth, _: truth.stuck_in_inches,
        _either("the controller counts in inches", "the controller counts in millimetres"),
    ),
    "reversed": _Look(
        lambda truth, axis: truth.axes[axis].motor_plug == "turned",
        _either("the motor's plug is turned", "the motor's plug is the right way round"),
    ),
    "not-powered": _Look(
        lambda truth, axis: truth.axes[axis].motor_plug == "off",
        _either("the motor's plug is loose", "the motor's plug sits firmly"),
    ),
    "wrong-axis": _Look(
        lambda truth, axis: truth.plugs[axis] != axis,
        _either("the motor's plug is in another axis's place", "the motor's plug is in its place"),
    ),
}


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
        seconds = READING_SECONDS if isinstance(question.message, Ask) else ANSWER_SECONDS
        if question.patience_s is not None and question.patience_s < seconds:
            self._mule.clock.advance(question.patience_s)
            raise Unanswered(question.patience_s)
        self._mule.clock.advance(seconds)
        return self._typed(question)

    def caliper_shows(self, question: Question) -> str | None:
        """Return one sentence with what is to be seen, for a person who has no machine.

        ``None`` where there is nothing to see. Takes no time.
        """
        self._watch(question)
        message = question.message
        axis, asked = self._parts_of(question)
        match message:
            case Ask():
                typed = self._typed(question)
                if typed == "stop":
                    return "the caliper cannot reach that far"
                return f"the caliper shows {typed} mm"
            case Choose() if axis and asked == "first-move":
                return self._movement(axis)
            case Choose() if axis and asked.startswith("look."):
                cause, _, _ = asked.removeprefix("look.").partition(".")
                found = self._found(axis, cause)
                return None if found is None else _LOOKS[cause].says(found)
            case Choose() if axis and asked == "still":
                return "something still moves" if self._mule.is_moving() else "everything is still"
            case Choose() if axis and asked == "holds":
                return f"{axis.upper()} {'holds' if self._holds(axis) else 'gives way'}"
            case Text() if axis and asked in ("free-minus", "free-plus"):
                side = asked.removeprefix("free-")
                return f"{axis.upper()} has {self._free_mm(axis, side)} mm free to the {side} side"
        return None

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
        if axis and asked in ("zero-first", "zero-last"):
            return "0.00"
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
        if asked == "job-running":
            return "no"
        if asked == "motor-power":
            return "yes"
        if axis:
            if asked == "first-move":
                return self._first_move(axis)
            if asked == "still":
                return "no" if self._mule.is_moving() else "yes"
            if asked == "holds":
                return "yes" if self._holds(axis) else "no"
            if asked == "origin":
                return "declare"
            if asked == "after-look":
                # The fault stays in: trying once more would show the same for ever.
                return "leave-axis"
            if asked.startswith("look."):
                return self._looked(axis, asked.removeprefix("look."))
        return message.default or message.options[0]

    def _text(self, axis: str, asked: str, message: Text) -> str:
        if axis and asked in ("free-minus", "free-plus"):
            free_mm = self._free_mm(axis, asked.removeprefix("free-"))
            most_mm = free_mm if message.high_mm is None else min(free_mm, message.high_mm)
            return f"{most_mm:g}"
        is_length = message.low_mm is not None or message.high_mm is not None
        return "stop" if is_length and not message.default else message.default

    # --- what the person sees -----------------------------------------------------------

    def _reading(self, ask: Ask) -> str:
        noise_mm = NormalDist(0.0, HAND_NOISE_MM).inv_cdf(_uniform(self._seed, ask.axis, ask.n))
        seen_mm = round(self._datum_mm[ask.axis] + self._mule.true_mm()[ask.axis] + noise_mm, 2)
        low_mm, high_mm = CALIPER_RANGE_MM
        return f"{seen_mm:.2f}" if low_mm <= seen_mm <= high_mm else "stop"

    def _moved_mm(self) -> dict[str, float]:
        """Return which axes were seen to move since the last go, and how far."""
        now_mm = self._mule.true_mm()
        moved_mm = {axis: now_mm[axis] - self._true_before_mm[axis] for axis in now_mm}
        return {axis: by_mm for axis, by_mm in moved_mm.items() if abs(by_mm) >= SEEN_MM}

    def _first_move(self, axis: str) -> str:
        moved_mm = self._moved_mm()
        if axis not in moved_mm:
            return "other-axis" if moved_mm else "nothing"
        if len(moved_mm) > 1:
            return "diagonal"
        commanded = self._mule.commanded()[axis] - self._commanded_before[axis]
        part = moved_mm[axis] / commanded if commanded else math.inf
        if part < 0:
            return "wrong-way"
        if part > FAR_PART:
            return "too-far"
        return "about-right" if part >= SEEN_PART else "nothing"

    def _movement(self, axis: str) -> str:
        moved_mm = self._moved_mm()
        if not moved_mm:
            return f"nothing is seen to move, not on {axis.upper()} and nowhere else"
        return ", ".join(
            f"{name.upper()} moved about {abs(by_mm):.1f} mm to the "
            f"{'plus' if by_mm > 0 else 'minus'} side"
            for name, by_mm in moved_mm.items()
        )

    def _free_mm(self, axis: str, side: str) -> int:
        at_mm = self._mule.true_mm()[axis]
        low_mm, high_mm = self._mule.truth.axes[axis].range_mm
        free_mm = at_mm - low_mm if side == "minus" else high_mm - at_mm
        return max(0, math.floor(free_mm))

    def _holds(self, axis: str) -> bool:
        return self._mule.truth.axes[axis].motor_plug != "off"

    def _found(self, axis: str, cause: str) -> float | bool | None:
        return _LOOKS[cause].find(self._mule.truth, axis) if cause in _LOOKS else None

    def _looked(self, axis: str, suspicion: str) -> str:
        """Say whether a part has the value behind the point, or is wrong at all without one."""
        cause, _, suspected = suspicion.partition(".")
        found = self._found(axis, cause)
        if found is None:
            return "unsure"
        if not suspected:
            should = _LOOKS[cause].find(HEALTHY_MULE, axis)
            return "yes" if found != should else "no"
        try:
            is_so = math.isclose(found, float(suspected), rel_tol=1e-6)
        except ValueError:
            return "unsure"
        return "yes" if is_so else "no"
