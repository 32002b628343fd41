"""Bench calibration of stepper-driven axes: measure, explain, propose; never apply.

For notebooks: ``tuner.examine`` and ``tuner.axis_test``. Both are looked up when they are first
used, because they need numpy and the program itself starts without it.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tuner.notebook import axis_test as axis_test
    from tuner.notebook import examine as examine

__version__ = "0.1.0"
__all__ = ["axis_test", "examine"]


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module("tuner.notebook"), name)
