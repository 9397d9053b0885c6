"""Whether a reading can be right at all: known ratios between units that are mixed up."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Ratio:
    """A ratio that a mix-up leaves behind, and the two units in words."""

    factor: float
    says: str


@dataclass(frozen=True)
class RatioMatch:
    """A known ratio close to the one that was found.

    Parameters
    ----------
    found : float
        The ratio that was found.
    known : Ratio
        The nearest known one.
    is_inverse : bool
        The known ratio upside down.
    """

    found: float
    known: Ratio
    is_inverse: bool


def flow_ratios(cylinders: float | None, engine_speed_rpm: float | None) -> tuple[Ratio, ...]:
    """Ratios between an air mass per stroke and a flow, for one engine at one speed.

    A four-stroke fills cylinders x rpm / 2 times a minute, so m mg/stroke are m cylinders rpm / 120,000 g/s.
    source: arithmetic.

    Parameters
    ----------
    cylinders, engine_speed_rpm : float or None
        None or not above zero: no ratio.
    """
    if not cylinders or not engine_speed_rpm or cylinders < 0 or engine_speed_rpm < 0:
        return ()
    per_gram = 120_000 / (cylinders * engine_speed_rpm)
    at = f"at {engine_speed_rpm:,.0f} rpm"
    return (Ratio(per_gram, f"mg/stroke and g/s {at}"), Ratio(per_gram / 3.6, f"mg/stroke and kg/h {at}"))


def match_ratio(found: float | None, known: Iterable[Ratio], tolerance: float) -> RatioMatch | None:
    """Return the known ratio nearest to the one found, as it stands or upside down.

    Nearness is judged on the logarithm, so that a ratio and its inverse are judged alike.

    Parameters
    ----------
    found : float or None
        The ratio found; None or not above zero: no match.
    known : iterable of Ratio
        What it may be.
    tolerance : float
        Largest relative departure.
    """
    if found is None or not math.isfinite(found) or found <= 0:
        return None
    tried: Sequence[tuple[float, RatioMatch]] = [
        (abs(math.log(found) - sign * math.log(r.factor)), RatioMatch(found, r, sign < 0))
        for r in known
        for sign in (1, -1)
    ]
    distance, best = min(tried, key=lambda pair: pair[0], default=(math.inf, None))
    return best if distance <= math.log1p(tolerance) else None
