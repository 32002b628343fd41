"""How long the program takes to start, as a ratio to the bare interpreter in the same run.

Usage: python tests/bench/startup.py [RUNS]
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

TRAVEL = ["travel", "belt", "--pitch", "2", "--teeth", "20", "--json"]  # at most 7 x bare
COMMANDS = {
    "bare interpreter": ["-c", "pass"],
    "tuner --help": ["-m", "tuner", "--help"],
    "tuner --version": ["-m", "tuner", "--version"],
    "tuner travel belt --json": ["-m", "tuner", *TRAVEL],
    "import of prompt_toolkit, numpy, serial": ["-c", "import prompt_toolkit, numpy, serial"],
}


def seconds(arguments: list[str]) -> float:
    started = time.perf_counter()
    subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - started


def main(runs: int) -> None:
    taken: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for _ in range(runs):
        for name, arguments in COMMANDS.items():
            taken[name].append(seconds(arguments))
    bare = statistics.median(taken["bare interpreter"])
    for name, all_seconds in taken.items():
        median = statistics.median(all_seconds)
        print(f"{name}: median {1000 * median:.1f} ms, {median / bare:.2f} x bare")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
