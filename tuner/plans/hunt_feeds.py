"""How fast an axis may go in a hunt for lost steps: what a person allows, and the feeds up to it.

The rule: the person names the highest feed, within what the card's pulse rate and a motor allow;
nothing is suggested by a default.
"""

from __future__ import annotations

import re

from tuner.drive.numbers import exact_number
from tuner.drive.speed import FASTEST_MOTOR_REVS_PER_S
from tuner.messages import Decided, Say, Text
from tuner.metrology.losses import peak_mm_per_s
from tuner.plans.asking import REFUSED
from tuner.plans.hunt import Hunt
from tuner.plans.run import Part, hear
from tuner.text import clipped, shown

__all__ = ["agree_on_feeds", "read_feed"]

_RISES = (1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0)  # times the feed of the card
_FEED = re.compile(r"([0-9.,]+)\s*(mm/s|mm/min)?", re.ASCII)
_LONGEST_SHOWN = 40


def agree_on_feeds(hunt: Hunt) -> Part[None]:
    """Ask how fast it may go; nothing is agreed on where the card allows no faster than usual."""
    run, axis = hunt.run, hunt.run.axis
    known = yield from hear(Decided(key=f"{run.name}.feeds", value=_feeds(hunt)))
    offered, most = known["offered"], known["most"]
    if not offered:
        return
    fastest = peak_mm_per_s(hunt.way_mm, most, axis.acceleration_mm_per_s2)
    slow = hunt.slow_mm_per_min
    while True:
        typed = yield from hear(
            Text(
                key=f"{run.name}.fastest",
                wanted="feed in mm/s or mm/min",
                suggestions=tuple(f"{feed / 60.0:g} mm/s" for feed in offered),
                says=(
                    f"How fast may {run.letter} go at most? The fastest travel of your print "
                    f"settings, and no faster than it was built for: above {slow / 60.0:g} and up "
                    f"to {most / 60.0:g} mm/s. It rises to that by steps; on {hunt.way_mm:.0f} mm, "
                    f"at {axis.acceleration_mm_per_s2:g} mm/s2, it gets to {fastest:.0f} mm/s"
                ),
            )
        )
        try:
            feed = read_feed(typed, slow, most)
        except ValueError as reason:
            yield Say(key=REFUSED, says=str(reason))
        else:
            hunt.feeds = [*(one for one in offered if one < feed), feed]
            tried = ", ".join(f"{one / 60.0:g}" for one in hunt.feeds)
            yield Say(
                key=f"{run.name}.feeds-tried", says=f"Tried one after the other: {tried} mm/s"
            )
            return


def read_feed(text: str, above_mm_per_min: float, most_mm_per_min: float) -> float:
    """Return the feed typed as `text`, in mm per min.

    It is above the one and at most the other. Without a unit it is the one in which it lies there.
    Raises ``ValueError`` with the reason and what is expected.
    """
    match = _FEED.fullmatch(text.strip().lower())
    if match is None:
        raise ValueError(
            f"'{clipped(shown(text.strip()), _LONGEST_SHOWN)}' is no feed; type it like 60 mm/s or "
            "3600 mm/min"
        )
    number = float(exact_number(match[1]))
    units = {"mm/s": (60.0,), "mm/min": (1.0,)}.get(match[2], (60.0, 1.0))
    for per_min in units:
        if above_mm_per_min < number * per_min <= most_mm_per_min:
            return round(number * per_min, 1)
    raise ValueError(
        f"{text.strip()} is out of bounds; expected above {above_mm_per_min / 60.0:g} and up to "
        f"{most_mm_per_min / 60.0:g} mm/s"
    )


def _feeds(hunt: Hunt) -> dict[str, list[float] | float]:
    """Return the feeds that are offered, all faster than that of the card, and the highest, in
    mm per min."""
    run = hunt.run
    most = min(
        run.axis.max_pulse_rate_hz * 60.0 / float(run.axis.stored_steps_per_mm),
        FASTEST_MOTOR_REVS_PER_S * 60.0 * run.motor_turn_mm,
    )
    slow = hunt.slow_mm_per_min
    return {
        "offered": [round(slow * rise, 1) for rise in _RISES if slow * rise <= most],
        "most": most,
    }
