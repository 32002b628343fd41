"""The command line: arguments only. A command is imported when it was chosen."""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from pathlib import Path

from tuner import __version__

_HOME = "--home"
_FORM = argparse.RawDescriptionHelpFormatter


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
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
            "  tuner tune card.toml --port /dev/ttyACM0\n\n"
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

    commands.add_parser(
        "ports", help="serial ports of this computer", description="List the serial ports."
    )
    commands.add_parser(
        "about",
        help="versions and platform, for a report",
        description="Print versions and platform; nothing private is in it.",
    )
    for command in commands.choices.values():
        _add_home(command, default=argparse.SUPPRESS)
    _add_home(parser, default=None)
    return parser


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


def run(arguments: Sequence[str]) -> int:
    """Run one command and return its exit status; raises what the command raises."""
    parser = _parser()
    given = parser.parse_args(arguments)
    match given.command:
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
