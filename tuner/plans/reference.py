"""Searching the end switch, on the person's wish: only a switch that was seen to work."""

from __future__ import annotations

from collections.abc import Mapping

from tuner.messages import Choose, Confirm, Observe, Reference, Say
from tuner.plans.bounds import learn
from tuner.plans.first_move import ask_free_travel
from tuner.plans.run import AxisRun, Part, hear


def perhaps_reference(run: AxisRun) -> Part[None]:
    """Offer the search, and do it once the axis's own switch was pressed by hand and seen."""
    a, switch = run.name, run.axis.reference
    wish = yield from hear(
        Choose(
            key=f"{a}.origin",
            options=("declare", "reference"),
            default="declare",
            says=(
                f"Measure {run.letter} from where it stands (declare), or let it search its end "
                "switch first (reference, also called home)? Measuring does not need the switch"
            ),
        )
    )
    if wish == "declare":
        return
    before = yield from hear(Observe(key=f"{a}.switch-free", what="switches"))
    yield from _until_yes(
        f"{a}.switch-pressed",
        f"Press the end switch of {run.letter} with a stick, keep it pressed, and answer yes",
    )
    held = yield from hear(Observe(key=f"{a}.switch-held", what="switches"))
    if not _was_pressed(a, switch.at, before, held):
        yield Say(
            key=f"{a}.switch-silent",
            says=(
                "the controller did not see the switch change, so it may not search for it; "
                "measuring goes on from where the axis stands"
            ),
        )
        return
    yield from _until_yes(f"{a}.switch-clear", "Let go of the switch. Are your hands out?")
    yield Reference(key=f"{a}.reference", axis=a, position_mm=switch.position_mm)
    run.visit += 1
    # The search may have ended where nobody looked before: what is free is declared anew, and
    # the card's range limits it besides. The switch may stand a little outside that range.
    yield from ask_free_travel(run)
    low_mm, high_mm = run.axis.range_mm
    run.minus_mm = max(run.minus_mm, min(0.0, low_mm - switch.position_mm))
    run.plus_mm = min(run.plus_mm, max(0.0, high_mm - switch.position_mm))
    yield from learn(run, direction_seen=True, factor=(run.scale_low, run.scale_high), at_mm=0.0)


def _until_yes(key: str, says: str) -> Part[None]:
    """Ask until the answer is yes; whoever does not want to go on can stop."""
    while not (yield from hear(Confirm(key=key, says=says))):
        yield Say(key=f"{key}-first", says="Nothing goes on before that is so; or stop")


def _was_pressed(
    axis: str, end: str, before: Mapping[str, bool] | None, held: Mapping[str, bool] | None
) -> bool:
    """Whether the switch of `axis` at that `end`, and not just any, was free and is pressed.

    Controllers name it ``x_min``, or just ``x`` where there is only one (common practice).
    """
    return any(
        pressed and not (before or {}).get(name, True)
        for name, pressed in (held or {}).items()
        if name == axis or (name.startswith(axis) and name.endswith(end))
    )
