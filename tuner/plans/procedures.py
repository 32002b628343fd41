"""The procedures besides the measuring of a stored number, each by its name for a person."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from tuner.card.dialect import Dialect
from tuner.card.schema import Card
from tuner.messages import Plan
from tuner.plans import axis_cycle, frame, lost_steps

__all__ = ["PROCEDURES", "Procedure"]


@dataclass(frozen=True)
class Procedure:
    """A plan for some axes of a machine at a port: its version, and what makes it.

    `plan` takes the card, the dialect, the names of the axes, and whether the port leads over a
    network.
    """

    version: int
    plan: Callable[[Card, Dialect, Sequence[str], bool], Plan]


PROCEDURES: Mapping[str, Procedure] = {
    lost_steps.NAME: Procedure(lost_steps.VERSION, lost_steps.lost_steps),
    axis_cycle.NAME: Procedure(axis_cycle.VERSION, axis_cycle.axis_cycle),
    frame.NAME: Procedure(frame.VERSION, frame.frame),
}
