"""The command line: arguments only. A command is imported when it was chosen."""

from __future__ import annotations

import argparse
import os
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from tuner import __version__
from tuner.text import shown

if TYPE_CHECKING:
    from tuner.commands.typed_parts import TypedMotor

_HOME = "--home"
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
        description="Run a whole session on the built-in simulated machine, the Bench mule.",
        epilog="example: tuner rehearse --fault step-angle --axis x",
    )
    rehearse.add_argument(
        "--fault", metavar="NAME", help="hide this fault; none hides none (default: one an axis)"
    )
    _add_axis(rehearse)
    rehearse.add_argument("--seed", type=int, default=1, metavar="N", help="noise of the hand")
    rehearse.add_argument("--hands-off", action="store_true", help="answer everything by itself")
    _add_plain(rehearse)

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

    leaves = [rehearse, tune, *_add_travel(commands), _add_convert(commands)]
    leaves += [_add_examine(commands), *_add_card(commands)]
    leaves += [
        commands.add_parser(
            "ports", help="serial ports of this computer", description="List the serial ports."
        ),
        commands.add_parser(
            "about",
            help="versions and platform, for a report",
            description="Print versions and platform; nothing private is in it.",
        ),
    ]
    for command in leaves:
        _add_home(command, default=argparse.SUPPRESS)
    _add_home(parser, default=None)
    return parser


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
        help="the axis of the card; once for all files, or once for each",
    )
    examine.add_argument(
        "--placed",
        choices=("depth-rod", "inside-jaws", "outside-jaws"),
        default="depth-rod",
        help="how the caliper was used (default: depth-rod)",
    )
    _add_json(examine, default=False)
    return examine


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
    return given or Path(os.environ.get("TUNER_HOME") or Path.home() / "tuner-bench")


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


def run(arguments: Sequence[str]) -> int:
    """Run one command and return its exit status; raises what the command raises."""
    parser = _parser()
    given = parser.parse_args([_NEGATIVE.sub(r"-\1.\2", argument) for argument in arguments])
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
            from tuner.commands.rehearse import rehearse

            return rehearse(
                home=_home(given.home),
                fault=given.fault,
                axes=given.axes,
                seed=given.seed,
                hands_off=given.hands_off,
                plain=given.plain,
            )
        case "tune":
            from tuner.commands.tune import tune

            return tune(
                home=_home(given.home),
                card_path=given.card,
                url=given.port,
                axes=given.axes,
                plain=given.plain,
            )
        case "ports":
            from tuner.commands.ports import ports

            return ports()
        case "about":
            from tuner.commands.about import about

            return about()
    parser.print_help()
    return 0
