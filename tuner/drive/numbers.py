"""Exact numbers as a person reads and types them.

A number that ends within six decimals is written out as it is; anything longer is rounded
to six significant digits, but digits before the decimal point are never rounded away.
There is never an exponent. What is typed, with dot or comma or as a fraction, becomes
exactly that fraction; ``nan``, ``1e3`` and the digits of other scripts are no numbers here.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Context, Decimal
from fractions import Fraction

from tuner.text import clipped, shown

MM_PER_INCH = Fraction("25.4")  # exact by definition (NIST SP 811)

_EXACT_DECIMALS = 6
_SIGNIFICANT = 6
_LONGEST_SHOWN = 40
_LARGEST_IN_FRACTION = 999
# More decimals than a controller reports: what a card holds can be typed again.
_DECIMAL = r"(?:[0-9]{1,12}(?:[.,][0-9]{1,20})?|[.,][0-9]{1,20})"
_NUMBER = re.compile(rf"([+-]?)({_DECIMAL})(?:/([0-9]{{1,12}}))?", re.ASCII)
_LENGTH = re.compile(r"(.*?)\s*(mm|in|inch|\")?", re.ASCII)
# A number is shown rounded from an error of a percent down to one that no caliper sees.
_COARSEST_RELATIVE = Fraction(1, 100)
_UNSEEN_MM = 0.001
_MOST_DECIMALS = 12


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


def decimals_kept(uncertainty: float) -> int:
    """Return to how many decimals a value with that standard uncertainty (above 0) is given.

    Negative where whole tens are enough. Two digits of the uncertainty where its first three are up
    to 354, one up to 949, else it is rounded up to 1000 and two are kept (Particle Data Group,
    Review of Particle Physics, introduction; from memory).
    """
    mantissa, exponent = f"{uncertainty:.2e}".split("e")
    leading = int(mantissa.replace(".", ""))
    return (0 if 354 < leading <= 949 else 1) - int(exponent) - (leading > 949)


def plus_minus(value: float, uncertainty: float) -> str:
    """Return ``value ± uncertainty``; the uncertainty decides how many digits both have.

    See ``decimals_kept`` for the rule.
    """
    if not uncertainty > 0.0:
        return f"{value:.6g}"
    decimals = min(max(decimals_kept(uncertainty), 0), _MOST_DECIMALS)
    return f"{value:.{decimals}f} ± {uncertainty:.{decimals}f}"


@dataclass(frozen=True)
class Rounding:
    """A stored number with so many decimals, and how far off that is over the whole axis."""

    decimals: int
    value: Fraction
    off_mm: float


def roundings(number: Fraction, axis_length_mm: float) -> tuple[Rounding, ...]:
    """Return `number` with ever more decimals, until the axis is off by less than 0.001 mm.

    A controller keeps as many decimals as it keeps; each row says what that many cost over an
    axis of `axis_length_mm`. The first row is off by less than a percent.
    """
    rows = []
    for decimals in range(_MOST_DECIMALS + 1):
        value = round(number, decimals)
        relative = abs(value / number - 1)
        if relative < _COARSEST_RELATIVE:
            rows.append(Rounding(decimals, value, float(relative) * axis_length_mm))
            if rows[-1].off_mm < _UNSEEN_MM:
                break
    return tuple(rows)


def exact_number(text: str) -> Fraction:
    """Return exactly the number typed as `text`: ``2.5``, ``2,5``, ``-5`` or ``80/3``.

    Raises ``ValueError`` for anything else.
    """
    match = _NUMBER.fullmatch(text.strip())
    if not match or (match[3] is not None and int(match[3]) == 0):
        raise ValueError(
            f"'{clipped(shown(text), _LONGEST_SHOWN)}' is not a number; type it like 2.5, 2,5 "
            "or 80/3"
        )
    sign, decimal, divisor = match.groups()
    value = Fraction(decimal.replace(",", ".")) / int(divisor or "1")
    return -value if sign == "-" else value


def exact_mm(text: str) -> Fraction:
    """Return exactly, in mm, the length typed as `text`: ``2``, ``2,5 mm``, ``1/16 in``.

    Raises ``ValueError`` for anything else.
    """
    match = _LENGTH.fullmatch(text.strip().lower())
    try:
        value = exact_number(match[1] if match else text)
    except ValueError:
        raise ValueError(
            f"'{clipped(shown(text), _LONGEST_SHOWN)}' is not a length; type it like 2.5, 2,5, "
            "2.5 mm, 0.2 in or 1/16 in"
        ) from None
    return value * MM_PER_INCH if match and match[2] not in (None, "mm") else value


def exact_words(value: Fraction) -> str:
    """Return `value` as a person reads it, with its fraction where decimals only come near.

    ``26.6667 (80/3)``; a fraction that nobody would read, or one of pi, is left out.
    """
    text = plain_number(value)
    if (
        Fraction(text) == value
        or max(abs(value.numerator), value.denominator) > _LARGEST_IN_FRACTION
    ):
        return text
    return f"{text} ({value.numerator}/{value.denominator})"
