"""The command line: arguments only. A command is imported when it was chosen."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from tuner import __version__
from tuner.text import shown

if TYPE_CHECKING:
    from tuner.commands.typed_parts import TypedMotor
    from tuner.errors import TunerError

_HOME = "--home"
# SESSION may stand where export does, so the two words are one command.
_LOG_EXPORT = "log export"
_FORM = argparse.RawDescriptionHelpFormatter
# The option parser takes -5 and -5.2 for numbers, and -5,2 for an option.
_NEGATIVE = re.compile(r"^-([0-9]*),([0-9]+)$", re.ASCII)


class _Parser(argparse.ArgumentParser):
    """A parser that quotes what was typed without letting it act on the terminal."""

    def error(self, message: str) -> NoReturn:
        super().error(shown(message))


if TYPE_CHECKING:
    _Commands = argparse._SubParsersAction[_Parser]


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="tuner",
        formatter_class=_FORM,
        description=(
            "Find out with a caliper what each axis of a stepper-driven machine really travels,\n"
            "why it differs, and what to change. Nothing is ever written to the controller."
        ),
        epilog=(
            "examples:\n"
            "  tuner rehearse                        try it on a simulated machine\n"
            "  tuner rehearse --hands-off            the same, answering by itself\n"
            "  tuner ports                           which serial ports there are\n"
            "  tuner tune card.toml --port /dev/ttyACM0\n"
            "  tuner travel belt --pitch 2 --teeth 20    what these parts give\n\n"
            "exit status: 0 done, 1 failed, 2 used wrongly, 3 stopped"
        ),
    )
    parser.add_argument("--version", action="version", version=f"tuner {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")

    rehearse = commands.add_parser(
        "rehearse",
        formatter_class=_FORM,
        help="a whole session on the simulated machine",
        description=(
            "Run a whole session on a built-in simulated machine: the Bench mule, or the Pack\n"
            "mule for what the other does not have."
        ),
        epilog=(
            "examples:\n"
            "  tuner rehearse --fault                       lists the faults\n"
            "  tuner rehearse --fault step-angle --axis x"
        ),
    )
    rehearse.add_argument(
        "--fault",
        nargs="?",
        const="",
        metavar="NAME",
        help="hide this fault; none hides none (default: one an axis, for lost-steps a motor that "
        "is too weak); without a NAME list them",
    )
    rehearse.add_argument(
        "--machine", metavar="NAME", help="bench-mule or pack-mule (default: as the fault wants)"
    )
    _add_axis(rehearse)
    rehearse.add_argument("--seed", type=int, default=1, metavar="N", help="noise of the hand")
    rehearse.add_argument("--hands-off", action="store_true", help="answer everything by itself")
    _add_plain(rehearse)
    _add_extent(rehearse)
    _add_job(rehearse)
    _add_json(rehearse, default=False)

    tune = commands.add_parser(
        "tune",
        formatter_class=_FORM,
        help="a guided session on a machine",
        description="Run a guided session on the machine that CARD describes.",
        epilog="example: tuner tune card.toml --port /dev/ttyACM0 --axis x",
    )
    tune.add_argument("card", type=Path, metavar="CARD", help="the machine card, a TOML file")
    tune.add_argument(
        "--port",
        required=True,
        metavar="URL",
        help="a serial port, or any address that pyserial opens, such as socket://HOST:NUMBER",
    )
    _add_axis(tune)
    _add_plain(tune)
    _add_extent(tune)
    _add_job(tune)

    leaves = [rehearse, tune, _add_resume(commands), *_add_travel(commands), _add_convert(commands)]
    leaves += [_add_examine(commands), _add_offset(commands), _add_prints(commands)]
    leaves.append(_add_squareness(commands))
    leaves += [*_add_card(commands), *_add_log(commands), *_add_counter(commands)]
    ports = commands.add_parser(
        "ports",
        formatter_class=_FORM,
        help="serial ports of this computer",
        description=(
            "List the serial ports of this computer with what is plugged in there. The name\n"
            "that begins a line is what --port takes."
        ),
        epilog="example: tuner ports",
    )
    about = commands.add_parser(
        "about",
        formatter_class=_FORM,
        help="versions and platform, for a report",
        description="Print versions and platform; nothing private is in it.",
        epilog="example: tuner about > about.txt",
    )
    for report in (ports, about):
        _add_json(report, default=False)
    leaves += [
        ports,
        about,
        _add_why(commands),
        _add_completion(commands),
    ]
    for command in leaves:
        _add_home(command, default=argparse.SUPPRESS)
    _add_home(parser, default=None)
    return parser


def _add_why(commands: _Commands) -> argparse.ArgumentParser:
    why = commands.add_parser(
        "why",
        formatter_class=_FORM,
        help="why a print is wrong: asks for measurements, leads to what tells",
        description=(
            "Ask what was measured on a print that is wrong, say what that means, and lead to the\n"
            "command that goes on from there, with the reason. It needs a terminal. Sizes tell a\n"
            "ratio from a constant, a shift has a size and heights, a delivery has a length."
        ),
        epilog="example: tuner why",
    )
    _add_plain(why)
    return why


def _add_completion(commands: _Commands) -> argparse.ArgumentParser:
    completion = commands.add_parser(
        "completion",
        formatter_class=_FORM,
        help="let the Tab key of the shell complete commands, ports, faults, sessions",
        description=(
            "Print a script for the shell that is named. It asks the program itself what can\n"
            "follow, so it need not be written anew when the program changes."
        ),
        epilog=(
            "examples:\n"
            "  source <(tuner completion bash)                  in ~/.bashrc\n"
            "  source <(tuner completion zsh)                   in ~/.zshrc, after compinit\n"
            "  tuner completion fish | source                   in config.fish"
        ),
    )
    completion.add_argument("shell", choices=("bash", "zsh", "fish"), metavar="SHELL")
    return completion


def _add_resume(commands: _Commands) -> argparse.ArgumentParser:
    resume = commands.add_parser(
        "resume",
        formatter_class=_FORM,
        help="go on with a session that was stopped, killed, or lost its port",
        description=(
            "Go on with a session that did not come to its end. Every confirmed reading is kept.\n"
            "Nobody knows where the axes stand then, so each begins again with small moves."
        ),
        epilog="example: tuner resume, or: tuner resume last",
    )
    resume.add_argument(
        "session",
        nargs="?",
        metavar="SESSION",
        help="its name, the beginning of it, or its job number; last is the newest that is open",
    )
    resume.add_argument("--port", metavar="URL", help="where the machine is now, if elsewhere")
    resume.add_argument("--hands-off", action="store_true", help="a rehearsal answers by itself")
    _add_plain(resume)
    return resume


# The drives of `tuner travel`: what each is, an example, and its own options.
_DRIVES: dict[str, tuple[str, str, dict[str, str]]] = {
    "belt": (
        "a toothed belt on a pulley",
        "tuner travel belt --pitch 2 --teeth 20, or: tuner travel belt XL --teeth 10",
        {"--pitch": "of the belt", "--teeth": "of the pulley"},
    ),
    "screw": (
        "a screw and its nut",
        "tuner travel screw --pitch 2 --starts 4, or: tuner travel screw 'Tr8x8(P2)'",
        {
            "--pitch": "from crest to crest",
            "--starts": "threads to be seen at the end of the screw (default: 1)",
            "--lead": "travel of one turn, instead of pitch x starts",
        },
    ),
    "rack": (
        "a rack and pinion",
        "tuner travel rack --module 1 --teeth 20, or: tuner travel rack m1 --teeth 20",
        {"--module": "of the rack", "--teeth": "of the pinion"},
    ),
    "feeder": (
        "a drive wheel on filament",
        "tuner travel feeder --diameter 7.3 --gears 17:50",
        {"--diameter": "effective diameter of the wheel"},
    ),
    "rotary": ("a turning table", "tuner travel rotary --gears 1:90", {}),
    "measured": (
        "whatever no formula covers",
        "tuner travel measured --travel 39.98",
        {"--travel": "travel of one turn, as it was measured"},
    ),
}
_DESIGNATED = ("belt", "screw", "rack")
_LENGTHS = ("--pitch", "--lead", "--module", "--diameter", "--travel")


def _add_travel(commands: _Commands) -> list[argparse.ArgumentParser]:
    travel = commands.add_parser(
        "travel",
        formatter_class=_FORM,
        help="what the parts give, and whether the stored number agrees",
        description=(
            "Say what parts give: travel per revolution, steps per mm, and how it comes out.\n"
            "With --card, for every axis of a machine card, held against the stored number."
        ),
        epilog="examples:\n"
        + "".join(f"  {example}\n" for _, example, _ in _DRIVES.values())
        + "  tuner travel --card card.toml",
    )
    _add_card_choice(travel)
    _add_json(travel, default=False)
    kinds = travel.add_subparsers(dest="kind", metavar="DRIVE")
    return [travel, *(_add_drive(kinds, name) for name in _DRIVES)]


def _add_drive(kinds: _Commands, name: str) -> argparse.ArgumentParser:
    what, example, options = _DRIVES[name]
    drive = kinds.add_parser(
        name,
        formatter_class=_FORM,
        help=what,
        description=f"Say what the parts give: {what}.",
        epilog=f"example: {example}\nlengths are in mm, or like 0.2in; dot or comma",
    )
    if name in _DESIGNATED:
        drive.add_argument(
            "designation", nargs="*", metavar="NAME", help="as printed on the part, in quotes"
        )
    for option, says in options.items():
        drive.add_argument(option, metavar="MM" if option in _LENGTHS else "N", help=says)
    _add_motor(drive)
    drive.add_argument(
        "--stored",
        nargs=2,
        metavar=("VALUE", "FORM"),
        help="hold this number of the controller against the parts, such as 80 steps_per_mm",
    )
    _add_json(drive, default=argparse.SUPPRESS)
    return drive


def _add_convert(commands: _Commands) -> argparse.ArgumentParser:
    converting = commands.add_parser(
        "convert",
        formatter_class=_FORM,
        help="one number in all four forms; what microsteps and a rounded gear ratio change",
        description=(
            "Convert between travel_per_rev_mm, travel_per_motor_rev_mm, steps_per_mm and\n"
            "mm_per_step, or the same in deg. With several --microsteps the number belongs to\n"
            "the first of them, or to those of the card."
        ),
        epilog=(
            "examples:\n"
            "  tuner convert 80 steps_per_mm --full-steps 200 --microsteps 16\n"
            "  tuner convert 80 steps_per_mm --full-steps 200 --microsteps 16 32 64 --feed 6000 "
            "--limit-hz 40000\n"
            "  tuner convert --gears 17:50 --nominal 3\n"
            "  tuner convert --card card.toml --axis x --microsteps 32"
        ),
    )
    converting.add_argument(
        "number", nargs="*", metavar="VALUE FORM", help="such as 80 steps_per_mm"
    )
    _add_card_choice(converting)
    _add_motor(converting)
    converting.add_argument(
        "--nominal",
        metavar="RATIO",
        help="compare with this rounded ratio: motor turns for one turn of the output shaft",
    )
    converting.add_argument("--feed", metavar="MM_PER_MIN", help="show pulse rate and motor speed")
    converting.add_argument(
        "--limit-hz", metavar="HZ", help="pulses per second that the controller can make"
    )
    _add_json(converting, default=False)
    return converting


def _add_examine(commands: _Commands) -> argparse.ArgumentParser:
    examine = commands.add_parser(
        "examine",
        formatter_class=_FORM,
        help="what readings that were written down say",
        description=(
            "Fit the readings of one axis and say what they mean, without a machine. Each file is\n"
            "a CSV table with the header commanded_mm,reading_mm and, where they are known,\n"
            "approach (plus or minus), time_s, feed_mm_per_min and visit."
        ),
        epilog=(
            "examples:\n"
            "  tuner examine readings.csv                          scale, play, uncertainty\n"
            "  tuner examine readings.csv --card card.toml --axis x    causes and verdict as well"
        ),
    )
    examine.add_argument(
        "files", nargs="+", type=Path, metavar="READINGS", help="CSV files, one axis in each"
    )
    examine.add_argument("--card", type=Path, metavar="CARD", help="a machine card, a TOML file")
    examine.add_argument(
        "--axis",
        action="append",
        type=str.lower,
        metavar="A",
        dest="axes",
        help="the axis of the card; once for all files, or once for each (default: as an exported "
        "table says)",
    )
    examine.add_argument(
        "--placed",
        choices=("depth-rod", "inside-jaws", "outside-jaws"),
        help="how the caliper was used (default: as an exported table says, else depth-rod)",
    )
    examine.add_argument(
        "--datum",
        choices=("unmoved", "moved"),
        help="what the closed jaws showed after a jump: zero as before, or not",
    )
    _add_json(examine, default=False)
    return examine


def _add_prints(commands: _Commands) -> argparse.ArgumentParser:
    prints = commands.add_parser(
        "prints",
        formatter_class=_FORM,
        help="what the sizes of printed parts say",
        description=(
            "Split the width of a line from shrinkage and the scale of an axis. Each file is a\n"
            "CSV table with the header nominal_mm,measured_mm,side (outside or inside) and, where\n"
            "they are known, axis and material."
        ),
        epilog=(
            "examples:\n"
            "  tuner prints sizes.csv\n"
            "  tuner prints sizes.csv --axis-scale x=1.0002,0.0005    x itself was measured"
        ),
    )
    prints.add_argument("files", nargs="+", type=Path, metavar="SIZES", help="CSV files")
    prints.add_argument(
        "--axis-scale",
        action="append",
        default=[],
        metavar="[A=]VALUE,U",
        dest="axis_scales",
        help="true / commanded travel of the axis itself and its U; without A= of every axis; "
        "with decimal commas: VALUE;U",
    )
    prints.add_argument(
        "--card", type=Path, metavar="CARD", help="a machine card: its caliper and its axes"
    )
    _add_json(prints, default=False)
    return prints


def _add_offset(commands: _Commands) -> argparse.ArgumentParser:
    offset = commands.add_parser(
        "offset",
        formatter_class=_FORM,
        help="what a sudden offset, such as a shifted layer, can be",
        description=(
            "Hold a sudden offset against what a motor can lose and a belt can jump on this axis,\n"
            "and say what to look at."
        ),
        epilog="example: tuner offset 1.6 --card card.toml --axis x",
    )
    offset.add_argument("size", metavar="SIZE_MM", help="of the offset, with its sign or without")
    offset.add_argument(
        "--card", type=Path, required=True, metavar="CARD", help="a machine card, a TOML file"
    )
    _add_axis(offset)
    offset.add_argument(
        "--uncertainty",
        metavar="MM",
        default="0.1",
        help="plus or minus so much, as it was measured (default: 0.1)",
    )
    _add_json(offset, default=False)
    return offset


def _add_squareness(commands: _Commands) -> argparse.ArgumentParser:
    squareness = commands.add_parser(
        "squareness",
        formatter_class=_FORM,
        help="how square two axes are, from the sides and diagonals of a frame",
        description=(
            "Say how square two axes are, from two sides and two diagonals in mm, measured on the\n"
            "machine or on a printed frame. Skew and scale do not mix; nothing moves."
        ),
        epilog=(
            "example: tuner squareness --told 100 100 --sides 100.04 99.99 \\\n"
            "           --diagonals 141.66 141.18 --printed"
        ),
    )
    for option, names, meaning in (
        ("--told", ("A", "B"), "how long the sides were meant to be"),
        ("--sides", ("A", "B"), "the sides along the two axes, as measured"),
        ("--diagonals", ("D1", "D2"), "the diagonal from where both axes begin, then the other"),
    ):
        squareness.add_argument(option, nargs=2, required=True, metavar=names, help=meaning)
    _add_axis(squareness)
    squareness.add_argument(
        "--uncertainty",
        metavar="MM",
        default="0.05",
        help="plus or minus so much, of each length (default: 0.05)",
    )
    squareness.add_argument("--printed", action="store_true", help="the frame was printed")
    _add_json(squareness, default=False)
    return squareness


def _add_card(commands: _Commands) -> list[argparse.ArgumentParser]:
    card = commands.add_parser(
        "card",
        help="make or check a machine card",
        description="Make a machine card question by question, or check one.",
    )
    actions = card.add_subparsers(dest="action", metavar="ACTION", required=True)
    new = actions.add_parser(
        "new",
        formatter_class=_FORM,
        help="make a card, one question at a time",
        description="Make a machine card, one question at a time. Nothing is ever overwritten.",
        epilog="example: tuner card new bench.toml",
    )
    new.add_argument("card", nargs="?", type=Path, metavar="CARD", help="the file to write")
    new.add_argument(
        "--from",
        type=Path,
        metavar="CARD",
        dest="start_from",
        help="begin with what this card says",
    )
    _add_plain(new)
    check = actions.add_parser(
        "check",
        formatter_class=_FORM,
        help="all that is wrong with a card, or else all that is odd",
        description="Say all that is wrong with a card at once, or else all that is odd.",
        epilog="example: tuner card check bench.toml",
    )
    check.add_argument("card", type=Path, metavar="CARD", help="the machine card, a TOML file")
    _add_json(check, default=False)
    return [card, new, check]


def _add_log(commands: _Commands) -> list[argparse.ArgumentParser]:
    log = commands.add_parser(
        "log",
        formatter_class=_FORM,
        help="what was done before: all sessions, or one of them",
        description=(
            "List all sessions by machine, the newest first, or show one of them. Instead of the\n"
            "whole name of a session its beginning will do, the number of its job, or the word\n"
            "last. Of a job with several sessions these are listed."
        ),
        epilog=(
            "examples:\n"
            "  tuner log         all sessions\n"
            "  tuner log A-17    those of one job\n"
            "  tuner log last    the newest: what was done, read and found, and where its files are"
        ),
    )
    log.add_argument("session", nargs="?", metavar="SESSION", help="show this session, or this job")
    log.add_argument(
        "--check", action="store_true", help="look at every record before, however many there are"
    )
    _add_json(log, default=False)
    export = commands.add_parser(
        _LOG_EXPORT,
        formatter_class=_FORM,
        help="the readings of a session for other programs",
        description="Print the readings of one axis of a session as CSV, or all of it as JSON.",
        epilog=(
            "examples:\n"
            "  tuner log export last --axis x > x.csv     then: tuner examine x.csv --card CARD\n"
            "  tuner log export last --format json        everything there is of it"
        ),
    )
    export.add_argument(
        "session", metavar="SESSION", help="its name, a beginning of it, its job number, or last"
    )
    export.add_argument("--axis", type=str.lower, metavar="A", help="the axis, if it has several")
    export.add_argument(
        "--format",
        choices=("csv", "json"),
        default="csv",
        dest="file_format",
        help="default: csv, as tuner examine reads it",
    )
    return [log, export]


def _add_counter(commands: _Commands) -> list[argparse.ArgumentParser]:
    intake = commands.add_parser(
        "intake",
        formatter_class=_FORM,
        help="a machine comes in: job number, complaint, caliper; what to do next",
        description=(
            "Ask what came in and why, and say how to go on. It is kept for the sheet; only what\n"
            "is typed is kept, and nothing is moved. What was left is taken up by tuner resume."
        ),
        epilog="examples:\n  tuner intake card.toml\n  tuner intake bench-mule    to try it out",
    )
    intake.add_argument(
        "card",
        type=Path,
        metavar="CARD",
        help="the machine card, a TOML file; or the name of a simulated machine",
    )
    _add_plain(intake)
    sheet = commands.add_parser(
        "sheet",
        formatter_class=_FORM,
        help="the handover sheet: what was measured, found and left",
        description=(
            "Write the handover sheet of a session, and of those that go with it: of the same\n"
            "job, and before and after a change. It is one HTML file that prints, with a Markdown\n"
            "twin, in the folder sheets. Nothing is ever overwritten."
        ),
        epilog="examples:\n  tuner sheet A-17\n  tuner sheet 20260314 20260316 --output sheet.html",
    )
    sheet.add_argument(
        "sessions",
        nargs="+",
        metavar="SESSION",
        help="the number of a job; or a session: its name, a beginning of it, or last",
    )
    sheet.add_argument("--output", type=Path, metavar="FILE", help="write the one file there")
    sheet.add_argument(
        "--markdown", action="store_true", help="the Markdown alone, printed or for --output"
    )
    history = commands.add_parser(
        "history",
        formatter_class=_FORM,
        help="how the numbers of a machine moved over months, or between two sessions",
        description=(
            "Show what was found of each axis, session by session. The scale is true / commanded\n"
            "travel with the number that the controller held on that day."
        ),
        epilog=(
            "examples:\n"
            "  tuner history                              every machine\n"
            "  tuner history --machine 'Bench mule' --axis x\n"
            "  tuner history --compare 20260314 last      what moved between two sessions"
        ),
    )
    history.add_argument(
        "--machine", metavar="NAME", dest="of_machine", help="only this one, named as on its card"
    )
    history.add_argument(
        "--compare", nargs=2, metavar="SESSION", help="say what moved between these two sessions"
    )
    _add_axis(history)
    _add_json(history, default=False)
    return [intake, sheet, history]


def _add_motor(command: argparse.ArgumentParser) -> None:
    command.add_argument("--full-steps", metavar="N", help="of the motor in one turn, such as 200")
    command.add_argument("--step-angle", metavar="DEG", help="instead, such as 1.8")
    command.add_argument("--microsteps", nargs="+", default=[], metavar="N", help="such as 16")
    command.add_argument(
        "--gears",
        nargs="+",
        default=[],
        metavar="N:N",
        help="teeth of each pair, the motor's side first, such as 16:80",
    )


def _add_card_choice(command: argparse.ArgumentParser) -> None:
    command.add_argument("--card", type=Path, metavar="CARD", help="a machine card, a TOML file")
    _add_axis(command)


def _add_json(command: argparse.ArgumentParser, default: object) -> None:
    command.add_argument(
        "--json", action="store_true", default=default, dest="as_json", help="for other programs"
    )


def _add_extent(parser: argparse.ArgumentParser) -> None:
    extent = parser.add_mutually_exclusive_group()
    extent.add_argument(
        "--quick", action="store_true", help="about ten readings an axis: how the machine was found"
    )
    extent.add_argument(
        "--test",
        choices=("lost-steps", "axis-test", "squareness"),
        default="",
        metavar="NAME",
        help=(
            "no stored number but: lost-steps, at which feed an axis loses its way; axis-test, how "
            "well it finds its places (ISO 230-2); squareness of two axes, from sides and diagonals"
        ),
    )
    extent.add_argument(
        "--check",
        metavar="PROPOSAL",
        help=(
            "measure its axis again after a person applied this proposal: its file, its identifier "
            "or the beginning of that, or last"
        ),
    )


def _add_job(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--job", default="", metavar="NUMBER", help="the job that the session belongs to"
    )


def _add_axis(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--axis",
        action="append",
        type=str.lower,
        metavar="A",
        dest="axes",
        help="only this axis; may be given again",
    )


def _add_plain(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--plain",
        action="store_true",
        help="one line a message, for screen readers and other programs",
    )


def _add_home(command: argparse.ArgumentParser, default: object) -> None:
    command.add_argument(
        _HOME,
        type=Path,
        metavar="DIR",
        default=default,
        help="folder of logbook, proposals and transcripts (default: TUNER_HOME, ~/tuner-bench)",
    )


def _home(given: Path | None) -> Path:
    from tuner.commands.home import usual_home

    return given or usual_home()


def _find_cards(given: argparse.Namespace) -> None:
    """Put, for a card that lies among those of the home, where it lies in place of its name."""
    from tuner.commands.cards import found_card

    makes_one = given.command == "card" and given.action == "new"
    for name in ("start_from",) if makes_one else ("card",):
        path = getattr(given, name, None)
        if path is not None:
            setattr(given, name, found_card(path, _home(given.home)))


def _typed_motor(given: argparse.Namespace) -> TypedMotor:
    from tuner.commands.typed_parts import TypedMotor

    return TypedMotor(
        full_steps=given.full_steps,
        step_angle=given.step_angle,
        microsteps=given.microsteps,
        gears=given.gears,
    )


def _travel(given: argparse.Namespace) -> int:
    from tuner.commands.travel import travel_of_card, travel_of_parts
    from tuner.errors import UsedWrongly

    if (given.kind is None) == (given.card is None):
        raise UsedWrongly(
            f"expected either a drive ({', '.join(_DRIVES)}) or --card CARD, such as: tuner travel "
            "belt --pitch 2 --teeth 20"
        )
    if given.axes and given.card is None:
        raise UsedWrongly("--axis is an axis of a card; give --card as well")
    if given.card is not None:
        _find_cards(given)
        return travel_of_card(card_path=given.card, axes=given.axes, as_json=given.as_json)
    from tuner.commands.typed_parts import TypedDrive

    typed = {
        name: getattr(given, name)
        for name in (
            "designation",
            *(option.removeprefix("--") for option in _DRIVES[given.kind][2]),
        )
        if hasattr(given, name)
    }
    return travel_of_parts(
        drive=TypedDrive(kind=given.kind, **typed),
        motor=_typed_motor(given),
        stored=given.stored,
        as_json=given.as_json,
    )


def _joined(arguments: Sequence[str]) -> list[str]:
    """Return `arguments` with the two words of a command of two words as one."""
    words = _LOG_EXPORT.split()
    for at in range(len(arguments)):
        if [*arguments[at : at + 2]] == words:
            return [*arguments[:at], _LOG_EXPORT, *arguments[at + 2 :]]
    return [*arguments]


def _too_many(arguments: Sequence[str], given: argparse.Namespace, words: Sequence[str]) -> str:
    """Return the `words` that nothing takes, and what to type where quotes were forgotten."""
    from tuner.commands.named import in_quotes

    names = [getattr(given, name, None) for name in ("job", "session", "of_machine")]
    line = in_quotes(arguments, [one for one in names if one], words)
    quotes = f". A name with blanks goes in quotes: tuner {line}" if line else ""
    return " ".join(words) + quotes


def run(arguments: Sequence[str]) -> int:
    """Run one command and return its exit status; raises what the command raises."""
    parser = _parser()
    if [*arguments[:2]] == ["completion", "words"]:  # what a shell sends may be half a command
        from tuner.commands.completion import print_candidates

        return print_candidates(parser, arguments[2:], _home(None))
    words = [_NEGATIVE.sub(r"-\1.\2", one) for one in _joined(arguments)]
    given, too_many = parser.parse_known_args(words)
    if too_many:
        parser.error(f"unrecognized arguments: {_too_many(arguments, given, too_many)}")
    if given.command not in ("travel", "intake"):  # these look for it themselves
        _find_cards(given)
    match given.command:
        case "travel":
            return _travel(given)
        case "convert":
            from tuner.commands.convert import convert

            return convert(
                number=given.number,
                motor=_typed_motor(given),
                nominal=given.nominal,
                feed=given.feed,
                limit_hz=given.limit_hz,
                card_path=given.card,
                axes=given.axes,
                as_json=given.as_json,
            )
        case "examine":
            from tuner.commands.examine import examine

            return examine(
                files=given.files,
                card_path=given.card,
                axes=given.axes,
                placed=given.placed,
                datum_look=given.datum,
                as_json=given.as_json,
            )
        case "prints":
            from tuner.commands.prints import prints

            return prints(
                files=given.files,
                axis_scales=given.axis_scales,
                card_path=given.card,
                as_json=given.as_json,
            )
        case "offset":
            from tuner.commands.offset import offset

            return offset(
                size=given.size,
                card_path=given.card,
                axes=given.axes,
                uncertainty=given.uncertainty,
                as_json=given.as_json,
            )
        case "squareness":
            from tuner.commands.squareness import squareness

            return squareness(
                sides=given.sides,
                diagonals=given.diagonals,
                told=given.told,
                axes=given.axes,
                uncertainty=given.uncertainty,
                printed=given.printed,
                as_json=given.as_json,
            )
        case "card" if given.action == "new":
            from tuner.commands.card_new import card_new

            return card_new(
                home=_home(given.home),
                target=given.card,
                start_from=given.start_from,
                plain=given.plain,
            )
        case "card":
            from tuner.commands.card_check import card_check

            return card_check(card_path=given.card, as_json=given.as_json)
        case "rehearse":
            from tuner.commands.rehearse import list_faults, rehearse

            if given.fault == "":
                return list_faults(as_json=given.as_json)
            if given.as_json:
                parser.error("rehearse: --json belongs to --fault without a name")
            return rehearse(
                home=_home(given.home),
                fault=given.fault,
                machine=given.machine,
                axes=given.axes,
                seed=given.seed,
                hands_off=given.hands_off,
                plain=given.plain,
                quick=given.quick,
                test=given.test,
                proposal=given.check,
                job=given.job,
            )
        case "tune":
            from tuner.commands.tune import tune

            return tune(
                home=_home(given.home),
                card_path=given.card,
                url=given.port,
                axes=given.axes,
                plain=given.plain,
                quick=given.quick,
                test=given.test,
                proposal=given.check,
                job=given.job,
            )
        case "log":
            from tuner.commands.log import log

            return log(
                home=_home(given.home),
                name=given.session,
                check=given.check,
                as_json=given.as_json,
            )
        case "intake":
            from tuner.commands.intake import take_in

            return take_in(home=_home(given.home), card_path=given.card, plain=given.plain)
        case "sheet":
            from tuner.commands.sheet import sheet

            return sheet(
                home=_home(given.home),
                names=given.sessions,
                output=given.output,
                markdown=given.markdown,
            )
        case "history":
            from tuner.commands.history import history

            return history(
                home=_home(given.home),
                machine=given.of_machine,
                sessions=given.compare,
                axes=given.axes,
                as_json=given.as_json,
            )
        case "log export":
            from tuner.commands.log import export

            return export(
                home=_home(given.home),
                name=given.session,
                axis=given.axis,
                file_format=given.file_format,
            )
        case "resume":
            from tuner.commands.resume import resume

            return resume(
                home=_home(given.home),
                session=given.session,
                url=given.port,
                plain=given.plain,
                hands_off=given.hands_off,
            )
        case "ports":
            from tuner.commands.ports import ports

            return ports(as_json=given.as_json)
        case "about":
            from tuner.commands.about import about

            return about(as_json=given.as_json)
        case "why":
            from tuner.commands.why import why

            _need_a_person("why")
            return _follow(why(_home(given.home), plain=given.plain), given.home)
        case "completion":
            from tuner.commands.completion import completion

            return completion(given.shell)
    if not _is_a_person_there():
        parser.print_help()
        return 0
    from tuner.commands.menu import menu

    return _follow(menu(_home(given.home)), given.home)


def failed(error: TunerError) -> int:
    """Say on standard error why a command ended, and return the exit status for it."""
    from tuner.commands.report import print_failure

    print_failure(error)
    return error.exit_status


def _follow(arguments: Sequence[str], home: Path | None) -> int:
    """Run the command line that a conversation came to, if it came to one."""
    where = [] if home is None else [_HOME, str(home)]
    return run([*where, *arguments]) if arguments else 0


def _is_a_person_there() -> bool:
    return sys.stdin is not None and sys.stdin.isatty() and sys.stdout.isatty()


def _need_a_person(command: str) -> None:
    from tuner.errors import UsedWrongly

    if not _is_a_person_there():
        raise UsedWrongly(
            f"tuner {command} asks questions and needs a terminal; for readings and sizes in files "
            "there are tuner examine and tuner prints"
        )
