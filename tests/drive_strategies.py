"""Any drive train at all, for the property tests."""

from __future__ import annotations

from fractions import Fraction

from hypothesis import strategies as st

from tuner.drive.parts import (
    Belt,
    DriveTrain,
    Feeder,
    GearPair,
    Measured,
    Motor,
    Rack,
    Rotary,
    Screw,
)

teeth = st.integers(3, 200)
pairs = st.lists(st.builds(GearPair, teeth, teeth), max_size=4)
lengths = st.fractions(Fraction("0.01"), 100, max_denominator=1000)
drives = st.one_of(
    st.builds(Belt, lengths, teeth),
    st.builds(Screw, lengths, st.integers(1, 8)),
    st.builds(Rack, lengths, teeth),
    st.builds(Feeder, lengths),
    st.builds(Measured, lengths),
    st.just(Rotary()),
)
motors = st.builds(
    Motor,
    st.sampled_from([Fraction(angle) for angle in ("0.9", "1.8", "7.5", "0.72")]),
    st.integers(1, 256),
)
trains = st.builds(DriveTrain, drives, motors, pairs.map(tuple))
