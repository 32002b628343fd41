"""What is asked before anything moves to hunt for lost steps, and after a loss.

Many losses need no hunt: where layers shift and which way says more than a caliper can, and a
loose screw or an axis that binds is found by hand, with the power off. Pencil lines that were drawn
before say afterwards what gave way.
"""

from __future__ import annotations

from dataclasses import dataclass

from tuner.drive.parts import Belt
from tuner.messages import Choose, Confirm, Say
from tuner.metrology.losses import Lines
from tuner.metrology.unmeasured import without_fit
from tuner.plans.run import AxisRun, Finding, Part, hear

__all__ = ["ask_about_losses", "look_at_the_lines", "need_a_block", "what_the_answers_say"]

_YES_NO_UNSURE = ("yes", "no", "unsure")


@dataclass(frozen=True)
class _Found:
    """What one answer means: its cause, what it says, what to do first."""

    cause: str
    says: str
    check: str


_REPAIR_FIRST = {
    ("pulley-screws", "loose"): _Found(
        "loose-pulley",
        "a pulley or coupling screw is loose",
        "tighten the screws of pulley and coupling on the flat of the shaft, power off and "
        "unplugged; then see whether anything is still lost",
    ),
    ("runs-free", "no"): _Found(
        "not-listed",
        "the axis binds: no motor pulls through every tight place",
        "find where it binds and put that right (alignment, dirt, a cable, a dry guide), power off "
        "and unplugged; then see whether anything is still lost",
    ),
}


def ask_about_losses(run: AxisRun, asked: dict[str, str]) -> Part[Finding | None]:
    """Ask what is known and seen without a move; the answers are kept in `asked`.

    The result is the finding where something has to be repaired first, else None.
    """
    a, letter = run.name, run.letter
    yield from _choose(
        run,
        asked,
        "same-height",
        _YES_NO_UNSURE,
        f"Where was something lost on {letter}: at the same height or place of the work each time?",
    )
    yield from _choose(
        run, asked, "same-direction", _YES_NO_UNSURE, "And in the same direction each time?"
    )
    yield Say(
        key=f"{a}.power-off",
        says=(
            "Now look at the axis with the machine switched off and unplugged, a vertical axis "
            "blocked. Never pull the plug of a powered motor; turning a motor by hand generates "
            "voltage, so push slowly"
        ),
    )
    if isinstance(run.axis.train.drive, Belt):
        yield from _choose(
            run,
            asked,
            "belt-tension",
            ("firm", "slack", "unsure"),
            f"Press on the longest free length of {letter}'s belt: is it firm, or does it give?",
        )
        yield Say(
            key=f"{a}.marks",
            says=(
                "Draw two pencil lines: one across belt and pulley, one across the pulley and the "
                "end of the shaft that it sits on. If something is lost you are asked about both"
            ),
        )
    yield from _choose(
        run,
        asked,
        "pulley-screws",
        ("tight", "loose", "unsure"),
        f"Are the screws of {letter}'s pulley or coupling tight?",
    )
    yield from _choose(
        run,
        asked,
        "runs-free",
        _YES_NO_UNSURE,
        f"Push {letter} slowly from end to end: does it run evenly, without a tight place?",
    )
    return _repair_first(run, asked)


def _choose(
    run: AxisRun, asked: dict[str, str], what: str, options: tuple[str, ...], says: str
) -> Part[None]:
    if what not in asked:
        asked[what] = yield from hear(Choose(key=f"{run.name}.{what}", options=options, says=says))


def look_at_the_lines(run: AxisRun, asked: dict[str, str]) -> Part[Lines | None]:
    """Ask what became of the pencil lines after a loss; the answers are kept in `asked`.

    The result is None where that says nothing, and where no lines were drawn.
    """
    if not isinstance(run.axis.train.drive, Belt):
        return None
    yield from _choose(
        run,
        asked,
        "look.belt-jump",
        _YES_NO_UNSURE,
        f"Switch the machine off and unplug it. Push {run.letter} slowly until the pencil line on "
        "the belt comes to the pulley: has the belt left its line on the pulley? unsure too if no "
        "line was drawn",
    )
    if asked["look.belt-jump"] == "yes":
        return "belt-off"
    yield from _choose(
        run,
        asked,
        "look.loose-pulley",
        _YES_NO_UNSURE,
        "And the other line: has the pulley left its line on the end of the shaft?",
    )
    if asked["look.loose-pulley"] == "yes":
        return "pulley-off"
    both_seen = asked["look.belt-jump"] == asked["look.loose-pulley"] == "no"
    return "whole" if both_seen else None


def _repair_first(run: AxisRun, asked: dict[str, str]) -> Finding | None:
    for (what, answer), found in _REPAIR_FIRST.items():
        if asked.get(what) == answer:
            cause = {"name": found.cause, "p": 1.0, "says": found.says, "check": found.check}
            return without_fit(verdict="repair-first", axis=run.name, next=found.check, cause=cause)
    return None


def need_a_block(run: AxisRun) -> Part[None]:
    """Have a vertical axis blocked before it is driven to where its motor may give way."""
    if not run.axis.vertical:
        return
    while not (
        yield from hear(
            Confirm(
                key=f"{run.name}.block-below",
                says=(
                    f"{run.letter} is vertical: a motor that loses its way lets it drop. Is a "
                    "block under it, below the lowest place of its free travel, and nothing "
                    "beneath that could be crushed?"
                ),
            )
        )
    ):
        yield Say(key=f"{run.name}.block-first", says="Nothing moves before that is so; or stop")


def what_the_answers_say(asked: dict[str, str]) -> str:
    """Return in words what the answers point to where a hunt found nothing; may be empty."""
    hints = []
    if asked.get("same-height") == "yes":
        hints.append(
            "it was lost at the same place each time: look what is met there, a curled edge, a "
            "cable at its end, a tight guide"
        )
    if asked.get("same-direction") == "yes":
        hints.append(
            "it went the same way each time: look for a cable or hose that pulls, and at the load "
            "in that direction"
        )
    if asked.get("belt-tension") == "slack":
        hints.append("the belt is slack: tension it")
    return "; ".join(hints)
