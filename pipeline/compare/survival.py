"""How long something stays away: the share still without it as time goes by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.compare.intervals import normal_quantile

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Survival:
    """A curve that steps down at each time at which something came back.

    Parameters
    ----------
    time : (times,) float
        Times of returns, rising; unit of the input.
    at_risk, events : (times,) int
        Vans still watched and still without it just before the time; vans on which it came back then.
    share : (times,) float
        Share still without it from that time on.
    standard_error : (times,) float
        Greenwood's, of the share; 0 where the share is 0.
    low, high : (times,) float
        Ends of the interval of the share, within 0 to 1.
    median : float
        First time at which at most half are still without it; nan where that is not reached.
    n : int
        Vans.
    n_events : int
        Vans on which it came back.
    """

    time: FloatArray
    at_risk: IntArray
    events: IntArray
    share: FloatArray
    standard_error: FloatArray
    low: FloatArray
    high: FloatArray
    median: float
    n: int
    n_events: int


def kaplan_meier(time: ArrayLike, returned: ArrayLike, confidence: float = 0.95) -> Survival:
    """Return the product-limit curve of vans still without something.

    S(t) = product over return times u <= t of (1 - d_u / n_u), with d_u returns among n_u vans at risk. The
    interval is S^exp(-+ z s / ln S) with Greenwood's s^2 = sum d / (n (n - d)), which stays within 0 to 1; once
    the share is 0 the interval is not known and is given as 0 to the upper end before.

    A return is only known to lie between two scans; give the middle of the two. One record a van: repeated
    records of one van are not independent.

    Parameters
    ----------
    time : (vans,) float
        Time to the return, or as long as the van was watched without it; days or km, not negative.
    returned : (vans,) bool
        It came back; else the van was still without it when last looked at.
    confidence : float
        Coverage aimed at.

    Raises
    ------
    ValueError
        Where a time is negative or not finite, or the lengths differ.

    Notes
    -----
    Source: Kaplan and Meier 1958, Journal of the American Statistical Association 53:457-481; Greenwood 1926;
    the interval is that of Kalbfleisch and Prentice 1980, The Statistical Analysis of Failure Time Data.
    """
    length, event = np.asarray(time, dtype=np.float64), np.asarray(returned, dtype=bool)
    if length.shape != event.shape or length.ndim != 1:
        raise ValueError("one time and one outcome a van")
    if not (np.isfinite(length) & (length >= 0)).all():
        raise ValueError("a time is finite and not negative")
    z = normal_quantile(confidence)
    moments, events = np.unique(length[event], return_counts=True)
    at_risk = length.size - np.searchsorted(np.sort(length), moments, side="left")
    share = np.cumprod(1 - events / np.maximum(at_risk, 1)).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        hazard_variance = np.cumsum(events / (at_risk * (at_risk - events)))
        error = np.where(share > 0, share * np.sqrt(hazard_variance), 0.0)
        reach = z * np.sqrt(hazard_variance) / np.log(share)
        low, high = share ** np.exp(-reach), share ** np.exp(reach)
    done = share == 0
    low, high = np.where(done, 0.0, low), np.where(done, 1.0, high)
    high = np.minimum.accumulate(high) if high.size else high
    half = moments[share <= 0.5 + 1e-12]
    return Survival(
        time=moments,
        at_risk=at_risk.astype(np.int64),
        events=events.astype(np.int64),
        share=share,
        standard_error=error,
        low=low,
        high=high,
        median=float(half[0]) if half.size else float("nan"),
        n=int(length.size),
        n_events=int(event.sum()),
    )
