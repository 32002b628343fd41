"""Every byte of a logbook changed once, and the file cut at every 512 bytes.

Run ``python tests/bench/logbook_damage.py [MASK …]``: the bits of each byte that are changed, by
default 0xff and 0x01. Every time the logbook must give every record as it was written, or say
clearly what is damaged; see ``tests/test_logbook_damage.py``, which tries every 61st byte.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from test_logbook_damage import Whole, flipped


def main(masks: list[int]) -> int:
    started = time.monotonic()
    broken = 0
    with tempfile.TemporaryDirectory() as name:
        whole = Whole(Path(name))
        size = len(whole.raw)
        for what, files in (
            *((f"each byte ^ {mask:#x}", [(at, mask) for at in range(size)]) for mask in masks),
            ("cut every 512 bytes", [(at, None) for at in range(512, size, 512)]),
        ):
            became: Counter[str] = Counter()
            for at, bits in files:
                raw = whole.raw[:at] if bits is None else flipped(whole.raw, at, bits)
                try:
                    became[whole.opened(raw)] += 1
                except Exception as failure:
                    broken += 1
                    print(f"{what} at {at}: {type(failure).__name__}: {failure}"[:300])
            counts = ", ".join(f"{count} {name}" for name, count in sorted(became.items()))
            print(f"{size} bytes, {what}: {counts}, {broken} broken", flush=True)
    print(f"{time.monotonic() - started:.0f} s")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main([int(one, 0) for one in sys.argv[1:]] or [0xFF, 0x01]))
