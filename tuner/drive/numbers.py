"""Exact numbers as a person reads and types them.

A number that ends within six decimals is written out as it is; anything longer is rounded
to six significant digits, but digits before the decimal point are never rounded away.
There is never an exponent.
"""

from __future__ import annotations

from decimal import Context, Decimal
from fractions import Fraction

_EXACT_DECIMALS = 6
_SIGNIFICANT = 6


def decimals_of(value: Fraction) -> int | None:
    """Return how many decimals write `value` exactly, or None when no number of them does."""
    rest, twos, fives = value.denominator, 0, 0
    while rest % 2 == 0:
        rest //= 2
        twos += 1
    while rest % 5 == 0:
        rest //= 5
        fives += 1
    return max(twos, fives) if rest == 1 else None


def plain_number(value: Fraction) -> str:
    """Return the shortest honest decimal of `value`, such as ``80``, ``0.0125``, ``22.9336``."""
    if abs(value) >= 10**_SIGNIFICANT:
        decimals = decimals_of(value)
        exact = decimals is not None and decimals <= _EXACT_DECIMALS
        value = value if exact else Fraction(round(value))
    scaled = value * 10**_EXACT_DECIMALS
    if scaled.denominator == 1:
        sign = "-" if value < 0 else ""
        whole, part = divmod(abs(scaled.numerator), 10**_EXACT_DECIMALS)
        text = f"{sign}{whole}.{part:0{_EXACT_DECIMALS}d}"
    else:
        rounded = Context(prec=_SIGNIFICANT).divide(
            Decimal(value.numerator), Decimal(value.denominator)
        )
        text = format(rounded, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text
