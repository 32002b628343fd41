"""What is checked: short sessions in several dialects. They have all that a long one has."""

from __future__ import annotations

import dataclasses
from typing import Any

from fakes import CARD_TEXT, card

from model.host import Parts
from tuner.card.dialect import Dialect, read_dialect
from tuner.messages import Approach, Confirm, Decided, Heat, Limits, Observe, Plan

PRINTER = read_dialect("printer", None)
PLAIN = read_dialect("plain", None)
NUMBERED = dataclasses.replace(PRINTER, checksum=True, line_number_reset="M110 N0")
STOPLESS = dataclasses.replace(PRINTER, stop=None)
BLIND = dataclasses.replace(PRINTER, position=None, position_means=None)

_FEEDER = """
[axes.e]
drive = { kind = "feeder", diameter_mm = 7.3 }
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { steps_per_mm = 140.0 }
filament_diameter_mm = 1.75
max_feed_mm_per_s = 3.0
max_temperature_c = 240
"""
_DECLARED = Limits(
    axis="x",
    minus_mm=-100.0,
    plus_mm=100.0,
    scale_low=1.0,
    scale_high=1.0,
    direction_seen=True,
    at_mm=0.0,
)


def _approach(key: str, to_mm: float, over_mm: float) -> Approach:
    return Approach(
        key=key,
        axis="x",
        to_mm=to_mm,
        approach="minus" if over_mm else "plus",
        over_mm=over_mm,
        feed_mm_per_min=600.0,
    )


def _move_twice() -> Plan:
    """A group of two lines, which is one approach with over-travel, then a group of one."""
    yield Observe(key="greeting", what="greeting")
    yield Decided(key="x.limits", value=_DECLARED)
    yield _approach("x.first", 10.0, over_mm=1.0)
    yield _approach("x.second", 15.0, over_mm=0.0)
    yield Observe(key="leaving", what="leaving")


def _heat_once() -> Plan:
    yield Observe(key="greeting", what="greeting")
    yield Heat(key="hot", heater="nozzle", target_c=200)
    yield Confirm(key="melts", says="Does it melt?")
    yield Observe(key="leaving", what="leaving")


def moving(dialect: Dialect, **changed: Any) -> Parts:
    """A session with two groups of moves, with other parts than the real ones where `changed`."""
    return Parts(dialect, card(), _move_twice, **changed)


def heating(dialect: Dialect) -> Parts:
    """A session that heats, and asks something while it is hot."""
    return Parts(dialect, card(CARD_TEXT + _FEEDER), _heat_once)
