"""Exact null distributions of rank sums: one group of vans against another, and vans seen both ways."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Spectrum = NDArray[np.complex128]

# Weights 1 / (n + 1) are multiples of 1 / GRID, so that sums fall on a lattice; 2520 holds the weights of most small
# groups exactly, those of groups up to 70 to one and a half per cent.
GRID = 2520
LARGEST_EXACT = 70  # members of a group beyond which its weight is not rounded and no exact table is made
LONGEST = 1 << 15  # longest lattice worth the transform; beyond it the normal approximation is close
SPENT = 1e-13  # what a transform of this length leaves instead of a zero


@dataclass(frozen=True)
class ExactNull:
    """Probabilities that GRID times the statistic is at most, and at least, 0, 1, 2 ..."""

    at_most: FloatArray
    at_least: FloatArray

    def p_value(self, statistic: float) -> float:
        """Return the two-sided p-value: twice the smaller tail, the value itself included, at most 1."""
        at = round(statistic * GRID)
        return float(min(1.0, 2 * min(self.at_most[at], self.at_least[at])))

    def critical(self, confidence: float) -> float:
        """Return the largest value whose lower tail is at most (1 - confidence) / 2; -1 where none is."""
        fits = int(np.searchsorted(self.at_most, (1 - confidence) / 2 + 1e-12, side="right")) - 1
        return fits / GRID if fits >= 0 and self.at_most[fits] > 0 else -1.0


def weight_of(n: ArrayLike) -> FloatArray:
    """Return the weight 1 / (n + 1) of a group of n, on the grid where an exact table may be made."""
    size = np.asarray(n, dtype=np.float64) + 1
    on_grid: FloatArray = np.where(size <= LARGEST_EXACT, np.round(GRID / size) / GRID, 1 / size)
    return on_grid


@cache
def rank_sum_counts(n_exposed: int, n_other: int) -> tuple[int, ...]:
    """Return how many of the choices of `n_exposed` out of all give U = 0, 1, ... n_exposed x n_other.

    U counts pairs in which the exposed is larger (Mann and Whitney 1947, Annals of Mathematical
    Statistics 18:50-60, recurrence on the largest value).
    """
    if not n_exposed or not n_other:
        return (1,)
    counts = [0] * (n_exposed * n_other + 1)
    for u, c in enumerate(rank_sum_counts(n_exposed - 1, n_other)):
        counts[u + n_other] += c
    for u, c in enumerate(rank_sum_counts(n_exposed, n_other - 1)):
        counts[u] += c
    return tuple(counts)


@cache
def signed_rank_counts(n_pairs: int) -> tuple[int, ...]:
    """Return how many of the 2 ** n_pairs choices of signs give V = 0, 1, ... (Wilcoxon 1945)."""
    counts = [1]
    for rank in range(1, n_pairs + 1):
        longer = counts + [0] * rank
        for v, c in enumerate(counts):
            longer[v + rank] += c
        counts = longer
    return tuple(counts)


def exact_null(strata: tuple[tuple[int, int], ...], n_pairs: int) -> ExactNull | None:
    """Return the null distribution of sum U_s w(n_s) + V w(n_pairs), w = `weight_of`; None where too long.

    Parameters
    ----------
    strata : tuple of (n_exposed, n_other)
        Sorted, so that equal designs share one table.
    n_pairs : int
        Vans seen both ways.

    Notes
    -----
    Holds without ties: every choice of exposed vans within a stratum, and every choice of signs, is as
    likely as any other. The distribution of the sum is the product of the parts' Fourier transforms,
    which is exact to about 1e-15.
    """
    if max((a + b for a, b in strata), default=0) >= LARGEST_EXACT or n_pairs >= LARGEST_EXACT:
        return None
    longest = sum(a * b * _step(a + b) for a, b in strata) + n_pairs * (n_pairs + 1) // 2 * _step(n_pairs)
    return _convolve(strata, n_pairs, longest) if longest < LONGEST else None


@lru_cache(maxsize=256)
def _convolve(strata: tuple[tuple[int, int], ...], n_pairs: int, longest: int) -> ExactNull:
    """Multiply the transforms of all parts and return to probabilities."""
    length = 1 << max(longest, 1).bit_length()
    product = _pairs_spectrum(n_pairs, length)
    for a, b in strata:
        product = product * _ranks_spectrum(a, b, length)
    chance = np.fft.irfft(product, length)[: longest + 1]
    chance[chance < SPENT / length] = 0.0
    return ExactNull(np.cumsum(chance), np.cumsum(chance[::-1])[::-1])


def _step(n: int) -> int:
    return round(GRID / (n + 1))


@lru_cache(maxsize=512)
def _ranks_spectrum(n_exposed: int, n_other: int, length: int) -> Spectrum:
    return _spectrum(rank_sum_counts(n_exposed, n_other), _step(n_exposed + n_other), length)


@lru_cache(maxsize=64)
def _pairs_spectrum(n_pairs: int, length: int) -> Spectrum:
    return _spectrum(signed_rank_counts(n_pairs), _step(n_pairs), length)


def _spectrum(counts: tuple[int, ...], step: int, length: int) -> Spectrum:
    share = np.array(counts, dtype=np.float64)
    spread = np.zeros(length)
    spread[np.arange(len(counts)) * step] = share / share.sum()
    return np.asarray(np.fft.rfft(spread), dtype=np.complex128)
