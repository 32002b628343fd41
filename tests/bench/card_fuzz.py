"""Many broken machine cards, each a card or a clear error; the slowest is named.

Usage: python tests/bench/card_fuzz.py [CARDS] [FIRST_SEED]
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from card_mutations import held, mutated


def main(cards: int, first: int) -> int:
    broken, accepted, slowest, slowest_seed = 0, 0, 0.0, first
    for seed in range(first, first + cards):
        text = mutated(seed)
        started = time.perf_counter()
        try:
            accepted += held(text)
        except Exception as failure:
            broken += 1
            print(f"seed {seed}: {type(failure).__name__}: {failure}")
        taken = time.perf_counter() - started
        if taken > slowest:
            slowest, slowest_seed = taken, seed
    print(
        f"{cards} cards: {accepted} still cards, {cards - accepted - broken} refused, "
        f"{broken} broken promises; slowest {1000 * slowest:.0f} ms (seed {slowest_seed})"
    )
    return 1 if broken else 0


if __name__ == "__main__":
    numbers = [int(argument) for argument in sys.argv[1:]]
    sys.exit(main(*(*numbers, *(20_000, 0)[len(numbers) :])))
