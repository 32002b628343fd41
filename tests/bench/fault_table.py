"""Print the fault grid as it stands in DEVELOPERS.md, from the data of the tests.

Usage: python tests/bench/fault_table.py
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from faulty.grid import table

if __name__ == "__main__":
    print(table())
