"""Temperatures as far as touching and moving are concerned.

Axis work is cold work. The limit for touching is far below the limit for working: bare
metal burns skin from 51 degrees C at one minute's contact and from 43 degrees C at
prolonged contact (ISO 13732-1, from memory), so cautions speak of heat from 43 upward.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tuner.errors import TooHot

TOUCH_LIMIT_C = 43.0
WORK_LIMIT_C = 50.0
_MOST_NAMED = 3  # a caution stays one line that is read, however many heaters there are


@dataclass(frozen=True)
class Heater:
    """One heater as reported: where it is, its temperature and, if known, its target."""

    name: str
    now_c: float
    target_c: float | None = None

    @property
    def place(self) -> str:
        """Where it is, in words as far as they are known: ``nozzle``, ``nozzle 1``, ``bed``."""
        letter, number = self.name[:1], self.name[1:]
        return f"{_PLACES.get(letter, letter)} {number}".rstrip()


# The letters under which controllers report (common practice, no source).
_PLACES = {"T": "nozzle", "B": "bed", "C": "chamber"}

Heaters = Sequence[Heater] | None
"""What the controller reports; None when it reports nothing."""


def check_cold(heaters: Heaters) -> None:
    """Raise ``TooHot`` while any heater has a target or reads above 50 degrees C."""
    for heater in heaters or ():
        if heater.target_c:
            raise TooHot(
                f"{heater.place} is being heated to {heater.target_c:.0f} °C; axes are measured "
                "cold. Switch the heater off at the machine, let it cool below 50 °C, start again"
            )
        if not heater.now_c <= WORK_LIMIT_C:  # a sensor that gives no number counts as hot
            raise TooHot(
                f"{heater.place} is at {heater.now_c:.0f} °C; axes are measured below 50 °C. "
                "Let it cool, then start again"
            )


def heat_in_words(heaters: Heaters) -> str:
    """Return what to say about hot surfaces next to a move."""
    if not heaters:
        return "Temperatures are not reported: treat nozzle and bed as hot."
    named = heaters
    if len(heaters) > _MOST_NAMED:
        named = sorted(heaters, key=lambda heater: -heater.now_c)[:_MOST_NAMED]
    readings = ", ".join(f"{heater.place} {heater.now_c:.0f} °C" for heater in named)
    if named is not heaters:
        readings += f" and {len(heaters) - _MOST_NAMED} more, none hotter"
    if heat_class(heaters) == "hot":
        return f"Hot surfaces, burns on touch: {readings}."
    return f"Reported: {readings}."


def heat_class(heaters: Heaters) -> str:
    """Return the class of heat that a caution must announce anew when it changes."""
    if not heaters:
        return "unknown"
    return "cold" if all(heater.now_c < TOUCH_LIMIT_C for heater in heaters) else "hot"
