"""The table of faults: each case with its machine, its bench, and the verdict that is right.

A case is played by ``fault_world``. Its group says how it is scored:

``identifiable``  the value is right, and the part after its look
``tie``           the value is right, no part is named before a look, and the look leads to it
``near tie``      the value is right or "cannot tell"; the look leads to the part
``healthy``       keep; nothing is proposed
``not listed``    never snapped to a part
``slip``          the reading is named and asked for again
``motion``        what the sequence of readings shows is named, and the number not blamed for it
``repair``        something else than the number is to be put right first
``too little``    nothing is decided
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from fault_world import (
    STEPPER,
    Bench,
    Machine,
    Outcome,
    Spoil,
    belt,
    machine_of,
    screw,
    stored_for,
)

from tuner.drive.parts import Belt, DriveTrain, GearPair, Rack
from tuner.drive.scale import Form, Stored
from tuner.metrology.targets import Target

USUAL = Bench()
WATCHED = Bench(at_once=True, caliper_mm=170.0)
"""Ten readings, all of them there when they are examined, four turns apart and more."""
LOOKED = replace(WATCHED, datum_look="unmoved")


def value_right(seen: Outcome) -> bool:
    return seen.value_confident and seen.value_right


def keep(seen: Outcome) -> bool:
    return seen.finding.verdict == "keep"


def keep_or_again(seen: Outcome) -> bool:
    return seen.finding.verdict in ("keep", "measure-again")


def value_or_cannot_tell(seen: Outcome) -> bool:
    return value_right(seen) or seen.finding.verdict == "cannot-tell"


def not_snapped(seen: Outcome) -> bool:
    proposal = seen.finding.proposal
    return proposal.basis == "measured" if proposal else seen.finding.verdict != "keep"


def leads_to(name: str, verdict: str) -> Callable[[Outcome], bool]:
    """The verdict is `verdict`, and `name` is the most probable cause."""

    def right(seen: Outcome) -> bool:
        found = seen.finding
        assert found.weighed is not None
        return found.verdict == verdict and found.weighed.causes[0].name == name

    return right


def undecided(seen: Outcome) -> bool:
    return seen.finding.verdict == "cannot-tell" and not seen.finding.value_known


def names(*rows: int) -> Callable[[Outcome], bool]:
    """At the readings as they were: measure again, and these are the likeliest to be misread."""

    def right(seen: Outcome) -> bool:
        suspects = sorted(seen.first.suspects or (), key=lambda one: -(one.p or 0.0))
        likeliest = {one.row for one in suspects[: len(rows)]}
        return seen.first.verdict == "measure-again" and likeliest == set(rows)

    return right


def shows(verdict: str, *names: str) -> Callable[[Outcome], bool]:
    """The verdict is `verdict`, and exactly the motion faults `names` are found."""

    def right(seen: Outcome) -> bool:
        told = seen.finding.told
        found = {one.name for one in told.faults} if told else set()
        return seen.finding.verdict == verdict and found == set(names)

    return right


def jumps_are(verdict: str, *each: tuple[str, int | None]) -> Callable[[Outcome], bool]:
    """The verdict is `verdict`, and each jump in turn is most probably that: name and count."""

    def right(seen: Outcome) -> bool:
        told = seen.finding.told
        assert told is not None
        named = [(one.meanings[0].name, one.meanings[0].count) for one in told.senses]
        return seen.finding.verdict == verdict and named == list(each)

    return right


def another_period(seen: Outcome) -> bool:
    """A period that is not that of the pulley is named, and the number is left alone."""
    told = seen.finding.told
    assert told is not None
    return {one.name for one in told.faults} == {"periodic-elsewhere"} and (
        seen.finding.proposal is None
    )


def off_the_lattice(seen: Outcome) -> bool:
    """Something is to be repaired that is on no list; no count of cycles or teeth explains all."""
    told = seen.finding.told
    return (
        told is not None
        and "not-listed" in {one.name for one in told.faults}
        and (seen.finding.verdict in ("repair-first", "cannot-tell"))
    )


def tied(seen: Outcome) -> bool:
    """It cannot be told, lost cycles and the belt are both named, and a look that splits them."""
    told = seen.finding.told
    return (
        told is not None
        and seen.finding.verdict == "cannot-tell"
        and {"lost-steps", "belt-jump"} <= set(told.tie)
        and "mark the pulley" in seen.finding.next
    )


@dataclass(frozen=True)
class Case:
    """One row of the table. `right` says whether an outcome is what the table asks for."""

    id: str
    group: str
    says: str
    machine: Machine
    bench: Bench
    right: Callable[[Outcome], bool]


# --- what happens to readings ---------------------------------------------------------------


def _swapped_digits(
    held_mm: np.ndarray, targets: Sequence[Target], random: np.random.Generator
) -> np.ndarray:
    """The fourth reading with units and tenths swapped, as 81.37 typed 83.17."""
    spoilt = held_mm.copy()
    units, tenths = divmod(int(held_mm[3] * 10.0) % 100, 10)
    spoilt[3] += 0.9 * (tenths - units) if tenths != units else 1.8
    return spoilt


def _exchanged(
    held_mm: np.ndarray, targets: Sequence[Target], random: np.random.Generator
) -> np.ndarray:
    """The fifth and the seventh reading in each other's place."""
    spoilt = held_mm.copy()
    spoilt[[4, 6]] = held_mm[[6, 4]]
    return spoilt


def _shifted(*jumps: tuple[int, float]) -> Spoil:
    """From each reading on, counted from 0, everything is shifted by so many mm."""

    def spoil(
        held_mm: np.ndarray, targets: Sequence[Target], random: np.random.Generator
    ) -> np.ndarray:
        spoilt = held_mm.copy()
        for before, size_mm in jumps:
            spoilt[before:] += size_mm
        return spoilt

    return spoil


def _loose(
    held_mm: np.ndarray, targets: Sequence[Target], random: np.random.Generator
) -> np.ndarray:
    """Every arrival from the minus side loses something else, 0.2 to 1.5 mm."""
    minus = np.array([one.approach == "minus" for one in targets])
    return held_mm + minus * random.uniform(0.2, 1.5, len(held_mm))


def _not_made(
    held_mm: np.ndarray, targets: Sequence[Target], random: np.random.Generator
) -> np.ndarray:
    """The move to the seventh reading is never made; every later one starts from there."""
    return _shifted((6, targets[5].commanded_mm - targets[6].commanded_mm))(
        held_mm, targets, random
    )


def _snapped(
    held_mm: np.ndarray, targets: Sequence[Target], random: np.random.Generator
) -> np.ndarray:
    """After the pause the motor finds another step, up to two full steps of 0.2 mm away."""
    return _shifted((5, float(random.uniform(-0.4, 0.4))))(held_mm, targets, random)


def _clipped(
    held_mm: np.ndarray, targets: Sequence[Target], random: np.random.Generator
) -> np.ndarray:
    """The axis ends at 100 mm of commanded travel."""
    beyond = np.array([max(0.0, one.commanded_mm - 100.0) for one in targets])
    return held_mm - beyond


def _re_referenced(
    held_mm: np.ndarray, targets: Sequence[Target], random: np.random.Generator
) -> np.ndarray:
    """A worn switch: every two readings another datum."""
    return held_mm + np.repeat(random.uniform(-0.1, 0.1, 10), 2)


def _new_origin(
    held_mm: np.ndarray, targets: Sequence[Target], random: np.random.Generator
) -> np.ndarray:
    return _shifted((5, float(random.uniform(-30.0, 30.0))))(held_mm, targets, random)


def _hot(held_mm: np.ndarray, targets: Sequence[Target], random: np.random.Generator) -> np.ndarray:
    """From the sixth reading on the driver cuts out now and then: one or two lost cycles."""
    jumps = [(5, -0.8), (7, -0.8 * float(random.integers(1, 3)))]
    return _shifted(*jumps)(held_mm, targets, random)


def _slipping(
    held_mm: np.ndarray, targets: Sequence[Target], random: np.random.Generator
) -> np.ndarray:
    """A nut slips on its thread twice, by 0.3 to 0.7 mm."""
    jumps = [(4, -float(random.uniform(0.3, 0.7))), (7, -float(random.uniform(0.3, 0.7)))]
    return _shifted(*jumps)(held_mm, targets, random)


# --- machines -------------------------------------------------------------------------------

_HEALTHY = machine_of(belt())
_SIXTEEN = machine_of(belt(), belt(16))
_MISREAD = Machine(
    card=belt(),
    card_holds=stored_for(belt()),
    real=belt(),
    holds=Stored(Form.STEPS_PER_MM, Fraction(100)),
)
_CONTRADICTED = replace(_MISREAD, card_holds=_MISREAD.holds)
_RACK = DriveTrain(Rack(Fraction(1), 20), STEPPER)
_GEARED = DriveTrain(Belt(Fraction(2), 20), STEPPER, (GearPair(16, 80),))

CASES: tuple[Case, ...] = (
    Case("F01", "healthy", "no fault", _HEALTHY, USUAL, keep),
    Case("F01m", "healthy", "no fault, ten readings", _HEALTHY, WATCHED, keep),
    Case(
        "F02",
        "healthy",
        "a noisy hand",
        _HEALTHY,
        replace(USUAL, hand_mm=0.06, most=6),
        keep_or_again,
    ),
    Case("F03", "identifiable", "pulley 16 for 20", _SIXTEEN, USUAL, value_right),
    Case(
        "F04",
        "identifiable",
        "pulley 20 for 19",
        machine_of(belt(19), belt(20)),
        USUAL,
        value_right,
    ),
    Case(
        "F03s",
        "identifiable",
        "lead 5 for 4",
        machine_of(screw("4"), screw("5")),
        USUAL,
        value_right,
    ),
    Case(
        "F03r",
        "identifiable",
        "pinion 18 for 20",
        machine_of(_RACK, replace(_RACK, drive=Rack(Fraction(1), 18))),
        USUAL,
        value_right,
    ),
    Case(
        "F03g",
        "identifiable",
        "gears 17:80 for 16:80",
        machine_of(_GEARED, replace(_GEARED, gears=(GearPair(17, 80),))),
        USUAL,
        value_right,
    ),
    Case(
        "F05",
        "tie",
        "step angle 0.9 for 1.8",
        machine_of(belt(), belt(angle="0.9")),
        USUAL,
        value_right,
    ),
    Case(
        "F05t",
        "tie",
        "the same, travel stored",
        machine_of(belt(), belt(angle="0.9"), Form.TRAVEL_PER_REV_MM),
        USUAL,
        value_right,
    ),
    Case(
        "F06",
        "tie",
        "division 8 for 16",
        machine_of(belt(), belt(microsteps=8)),
        USUAL,
        value_right,
    ),
    Case(
        "F07",
        "healthy",
        "two settings that cancel out",
        machine_of(belt(), belt(angle="0.9", microsteps=8)),
        USUAL,
        keep,
    ),
    Case(
        "F08",
        "near tie",
        "belt 2.032 for 2",
        machine_of(belt(), belt(pitch="2.032")),
        USUAL,
        value_or_cannot_tell,
    ),
    Case("F09", "healthy", "16 x 2.5 for 20 x 2", machine_of(belt(), belt(16, "2.5")), USUAL, keep),
    Case(
        "F09t",
        "tie",
        "20 teeth for 16, or 2.5 mm",
        machine_of(belt(16), belt(20)),
        USUAL,
        value_right,
    ),
    Case(
        "F10",
        "tie",
        "screw lead 2 for 8",
        machine_of(screw("2", 4), screw("2")),
        USUAL,
        value_right,
    ),
    Case("F11", "healthy", "play 0.30", _HEALTHY, replace(USUAL, play_mm=0.3), keep),
    Case(
        "F11m",
        "motion",
        "play 0.30, ten readings",
        _HEALTHY,
        replace(WATCHED, play_mm=0.3),
        shows("keep", "play"),
    ),
    Case(
        "F12",
        "motion",
        "loose pulley",
        _HEALTHY,
        replace(WATCHED, spoil=_loose),
        shows("repair-first", "loose-pulley"),
    ),
    Case(
        "F13",
        "motion",
        "eccentric pulley 0.15",
        _HEALTHY,
        replace(WATCHED, eccentric_mm=0.15),
        shows("keep", "eccentric-pulley"),
    ),
    Case(
        "F14",
        "motion",
        "rise and fall every 1.25 turns",
        _HEALTHY,
        replace(WATCHED, eccentric_mm=0.15, period_turns=1.25),
        another_period,
    ),
    Case(
        "F15",
        "motion",
        "1 lost cycle",
        _HEALTHY,
        replace(LOOKED, spoil=_shifted((4, -0.8))),
        jumps_are("repair-first", ("lost-steps", 1)),
    ),
    Case(
        "F16",
        "motion",
        "3 lost cycles",
        _HEALTHY,
        replace(LOOKED, spoil=_shifted((5, -2.4))),
        jumps_are("repair-first", ("lost-steps", 3)),
    ),
    Case(
        "F17",
        "motion",
        "belt jump, 1 tooth",
        _HEALTHY,
        replace(LOOKED, spoil=_shifted((6, 2.0))),
        jumps_are("repair-first", ("belt-jump", 1)),
    ),
    Case(
        "F18",
        "motion",
        "jump of 4 mm, 20 teeth",
        _HEALTHY,
        replace(LOOKED, spoil=_shifted((5, -4.0))),
        tied,
    ),
    Case(
        "F19",
        "motion",
        "jump of 4 mm, 16 teeth",
        machine_of(belt(16)),
        replace(LOOKED, spoil=_shifted((5, -4.0))),
        jumps_are("repair-first", ("belt-jump", 2)),
    ),
    Case(
        "F20",
        "motion",
        "lost cycle, then 4 mm",
        _HEALTHY,
        replace(LOOKED, spoil=_shifted((3, -0.8), (7, -4.0))),
        tied,
    ),
    Case(
        "F21",
        "motion",
        "jump of 0.37",
        _HEALTHY,
        replace(WATCHED, spoil=_shifted((5, 0.37))),
        jumps_are("measure-again", ("datum-moved", None)),
    ),
    Case(
        "F22",
        "too little",
        "jump of 0.79, two readings",
        _HEALTHY,
        replace(WATCHED, most=2, spoil=_shifted((1, 0.79))),
        undecided,
    ),
    Case(
        "F23",
        "motion",
        "a move that was not made",
        _HEALTHY,
        replace(WATCHED, spoil=_not_made),
        jumps_are("measure-again", ("move-not-made", None)),
    ),
    Case(
        "F24",
        "motion",
        "reset, new origin",
        _HEALTHY,
        replace(WATCHED, visits=(1,) * 5 + (2,) * 5, spoil=_new_origin),
        shows("keep"),
    ),
    Case(
        "F28",
        "motion",
        "drift 0.01 mm a minute",
        _HEALTHY,
        replace(WATCHED, timed=True, seconds_a_reading=120.0, drift_mm_per_min=0.01),
        shows("keep", "drift"),
    ),
    Case(
        "F30",
        "motion",
        "worn reference switch",
        _HEALTHY,
        replace(
            WATCHED, most=20, visits=tuple(1 + row // 2 for row in range(20)), spoil=_re_referenced
        ),
        shows("keep", "datum-moved"),
    ),
    Case(
        "F40",
        "motion",
        "driver cuts out hot",
        _HEALTHY,
        replace(LOOKED, spoil=_hot),
        lambda seen: seen.finding.verdict == "repair-first",
    ),
    Case(
        "F41",
        "motion",
        "nut slips, off the lattice",
        _HEALTHY,
        replace(LOOKED, spoil=_slipping),
        off_the_lattice,
    ),
    Case(
        "F43",
        "motion",
        "motor released",
        _HEALTHY,
        replace(
            WATCHED, timed=True, pause_before=5, pause_s=300.0, hold_time_s=120.0, spoil=_snapped
        ),
        lambda seen: seen.finding.verdict in ("keep", "measure-again"),
    ),
    Case(
        "F46",
        "motion",
        "soft limit clips",
        _HEALTHY,
        replace(WATCHED, spoil=_clipped),
        shows("measure-again", "limit-clipped"),
    ),
    Case(
        "F25",
        "repair",
        "caliper shows inches",
        replace(_HEALTHY, in_inch="caliper"),
        USUAL,
        leads_to("inch-units", "measure-again"),
    ),
    Case(
        "F25c",
        "repair",
        "controller takes inches",
        replace(_HEALTHY, in_inch="controller"),
        USUAL,
        leads_to("inch-units", "repair-first"),
    ),
    Case(
        "F26",
        "slip",
        "digits swapped, 1 of 10",
        _HEALTHY,
        replace(USUAL, at_once=True, spoil=_swapped_digits),
        names(4),
    ),
    Case(
        "F27",
        "slip",
        "two readings exchanged",
        _HEALTHY,
        replace(USUAL, at_once=True, spoil=_exchanged),
        names(5, 7),
    ),
    Case(
        "F29", "healthy", "caliper tilted 2 degrees", _HEALTHY, replace(USUAL, tilt_deg=2.0), keep
    ),
    Case(
        "F37",
        "identifiable",
        "16 for 20 and play 0.3",
        _SIXTEEN,
        replace(USUAL, play_mm=0.3),
        value_right,
    ),
    Case(
        "F38",
        "tie",
        "0.9 degree motor and 20 for 16",
        machine_of(belt(16), belt(20, angle="0.9")),
        USUAL,
        value_right,
    ),
    Case(
        "F42",
        "too little",
        "2 readings, 0.05 %",
        replace(_HEALTHY, deviation=1.0005),
        replace(USUAL, most=2),
        undecided,
    ),
    Case("F44", "tie", "controller holds 100 for 80", _MISREAD, USUAL, value_right),
    Case("F44c", "identifiable", "card and controller hold 100", _CONTRADICTED, USUAL, value_right),
    *(
        Case(
            f"{percent:+.1f}",
            "not listed",
            f"{percent:+.1f} % of no listed cause",
            replace(_HEALTHY, deviation=1.0 + percent / 100.0),
            USUAL,
            not_snapped,
        )
        for percent in (0.3, 0.6, 1.0, 1.5, -0.3, -0.6, -1.0, -1.5)
    ),
)
