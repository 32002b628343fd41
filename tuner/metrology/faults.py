"""What a motion means for a person: which part to look at, and whether the number may be judged
yet.

The rules: nothing that looks like a number of lost cycles or belt teeth is called so before the
zero of the caliper has been looked at; what no reading can tell apart is named as a tie, with the
look that splits it; two independent faults are two findings, and one never hides the other.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from tuner.drive.parts import Belt, DriveTrain
from tuner.metrology.alternatives import OFF
from tuner.metrology.causes import odds_in_words
from tuner.metrology.fit import Fit
from tuner.metrology.jumps import Jump
from tuner.metrology.lattice import CONFIDENT, Meaning, Offset, Sense, sense_of
from tuner.metrology.motion import VISITS_DIFFER, Motion
from tuner.metrology.student import f_exceeded

__all__ = [
    "CLOSE_THE_JAWS",
    "Fault",
    "Told",
    "check_of",
    "loose_pulley",
    "splitting_look",
    "told_by",
]

# More than this is not normal (common practice, no source).
_PLAY_MM = 0.1
_RISE_MM = 0.05
_DRIFTED_MM = 0.05
_SURE_U = 3.0

_Verdict = Literal["repair-first", "measure-again", "cannot-tell"]

CLOSE_THE_JAWS = (
    "take the caliper out, close its jaws and read zero, then go to the reference and read that "
    "place again: zero off, the caliper or its datum moved; zero right and the same offset there, "
    "the machine lost it"
)
"""The datum look: what every number of lost cycles or belt teeth waits for."""


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong, or may be, with the motion, in the words of ``Cause``."""

    name: str
    p: float
    says: str
    check: str

    def as_json(self) -> dict[str, Any]:
        """Return it under the keys of a cause."""
        return {
            "name": self.name,
            "p": self.p,
            "odds": odds_in_words(self.p),
            "says": self.says,
            "check": self.check,
            "looks": [],
            "about": "motion",
        }


@dataclass(frozen=True)
class Told:
    """What a motion means: its faults, what each jump can be, and, where it decides, a verdict.

    `senses` stand in the order of the jumps. `tie` names what no reading can tell apart. `verdict`
    is None where the number may be judged; else `next` says what to do first.
    """

    motion: Motion
    faults: tuple[Fault, ...]
    senses: tuple[Sense, ...]
    verdict: _Verdict | None = None
    next: str = ""
    tie: tuple[str, ...] = ()

    @property
    def not_tested(self) -> dict[str, str]:
        """Why jumps, or what they can be, were not tested, by name."""
        if self.motion.jumps.why_not is not None:
            return {"jumps": self.motion.jumps.why_not}
        return {name: why for sense in self.senses for name, why in sense.not_tested.items()}

    def looked_at_before(self, then: str) -> str:
        """Return what to look at on the machine, and `then` behind it; that alone without faults.

        What a number does not cure comes first: the number that is right hides it.
        """
        checks = list(dict.fromkeys(one.check for one in self.faults))
        unplugged = [one.removeprefix(OFF) for one in checks if one.startswith(OFF)]
        looks = [one for one in checks if not one.startswith(OFF)]
        if unplugged:
            looks.append(OFF + "; then ".join(unplugged))
        return "; ".join((*looks, then))

    def smallest_jump_as_json(self) -> dict[str, float] | None:
        """Return the smallest jump seen nineteen times in twenty, at the best and worst place."""
        if self.motion.jumps.smallest_mm is None:
            return None
        best, worst = self.motion.jumps.smallest_mm
        return {"best_place": best, "worst_place": worst}

    def jumps_as_json(self) -> list[dict[str, Any]] | None:
        """Return the jumps as ``tuner examine --json`` prints them, None where not looked for."""
        if self.motion.jumps.why_not is not None:
            return None
        return [
            {
                "before": jump.before,
                "size_mm": jump.size_mm,
                "u": jump.u_mm,
                "as": sense.as_json(),
            }
            for jump, sense in zip(self.motion.jumps.found, self.senses, strict=True)
        ]


@dataclass(frozen=True)
class _Decision:
    verdict: _Verdict
    next: str
    tie: tuple[str, ...] = ()
    unlisted: bool = False


def told_by(motion: Motion, fit: Fit, scale: float, trains: Sequence[DriveTrain]) -> Told:
    """Return what `motion` means on the machine that is one of `trains`; none where nobody knows.

    `fit` has the jumps of the motion among its terms; `scale` is true / commanded travel.
    """
    senses = tuple(
        sense_of(_offset(jump, motion, scale), trains, motion.datum_look)
        for jump in motion.jumps.found
    )
    faults = [*_spoilt(motion), *_steady(motion, fit)]
    decisions = list(_decided_by_motion(motion))
    for jump, sense in zip(motion.jumps.found, senses, strict=True):
        faults += _jump_faults(jump, sense, trains)
        decisions.append(_decided_by(jump, sense, motion, trains))
    first = min(decisions, key=_rank, default=None)
    if first is None:
        return Told(motion, tuple(faults), senses)
    return Told(motion, tuple(faults), senses, first.verdict, first.next, first.tie)


def _rank(decision: _Decision) -> int:
    """What slips anywhere makes every count doubtful; then what is not known, then repairs."""
    if decision.unlisted:
        return -1
    return ("cannot-tell", "repair-first", "measure-again").index(decision.verdict)


def _offset(jump: Jump, motion: Motion, scale: float) -> Offset:
    return Offset(
        jump.size_mm,
        jump.u_mm,
        jump.dof,
        not_made_mm=-motion.grows * scale * jump.told_mm,
        released=motion.released_before(jump),
    )


# --- what goes on all the time --------------------------------------------------------------


def _chance_above(value: float, u: float, dof: float, least: float) -> float:
    """The chance that the true size of a term is more than `least`, by Student's distribution."""
    t = (abs(value) - least) / u
    outside = f_exceeded(t * t, 1.0, dof) / 2.0
    return 1.0 - outside if t > 0.0 else outside


def _steady(motion: Motion, fit: Fit) -> Iterator[Fault]:
    """Give play, rise and fall, drift and an unsteady reference, where they are not normal."""
    play, u_play = fit.play_mm, fit.u_play_mm
    if play is not None and u_play is not None and play > max(_PLAY_MM, _SURE_U * u_play):
        yield Fault(
            "play",
            _chance_above(play, u_play, fit.dof, _PLAY_MM),
            f"{play:.2f} mm are lost on reversal (u = {u_play:.2f} mm), which no number cures",
            OFF
            + "push the carriage to and fro: look where it gives, in belt, coupling, nut or wheels",
        )
    wave = fit.periodic
    if motion.period_turns != 1.0 and motion.rise_mm > _RISE_MM:
        yield _wave_fault(motion.rise_mm, motion.period_turns, motion.p)
    elif (
        wave is not None
        and motion.period_turns == 1.0
        and wave.amplitude_mm > max(_RISE_MM, _SURE_U * wave.u_mm)
    ):
        p = _chance_above(wave.amplitude_mm, wave.u_mm, fit.dof, _RISE_MM)
        yield _wave_fault(wave.amplitude_mm, 1.0, p)
    drift, u_drift = fit.drift_mm_per_min, fit.u_drift_mm_per_min
    if drift is not None and u_drift is not None and motion.minutes:
        drifted, u = drift * motion.minutes, u_drift * motion.minutes
        if abs(drifted) > max(_DRIFTED_MM, _SURE_U * u):
            yield Fault(
                "drift",
                _chance_above(drifted, u, fit.dof, _DRIFTED_MM),
                f"the readings drift by {drift:+.3f} mm a minute, {abs(drifted):.2f} mm in all",
                "let machine and caliper stand until both are as warm as the room, and read one "
                "place again after ten minutes",
            )
    if motion.datums_spread_mm is not None:
        yield Fault(
            "datum-moved",
            1.0 - VISITS_DIFFER,
            f"the datum is another one in each visit, by {motion.datums_spread_mm:.2f} mm, though "
            f"the readings of a visit agree to {fit.s_mm:.2f} mm",
            "where the caliper stayed as it was and the axis was referenced anew in between, the "
            "reference switch is worn or loose: "
            + OFF
            + "look at it; do not reference during the readings",
        )


def _wave_fault(amplitude_mm: float, period_turns: float, p: float) -> Fault:
    if period_turns == 1.0:
        return Fault(
            "eccentric-pulley",
            p,
            f"the readings rise and fall by {amplitude_mm:.2f} mm once per turn of the output "
            "shaft",
            OFF
            + "turn the output shaft slowly by hand and look whether its pulley, pinion or screw "
            "runs out of true",
        )
    return Fault(
        "periodic-elsewhere",
        p,
        f"the readings rise and fall by {amplitude_mm:.2f} mm about every {period_turns:.2f} "
        "turns of the output shaft: it is not the pulley on it",
        OFF
        + "look for a shaft, wheel or idler that turns once in that way, and whether it runs true",
    )


# --- what spoils readings -------------------------------------------------------------------


def _spoilt(motion: Motion) -> Iterator[Fault]:
    if motion.clipped is not None:
        yield Fault(
            "limit-clipped",
            motion.p,
            f"from {motion.clipped.from_mm:g} mm on, at the {motion.clipped.end} end, the "
            "readings stop growing: the axis does not go there",
            "compare the controller's own limits of travel and range_mm on the card with the axis; "
            "look whether it ran into something",
        )
    if motion.loose is not None:
        yield loose_pulley(motion.loose.side, motion.p)


def loose_pulley(side: str, p: float) -> Fault:
    """Return the fault of an axis that comes to rest elsewhere each time it arrives from `side`."""
    return Fault(
        "loose-pulley",
        p,
        f"what arrives from the {side} side comes to rest elsewhere each time: the loss on "
        "reversal is not constant",
        OFF
        + "draw a mark across shaft and pulley, or across both halves of the coupling, move the "
        "axis to and fro by hand, slowly, and see whether the mark stays whole",
    )


def _decided_by_motion(motion: Motion) -> Iterator[_Decision]:
    for fault in _spoilt(motion):
        if fault.name == "limit-clipped":
            yield _Decision(
                "measure-again",
                f"{fault.says}; {fault.check}; then measure over a shorter way",
            )
        else:
            yield _Decision("repair-first", f"{fault.says}; {fault.check}")


# --- jumps ----------------------------------------------------------------------------------

_CHECKS = {
    "lost-steps": "repeat the same moves at half the speed: gone, then the motor lacked torque, "
    "else look for what is stiff; where it comes late only, let motor and driver cool and repeat",
    "belt-jump": OFF + "look at the tension of the belt and for worn teeth: a slack belt jumps",
    "datum-moved": CLOSE_THE_JAWS,
    "not-listed": OFF + "look at nut, coupling, grub screws and screw: something slips there",
    "motor-released": "approach the place again before reading it, and read before the controller "
    "releases the motors",
    "move-not-made": "look in the log for an answer that is missing, and compare the reported "
    "position",
}


_NOT_LISTED_ON_A_BELT = (
    OFF
    + "look at the screws of the pulleys, and at what holds the belt to the carriage: something "
    "slips there"
)


def check_of(name: str, trains: Sequence[DriveTrain]) -> str:
    """Return what to look at where an offset is `name`, on the machine that is one of `trains`."""
    on_belts = bool(trains) and all(isinstance(one.drive, Belt) for one in trains)
    return _NOT_LISTED_ON_A_BELT if on_belts and name == "not-listed" else _CHECKS[name]


def _jump_faults(jump: Jump, sense: Sense, trains: Sequence[DriveTrain]) -> Iterator[Fault]:
    for one in sense.near:
        check = check_of(one.name, trains)
        yield Fault(one.name, one.p, f"{_where(jump)}: {one.says}", check)


def _where(jump: Jump) -> str:
    return f"before reading {jump.before} a jump of {jump.size_mm:+.2f} mm (u = {jump.u_mm:.2f} mm)"


def _decided_by(
    jump: Jump, sense: Sense, motion: Motion, trains: Sequence[DriveTrain]
) -> _Decision:
    first, where = sense.meanings[0], _where(jump)
    if first.name in ("motor-released", "move-not-made") and first.p >= CONFIDENT:
        return _Decision("measure-again", f"{where}: {first.says}; {_CHECKS[first.name]}")
    if motion.datum_look == "moved":
        return _Decision("measure-again", f"{where}: {first.says}; set zero and measure again")
    names = ", or ".join((*(one.says for one in sense.near), *sense.not_tested.values()))
    if motion.datum_look is None:
        if any(one.lattice for one in sense.near) or sense.not_tested:
            return _Decision("cannot-tell", f"{where}: {names}; {CLOSE_THE_JAWS}", sense.left)
        return _Decision("measure-again", f"{where}: {names}; {CLOSE_THE_JAWS}")
    sure = sense.sure
    if sure is not None:
        return _Decision(
            "repair-first",
            f"{where}: {sure.says}; {check_of(sure.name, trains)}",
            unlisted=sure.name == "not-listed",
        )
    look = splitting_look(jump.size_mm, sense.near, trains)
    return _Decision("cannot-tell", f"{where}: {names}; {look}", sense.left)


def splitting_look(size_mm: float, near: Sequence[Meaning], trains: Sequence[DriveTrain]) -> str:
    """Return the cheapest look that splits what an offset of `size_mm` can be.

    `near` are its meanings on the machine that is one of `trains`; what each outcome means is told.
    """
    if {"lost-steps", "belt-jump"} <= {one.name for one in near}:
        turned_deg = abs(size_mm) / float(trains[0].travel_per_rev_mm) * 360.0 % 360.0
        return (
            f"{OFF}mark the pulley against the frame at a place that can be commanded again; "
            "when it happens once more, go to that place: the pulley off by "
            f"{turned_deg:.0f} degrees, then lost cycles; the pulley right and the carriage off "
            f"by {abs(size_mm):.2f} mm, then the belt"
        )
    return (
        f"{OFF}mark the motor shaft against the motor, and what sits on it against the shaft; when "
        "it happens again: the shaft off its mark, then the motor lost cycles; only the other mark "
        "broken, then what sits on the shaft slipped"
    )
