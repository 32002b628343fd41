"""How the numbers of a machine moved over months, and two of its sessions compared.

The number that is followed is the scale, true / commanded travel: it is what the controller of
that day made of its parts and its stored number, so a change of either shows. What a caliper is
wrong by is in the uncertainty of both sessions, and counts twice in their difference, also where
it was the same caliper: a change that is called one is one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from tuner.card.read import parse_card
from tuner.drive.numbers import plus_minus
from tuner.drive.scale import form_key, form_words, parse_form
from tuner.errors import BadFile
from tuner.handover.recorded import Finding, findings_in
from tuner.plans import check
from tuner.session.logbook import Logbook, SessionHead

__all__ = ["Difference", "Entry", "compare", "entries", "entry", "in_order", "moved_since"]

# Two of the joint standard uncertainty: about 95 % (JCGM 100:2008, 6.3.3).
_COVERAGE = 2.0
_ORDER = "xyzuvwabce"  # ISO 841, then the feeder


@dataclass(frozen=True)
class Entry:
    """What one session found of one axis; each number with its standard uncertainty or None.

    `outcome` is that of a check, empty for every other session. `play_mm` is in `unit`, which is
    ``deg`` for an axis that turns. `stored` is the number that the controller held then, in the
    form `stored_as`, None where nobody knows; `job` the number of the job, if any.
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
    stored: float | None = None
    stored_as: str = ""
    job: str = ""

    def found(self) -> str:
        """Return what the session says of the axis: its verdict, or what became of a change."""
        return self.outcome or self.verdict

    def stored_in_words(self) -> str:
        """Return the stored number with its unit, a dash where it is not known."""
        if self.stored is None:
            return "-"
        return f"{self.stored:.6g} {form_words(*parse_form(self.stored_as))}"

    def scale_in_words(self) -> str:
        """Return the scale with its expanded uncertainty, a dash where it was not measured."""
        return "-" if self.scale is None else plus_minus(self.scale[0], self.U or 0.0)

    def play_in_words(self) -> str:
        """Return the play with its expanded uncertainty, a dash where it was not measured."""
        if self.play_mm is None:
            return "-"
        value, u = self.play_mm
        return f"{plus_minus(value, _COVERAGE * u)} {self.unit}"


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
                outcome = result["outcome"] if is_check else ""
                bare = entry(one.id, one.started_at, axis, finding, outcome)
                stored, stored_as = _stored(head, axis, finding, outcome)
                found.append(replace(bare, stored=stored, stored_as=stored_as, job=one.job))
    return found


def _stored(
    head: SessionHead, axis: str, finding: Finding, outcome: str
) -> tuple[float | None, str]:
    """Return the number that the controller held in a session, and its form, as far as is known.

    That is what its card says, unless a look found another, or a change was checked.
    """
    try:
        on = parse_card(head.card, f"the card of session {head.id}").axes[axis]
    except (BadFile, KeyError):
        return None, ""
    number: float | None = float(on.stored.value)
    if outcome == "confirmed":
        number = head.params.get("change", {}).get("number")
    elif outcome not in ("", "not-applied"):
        number = None
    elif not outcome and finding.get("proposal"):
        number = finding["proposal"]["found"][on.stored.form]
    return number, form_key(on.stored.form, on.train.unit)


def entry(
    session: str, started_at: str, axis: str, finding: Mapping[str, Any], outcome: str = ""
) -> Entry:
    """Return what `session` found of `axis`, from its `finding`; `outcome` is that of a check."""
    return Entry(
        session=session,
        started_at=started_at,
        axis=axis,
        verdict=finding["verdict"],
        outcome=outcome,
        scale=_with_u(finding.get("scale")),
        U=(finding.get("scale") or {}).get("U"),
        play_mm=_with_u(finding.get("play_mm")),
        unit=finding.get("unit", "mm"),
    )


def in_order(found: Iterable[Entry]) -> dict[str, list[Entry]]:
    """Return `found` by axis, the axes in the order in which machines name them."""
    by_axis: dict[str, list[Entry]] = {}
    for one in sorted(found, key=lambda one: _ORDER.find(one.axis)):
        by_axis.setdefault(one.axis, []).append(one)
    return by_axis


def moved_since(its: Sequence[Entry]) -> list[Difference | None]:
    """Return for each of `its`, entries of one axis, how its scale moved since the one before.

    None where no scale was measured, or none before it.
    """
    moved: list[Difference | None] = []
    before: Entry | None = None
    for now in its:
        of_scale = [] if before is None else compare([before], [now])
        moved.append(next((one for one in of_scale if one.what == "scale"), None))
        before = before if now.scale is None else now
    return moved


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
