"""What ``?`` says at a look suits what is looked at."""

from __future__ import annotations

import pytest

from tuner.console.asked import about

WITH_POWER = ("stored-number.64", "inch-units.controller", "override-active", "motor-turn")
UNPLUGGED = (
    "pulley-teeth.16", "pinion-teeth.16", "gear-teeth.1:16:80", "belt-pitch.2.032",
    "rack-module.1", "screw-lead.5", "step-angle.0.9",
)  # fmt: skip


@pytest.mark.parametrize("look", WITH_POWER)
def test_what_needs_power_is_looked_at_with_power(look: str) -> None:
    said = about(f"x.look.{look}")
    assert "unplug" not in said
    assert "eave the power on" in said
    assert "readings fit" not in said


@pytest.mark.parametrize("look", UNPLUGGED)
def test_parts_are_looked_at_unplugged(look: str) -> None:
    assert "Switch the machine off, unplug it" in about(f"x.look.{look}")


def test_the_stored_number_is_read_to_its_last_digit() -> None:
    said = about("x.look.stored-number.64")
    assert "display" in said
    assert "report that lists its settings" in said
    assert "last digit" in said


@pytest.mark.parametrize("look", [*WITH_POWER, *UNPLUGGED, "microsteps.32"])
def test_unsure_is_explained(look: str) -> None:
    assert "unsure when you cannot tell" in about(f"x.look.{look}")
    assert len(about(f"x.look.{look}")) > len(about("x.look.nothing-known")) + 40
