"""Many broken tables of readings, each a result or a clear error; the slowest is named.

Usage: python tests/bench/csv_fuzz.py [TABLES] [FIRST_SEED]
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from card_mutations import STRAIGHT
from csv_mutations import held, mutated


def main(tables: int, first: int) -> int:
    broken, examined, slowest, slowest_seed = 0, 0, 0.0, first
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.joinpath("card.toml").write_text(
            STRAIGHT.replace("coupled-belts", "independent"), encoding="utf-8"
        )
        for seed in range(first, first + tables):
            raw = mutated(seed)
            started = time.perf_counter()
            try:
                examined += held(raw, folder, with_card=seed % 2 == 0, as_json=seed % 4 < 2)
            except Exception as failure:
                broken += 1
                print(f"seed {seed}: {type(failure).__name__}: {failure}")
            taken = time.perf_counter() - started
            if taken > slowest:
                slowest, slowest_seed = taken, seed
    print(
        f"{tables} tables: {examined} examined, {tables - examined - broken} refused, {broken} "
        f"broken promises; slowest {1000 * slowest:.0f} ms (seed {slowest_seed})"
    )
    return 1 if broken else 0


if __name__ == "__main__":
    numbers = [int(argument) for argument in sys.argv[1:]]
    sys.exit(main(*(*numbers, *(20_000, 0)[len(numbers) :])))
