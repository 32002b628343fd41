"""A permit covers exactly its lines, once, for 30 seconds."""

from __future__ import annotations

import pytest

from tuner.errors import PermitVoid
from tuner.safety.permit import PERMIT_LASTS_S, Permit, Warrant

LINES = ("G1 X1 F60", "G1 X-1 F60")


@pytest.mark.parametrize("waited_s", [0.0, 29.999, 30.0])
def test_redeemed_in_time(waited_s: float) -> None:
    assert PERMIT_LASTS_S == 30.0
    permit = Permit(7, LINES, 2.0, 1000.0)
    assert (permit.group, permit.lines, permit.seconds) == (7, LINES, 2.0)
    assert permit.redeem(1000.0 + waited_s) == LINES


@pytest.mark.parametrize("waited_s", [30.001, 1e9])
def test_too_late_is_void_for_good(waited_s: float) -> None:
    permit = Permit(7, LINES, 2.0, 1000.0)
    with pytest.raises(PermitVoid, match="group 7 is older than 30 s"):
        permit.redeem(1000.0 + waited_s)
    with pytest.raises(PermitVoid, match="used already"):
        permit.redeem(1000.0)


def test_used_once() -> None:
    permit = Permit(7, LINES, 2.0, 0.0)
    permit.redeem(0.0)
    with pytest.raises(PermitVoid, match="group 7 was used already"):
        permit.redeem(0.0)


def test_a_warrant_covers_one_line_once_and_not_for_long() -> None:
    warrant = Warrant(3, "M104 S200", 1000.0)
    assert warrant.redeem(1030.0) == "M104 S200"
    with pytest.raises(PermitVoid, match="group 3 was used already"):
        warrant.redeem(1030.0)
    with pytest.raises(PermitVoid, match="group 3 is older than 30 s"):
        Warrant(3, "M104 S200", 1000.0).redeem(1030.001)
