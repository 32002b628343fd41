"""What ``?`` says where nothing is connected: setting up a card, the menu, ``why``, an intake."""

from __future__ import annotations

__all__ = ["BEFOREHAND"]

_CARD = {
    "draft": (
        "Answers are kept in a file beside the cards until their card is written, also when the "
        "window was closed in between. Choose one to go on with it: every question is asked again, "
        "and Enter takes what was answered then."
    ),
    "machine.name": (
        "Any name by which you tell this machine from others. It stands on sheets and in the "
        "history, so keep it once it is there."
    ),
    "machine.axes": (
        "One letter for each direction that has a motor of its own. X and Y are level, Z goes up "
        "and down on most machines; E is the wheel that pushes the filament. A second motor that "
        "turns together with the first belongs to the same letter."
    ),
    "machine.layout": (
        "With the power off push the tool slowly along X. independent: only the motor of X "
        "turns. coupled-belts: both motors turn, and the belts run round the whole frame."
    ),
    "machine.dialect": (
        "Which words the controller understands beyond the standard. printer: it reports "
        "temperatures and positions when asked, and has a stop word. plain: mills, plotters and "
        "everything that is not sure. A wrong choice is noticed when it is connected, before "
        "anything moves."
    ),
    "machine.baud": (
        "How fast the data cable talks. It stands in the controller's manual or in the settings of "
        "the program used with it so far; 115200 and 250000 are the commonest. unknown is fine: "
        "the card then says what to try."
    ),
    "machine.vertical": (
        "An axis whose carriage would sink or fall if its motor were taken off. It gets a block "
        "and a caution of its own before it moves. When in doubt name it."
    ),
    "machine.bed": (
        "Where the work moves and the tool stays, a move to plus is a move of the bed to minus. "
        "Look at the machine: what slides, the tool or what the part lies on?"
    ),
    "machine.several": (
        "Two screws at the two ends of a bridge, or two motors on one belt. They have to turn "
        "alike, so each screw is read on its own. none if every axis has one motor."
    ),
    "motors": "Count the motors of this axis, not those of the whole machine.",
    "caliper.range": (
        "The largest size that it measures: 150 or 200 is engraved on most. It limits how far "
        "apart readings can be taken."
    ),
    "caliper.step": (
        "The last digit that moves on the display, or the finest line of a vernier. It is engraved "
        "near the scale."
    ),
    "caliper.error-limit": (
        "How wrong the caliper itself may be, with closed and open jaws. A certificate names it; "
        "without one the limit of the standard is taken, which Enter does."
    ),
    "same-as": (
        "Naming an axis copies its drive, gears, motor and microsteps, so that they need not be "
        "typed again. no where anything differs, if only the teeth of one pulley."
    ),
    "kind": (
        "Follow the drive from the motor to the carriage. The last part counts: a motor with a "
        "small gear box that turns a pulley with a toothed belt is a belt."
    ),
    "pitch_mm": (
        "Ten pitches at once make a tenth of the mistake, fifty a fiftieth. Type what the caliper "
        "shows and over how many, like 20.0/10 or 100.1/50; inches as 0.8 in. A designation such "
        "as XL, M8 or Tr8x8(P2) is better than measuring."
    ),
    "standard": (
        "Parts come in standard sizes, and a caliper reads them a little off. What is wrong here "
        "is wrong by the same share on the whole axis. The nearest one is offered where the "
        "measurement says clearly which it is."
    ),
    "starts": (
        "Look at the end face of the screw: so many grooves begin there. One turn moves the nut "
        "by pitch x starts. A screw with a pitch of 2 mm and 4 starts moves 8 mm."
    ),
    "many-starts": (
        "The starts are the grooves that begin at the end face, not all the turns of thread along "
        "the screw. no asks for them once more; yes keeps the count, for a screw that is really so."
    ),
    "lead": (
        "Turn the screw once: the nut moves by the lead. From one crest to the next along the "
        "screw is the pitch. With one start they are the same, with 4 starts the lead is 4 times "
        "the pitch. Mark the nut and turn ten turns to tell them apart."
    ),
    "module_mm": (
        "The module is the pitch of the rack divided by pi: a rack of module 1 has a tooth every "
        "3.1416 mm. Ten pitches typed like 31.4/10 give it too."
    ),
    "travel_per_rev_mm": (
        "What the carriage moves when the last shaft turns once. Mark the shaft, turn it ten "
        "turns by hand with the power off, measure, and divide by ten."
    ),
    "diameter_mm": (
        "The diameter at which the wheel holds the filament: measured over the teeth, less twice "
        "what they bite into it, often 0.1 to 0.3 mm. It is a start; feeding 100 mm and measuring "
        "what was delivered gives the number."
    ),
    "pulley_teeth": (
        "The pulley on the motor's or the last gear's shaft, not the idlers. Mark one tooth with a "
        "pen and count once round, twice. Usual ones have 16 or 20."
    ),
    "pinion_teeth": (
        "The small wheel that rolls on the rack. Mark one tooth with a pen and count once round, "
        "twice."
    ),
    "unusual": (
        "One turn of the drive would move very much more or less than such parts do: most often "
        "two numbers were exchanged, or a decimal point is in the wrong place. no asks for the "
        "parts once more; yes keeps them, for machines that are really so."
    ),
    "gears": (
        "Follow the motion from the motor's shaft: wheels that turn each other, or two pulleys "
        "with a short belt, are a pair. Most axes have none; many feeders have one."
    ),
    "driver": (
        "The wheel nearer to the motor. The exact counts matter: 17 and 50 are not 1 and 3. Both "
        "at once are typed as 17:50, the motor's side first."
    ),
    "driven": (
        "The wheel that is turned by the one before. Mark a tooth with a pen and count once round."
    ),
    "angle": (
        "The label on the motor has it. 1.8 degrees are 200 steps in a turn and by far the "
        "commonest; 0.9 degrees are 400."
    ),
    "microsteps": (
        "Into how many parts the driver cuts a full step. Small jumpers or switches set it, or the "
        "controller's settings list it; 16, also written 1/16, is the commonest. A number that is "
        "wrong by two makes every move wrong by two."
    ),
    "filament_diameter": "It is printed on the spool: 1.75 or 2.85 on nearly all of them.",
    "max_feed": (
        "How fast the wheel may push at most while it is tested. 3 mm/s of 1.75 mm filament is "
        "what a usual nozzle can melt; less is safe."
    ),
    "max_temperature": (
        "No session heats above this. Take the lower one of what the spool allows and what the "
        "nozzle, with the tube that leads into it, may stand; many tubes begin to give off fumes "
        "above 240 °C."
    ),
    "cold": (
        "Filament is soft enough to be fed through a nozzle from about 150 °C. With less on the "
        "card the feeder can only be measured with the filament out of the nozzle, cold."
    ),
    "range": (
        "From one end of its travel to the other, in the positions that the controller counts. "
        "Measure how far the carriage can be pushed with the power off, slowly. No move is ever "
        "planned beyond it."
    ),
    "reference": (
        "The small switch that the carriage runs against when the machine is sent home. With the "
        "carriage at it the position is the lowest of all: min; the highest: max. none is right "
        "when there is no switch, or when you do not know."
    ),
    "form": (
        "Controllers hold the same fact in different ways. steps_per_mm: steps for one mm, often "
        "80 or 400. mm_per_step: a small number such as 0.0125. travel_per_rev_mm: mm for a turn "
        "of the drive. travel_per_motor_rev_mm: mm for a turn of the motor. Compare it with the "
        "numbers above."
    ),
    "stored": (
        "Ask the controller for its settings, or look into its configuration, and copy the number "
        "of this axis to its last digit. It is what everything is compared with, so it is never "
        "guessed: with unknown the axis waits on the card, with all that was said of it, until "
        "the number stands there."
    ),
    "file": (
        "The card is a text file. Enter puts it into the folder of cards, where every command "
        "finds it by its name alone, and so does a name without a folder. ./bench.toml is in the "
        "folder where you are. A file that is there is never overwritten."
    ),
}
_MENU = {
    "menu.what": (
        "tune-a-machine: find the right number of each axis, with a caliper. find-out-why: from a "
        "print to its cause. set-up-a-machine-card: comes first for a new machine. rehearse: a "
        "whole session on a simulated one, nothing moves. take-in and write-a-handover-sheet: for "
        "work that is done for somebody else. Each ends with the command that does the same."
    ),
    "menu.session": (
        "Each session has a name that begins with its date and time, then the machine's name. "
        "tuner log lists them all."
    ),
    "menu.card": (
        "The cards in this folder and in the folder of cards, those of the machines used last "
        "first. A card describes one machine; tuner card new makes one."
    ),
    "menu.card-file": (
        "Where the card is, such as bench.toml; one in the folder of cards is found by its name. "
        "Enter alone goes on without a card and says how to make one."
    ),
    "menu.port": (
        "The end of the data cable at this computer. Pull the plug and look with tuner ports which "
        "one is gone, then plug it in again. Ports without a description are seldom a machine."
    ),
    "menu.port-name": (
        "As the system names it, such as /dev/ttyACM0 or COM3; over a network as socket://, the "
        "computer's name, a colon and a number."
    ),
    "menu.work": (
        "measure is right for sizes that are wrong. lost-steps for layers that shift. axis-test "
        "for how well an axis repeats. squareness for corners that are not square; it moves "
        "nothing. Whatever is chosen, nothing moves before a go of yours."
    ),
    "menu.proposal": (
        "A proposal is a file with the number that was found. Choose the one that you typed into "
        "the controller; its axis is measured again."
    ),
    "menu.axis": (
        "One axis takes about fifteen minutes. all measures one after the other and asks before "
        "each of them."
    ),
    "menu.rehearsal": (
        "A rehearsal is a whole session with questions, moves and readings on a machine that is "
        "not there: nothing can break, and the caliper's reading is told. What is wrong with it is "
        "hidden, and the session finds out."
    ),
    "menu.symptom": (
        "The faults in groups, by what somebody at the machine would notice first. back comes here "
        "again from the list."
    ),
    "menu.fault": (
        "The simulated machine has exactly this fault and no other; the session is not told of "
        "it. Those of the Pack mule need a part that the Bench mule does not have."
    ),
    "menu.procedure": (
        "Measuring finds the stored number. These find what no number can put right: an axis that "
        "loses its way when it is fast, one that does not come back to its places, two that are "
        "not square."
    ),
}
_WHY = {
    "why.what": (
        "Choose what can be measured. Sizes: with a caliper over two parts. Shifts: from face to "
        "face. Material: a mark on the filament. Looks alone prove nothing, so each of them leads "
        "to a measurement."
    ),
    "why.where": (
        "Measure the same kind of size along X and along Y. Wrong along one of them only: that "
        "axis. Wrong along both by the same share: more likely the plastic that shrinks."
    ),
    "why.axis": "As the machine names it: X is mostly left and right, Y to and fro, Z up and down.",
    "why.side": (
        "A line that is too wide makes outer sizes larger and holes smaller. So it has to be known "
        "which of them it was."
    ),
    "nominal": "The size in the drawing or the model, not what the print made of it.",
    "measured": (
        "Measure it three times at different places, not at a seam or a corner, and type the "
        "middle one."
    ),
    "why.another": (
        "A third size shows whether the error really grows evenly, and each further one narrows "
        "what is not known. Outer sizes with outer, inner with inner."
    ),
    "why.go-on": "yes leads to the next command, which is shown before it runs. no ends here.",
    "heights": (
        "Measure from the bottom of the print to each shift. If they come at the same height in "
        "every print, it is the job; if anywhere, the machine."
    ),
    "shift-how": (
        "The size of a shift tells lost motor cycles from teeth that a belt jumped, as far as the "
        "caliper can tell. The test at the machine moves the axis and shows at which feed it "
        "happens."
    ),
    "why.shift": (
        "Lay the depth rod or the jaws across the step in the wall, at three places, and type the "
        "middle one. Lean the part away: only the step counts."
    ),
    "lean": (
        "Print the same part once at half the speed. If it leans as much as before, it is "
        "squareness; if less, something is lost when it is fast. When in doubt squareness first: "
        "it takes five minutes and moves nothing."
    ),
    "why.asked": "The length that was sent to the feeder, such as 100 mm.",
    "why.fed": (
        "The distance from the inlet to the mark before, less the distance after. If the mark went "
        "in, it was more than that: take a longer piece."
    ),
    "why.through": (
        "A nozzle holds back, and a wheel that slips delivers less, whatever the number is. Free, "
        "with the filament out of the nozzle, only the number counts."
    ),
    "why.file": (
        "A table with a row for each reading: where the axis was told to be, and what the caliper "
        "showed. Its first line is commanded_mm,reading_mm."
    ),
    "why.of": "The axis that was moved when these readings were taken.",
}
_INTAKE = {
    "job.number": (
        "What the sheet, the sessions and the proposals of this job are filed under. Any number or "
        "word of yours; it is needed later after --job."
    ),
    "job.complaint": "Word for word, also where it sounds wrong: the sheet answers it at the end.",
    "job.symptom": (
        "It chooses which test is proposed next. not-said proposes none and is never wrong."
    ),
    "job.by": "The name that stands on the sheet below the result. It can be left out.",
    "job.caliper": "So that it is known later which caliper the readings came from.",
    "job.calibrated": "The date on its label, year first, such as 2026-03-14. It can be left out.",
    "job.right": (
        "keep writes the answers down for the sheet. again asks each of them once more, and Enter "
        "keeps what was answered."
    ),
}
BEFOREHAND = _CARD | _MENU | _WHY | _INTAKE
"""Texts by the key of a question, see ``about``."""
