"""What ``?`` says about one question in particular: why it is asked, and how to find the answer.

The rule it keeps: a text belongs to a key, and keys are what plans promise to keep. The name of
the axis in front of a key, and what follows a further dot, do not matter.
"""

from __future__ import annotations

__all__ = ["about"]

_ABOUT = {
    "job-running": (
        "Opening the port restarts many controllers, and a job that runs would be lost. Look at "
        "the machine: does anything move, or count down on its display?"
    ),
    "motor-power": (
        "The data cable alone can keep a controller awake while the motors have no power. Then "
        "every answer sounds right and nothing moves. Look whether the supply is switched on."
    ),
    "power-switch": (
        "A stop over the cable needs a controller that listens. The switch does not. Find the one "
        "that takes the power from the whole machine, reach for it once, then answer yes."
    ),
    "at-the-machine": (
        "Over a network nobody sees the machine but you. Go to it before anything moves."
    ),
    "caliper-place": (
        "The depth rod reads from its end face to the carriage. The inside jaws read a gap between "
        "two faces. The outside jaws close over two blocks, one fixed and one on the carriage. "
        "Choose what reaches over the longest travel, square to the faces and along the axis."
    ),
    "caliper-held": (
        "placed: held against the faces by hand for each reading and taken out before every move. "
        "mounted: clamped and left in, so that its slide goes along; then its end limits how far "
        "the axis may go."
    ),
    "zero-first": (
        "A caliper that does not show 0.00 with clean, closed jaws adds the same to every reading. "
        "Wipe both jaws, close them with the pressure you will use, and type what it shows."
    ),
    "zero-last": (
        "The same look as at the beginning: if the zero has moved meanwhile, the readings cannot "
        "be trusted."
    ),
    "free-minus": (
        "The distance from where the axis stands to the first thing it would touch, in the "
        "direction in which its position falls. Measure with a ruler; say less when in doubt. No "
        "move goes further than this."
    ),
    "free-plus": (
        "The distance from where the axis stands to the first thing it would touch, in the "
        "direction in which its position grows. Measure with a ruler; say less when in doubt. No "
        "move goes further than this."
    ),
    "still": (
        "Some controllers say that a move has ended while the last of it still runs. Watch the "
        "axis, not the display."
    ),
    "first-move": (
        "about-right: it went as far as it was told, as far as the eye can tell, in the direction "
        "named above. nothing: it stayed. shakes: it buzzed or shook in its place. other-axis: "
        "another axis moved. diagonal: two axes moved together. wrong-way: it went the other way. "
        "too-far: clearly more than it was told."
    ),
    "after-look": (
        "try-again goes back to the first small move, once you have looked at what stands above. "
        "leave-axis ends the work on this axis; nothing has been changed."
    ),
    "touched": (
        "Without power a motor does not hold, and a carriage that was pushed stands somewhere "
        "else. When unsure say so: then the place is found anew with small moves."
    ),
    "holds": (
        "An axis that gives way under the caliper cannot be measured. Push it with one finger "
        "along its travel, as hard as the caliper will."
    ),
    "reading-direction": (
        "The machine card says whether the reading grows or shrinks when the axis moves to plus. "
        "Look at which face is fixed and which one moves."
    ),
    "block": (
        "With a block of known length between the faces the caliper reaches further than its own "
        "range. none measures what it reaches by itself."
    ),
    "block-length": "Measure the block with the same caliper, or read what is engraved on it.",
    "place-anew": (
        "A caliper that always leans to the same side gives readings that agree and are wrong. "
        "Taken away and placed anew, it shows that. Answer yes when it is placed."
    ),
    "slide-now": (
        "Where the slide stands now says how far it can still go either way, and the axis with it."
    ),
    "origin": (
        "declare takes the place where the axis stands now for the beginning; nothing moves. "
        "reference lets it search its end switch first, slowly, with a caution of its own."
    ),
    "leave-how": (
        "Nobody saw the heaters go off. connect asks the controller for that once more. "
        "switched-off is right when the machine has no mains any more: look at its switch."
    ),
    "placed-again": (
        "The readings from before belong to the place where the caliper was then. Placed anew, it "
        "gets a beginning of its own, and both are fitted together."
    ),
    "motor-turn": (
        "One turn of the motor is a number of steps that no belt and no pulley can change. If the "
        "mark comes back to where it was, motor and microsteps are as the card says, and the "
        "mistake is in what the motor drives."
    ),
    "mark-drawn": (
        "A thin line along the shaft and on across the face of the motor, so that a turn that is "
        "not whole can be seen."
    ),
    "typed-where": (
        "Controllers list the numbers of all axes side by side. One that went to the wrong place "
        "leaves the first axis as it was and puts another one out."
    ),
    "cold-refused": (
        "hot goes on through the nozzle, with a caution for the heat. leave-axis ends the work on "
        "the feeder; nothing has been changed."
    ),
    "look": (
        "The readings fit this part best. Only a look at it can say whether it is so: switch off, "
        "unplug, and look as the line above says. unsure leaves the proposal as it is."
    ),
}


def about(key: str) -> str:
    """Return what there is to say about the question called `key`; empty where that is nothing."""
    return next((_ABOUT[part] for part in key.split(".") if part in _ABOUT), "")
