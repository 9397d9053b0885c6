"""Invented fleets for the tests of season, readers and offsets: every measure is a fleet of its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.compare.effects import EffectRules, Effects, fit_effects

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Fleet:
    """Scans of one layout (scans,) with `fleets` independent sets of values (scans, fleets)."""

    van: Ints
    month: Ints
    reader: Ints
    family: Ints
    value: Floats

    @property
    def fleets(self) -> int:
        return int(self.value.shape[1])

    def plus(self, effect: NDArray[Any]) -> Fleet:
        """Add an effect (scans,) to every fleet."""
        return replace(self, value=self.value + effect[:, None])

    def taken(self, rows: Ints) -> Fleet:
        """Return the scans at these positions, repeated where they repeat."""
        return Fleet(self.van[rows], self.month[rows], self.reader[rows], self.family[rows], self.value[rows])

    def kept(self, mask: NDArray[np.bool_]) -> Fleet:
        return self.taken(np.flatnonzero(mask))

    def fit(self, rules: EffectRules | None = None) -> Effects:
        def spread(x: Ints) -> Ints:
            return np.repeat(x, self.fleets)

        measure = np.tile(np.arange(self.fleets), len(self.van))
        return fit_effects(
            self.value.ravel(),
            spread(self.van),
            spread(self.month),
            spread(self.reader),
            measure,
            spread(self.family),
            rules=rules,
        )

    def adjusted(self, rules: EffectRules | None = None) -> Floats:
        return self.fit(rules).adjusted.reshape(self.value.shape)

    def van_means(self, value: Floats) -> Floats:
        """Return (vans, fleets), less the median van of the family: only siblings are compared."""
        means = np.stack([value[self.van == v].mean(axis=0) for v in np.unique(self.van)])
        family = np.array([self.family[self.van == v][0] for v in np.unique(self.van)])
        for f in np.unique(family):
            means[family == f] -= np.median(means[family == f], axis=0)
        return means


@pytest.fixture
def make_fleet() -> Callable[..., Fleet]:
    """Return a maker of healthy fleets; standard deviation between vans 1, of one scan `noise`."""

    def make(
        seed: int,
        *,
        vans: int = 12,
        months: int = 12,
        per_month: int = 1,
        readers: int = 2,
        family_size: int = 6,
        fleets: int = 400,
        noise: float = 1.0,
        missing: float = 0.15,
        tail_df: float = np.inf,
        correlation: float = 0.0,
    ) -> Fleet:
        rng = np.random.default_rng(seed)
        times = months * per_month
        van = np.repeat(np.arange(vans), times)
        month = np.tile(np.repeat(np.arange(months), per_month), vans)
        drawn = rng.standard_normal((vans, times, fleets))
        if np.isfinite(tail_df):
            drawn = rng.standard_t(tail_df, (vans, times, fleets)) * np.sqrt((tail_df - 2) / tail_df)
        for k in range(1, times if correlation else 1):
            drawn[:, k] = correlation * drawn[:, k - 1] + np.sqrt(1 - correlation**2) * drawn[:, k]
        level = rng.standard_normal((vans, 1, fleets))
        value = (level + noise * drawn).reshape(-1, fleets)
        fleet = Fleet(van, month, rng.integers(0, readers, len(van)), van // family_size, value)
        return fleet.kept(rng.random(len(van)) >= missing)

    return make


@pytest.fixture
def season() -> Callable[[Fleet, float], Floats]:
    """Return a maker of yearly waves: the month's effect (scans,) of the given height, coldest in month 0."""

    def wave(fleet: Fleet, height: float) -> Floats:
        return height * np.cos(2 * np.pi * fleet.month / 12)

    return wave
