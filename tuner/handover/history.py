"""How the numbers of a machine moved over months, and two of its sessions compared.

The number that is followed is the scale, true / commanded travel: it is what the controller of
that day made of its parts and its stored number, so a change of either shows. What a caliper is
wrong by is in the uncertainty of both sessions, and counts twice in their difference, also where
it was the same caliper: a change that is called one is one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tuner.drive.numbers import plus_minus
from tuner.handover.recorded import findings_in
from tuner.plans import check
from tuner.session.logbook import Logbook

__all__ = ["Difference", "Entry", "compare", "entries"]

# Two of the joint standard uncertainty: about 95 % (JCGM 100:2008, 6.3.3).
_COVERAGE = 2.0


@dataclass(frozen=True)
class Entry:
    """What one session found of one axis; each number with its standard uncertainty or None.

    `outcome` is that of a check, empty for every other session. `play_mm` is in `unit`, which is
    ``deg`` for an axis that turns.
    """

    session: str
    started_at: str
    axis: str
    verdict: str
    outcome: str
    scale: tuple[float, float] | None
    U: float | None
    play_mm: tuple[float, float] | None
    unit: str = "mm"


@dataclass(frozen=True)
class Difference:
    """How a number of one axis moved between two sessions; `U` is its expanded uncertainty.

    `unit` is empty for a plain ratio.
    """

    axis: str
    what: str
    before: float
    after: float
    U: float
    unit: str

    @property
    def moved(self) -> float:
        """After minus before."""
        return self.after - self.before

    @property
    def is_seen(self) -> bool:
        """Whether it moved by more than the two measurements can be wrong by."""
        return abs(self.moved) > self.U

    def in_words(self) -> str:
        """Return one sentence."""
        name = f"the {self.what} of {self.axis.upper()}"
        unit = f" {self.unit}" if self.unit else ""
        if self.is_seen:
            return f"{name} moved by {plus_minus(self.moved, self.U)}{unit}"
        return f"{name} shows no change beyond ± {self.U:.2g}{unit}"


def entries(logbook: Logbook, machine: str) -> list[Entry]:
    """Return what was found of `machine`, named as in the logbook, the oldest first.

    Only sessions that came to their end found something; those that tested something else than
    a stored number are left out.
    """
    found = []
    for one in reversed(logbook.summaries()):
        if one.machine == machine and one.ended_as == "finished":
            _, result = logbook.ending(one.id)
            head = logbook.head(one.id)
            if head.params.get("test"):
                continue
            is_check = head.plan == check.NAME
            for axis, finding in findings_in(result).items():
                found.append(
                    Entry(
                        session=one.id,
                        started_at=one.started_at,
                        axis=axis,
                        verdict=finding["verdict"],
                        outcome=result["outcome"] if is_check else "",
                        scale=_with_u(finding.get("scale")),
                        U=(finding.get("scale") or {}).get("U"),
                        play_mm=_with_u(finding.get("play_mm")),
                        unit=finding.get("unit", "mm"),
                    )
                )
    return found


def _with_u(said: Mapping[str, Any] | None) -> tuple[float, float] | None:
    return (said["value"], said["u"]) if said else None


def compare(before: Sequence[Entry], after: Sequence[Entry]) -> list[Difference]:
    """Return how each number moved that both sessions have, axis by axis."""
    then = {one.axis: one for one in before}
    differences = []
    for now in after:
        for what, old, new in _pairs(then.get(now.axis), now):
            u = math.hypot(old[1], new[1])
            unit = now.unit if what == "play" else ""
            differences.append(Difference(now.axis, what, old[0], new[0], _COVERAGE * u, unit))
    return differences


_Number = tuple[float, float]


def _pairs(before: Entry | None, now: Entry) -> list[tuple[str, _Number, _Number]]:
    if before is None:
        return []
    both = (("scale", before.scale, now.scale), ("play", before.play_mm, now.play_mm))
    return [(what, old, new) for what, old, new in both if old is not None and new is not None]
