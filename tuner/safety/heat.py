"""Temperatures as far as touching, moving and heating are concerned.

Axis work is cold work. The limit for touching is far below the limit for working: bare
metal burns skin from 51 degrees C at one minute's contact and from 43 degrees C at
prolonged contact (ISO 13732-1, from memory), so cautions speak of heat from 43 upward.

What is heated is watched: a heater that warms nothing, a sensor that cannot be right and one
that is gone are faults, and the answer to a fault is off.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from tuner.errors import HeatFault, TooHot

TOUCH_LIMIT_C = 43.0
WORK_LIMIT_C = 50.0
UNATTENDED_S = 300.0  # so long a hot heater waits for an answer
# Small heaters gain some 1 to 3 degrees a second (common practice, no source).
_LEAST_RISE_C = 2.0
_RISE_WITHIN_S = 60.0
_REACHED_C = 3.0
_OTHER_TARGET_C = 1.0  # a target is sent in whole degrees
_COLDEST_C = -20.0  # an open sensor circuit reads lower still (common practice, no source)
_ABOVE_CAP_C = 20.0
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


def heater_at(heaters: Heaters, place: str) -> Heater | None:
    """Return the heater at `place`, ``nozzle`` or ``bed``; the first where there are several."""
    for name in (place, f"{place} 0"):
        for heater in heaters or ():
            if heater.place == name:
                return heater
    return None


class HotSurfaces:
    """Keeps what was reported hot, or was told to get hot, and was not reported cool since."""

    def __init__(self) -> None:
        self._hot: dict[str, Heater] = {}

    def take(self, heaters: Heaters) -> None:
        """Take in a report; a sensor that reads too low, or is gone, does not cool anything."""
        for one in heaters or ():
            if not one.now_c < TOUCH_LIMIT_C:  # a sensor that gives no number counts as hot
                self._hot[one.place] = one
            elif one.target_c:
                self._hot.setdefault(one.place, one)
            elif one.now_c >= _COLDEST_C:
                self._hot.pop(one.place, None)

    def told(self, heaters: Heaters, place: str, target_c: float) -> None:
        """Take in that the heater at `place`, as reported by `heaters`, is told to get hot."""
        heater = heater_at(heaters, place)
        if heater is not None:
            self.take([replace(heater, target_c=target_c)])

    def in_words(self) -> str:
        """Return what is hot and not to be touched, empty where nothing is."""
        return "; ".join(map(_stays_hot, self._hot.values()))


def _stays_hot(heater: Heater) -> str:
    if not math.isfinite(heater.now_c):
        return f"the {heater.place} gave no temperature and may be hot: do not touch it"
    if heater.now_c < TOUCH_LIMIT_C:
        return f"the {heater.place} was to be at {heater.target_c:.0f} °C: do not touch it"
    return (
        f"the {heater.place} was at {heater.now_c:.0f} °C and stays hot for minutes: do not touch "
        "it"
    )


class HeatWatch:
    """Watches one heater on its way to `target_c` and there; `cap_c` is what it may never reach."""

    def __init__(self, place: str, target_c: float, cap_c: float) -> None:
        self._place = place
        self._target_c = target_c
        self._highest_c = cap_c + _ABOVE_CAP_C
        self._since_s = 0.0
        self._off_by_c = math.inf

    def look(self, heaters: Heaters, now_s: float, *, is_on: bool = True) -> float:
        """Return what the heater reports, in degrees C; `is_on` once its target has been sent.

        Raises ``HeatFault`` when it is not reported, when it reads below -20 degrees C, more than
        20 above the cap or no number, and when it came less than 2 nearer to its target in 60 s.
        """
        heater = heater_at(heaters, self._place)
        if heater is None:
            raise HeatFault(
                f"the {self._place} is not reported any more, so it cannot be watched; it is "
                "switched off. Look at its sensor and the sensor's plug, power off"
            )
        now_c = heater.now_c
        if not _COLDEST_C <= now_c <= self._highest_c:
            raise HeatFault(
                f"the {self._place} reads {now_c:g} °C, expected {_COLDEST_C:g} to "
                f"{self._highest_c:g}; it is switched off. Look at its sensor and the sensor's "
                "plug, power off"
            )
        # 0 is none, or one that was switched off since: then it does not get warm either.
        if is_on and heater.target_c and abs(heater.target_c - self._target_c) >= _OTHER_TARGET_C:
            raise HeatFault(
                f"the {self._place} is being heated to {heater.target_c:g} °C, expected "
                f"{self._target_c:g}; it is switched off. Look at the data cable, and leave the "
                "machine's own panel alone"
            )
        off_by_c = abs(now_c - self._target_c)
        if off_by_c <= _REACHED_C:
            self._off_by_c = math.inf  # when it leaves from here, it has a minute to come back
        elif off_by_c <= self._off_by_c - _LEAST_RISE_C:
            self._since_s, self._off_by_c = now_s, off_by_c
        elif now_s - self._since_s >= _RISE_WITHIN_S:
            raise HeatFault(
                f"the {self._place} stands at {now_c:.0f} °C and came less than {_LEAST_RISE_C:g} "
                f"nearer to {self._target_c:.0f} °C in {_RISE_WITHIN_S:.0f} s; it is switched off. "
                "Look at its heater and sensor, and their plugs, power off"
            )
        return now_c

    def has_reached(self, now_c: float) -> bool:
        """Say whether `now_c` is the target, within 3 degrees C."""
        return abs(now_c - self._target_c) <= _REACHED_C
