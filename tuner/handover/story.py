"""What became of one axis over the sessions of a job: as found, as left, and what was decided.

Two numbers are never mixed: what the controller holds, and what the axis was measured to travel
with that. A change that nobody measured after is no "as left". For a rotary axis read degrees
wherever a name says mm.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tuner.card.schema import Axis
from tuner.drive.numbers import plain_number, plus_minus
from tuner.drive.scale import form_words, parse_form
from tuner.handover.proposal import as_table
from tuner.handover.recorded import Finding, Recorded
from tuner.wire.port import is_rehearsal

__all__ = ["Story", "stories"]

_OVER_MM = 100.0
_ALMOST_CERTAIN = 0.99
_LEAVE = "leave the stored number as it is"
_NOT_TRIED = ". Only feeds up to "
_VERDICTS = {
    "keep": "its number is right",
    "change": "its number has to change",
    "repair-first": "it has to be repaired first",
    "measure-again": "it has to be measured again",
    "cannot-tell": "what is wrong cannot be told yet",
}
_OUTCOMES = {
    "confirmed": "the proposed number was typed in, and the axis travels as it is told",
    "not-applied": "the axis travels as before: the proposed number is not in force",
    "applied-twice": "the axis travels as if the change had been made twice",
    "applied-inverse": "the axis travels as if the change had been made the wrong way round",
    "other-axis": "another axis got the number that was meant for this one",
    "overshoot": "the change went too far",
    "undershoot": "the change did not go far enough",
    "other-number": "some other number than the proposed one is in force",
    "cannot-tell": "whether the proposed number is in force could not be told",
}
# What is to be done where a check did not confirm the change.
_AGAIN = "read the number that the controller holds now, type in {number}, then check again"
_TO_DO = {
    "other-axis": "type the number found back in for the axis that got it, and {number} for this "
    "one, then check both",
    "cannot-tell": "read the number that the controller holds now, and compare it with {number}",
}


@dataclass(frozen=True)
class Story:
    """One axis: the first session that measured it, the last that judged it, and any after that.

    `found` and `judged` are None where only a check is there. `changed` is the last session that
    proposed a change, `left` the one that measured the axis as it was left.
    """

    axis: Axis
    found: Recorded | None
    judged: Recorded | None
    changed: Recorded | None
    left: Recorded | None

    @property
    def letter(self) -> str:
        """The axis letter as people write it, with the motor whose number it is if another."""
        letter, motor = self.axis.name.upper(), self.latest.get("motor", self.axis.name)
        return letter if motor == self.axis.name else f"{letter} (motor {motor})"

    @property
    def proposal(self) -> Mapping[str, Any] | None:
        """The table of the change that was proposed, None where none was."""
        return None if self.changed is None else self._table(self.changed)

    @property
    def may_be_in_force(self) -> Mapping[str, Any] | None:
        """The table of a change that somebody may have typed in by now.

        None for one that a check did not find in force, and for that of a quick check, which is
        not to be typed in yet.
        """
        if self.changed is None or self._outcome == "not-applied":
            return None
        return self.proposal if self._outcome or not self.changed.quick else None

    @property
    def is_in_force(self) -> bool:
        """Whether a check found some change of the number in force."""
        return self._outcome not in ("", "not-applied", "cannot-tell")

    @property
    def cautions(self) -> list[str]:
        """What a person has to take care of at this axis."""
        of = self.changed or self.judged
        return [] if of is None else list(self._table(of)["cautions"])

    def _table(self, of: Recorded) -> dict[str, Any]:
        identifier = next((one.id for one in of.proposals if one.axis == self.axis.name), "")
        return as_table(
            identifier,
            of.id,
            of.card,
            of.card.axes[self.axis.name],
            of.findings[self.axis.name],
            (),
            simulated=is_rehearsal(of.port),
        )

    @property
    def latest(self) -> Finding:
        """What was found last."""
        last = self.left or self.judged or self.found
        return {} if last is None else last.findings[self.axis.name]

    # --- in words -----------------------------------------------------------------------------

    def stored_as_found(self) -> str:
        """Return the number that the controller held at first."""
        if self.found is None:
            return "not in these sessions"
        if self.changed is self.found:
            return _in_form(self._table(self.found), "found")
        return self._on_card(self.found)

    def stored_as_left(self) -> str:
        """Return the number that the controller held at the end, as far as that is known."""
        proposed = "" if self.proposal is None else _in_form(self.proposal, "proposed")
        if self.left is None:
            return f"proposed: {proposed}; not checked" if proposed else "as found"
        if self.left.checked is None:
            now = self._on_card(self.left)
            return "as found" if now == self.stored_as_found() else now
        known = {"confirmed": proposed or "as proposed", "not-applied": "as found"}
        return known.get(self.left.checked.outcome, "read it from the controller")

    def travel(self, of: Recorded | None) -> str:
        """Return what the axis travels when it is told 100 mm, as `of` measured it."""
        scale = None if of is None else of.findings[self.axis.name].get("scale")
        if not scale:
            return "not measured"
        return (
            f"{plus_minus(_OVER_MM * scale['value'], _OVER_MM * scale['U'])} {self.axis.train.unit}"
        )

    def travel_as_left(self) -> str:
        """Return what the axis travels when it is told 100 mm, at the end."""
        is_unchanged = self.proposal is None and self.left is None
        return "as found" if is_unchanged else self.travel(self.left)

    def what_was_found(self) -> list[str]:
        """Return sentences: the verdict and why, and what became of a proposal."""
        said = []
        if self.judged is not None:
            finding = self.judged.findings[self.axis.name]
            verdict = finding["verdict"]
            is_done = verdict == "change" and self._outcome == "confirmed"
            words = "its number had to change" if is_done else _VERDICTS[verdict]
            if verdict == "change" and self.judged.quick and not is_done:
                words = "its number seems to be wrong, as far as a quick check can tell"
            said.append(f"{self.letter}: {words}{_why(finding)}.")
        if self.changed is not None and self.changed is not self.judged:
            why = _why(self.changed.findings[self.axis.name])
            said.append(f"{self.letter}, before that: {_VERDICTS['change']}{why}.")
        if self._outcome:
            said.append(f"{self.letter}, checked after: {_OUTCOMES[self._outcome]}.")
        return said

    def still_to_do(self) -> str:
        """Return what has to be done yet at this axis, empty where its number is in order."""
        if not self._outcome:
            what = self.latest["next"]
            if self.latest["verdict"] == "keep":
                # What was not tried stands elsewhere; what is left is what no number cures.
                clauses = what.partition(_NOT_TRIED)[0].split("; ")
                what = "; ".join(one for one in clauses if _LEAVE not in one)
            return what and f"{self.letter}: {what}."
        if self._outcome == "confirmed":
            left = "" if self.changed is None else _open_look(self.changed.findings[self.axis.name])
            return left and f"{self.letter}, whose cause nobody has seen yet: {left}."
        proposed = "" if self.proposal is None else f": {_in_form(self.proposal, 'proposed')}"
        words = _TO_DO.get(self._outcome, _AGAIN)
        return f"{self.letter}: {words.format(number=f'the proposed one{proposed}')}."

    @property
    def _outcome(self) -> str:
        """What the last check of a change came to, empty where the last session was none."""
        return "" if self.left is None or not self.left.checked else self.left.checked.outcome

    def _on_card(self, of: Recorded) -> str:
        axis = of.card.axes[self.axis.name]
        words = form_words(axis.stored.form, axis.train.unit)
        return f"{plain_number(axis.stored.value)} {words}"


def _open_look(finding: Finding) -> str:
    """Return which look at the parts is left of a change that was proposed, empty for none."""
    is_by_parts = finding["proposal"]["basis"] == "parts"
    return str(finding["next"]) if is_by_parts and finding.get("look") else ""


def _in_form(table: Mapping[str, Any], which: str) -> str:
    value = table[which][table["stored_form"]]
    if value is None:
        return "left open"
    return f"{float(value):.6g} {form_words(*parse_form(table['stored_form']))}"


def _why(finding: Finding) -> str:
    """Return the likeliest cause; parts that are as described are none for a verdict but keep."""
    causes = finding["causes"][:1]
    if causes and causes[0]["name"] == "as-described" and finding["verdict"] != "keep":
        return ""
    return "".join(f"; {one['says']} ({_likely(one['p'])})" for one in causes)


def _likely(p: float) -> str:
    """Return odds in whole per cent; nothing is ever certain."""
    return "more than 99 % likely" if p > _ALMOST_CERTAIN else f"{100 * p:.0f} % likely"


def stories(records: Sequence[Recorded]) -> list[Story]:
    """Return the story of every axis whose number `records`, the oldest first, measured."""
    records = [one for one in records if not one.test]
    cards = {name: axis for one in records for name, axis in one.card.axes.items()}
    return [
        _story(axis, having)
        for name, axis in cards.items()
        if (having := [one for one in records if name in one.findings])
    ]


def _story(axis: Axis, having: Sequence[Recorded]) -> Story:
    measured = [one for one in having if one.checked is None]
    changes = [one for one in measured if one.findings[axis.name]["verdict"] == "change"]
    found, judged = (measured[0], measured[-1]) if measured else (None, None)
    left = having[-1] if having[-1].checked is not None else None
    if left is None and judged is not found and judged not in changes:
        left = judged
    return Story(axis, found, judged, changes[-1] if changes else None, left)
