"""What ``?`` says about one question in particular: why it is asked, and how to find the answer.

The rule it keeps: a text belongs to a key, and keys are what plans promise to keep. The name of
the axis, in front of a key or after a dash at its end, does not matter.
"""

from __future__ import annotations

from tuner.console.asked_beforehand import BEFOREHAND

__all__ = ["about"]

_ABOUT = BEFOREHAND | {
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
    "is-still": (
        "A controller has moves in its queue that it goes on with when nobody talks to it any "
        "more. Look from outside until nothing moves. If it goes on, use the power switch."
    ),
    "heaters-since": (
        "The program could not read back that every heater is off, so one may have stayed on. "
        "switched-off: it was off at the mains since then. cold: the machine's own display shows "
        "room temperature for nozzle and bed. neither: switch it off at the mains first."
    ),
    "looks-right": (
        "What you saw decides which number is proposed, and one wrong yes proposes a wrong one. "
        "back takes the last look back, no asks for all of them again; before yes nothing is "
        "written."
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
    "no-room": (
        "Nobody knows yet which way an axis goes, and 1 mm may turn out to be an inch, so a little "
        "must be free on both sides. say-anew asks for both distances again. Where there really is "
        "no room: leave-axis, then switch off, unplug, push the carriage slowly to the middle (a "
        "turning motor generates voltage), and start again."
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
    "read-how": (
        "index: draw a line on the rim and one on the frame; after whole turns they meet again, "
        "and what is read wrong stays small beside the many degrees. radius: a mark on the table, "
        "a pointer fixed to the frame, and the caliper from one to the other; where cables or "
        "stops allow less than a turn."
    ),
    "radius": (
        "From the mark to the centre that the table turns about, not across. Measure the table "
        "across, through its centre, and halve that, less what the mark is inside the rim."
    ),
    "radius-within": (
        "Half the width of the interval that you would bet on. From one measurement across a round "
        "rim 0.2 mm; by a ruler from the middle 1 mm."
    ),
    "circle": (
        "The width of a circle taken for its radius makes every angle half as large as it is."
    ),
    "pointer-set": (
        "A needle or a sharpened rod on a firm stand. Let its tip stand over the mark, close "
        "enough for the points of the caliper, and high enough to pass over whatever turns below."
    ),
    "typed-where": (
        "Controllers list the numbers of all axes side by side. One that went to the wrong place "
        "leaves the first axis as it was and puts another one out."
    ),
    "fastest": (
        "The hunt begins at the usual feed and rises to this one, never above it. Take the fastest "
        "travel of your print settings: where layers shift, it happens there. Type it like 60 mm/s "
        "or 3600 mm/min."
    ),
    "when": (
        "now begins with this axis. later puts it behind the others. leave-out does not measure "
        "it; at the end it can still be taken after all. Nothing moves by this answer."
    ),
    "left-out": (
        "An axis that was left out keeps the number it has, and nothing is said about it. none "
        "ends the measuring."
    ),
    "block-beside": (
        "A vertical carriage weighs more than it looks. A block beside its way catches it when the "
        "power goes, and lets it move meanwhile. Put it there before you answer yes."
    ),
    "block-below": (
        "When the motor loses its way in a fast move, the carriage falls as far as it can. A block "
        "below the lowest place of its free travel ends that fall early."
    ),
    "placed": (
        "Two screws that carry one bridge need not turn alike. The same readings are taken beside "
        "each of them, so fixed face and caliper have to stand the same way at both."
    ),
    "square": (
        "Hold an engineer's square against both guides. Coupled belts turn guides that are off "
        "square into a difference between the motors, so it is better to know."
    ),
    "slant": (
        "Both motors move X and Y together. If one of them does not turn as far as the other, the "
        "tool goes aside. By eye: how far aside, against how far along?"
    ),
    "feed-how": (
        "free: the wheel pushes filament that nothing holds back, so only the number counts; cold, "
        "and the safer one. hot: through the nozzle, as in work; it shows whether the wheel slips, "
        "and burns whoever touches it."
    ),
    "temperature": (
        "What the spool says for this filament, or what it was printed with last. In whole "
        "degrees, with nothing or °C behind them."
    ),
    "put-mark": (
        "A fine line across the filament, or a flag of thin tape with a square edge. The distance "
        "from the inlet to it is read before and after a feed, so it has to stay in sight."
    ),
    "free-filament": (
        "Behind the wheel nothing may hold the filament back: no nozzle, no tube, no bend. "
        "Otherwise it measures what slips, and not what is fed."
    ),
    "load-filament": (
        "Push it through by hand with the lever open, until it meets the nozzle. A spool that "
        "pulls makes the wheel slip, so let it turn lightly."
    ),
    "switch-pressed": (
        "The controller has to see its end switch before anything runs toward it: a switch that "
        "is unplugged stops nothing. A stick keeps the hand out of the way."
    ),
    "switch-clear": (
        "The axis comes next, toward the switch. Take the stick and both hands out of the machine."
    ),
    "got-there": (
        "yes: about as far as it was told. short: it stopped earlier, as at a wall. not-at-all: it "
        "stayed, or made a part of the way and came back. A finger's breadth is enough here."
    ),
    "same-height": (
        "A shift at one height in every print is met by the job: a curled corner, a cable at its "
        "end. At any height it is met by the machine."
    ),
    "same-direction": (
        "A motor that is too weak loses steps either way. Something that pulls or knocks, always "
        "the same one."
    ),
    "belt-tension": (
        "Press with one finger in the middle of the longest free piece. firm: it springs back at "
        "once and hums when plucked. slack: it can be pressed in by more than a finger's breadth."
    ),
    "pulley-screws": (
        "Hold the shaft and try to turn the pulley on it. It must not give by a hair; small screws "
        "sit on a flat of the shaft. Tighten none now, say what you find."
    ),
    "runs-free": (
        "A tight place is felt as a bump or a drag. Push slowly: a turning motor generates "
        "voltage, and can wake the controller."
    ),
    "frame.kind": (
        "printed: a thin flat frame that was printed. machine: four marks that the machine has "
        "scratched or drawn. A print shrinks and has line width, so its sides say little; its "
        "diagonals tell the angle all the same."
    ),
    "told": (
        "The length of the side in the drawing. Only the share by which the sides differ from it "
        "is taken from that, not the angle."
    ),
    "side": (
        "From edge to edge along the axis, in the middle of the side. Both sides that lie along "
        "one axis should agree; take their mean if they do not."
    ),
    "rising": (
        "From corner to corner across the frame. In a square frame both diagonals are the same, "
        "and 0.1 mm of difference on 100 mm is already 0.04 degrees."
    ),
    "falling": (
        "The other diagonal, with the caliper held the same way. Measure both twice: their "
        "difference is what counts."
    ),
    "mark": (
        "From the inlet of the feeder to the near edge of the mark, along straight filament, hands "
        "off the wheel and off a hot nozzle. Repeats say how well this can be read."
    ),
    "index": (
        "How many degrees the mark on the rim stands past the line on the frame; minus if it is "
        "short of it. Look straight from above."
    ),
    "cold-refused": (
        "hot goes on through the nozzle, with a caution for the heat. leave-axis ends the work on "
        "the feeder; nothing has been changed."
    ),
}

_READ_THE_NUMBER = (
    "Leave the power on. The number stands in the settings of the controller: on the machine's "
    "own display under the axis, or in the report that lists its settings. Compare it with the "
    "question to its last digit, and change nothing."
)
_ON_THE_BENCH = "Switch the machine off, unplug it, block a vertical axis."
_LOOKS = {
    "stored-number": _READ_THE_NUMBER,
    "inch-units": (
        "Leave the power on, and move nothing. The display of the controller, or the report that "
        "lists its settings, says mm or inch; so does the display of the caliper."
    ),
    "override-active": (
        "Leave the power on. A panel has a dial or a line for speed and one for flow, in per "
        "cent. Without a panel, look whether whatever sends the jobs has one set."
    ),
    "belt-jump": (
        f"{_ON_THE_BENCH} Push the axis slowly until the line on the belt comes round to the "
        "pulley. yes only if the two halves of the line do not meet: then the belt has jumped."
    ),
    "loose-pulley": (
        f"{_ON_THE_BENCH} Look at the end of the shaft: does the line on it still meet the one on "
        "the pulley? yes only if it does not: then the pulley has turned on its shaft."
    ),
    "motor-turn": (
        "Leave the power on, and only look: is the line on the shaft back at the line on the "
        "motor's face, after one turn and no other part of one?"
    ),
    "pulley-teeth": (
        f"{_ON_THE_BENCH} Mark one tooth of the pulley with a pen and count once round, back to "
        "the mark; count twice."
    ),
    "pinion-teeth": (
        f"{_ON_THE_BENCH} Mark one tooth of the pinion with a pen and count once round, back to "
        "the mark; count twice."
    ),
    "gear-teeth": (
        f"{_ON_THE_BENCH} Mark one tooth of each wheel with a pen and count once round, back to "
        "the mark. The wheel nearer to the motor drives."
    ),
    "belt-pitch": (
        f"{_ON_THE_BENCH} Lay the caliper or a ruler along the belt, over fifty teeth, from a "
        "flank of the first to the same flank of the fifty-first."
    ),
    "rack-module": (
        f"{_ON_THE_BENCH} Lay the caliper along the rack, from a flank of one tooth to the same "
        "flank of the eleventh."
    ),
    "screw-lead": (
        f"{_ON_THE_BENCH} Mark the screw and turn it ten turns by hand, slowly: a turning motor "
        "generates voltage. Measure how far the nut has gone."
    ),
    "step-angle": (
        f"{_ON_THE_BENCH} The label on the motor says it, in degrees per step, or as its number of "
        "steps per turn: 200 are 1.8 degrees, 400 are 0.9."
    ),
    "microsteps": (
        f"{_ON_THE_BENCH} Jumpers or small switches at the motor's driver set them; its table says "
        "which. A driver that is set by a program shows them in the settings of the controller "
        "instead: then leave the power on."
    ),
}
_UNSURE = (
    "unsure when you cannot tell: nothing is taken for seen, and what is proposed stays as it is."
)


def about(key: str) -> str:
    """Return what there is to say about the question called `key`; empty where that is nothing."""
    _, looked_at, part = key.partition(".look.")
    if looked_at:
        return f"{_LOOKS.get(part.partition('.')[0], '')} {_UNSURE}".lstrip()
    names = (key, *reversed(key.split(".")))
    stems = (name.rpartition("-")[0] for name in names)  # told-x as told
    return next((_ABOUT[name] for name in (*names, *stems) if name in _ABOUT), "")
