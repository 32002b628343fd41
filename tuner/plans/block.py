"""A spacer block: a known length between datum and caliper, for an axis that is longer."""

from __future__ import annotations

import math

from tuner.messages import Choose, Decided, Text
from tuner.plans.bounds import caliper_room_mm, free_mm
from tuner.plans.run import AxisRun, Part, hear

# A base longer by less is not worth fetching a block for (common practice, no source).
_WORTH_IT_MM = 20.0
# A gauge block of 100 mm and of the coarsest grade is right to about this (from memory).
_GAUGE_BLOCK_U_MM = 0.001


def offer_block(run: AxisRun) -> Part[None]:
    """Ask for a spacer block where one makes the base longer; it is in ``run.block_mm`` then."""
    longest_mm = yield from hear(Decided(key=f"{run.name}.block-room", value=_longest_mm(run)))
    if longest_mm < _WORTH_IT_MM:
        return
    kind = yield from hear(
        Choose(
            key=f"{run.name}.block",
            options=("none", "gauge-block", "measured-bar"),
            default="none",
            says=(
                f"{run.letter} can go further than the caliper reads. A block of known length "
                "between datum and caliper makes the base longer and the value surer: a gauge "
                f"block, or a ground bar that this caliper measured, {_WORTH_IT_MM:g} to "
                f"{longest_mm:.0f} mm long. Is there one?"
            ),
        )
    )
    if kind == "none":
        return
    run.block_mm = yield from hear(
        Text(
            key=f"{run.name}.block-length",
            low_mm=_WORTH_IT_MM,
            high_mm=longest_mm,
            wanted="length",
            says="How long is the block?",
        )
    )
    # A bar is as well known as one reading of the caliper's outside jaws.
    bar_u_mm = run.caliper.error_limit_mm / math.sqrt(3.0)
    run.block_u_mm = _GAUGE_BLOCK_U_MM if kind == "gauge-block" else bar_u_mm


def _longest_mm(run: AxisRun) -> float:
    """Return the longest block that still helps, in whole mm; 0 for a caliper that is clamped.

    It must not be longer than what the caliper reads from its near end on, or places between
    could be read neither with the block nor without.
    """
    if run.mounted:
        return 0.0
    last = run.readings[-1]
    side = float(run.grows)

    def reach_mm(block_mm: float) -> float:
        return free_mm(run, last.commanded_mm, last.reading_mm, side, block_mm=block_mm)

    further_mm = (reach_mm(math.inf) - reach_mm(0.0)) * run.scale_high
    near_mm = free_mm(run, last.commanded_mm, last.reading_mm, -side) * run.scale_low
    reads_mm = near_mm + caliper_room_mm(run, last.reading_mm, side)
    return float(math.floor(min(further_mm, reads_mm)))
