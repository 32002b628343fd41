"""How probable it is that a measured effect is there at all."""

from __future__ import annotations

import math

_LARGEST_LOG_ODDS = 700.0  # beyond it the exponential has no number, and nobody a doubt


def p_present(value: float, u: float, usual: float) -> float:
    """Return the probability that the true effect behind `value` is not 0.

    One in two beforehand; `u` is the standard uncertainty of `value`, and `usual` how large such an
    effect usually is where there is one, one standard deviation, all in one unit. Two normal
    laws against each other: ``N(0, u^2 + usual^2)`` and ``N(0, u^2)``. Where `u` is far
    larger than `usual` it stays at one in two: nothing was learned.
    """
    wide = math.hypot(u, usual)
    log_odds = math.log(u / wide) + 0.5 * value**2 * (1.0 / u**2 - 1.0 / wide**2)
    return 1.0 / (1.0 + math.exp(-min(log_odds, _LARGEST_LOG_ODDS)))
