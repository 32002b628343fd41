"""What a hunt for lost steps knows of one axis while it goes on, and what it came to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Literal

from tuner.metrology.lattice import Offset
from tuner.plans.run import AxisRun, Part

__all__ = ["READ_TWICE_MM", "SLOW_CYCLES", "Fast", "Hunt"]

SLOW_CYCLES = 4
READ_TWICE_MM = 0.15
"""A hand never scatters so far, so it is a loss or a misreading: it is read once more."""

Fast = Literal["out", "back", "neither"]
"""Which way of a cycle is the fast one."""


@dataclass
class Hunt:
    """One axis while it is hunted; lengths in commanded mm, readings in mm.

    `from_mm` is where every cycle begins, `way_mm` how far it goes from there to plus. `feeds` are
    those agreed on, and `done` the cycles that came back. `before_mm` are the readings of the
    datum that still stand, `repeats` groups of them in which nothing was lost, `seen_mm` all
    readings of it since the caliper was placed. `smallest_mm` is the smallest loss that a cycle
    would have shown. `lost` is what was lost as far as is known now, and is kept whatever comes
    after; of all `rounds` at its feed it came in `round`, counted from 1, where they are counted.
    `weigh` says it anew by all readings of the place where it shows.
    """

    run: AxisRun
    asked: dict[str, str] = field(default_factory=dict)
    from_mm: float = 0.0
    way_mm: float = 0.0
    feeds: list[float] = field(default_factory=list)
    done: list[tuple[float, Fast]] = field(default_factory=list)
    before_mm: list[float] = field(default_factory=list)
    seen_mm: list[float] = field(default_factory=list)
    repeats: list[list[float]] = field(default_factory=list)
    smallest_mm: float = 0.0
    outcome: str = ""
    lost: dict[str, Any] = field(default_factory=dict)
    weigh: Callable[[list[float]], Part[Any]] | None = None
    zero_first_mm: float = 0.0
    zero_is_good: bool = True

    @property
    def slow_mm_per_min(self) -> float:
        """The feed of every way that must not lose anything."""
        return self.run.axis.feed_mm_per_min

    @property
    def passed(self) -> int:
        """How many cycles came back before something was lost."""
        return sum(SLOW_CYCLES if fast == "neither" else 1 for _, fast in self.done)

    @property
    def not_again(self) -> int:
        """How many other cycles at the feed of the loss lost nothing."""
        return max(0, int(self.lost.get("rounds", 1)) - 1)

    def expected_mm(self) -> float | None:
        """Return what the datum should read: what those readings say that go with the newest.

        None before it was read. After a loss the axis comes back to where it stands since.
        """
        here = [mm for mm in self.seen_mm if abs(mm - self.seen_mm[-1]) <= READ_TWICE_MM]
        return sum(here) / len(here) if here else None

    @property
    def lost_offset(self) -> Offset:
        """What was lost, in the direction of the axis."""
        return Offset(self.lost["size_mm"], self.lost["u_mm"], self.lost["dof"])
