"""Linear least squares by orthogonal triangles, and the scatter of repeats.

A long table is first reduced to a triangle as small as it has columns: its columns have the same
lengths and angles as those of the table, so that every later question (which terms can be
told apart, what they are, how sure) is answered in that triangle. Nothing is squared on the
way, which is what keeps the digits (normal equations would halve them).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

# Blocks of this many rows stay in the processor's cache: five times as fast on a million rows,
# and too small for the linear algebra library to spend its time on waking threads.
_BLOCK = 1000


@dataclass(frozen=True)
class Solution:
    """The solution of a least-squares problem with p unknowns.

    beta : (p,) float, the unknowns
    root : (p, p) float, with ``covariance of beta = s2 x root root'`` for a variance s2
    """

    beta: Floats
    root: Floats


def triangle(table: Floats) -> Floats:
    """Return R of the QR decomposition of `table` : (n, p), at most (p, p); without Q."""
    n, p = table.shape
    whole = n // _BLOCK
    if whole >= 2:
        end = whole * _BLOCK
        blocks = np.asarray(np.linalg.qr(table[:end].reshape(whole, _BLOCK, p), mode="r"))
        table = np.vstack([blocks.reshape(-1, p), table[end:]])
    return np.asarray(np.linalg.qr(table, mode="r"))


def product(table: Floats, matrix: Floats) -> Floats:
    """Return ``table @ matrix`` : (n, k) for a `table` : (n, p) that may be very long."""
    n, p = table.shape
    whole = n // _BLOCK
    end = whole * _BLOCK
    blocks = table[:end].reshape(whole, _BLOCK, p) @ matrix
    return np.concatenate([blocks.reshape(end, matrix.shape[1]), table[end:] @ matrix])


def least_squares(design: Floats, y: Floats) -> Solution:
    """Return the unknowns that bring ``design @ beta`` nearest to `y` : (n,).

    `design` : (n, p) float, n >= p, its columns independent; they may differ in size by any
    factor, because each is brought to length one first.
    """
    p = design.shape[1]
    lengths = np.sqrt(np.sum(design**2, axis=0))
    r = triangle(np.column_stack([design / lengths, y]))
    root = np.linalg.inv(r[:p, :p]) / lengths[:, None]
    return Solution(beta=np.linalg.solve(r[:p, :p], r[:p, p]) / lengths, root=root)


def what_is_left(design: Floats, y: Floats) -> Floats:
    """Return `y` : (n,) or (n, m) with all that `design` : (n, p) explains taken out."""
    q, _ = np.linalg.qr(design)
    return np.asarray(y - q @ (q.T @ y))


def repeatability(groups: Sequence[Sequence[float]]) -> tuple[float, int]:
    """Return the pooled standard deviation of `groups` of repeats and its degrees of freedom.

    ``s2 = sum of squares about each group's own mean / sum of (k - 1)`` (JCGM 100 4.2.2 and
    H.3.6). Each group has at least two values. No group at all: (0.0, 0).
    """
    dof = sum(len(one) - 1 for one in groups)
    ss = sum(float(np.sum((np.asarray(one) - np.mean(one)) ** 2)) for one in groups)
    return (float(np.sqrt(ss / dof)) if dof else 0.0), dof
