"""Reading a proposal back, to see after the change what became of it.

A proposal is somebody's file by then: it may have been edited, cut short or belong to another
machine. It is read as strictly as a card, but for keys that a later version may add.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from tuner.card.strict import Section, parse, read_text
from tuner.drive.scale import Form, form_key, parse_form
from tuner.errors import InputFault
from tuner.metrology.applied import Promise
from tuner.text import shown

__all__ = ["Filed", "read_proposal"]

_WHAT = "proposal"
_LONGEST = 500
_UNITS = ("mm", "deg")
_SMALLEST, _LARGEST = Fraction(1, 10**9), Fraction(10**9)


@dataclass(frozen=True)
class Filed:
    """What a proposal file says, as far as a check of the axis needs it.

    `found` and `proposed` map each form to its number; a form that a tie left open is not there.
    `scale` and `u_scale` are the measured scale and its standard uncertainty.
    """

    id: str
    session: str
    machine: str
    axis: str
    card_sha256: str
    basis: str
    stored_form: Form
    found: Mapping[Form, float]
    proposed: Mapping[Form, float]
    scale: float
    u_scale: float
    sha256: str

    @property
    def promise(self) -> Promise:
        """What the change should do to the scale of the axis."""
        in_both = self.found.keys() & self.proposed.keys()
        form = next(one for one in (Form.STEPS_PER_MM, self.stored_form) if one in in_both)
        factor = self.proposed[form] / self.found[form]
        if form in (Form.TRAVEL_PER_REV_MM, Form.TRAVEL_PER_MOTOR_REV_MM, Form.MM_PER_STEP):
            factor = 1.0 / factor  # more mm for a turn: fewer steps, and less travel, a mm
        return Promise(
            before=self.scale,
            u_before_relative=self.u_scale / self.scale,
            factor=factor,
            exact=self.basis == "parts",
        )


def read_proposal(path: Path) -> Filed:
    """Return the proposal in the file at `path`.

    Raises ``BadFile`` with all that is wrong with it, and ``InputFault`` for one that proposes
    no change: there is nothing to check.
    """
    text = read_text(path, _WHAT)
    name = shown(str(path))
    top = parse(text, str(path), _WHAT)
    verdict = top.text("verdict", "the verdict", _LONGEST)
    if verdict and verdict != "change":
        raise InputFault(
            f"{name}: its verdict is {shown(verdict)}, and nothing was proposed that could be "
            "checked; name a proposal whose verdict is change"
        )
    key = top.word("stored_form", tuple(form_key(form, unit) for unit in _UNITS for form in Form))
    stored_form, unit = parse_form(key) if key else (Form.STEPS_PER_MM, "mm")
    basis = top.word("basis", ("parts", "measured"))
    found = _forms(top.section("found", "the table [found]"), unit)
    proposed = _forms(top.section("proposed", "the table [proposed]"), unit)
    scale = top.section("scale", "the table [scale]")
    filed = Filed(
        id=top.text("id", "the identifier", _LONGEST),
        session=top.text("session", "the session", _LONGEST),
        machine=top.text("machine", "the machine", _LONGEST),
        axis=top.text("axis", "the axis", _LONGEST),
        card_sha256=top.text("card_sha256", "the digest of the card", _LONGEST),
        basis=basis,
        stored_form=stored_form,
        found=found,
        proposed=proposed,
        scale=float(scale.number("value", _SMALLEST, _LARGEST, "(true / commanded travel)")),
        u_scale=float(scale.number("u", _SMALLEST, _LARGEST, "(true / commanded travel)")),
        sha256=hashlib.sha256(text.encode()).hexdigest(),
    )
    if key and not {stored_form, Form.STEPS_PER_MM} & found.keys() & proposed.keys():
        top.missing(f"proposed.{key}", "the number that the controller should hold")
    top.raise_if_any()
    return filed


def _forms(section: Section, unit: str) -> dict[Form, float]:
    return {
        form: float(section.number(key, _SMALLEST, _LARGEST, "(above 0)"))
        for form in Form
        if section.has(key := form_key(form, unit))
    }
