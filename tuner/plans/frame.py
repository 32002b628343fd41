"""Squareness of two axes, from two sides and two diagonals that a person measured.

On the machine, between marks that the axes have made, or on a printed frame: nothing moves, and
no controller is talked to.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial

from tuner.card.dialect import Dialect
from tuner.card.schema import Card
from tuner.errors import BadReadings
from tuner.messages import Checkpoint, Choose, Decided, Plan, Say, Text
from tuner.metrology.squareness import Length, Squareness, judge_squareness, squareness
from tuner.metrology.unmeasured import without_fit
from tuner.plans.recover import Contact
from tuner.plans.run import Finding, Part, hear

__all__ = ["NAME", "VERSION", "frame"]

NAME = "squareness"
VERSION = 1

_LONGEST_MM = 2000.0
_SHORTEST_MM = 20.0
_USUAL_MM = "100"
# A careful hand at the corners of a frame (common practice, no source).
_HAND_MM = 0.02


@dataclass
class _Frame:
    """What is known of the frame so far: how it was made, its sides as told, all as measured."""

    kind: str = ""
    told_mm: dict[str, float] = field(default_factory=dict)
    measured_mm: dict[str, float] = field(default_factory=dict)


def frame(card: Card, dialect: Dialect, axes: Sequence[str], network: bool) -> Plan:
    """Ask for a frame along two of `axes` of the machine on `card`, and say how square it is.

    Those two are the first of `axes`, and x and y where there are fewer. The result maps the
    second one, which leans, to its finding, with ``squareness`` besides: the keys of
    ``Squareness.as_json``, axes and says. Nothing moves over the port, whatever `dialect` and
    `network` are.
    """
    contact = Contact(dialect, network=network)
    along = (axes[0], axes[1]) if len(axes) > 1 else ("x", "y")
    known = _Frame()
    return (yield from contact.through(partial(_asked, card, known, along)))


def _asked(card: Card, known: _Frame, along: tuple[str, str]) -> Part[dict[str, Finding]]:
    yield Checkpoint(key="frame", step=1, of=1, says="A frame, its sides and its diagonals")
    one, other = (axis.upper() for axis in along)
    known.kind = known.kind or (
        yield from hear(
            Choose(
                key="frame.kind",
                options=("printed", "machine"),
                default="printed",
                says=(
                    f"A printed frame along {one} and {other}, or four marks that the machine has "
                    "made? The larger the frame, the surer the angle"
                ),
            )
        )
    )
    for axis in along:
        if axis not in known.told_mm:
            says = f"How long was its side along {axis.upper()} meant to be?"
            known.told_mm[axis] = yield from _length(f"told-{axis}", says, default=_USUAL_MM)
    told_mm = list(known.told_mm.values())
    while True:
        yield from _measured(known, along)
        seen = _seen(card, known, along)
        fits = yield from hear(
            Decided(key="frame.fits", value=seen if isinstance(seen, str) else "")
        )
        if not fits and isinstance(seen, Squareness):
            break
        yield Say(key="frame.refused", says=fits)
        known.measured_mm.clear()
    judged = judge_squareness(seen, told_mm, printed=known.kind == "printed", axes=along)
    finding = without_fit(verdict=judged["verdict"], axis=along[1], next=judged["next"])
    finding["squareness"] = {"axes": [*along], **seen.as_json(), "says": judged["says"]}
    finding = yield from hear(Decided(key="frame.finding", value=finding))
    yield Say(
        key="frame", tag="RESULT", fields=_fields(finding), says=finding["squareness"]["says"]
    )
    yield Say(key="frame.next", says=f"next: {finding['next']}")
    return {along[1]: finding}


def _fields(finding: Finding) -> tuple[tuple[str, str], ...]:
    skew = finding["squareness"]["skew_deg"]
    return (
        ("verdict", finding["verdict"]),
        ("skew_deg", f"{skew['value']:.4f}"),
        ("U", f"{skew['U']:.4f}"),
    )


def _measured(known: _Frame, along: tuple[str, str]) -> Part[None]:
    """Ask for those of the four lengths that are missing."""
    for key, what in (
        *((f"side-{axis}", f"side along {axis.upper()}") for axis in along),
        ("rising", "diagonal from the corner where both axes begin to the opposite one"),
        ("falling", "other diagonal"),
    ):
        if key not in known.measured_mm:
            says = f"Measure the {what}, corner to corner, always at the same edge of the lines"
            known.measured_mm[key] = yield from _length(key, says)


def _length(key: str, says: str, default: str = "") -> Part[float]:
    text = Text(
        key=f"frame.{key}",
        default=default,
        low_mm=_SHORTEST_MM,
        high_mm=_LONGEST_MM,
        wanted="length",
        says=says,
    )
    return float((yield from hear(text)))


def _seen(card: Card, known: _Frame, along: tuple[str, str]) -> Squareness | str:
    """Return what the four lengths say, or in words why no frame has them."""
    u_mm = math.hypot(card.caliper.error_limit_mm / math.sqrt(3.0), _HAND_MM)
    a, b, d1, d2 = (
        Length(known.measured_mm[key], u_mm)
        for key in (*(f"side-{axis}" for axis in along), "rising", "falling")
    )
    nominal_a_mm, nominal_b_mm = known.told_mm.values()
    try:
        return squareness(
            a=a, b=b, d1=d1, d2=d2, nominal_a_mm=nominal_a_mm, nominal_b_mm=nominal_b_mm
        )
    except BadReadings as reason:
        return str(reason)
