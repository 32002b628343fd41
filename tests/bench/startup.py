"""How long the program takes to start, as a ratio to the bare interpreter in the same run.

The first prompt of a rehearsal, on a pseudo-terminal, is held against the bare import of the three
libraries in one process: at most 1.5 times that. Bytecode is kept between runs, as it is where the
program is installed; the first run of each kind, which writes it, does not count.

Usage: python tests/bench/startup.py [RUNS]
"""

from __future__ import annotations

import os
import pty
import statistics
import subprocess
import sys
import tempfile
import time

TRAVEL = ["travel", "belt", "--pitch", "2", "--teeth", "20", "--json"]  # at most 7 x bare
LIBRARIES = "import of prompt_toolkit, numpy, serial"
COMMANDS = {
    "bare interpreter": ["-c", "pass"],
    "tuner --help": ["-m", "tuner", "--help"],
    "tuner --version": ["-m", "tuner", "--version"],
    "tuner travel belt --json": ["-m", "tuner", *TRAVEL],
    LIBRARIES: ["-c", "import prompt_toolkit, numpy, serial"],
}
FIRST_PROMPT = "first prompt of a rehearsal"
PROMPT = b"number or word"
MOST_LIBRARIES = 1.5


def with_bytecode(folder: str) -> dict[str, str]:
    """Return the environment in which bytecode is kept in `folder`, whatever it is elsewhere."""
    kept = {name: one for name, one in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return {**kept, "PYTHONPYCACHEPREFIX": folder, "TERM": "xterm"}


def seconds(arguments: list[str], environment: dict[str, str]) -> float:
    started = time.perf_counter()
    subprocess.run(
        [sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL, env=environment
    )
    return time.perf_counter() - started


def seconds_to_first_prompt(home: str, environment: dict[str, str]) -> float:
    person, program = pty.openpty()
    started = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "tuner", "rehearse", "--axis", "x", "--home", home],
        stdin=program,
        stdout=program,
        stderr=program,
        env=environment,
    )
    drawn = b""
    while PROMPT not in drawn:
        drawn += os.read(person, 65536)
    taken = time.perf_counter() - started
    process.kill()
    process.wait()
    os.close(person)
    os.close(program)
    return taken


def main(runs: int) -> None:
    taken: dict[str, list[float]] = {name: [] for name in COMMANDS}
    taken[FIRST_PROMPT] = []
    with tempfile.TemporaryDirectory() as bytecode:
        environment = with_bytecode(bytecode)
        for run in range(runs + 1):
            now = {name: seconds(one, environment) for name, one in COMMANDS.items()}
            with tempfile.TemporaryDirectory() as home:
                now[FIRST_PROMPT] = seconds_to_first_prompt(home, environment)
            for name, one in now.items():
                if run:
                    taken[name].append(one)
    bare = statistics.median(taken["bare interpreter"])
    for name, all_seconds in taken.items():
        median = statistics.median(all_seconds)
        print(f"{name}: median {1000 * median:.1f} ms, {median / bare:.2f} x bare")
    ratio = statistics.median(taken[FIRST_PROMPT]) / statistics.median(taken[LIBRARIES])
    print(f"first prompt / import of the libraries: {ratio:.2f} (at most {MOST_LIBRARIES})")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
