"""Cautions: signal word, hazard, consequence, avoidance; one for every move and every heating.

The words follow ANSI Z535.4 and ISO 3864-2: WARNING could mean death or serious injury,
CAUTION minor or moderate injury. The full text is shown at first use and whenever something
changed: axis, direction, speed class, heat, the longest move so far, or a move toward
something fixed. Otherwise one line stands, with what differs first, so that it stays read.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

from tuner.safety.heat import Heaters, heat_class, heat_in_words

# Above each of these a hand is drawn back less surely: another class of speed.
_FASTER_MM_PER_S = (10.0, 50.0, 100.0)


@dataclass(frozen=True)
class Hazard:
    """What one motion line does to its surroundings. `by_mm` is None for a switch search.

    `feeds` says that it is filament that moves, and nothing else. `beside` is the axis that may
    move along on coupled belts, `unit` what the axis counts in.
    """

    axis: str
    by_mm: float | None
    feed_mm_per_min: float
    vertical: bool
    moves: str
    toward: str = ""
    feeds: bool = False
    beside: str = ""
    unit: str = "mm"


@dataclass(frozen=True)
class Caution:
    """A caution for exactly one motion line."""

    word: str
    text: str
    full: bool


class CautionBook:
    """Knows what was already said, and therefore how much must be said now."""

    def __init__(self) -> None:
        self._said: set[tuple[object, ...]] = set()
        self._longest_mm: dict[str, float] = {}
        self._heat = ""

    def caution(self, hazard: Hazard, heaters: Heaters) -> Caution:
        """Return the caution for one move and remember that it was given."""
        fast = bisect_left(_FASTER_MM_PER_S, hazard.feed_mm_per_min / 60.0)
        direction = "search" if hazard.by_mm is None else "plus" if hazard.by_mm > 0 else "minus"
        signature = (hazard.axis, direction, fast, hazard.toward)
        heat = heat_class(heaters)
        length_mm = abs(hazard.by_mm) if hazard.by_mm is not None else float("inf")
        longest = self._longest_mm.get(hazard.axis, 0.0)
        changed = (
            signature not in self._said
            or heat != self._heat
            or length_mm > longest * 1.001
            or hazard.by_mm is None
        )
        self._said.add(signature)
        self._heat = heat
        self._longest_mm[hazard.axis] = max(longest, length_mm)
        what = _what_moves(hazard)
        if not changed:
            return Caution(
                "WARNING", f"{what}. Caliper and hands out. {heat_in_words(heaters)}", False
            )
        return Caution("WARNING", _full_text(hazard, what, heaters), True)


def heat_caution(place: str, target_c: float, heaters: Heaters) -> Caution:
    """Return the caution for heating `place` to `target_c`: always the full text."""
    return Caution(
        "WARNING",
        f"The {place} will be at {target_c:.0f} °C: it burns at a touch, as does what drips from "
        "it; fumes harm. Hands and caliper off, nothing near that can burn; air the room, stay "
        "here, power switch in reach. Once off it stays hot for minutes. "
        f"{heat_in_words(heaters)}",
        True,
    )


def _what_moves(hazard: Hazard) -> str:
    axis = hazard.axis.upper()
    speed = f"{hazard.feed_mm_per_min / 60.0:.3g} {hazard.unit}/s"
    if hazard.by_mm is None:
        return f"{axis} runs until its end switch acts, at the controller's own speed"
    if hazard.feeds:
        way = "forward" if hazard.by_mm > 0 else "back"
        return f"{axis} {abs(hazard.by_mm):.2f} mm of filament {way}, {speed}"
    side = "plus" if hazard.by_mm > 0 else "minus"
    mover = " (the bed moves the other way)" if hazard.moves == "bed" else ""
    along = f", {hazard.beside.upper()} may follow" if hazard.beside else ""
    return f"{axis} {abs(hazard.by_mm):.2f} {hazard.unit} to {side}{mover}{along}, {speed}"


def _full_text(hazard: Hazard, what: str, heaters: Heaters) -> str:
    danger = "Moving parts can crush and catch fingers, hair, sleeves, the caliper."
    if hazard.unit == "deg":
        danger = "What turns draws in fingers, hair, sleeves, cables, the caliper."
    if hazard.vertical:
        danger = "A vertical axis can drop, pinch, crush; moving parts catch hair, sleeves."
    if hazard.feeds:
        danger = "Its wheel draws in fingers, hair, sleeves; a loose end whips."
        if heat_class(heaters) == "hot":
            danger += " Melt burns, its fumes harm: air the room."
    toward = f" Toward {hazard.toward}." if hazard.toward else ""
    return (
        f"{what}.{toward} {danger} Caliper and hands out, nobody leaning in, "
        f"power switch in reach. {heat_in_words(heaters)}"
    )
