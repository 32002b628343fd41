"""What is known of the scale and the free travel, and how far one may therefore go.

A plan and the gate hold the same bounds: whatever is learned here is said in a ``Limits``
message at once. Bounds on the scale only ever tighten, unless two of them contradict.
"""

from __future__ import annotations

from tuner.messages import Decided, Limits
from tuner.plans.run import AxisRun, Part, hear

# What is sent is rounded to ten-thousandths, which must not lead past the last free one.
_ROUNDED_AWAY_MM = 0.001


def limits(run: AxisRun, *, direction_seen: bool, at_mm: float | None = None) -> Limits:
    return Limits(
        axis=run.name,
        minus_mm=run.minus_mm,
        plus_mm=run.plus_mm,
        scale_low=run.scale_low,
        scale_high=run.scale_high,
        direction_seen=direction_seen,
        at_mm=at_mm,
        slant=run.slant,
    )


def learn(
    run: AxisRun, *, direction_seen: bool, factor: tuple[float, float], at_mm: float | None = None
) -> Part[None]:
    """Add bounds on the scale to those known, and tell them to whoever guards the envelope.

    Both hold, so what they have in common holds. Where they have nothing in common a reading
    was wrong, nobody knows which one: then all that either allows has to be free.
    """
    low, high = max(run.scale_low, factor[0]), min(run.scale_high, factor[1])
    if low > high:
        low, high = min(run.scale_low, factor[0]), max(run.scale_high, factor[1])
    bounds = yield from hear(Decided(key=f"{run.name}.scale-bounds", value=[low, high]))
    run.scale_low, run.scale_high = bounds
    if run.slant:
        run.slant = run.scale_high  # motors that both turn forward move nothing further aside
    yield Decided(
        key=f"{run.name}.limits",
        value=limits(run, direction_seen=direction_seen, at_mm=at_mm),
    )


def caliper_room_mm(run: AxisRun, reading_mm: float, side: float) -> float:
    """Return how many true mm the caliper can follow from `reading_mm` toward `side`.

    The far end keeps 1 mm, the datum 10 mm; a mounted caliper keeps 5 mm at both ends.
    """
    if side * run.grows > 0:
        return max(0.0, run.caliper.range_mm - (5.0 if run.mounted else 1.0) - reading_mm)
    return max(0.0, reading_mm - (5.0 if run.mounted else 10.0))


def free_mm(
    run: AxisRun, at_mm: float, reading_mm: float, side: float, *, block_mm: float = 0.0
) -> float:
    """Return how many commanded mm are free from `at_mm`, reading `reading_mm`, toward `side`.

    Free at every credible scale, with the over-travel of the approach kept clear. A spacer block
    of `block_mm` lets the caliper follow that much further away from the datum.
    """
    declared_mm = (run.plus_mm if side > 0 else -run.minus_mm) / run.scale_high - side * at_mm
    longer_mm = block_mm if side * run.grows > 0 else 0.0
    room_mm = caliper_room_mm(run, reading_mm - longer_mm, side) / run.scale_high
    if run.slant:
        declared_mm = min(declared_mm, run.beside_mm / run.slant - side * at_mm)
    return max(0.0, min(declared_mm - run.over_mm, room_mm) - _ROUNDED_AWAY_MM)
