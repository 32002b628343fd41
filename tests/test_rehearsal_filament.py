"""What the simulated feeder delivers, against the figures it is made for."""

from __future__ import annotations

import pytest

from tuner.rehearsal.filament import Filament
from tuner.rehearsal.physics import Mechanics

WORN = (0.018, 0.011, 0.001)


def filament(slip: tuple[float, float, float] = WORN) -> Filament:
    """20 mm per turn of the wheel: 160 microsteps per mm."""
    return Filament(
        Mechanics(travel_per_rev_mm=20.0, full_steps=200, microsteps=16, ends_mm=(-1e9, 1e9)),
        slip,
    )


def fed(fed_by: Filament, mm: float, mm_per_s: float, nozzle_c: float) -> float:
    """Turn the wheel by `mm` and return what was delivered."""
    before_mm = fed_by.true_mm
    fed_by.begin(160 * mm_per_s, nozzle_c)
    fed_by.motor.turn(round(160 * mm))
    fed_by.follow(fed_by.motor.pulled_mm)
    return fed_by.true_mm - before_mm


@pytest.mark.parametrize(
    ("mm_per_s", "part"),
    # the law goes through these three: 3, 6 and 12 per cent at 1, 3 and 6 mm/s
    [(1.0, 0.97), (3.0, 0.94), (6.0, 0.88)],
)
def test_a_worn_grip_slips_more_the_faster_it_feeds(mm_per_s: float, part: float) -> None:
    assert fed(filament(), 100.0, mm_per_s, 210.0) == pytest.approx(100.0 * part)


def test_a_colder_nozzle_is_like_a_faster_feed() -> None:
    one = filament()
    assert one.slip(3.0, 190.0) == pytest.approx(one.slip(6.0, 210.0))
    assert one.slip(3.0, 230.0) < one.slip(3.0, 210.0)


def test_free_of_the_nozzle_nothing_slips_at_any_speed() -> None:
    free = filament()
    free.is_free = True
    assert fed(free, 100.0, 6.0, 20.0) == pytest.approx(100.0)


def test_a_cold_nozzle_lets_nothing_through() -> None:
    assert fed(filament(), 10.0, 1.0, 169.0) == 0.0
    assert fed(filament(), 10.0, 1.0, 170.0) > 9.0


def test_nothing_slips_more_than_all() -> None:
    assert filament().slip(1000.0, 170.0) == 1.0


def test_drawing_back_does_not_slip() -> None:
    assert fed(filament(), -5.0, 6.0, 210.0) == pytest.approx(-5.0)
