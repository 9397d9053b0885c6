"""Named streams of random numbers: each purpose its own, so that one more effect moves no other number."""

from __future__ import annotations

import zlib

import numpy as np


def stream(seed: int, *names: str) -> np.random.Generator:
    """Return the generator that belongs to `seed` and a purpose.

    Parameters
    ----------
    seed : int
        The fleet's seed.
    *names : str
        What the numbers are for, for example ``"van", "rail_pressure", "warm_idle"``.

    Returns
    -------
    numpy.random.Generator
        The same numbers for the same seed and names (PCG64, numpy's default bit generator).
    """
    return np.random.default_rng([seed, zlib.crc32("/".join(names).encode())])
