"""What several motors, carriages and switches of the simulated machine do together."""

from __future__ import annotations

from typing import Any

import pytest

from tuner.rehearsal.filament import Filament
from tuner.rehearsal.mechanism import Mechanism
from tuner.rehearsal.physics import Carriage, Mechanics, Weakness


def mechanics(**changes: Any) -> Mechanics:
    """40 mm per turn, 200 steps of 16 microsteps: 80 microsteps per mm (common practice)."""
    parts: dict[str, Any] = {
        "travel_per_rev_mm": 40.0,
        "full_steps": 200,
        "microsteps": 16,
        "ends_mm": (-3.0, 223.0),
    }
    return Mechanics(**(parts | changes))


# --- switches ---------------------------------------------------------------------------


def mechanism(plugs: dict[str, str] | None = None, **changes: Any) -> Mechanism:
    carriages = {axis: Carriage(mechanics(**changes), 100.0) for axis in ("x", "y")}
    return Mechanism(carriages, plugs or {"x": "x", "y": "y"}, {"x": 0.0, "y": 0.0})


def test_steps_to_switch_are_the_fewest() -> None:
    machine = mechanism()
    assert machine.steps_to_switch("x", {"x": -80 * 300}) == {"x": -8000}
    assert machine.carriages["x"].true_mm == 100.0
    machine.turn({"x": -7999})
    assert not machine.is_pressed("x")
    machine.turn({"x": -1})
    assert machine.is_pressed("x")
    assert machine.steps_to_switch("x", {"x": -80 * 300}) == {"x": 0}


@pytest.mark.parametrize(
    ("most", "changes"),
    [
        (-7999, {}),  # too near
        (8000, {}),  # the other way
        (-80 * 300, {"powered": False}),
        (-80 * 300, {"direction": -1}),
    ],
)
def test_switch_out_of_reach(most: int, changes: dict[str, Any]) -> None:
    assert mechanism(**changes).steps_to_switch("x", {"x": most}) is None


def test_switch_of_an_axis_that_its_plug_does_not_move() -> None:
    machine = mechanism({"x": "y", "y": "x"})
    assert machine.steps_to_switch("x", {"x": -80 * 300}) is None
    machine.turn({"x": 80})
    assert (machine.carriages["x"].true_mm, machine.carriages["y"].true_mm) == (100.0, 101.0)


def test_a_worn_switch_answers_elsewhere_at_every_search() -> None:
    carriages = {"x": Carriage(mechanics(seed="5"), 100.0)}
    machine = Mechanism(carriages, {"x": "x"}, {"x": 0.0}, switch_scatter_mm={"x": 0.1})
    places_mm = []
    for _ in range(60):
        steps = machine.steps_to_switch("x", {"x": -80 * 300})
        assert steps is not None
        machine.turn(steps)
        assert machine.is_pressed("x")
        places_mm.append(carriages["x"].true_mm)
        machine.turn({"x": 80 * 20})
    assert max(map(abs, places_mm)) <= 0.1 + 0.0125  # and up to a microstep
    assert max(places_mm) > 0.07
    assert min(places_mm) < -0.07


# --- coupled belts ----------------------------------------------------------------------


def coupled(a: dict[str, Any] | None = None, b: dict[str, Any] | None = None) -> Mechanism:
    """Both carriages at 100 mm; `a` and `b` change the parts of motors a and b."""
    carriages = {
        "x": Carriage(mechanics(**(a or {})), 100.0),
        "y": Carriage(mechanics(**(b or {})), 100.0),
    }
    return Mechanism(carriages, {"x": "x", "y": "y"}, {"x": 0.0, "y": 0.0}, coupled_belts=True)


def moved_mm(machine: Mechanism, a_steps: int, b_steps: int) -> tuple[float, float]:
    before_mm = [machine.carriages[axis].true_mm for axis in ("x", "y")]
    machine.turn({"x": a_steps, "y": b_steps})
    x_mm, y_mm = (
        machine.carriages[axis].true_mm - before_mm[n] for n, axis in enumerate(("x", "y"))
    )
    return round(x_mm, 9), round(y_mm, 9)


@pytest.mark.parametrize(
    ("a", "b", "x_move", "y_move"),
    [
        # what 40 mm along X and then 40 mm along Y come to, as (x, y)
        ({}, {}, (40.0, 0.0), (0.0, 40.0)),
        # 16 teeth for 20 on one motor: it pulls 32 for 40, and the other still 40
        ({"travel_per_rev_mm": 32.0}, {}, (36.0, -4.0), (-4.0, 36.0)),
        ({}, {"travel_per_rev_mm": 32.0}, (36.0, 4.0), (4.0, 36.0)),
        ({"travel_per_rev_mm": 32.0}, {"travel_per_rev_mm": 32.0}, (32.0, 0.0), (0.0, 32.0)),
        ({"powered": False}, {}, (20.0, -20.0), (-20.0, 20.0)),
        ({"direction": -1}, {}, (0.0, -40.0), (-40.0, 0.0)),
    ],
)
def test_two_motors_move_both_axes(
    a: dict[str, Any], b: dict[str, Any], x_move: tuple[float, float], y_move: tuple[float, float]
) -> None:
    assert moved_mm(coupled(a, b), 3200, 3200) == x_move
    assert moved_mm(coupled(a, b), 3200, -3200) == y_move


def test_one_motor_alone_moves_on_the_diagonal() -> None:
    assert moved_mm(coupled(), 3200, 0) == (20.0, 20.0)
    assert moved_mm(coupled(), 0, 3200) == (20.0, -20.0)


def test_a_move_along_one_axis_takes_up_no_play_of_the_other() -> None:
    machine = coupled({"play_mm": 0.3}, {"play_mm": 0.3})
    assert moved_mm(machine, 8000, 8000) == (99.85, 0.0)
    assert moved_mm(machine, -8000, -8000) == (-99.7, 0.0)


def test_a_lost_cycle_of_one_motor_shifts_both_axes_by_half() -> None:
    machine = coupled({"weakness": Weakness(unit="cycle", most=1, in_move=1)})
    machine.turn({"x": 3200, "y": 3200})
    machine.strain({"x": 3200, "y": 3200}, {"x": 3200.0, "y": 3200.0}, 0.0)
    assert machine.carriages["x"].true_mm == pytest.approx(140.0 - 0.4)
    assert machine.carriages["y"].true_mm == pytest.approx(100.0 - 0.4)


def test_a_switch_is_searched_with_both_motors() -> None:
    machine = coupled()
    assert machine.steps_to_switch("x", {"x": -16000, "y": -16000}) == {"x": -8000, "y": -8000}
    assert machine.steps_to_switch("y", {"x": -16000, "y": 16000}) == {"x": -8000, "y": 8000}


# --- several screws, weight, filament ---------------------------------------------------


def test_screws_beside_each_other_are_turned_by_one_plug() -> None:
    first = Carriage(mechanics(travel_per_rev_mm=2.0), 50.0)
    second = Carriage(mechanics(travel_per_rev_mm=25.4 / 12), 50.0)
    machine = Mechanism({"z": first}, {"z": "z"}, {"z": 0.0}, beside={"z": (second,)})
    machine.turn({"z": 3200 * 15})
    assert first.true_mm == pytest.approx(80.0)
    assert second.true_mm == pytest.approx(81.75)


def test_what_is_heavy_sinks_once_when_it_is_let_go_and_never_before_it_was_held() -> None:
    carriage = Carriage(mechanics(sinks_mm=12.0, gravity=True), 50.0)
    machine = Mechanism({"z": carriage}, {"z": "z"}, {"z": 0.0})
    machine.let_go()
    assert carriage.true_mm == 50.0
    machine.take_hold()
    machine.let_go()
    machine.let_go()
    assert carriage.true_mm == 38.0
    machine.take_hold()
    assert carriage.true_mm == 38.0
    machine.let_go()
    assert carriage.true_mm == 26.0


def test_what_sinks_stops_at_the_frame() -> None:
    carriage = Carriage(mechanics(sinks_mm=60.0), 50.0)
    machine = Mechanism({"z": carriage}, {"z": "z"}, {"z": 0.0})
    machine.take_hold()
    machine.let_go()
    assert carriage.true_mm == -3.0


def test_a_motor_snaps_when_it_gets_current_again() -> None:
    carriage = Carriage(mechanics(snaps=True, seed="2"), 100.0)
    machine = Mechanism({"x": carriage}, {"x": "x"}, {"x": 0.0})
    machine.take_hold()
    machine.let_go()
    assert carriage.true_mm == 100.0
    machine.take_hold()
    assert 0.0 < abs(carriage.true_mm - 100.0) <= 0.4


def test_filament_hears_how_fast_it_is_fed_and_how_hot_the_nozzle_is() -> None:
    filament = Filament(mechanics(travel_per_rev_mm=20.0), (0.018, 0.011, 0.001))
    carriage = Carriage(mechanics(), 100.0)
    machine = Mechanism({"x": carriage, "e": filament}, {"x": "x", "e": "e"}, {"x": 0.0})
    machine.begin({"x": 8000.0, "e": 480.0}, 210.0)  # 480 microsteps a second are 3 mm/s
    machine.turn({"e": 1600})
    assert filament.true_mm == pytest.approx(9.4)
