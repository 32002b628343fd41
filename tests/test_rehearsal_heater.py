"""Simulated heaters: what is hot and what the sensor says."""

from __future__ import annotations

import pytest

from tuner.rehearsal.heater import Heater, Sensor


def heated(now_s: float, *, wire: bool = True, sensor: Sensor = "firm") -> tuple[float, float]:
    """Return what is true and what is shown at `now_s`, heated to 200 since 0 s."""
    heater = Heater(21.0, 2.0, 1.0, wire=wire, sensor=sensor)
    heater.aim(200.0, 0.0)
    return heater.at_c(now_s), heater.shows_c(now_s)


def test_it_warms_steadily_and_stays_at_its_target() -> None:
    assert heated(10.0) == (41.0, 41.0)
    assert heated(89.5) == (200.0, 200.0)
    assert heated(9000.0) == (200.0, 200.0)


def test_it_cools_from_where_it_was_switched_off() -> None:
    heater = Heater(21.0, 2.0, 1.0)
    heater.aim(200.0, 0.0)
    heater.aim(0.0, 40.0)
    assert heater.at_c(40.0) == 101.0
    assert heater.at_c(60.0) == 81.0
    assert heater.at_c(600.0) == 21.0


def test_without_its_wire_it_never_gets_warm() -> None:
    assert heated(600.0, wire=False) == (21.0, 21.0)


def test_a_loose_sensor_opens_its_circuit_above_a_hundred_degrees() -> None:
    assert heated(39.0, sensor="loose") == (99.0, 99.0)
    assert heated(60.0, sensor="loose") == (141.0, -40.0)


def test_a_sensor_that_slipped_out_hardly_notices() -> None:
    is_c, shows_c = heated(600.0, sensor="out")
    assert is_c == 200.0
    assert shows_c == pytest.approx(21.0 + 0.03 * 179.0)
