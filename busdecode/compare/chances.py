"""How much a table of two by two tells, and how likely as much is by luck."""

from __future__ import annotations

from math import lgamma, log, pi
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

__all__ = ["bits_told", "log_chance", "log_factorial"]

_FEW = 32
_SMALL = np.array([lgamma(count + 1.0) for count in range(_FEW)])
_NEGLIGIBLE = 1e-17
_ONE_LESS = np.array([-1, 1, 1, -1])
"""What a table becomes with one mark fewer on flagged beats, and as many marks."""


def log_factorial(numbers: ArrayLike) -> Floats:
    """Give the natural logarithm of n!.

    Parameters
    ----------
    numbers : array of int, 0 or more

    Notes
    -----
    From 32 on Stirling's series; what it leaves out is less than 1e-13 there.

    References
    ----------
    .. [1] NIST Digital Library of Mathematical Functions, 5.11.1 (from memory).

    Examples
    --------
    >>> np.exp(log_factorial([0, 1, 5])).round(9).tolist()
    [1.0, 1.0, 120.0]
    """
    whole = np.asarray(numbers, dtype=np.int64)
    large = np.maximum(whole, _FEW).astype(np.float64)
    series = large * np.log(large) - large + 0.5 * np.log(large) + 0.5 * log(2 * pi)
    inverse = 1 / large
    series += inverse * (1 / 12 - inverse**2 * (1 / 360 - inverse**2 / 1260))
    found: Floats = np.where(whole < _FEW, _SMALL[np.minimum(whole, _FEW - 1)], series)
    return found


def bits_told(tables: Ints) -> Floats:
    """Tell how much better flags are foretold with a mark known than without, in bits.

    Parameters
    ----------
    tables : ndarray of int64, shape (..., 4)
        Beats flagged with the mark, flagged without, unflagged with, unflagged without.

    Returns
    -------
    ndarray of float64, shape (...)
        The logarithm to base 2 of the ratio of the likelihoods: flags that depend on the mark,
        against flags that do not. It is the number of beats times the mutual information of
        flag and mark: ``sum(n[i, j] * log2(n[i, j] * n / (n[i] * n[j])))``. Where the mark tells
        all, it is what is to be told of the flags at all.

    References
    ----------
    .. [1] T. Cover, J. Thomas, Elements of Information Theory, 2nd ed., equation 2.28, for the
       mutual information; that twice its product with n ln 2 is the statistic G of the
       likelihood ratio is common knowledge of tests (both from memory).

    Examples
    --------
    >>> bits_told(np.array([[2, 0, 0, 2], [1, 1, 1, 1]])).round(9).tolist()
    [4.0, 0.0]
    """
    counts = tables.astype(np.float64)
    a, b, c, d = np.moveaxis(counts, -1, 0)
    told = _n_log(counts).sum(axis=-1) + _n_log(a + b + c + d)
    told -= _n_log(a + b) + _n_log(c + d) + _n_log(a + c) + _n_log(b + d)
    # What is left of rounding where nothing is told.
    found: Floats = np.maximum(told / log(2), 0.0)
    return found


def _n_log(counts: Floats) -> Floats:
    """Give n ln n; 0 for 0."""
    found: Floats = counts * np.log(np.maximum(counts, 1.0))
    return found


def log_chance(tables: Ints) -> Floats:
    """Tell how likely as many or more flagged beats have the mark by luck: Fisher's exact test.

    Of all ways in which as many marks may fall on the same beats, the share in which no fewer
    fall on flagged ones: the upper tail of the hypergeometric distribution, one-sided.

    Parameters
    ----------
    tables : ndarray of int64, shape (..., 4)
        As in `bits_told`.

    Returns
    -------
    ndarray of float64, shape (...)
        Its natural logarithm: the chance itself may be less than any number.

    References
    ----------
    .. [1] R. A. Fisher, Statistical Methods for Research Workers, section 21.02 (from memory);
       held against another program's in the tests.

    Examples
    --------
    Four of four flagged beats have a mark that none of the four others has, 1 of 70 ways:

    >>> np.exp(log_chance(np.array([4, 0, 0, 4]))).round(6) == round(1 / 70, 6)
    np.True_
    """
    flat = tables.reshape(-1, 4)
    distinct, inverse = np.unique(flat, axis=0, return_inverse=True)
    a, b, c, d = distinct.T
    parts = (a + b, c + d, a + c, b + d)
    at = sum(log_factorial(each) for each in parts) - log_factorial(a + b + c + d)
    at = at - sum(log_factorial(each) for each in (a, b, c, d))
    # From the more likely side of the middle the others are fewer to add up.
    is_upper = b * c < (a + 1) * (d + 1)
    upper = at + np.log(_falling(*np.where(is_upper[:, None], distinct, 0).T))
    # With one mark fewer on flagged beats, and from there down.
    is_lower = ~is_upper & (a > 0) & (d > 0)
    one_less = np.where(is_lower[:, None], distinct + _ONE_LESS, 0)
    with np.errstate(divide="ignore"):
        step = np.log(a * d) - np.log((b + 1.0) * (c + 1.0))
    lower = at + step + np.log(_falling(*one_less[:, [1, 0, 3, 2]].T))
    below = np.where(is_lower, np.minimum(np.exp(np.where(is_lower, lower, 0.0)), 1.0), 0.0)
    with np.errstate(divide="ignore"):
        chances = np.where(is_upper, upper, np.log1p(-below))
    found: Floats = np.minimum(chances, 0.0)[inverse.reshape(-1)].reshape(tables.shape[:-1])
    return found


def _falling(a: Ints, b: Ints, c: Ints, d: Ints) -> Floats:
    """Add up how likely each table beyond is, by moving one mark each time; the first is 1."""
    total = np.ones(len(a))
    term = np.ones(len(a))
    numbers = np.stack([a, b, c, d]).astype(np.float64)
    left = np.arange(len(a))
    while len(left):
        one, two, three, four = numbers
        term = term * (two * three) / ((one + 1) * (four + 1))
        total[left] += term
        numbers = numbers + np.array([[1.0], [-1.0], [-1.0], [1.0]])
        more = term > _NEGLIGIBLE * total[left]
        left, term, numbers = left[more], term[more], numbers[:, more]
    return total
