"""What physics says of a whole cohort's reading, in words: expected, read, and what is suspected."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.compare.plausibility import Ratio, RatioMatch, flow_ratios, match_ratio
from pipeline.counted import count_of
from pipeline.findings import wording
from pipeline.vocabulary import physics

AIR = ("air_mass_per_stroke", "air_mass_flow")


@dataclass(frozen=True)
class Check:
    """What a cohort reads beside what is expected of it, in one operating state.

    Parameters
    ----------
    relation : str
        `ratio`: departure is read over expected; `difference`: read less expected.
    measured, expected : float
        Medians of the vans, in the reading's unit.
    low, high : float
        Bounds within which a departure is plausible.
    n_vans, n_plausible, n_scans : int
        Vans of which both are known, those within the bounds, scans behind them.
    cylinders, engine_speed_rpm : float or None
        Of the engine, to turn a mass per stroke into a flow.
    says : str
        What is expected, in words.
    """

    parameter: str
    relation: str
    measured: float
    expected: float
    departure: float
    low: float
    high: float
    n_vans: int
    n_plausible: int
    n_scans: int
    cylinders: float | None
    engine_speed_rpm: float | None
    says: str

    @property
    def is_plausible(self) -> bool:
        """Whether the middle van's departure lies within the bounds."""
        return self.low <= self.departure <= self.high

    @property
    def fill_index(self) -> float | None:
        """Air drawn over air the cylinders hold; None where it is not about air."""
        prior = physics.constant("volumetric_efficiency")
        return self.departure * prior if self.parameter in AIR else None


def known_ratios(parameter: str, unit: str, check: Check | None) -> tuple[Ratio, ...]:
    """Return the ratios of mixed-up units that this reading may show."""
    listed = tuple(Ratio(r.ratio, r.says) for r in physics.unit_ratios() if unit in r.units)
    flows = flow_ratios(check.cylinders, check.engine_speed_rpm) if check and parameter in AIR else ()
    return listed + flows


def limit_middle(low: float | None, high: float | None) -> float | None:
    """Return the middle of a limit, or its one end."""
    if low is not None and high is not None:
        return (low + high) / 2
    return high if low is None else low


def _ratio_words(match: RatioMatch, against: str) -> str:
    return f" They read {match.found:.3g} times {against}, the ratio of {match.known.says}: a mix-up of units is likely."


def unit_words(
    parameter: str, unit: str, value: float | None, low: float | None, high: float | None, check: Check | None
) -> str:
    """Say which known ratio of units stands between a reading and its limit, or what is expected of it.

    Returns an empty text where none is near. A ratio to the limit is told before one to the expectation.
    """
    known, tolerance = known_ratios(parameter, unit, check), physics.unit_test().tolerance
    middle = limit_middle(low, high)
    if value is not None and middle:
        match = match_ratio(value / middle, known, tolerance)
        if match:
            return _ratio_words(match, "the limit's middle" if None not in (low, high) else "the limit")
    if check and check.relation == "ratio" and not check.is_plausible:
        match = match_ratio(check.departure, known, tolerance)
        if match:
            return _ratio_words(match, "what is expected")
    return ""


def _air_words(check: Check, ratio_to_limit: float | None) -> str:
    """Expected air mass, fill index, and what they say of limit and reading."""
    key, fill = check.parameter, check.fill_index or 0.0
    usual = physics.constant("recirculated_usual")
    told = (
        f" Physics (displacement, manifold pressure, charge temperature; {count_of(check.n_vans, 'van')}, "
        f"{count_of(check.n_scans, 'scan')}) expects {wording.number(check.expected, key)} with recirculation closed and "
        f"{wording.number(check.expected * (1 - usual), key)} with {wording.percent(usual)} recirculated; "
        f"the fill index is {fill:.2f}"
    )
    if check.departure > check.high:
        return f"{told}, more than the cylinders hold: the reading's unit or scaling is doubted first."
    if check.departure < check.low:
        return f"{told}, less than with half the charge recirculated: the reading's unit or scaling, or a meter that all share, is doubted first."
    test = physics.unit_test()
    is_closed = fill >= physics.constant("volumetric_efficiency_low")
    if (
        is_closed
        and ratio_to_limit
        and test.closed_over_open_from <= ratio_to_limit <= test.closed_over_open_to
    ):
        return (
            f"{told}: recirculation was closed when they were read, and the limit is {ratio_to_limit:.2g} times "
            "lower, as if meant for recirculation at work: its state is doubted first."
        )
    return f"{told}, which such an engine can draw: the limit, its unit or its state is doubted, or a real cause is common to all."


def _other_words(check: Check) -> str:
    key = check.parameter
    told = (
        f" Expected is {wording.number(check.expected, key)}, by {check.says} "
        f"({count_of(check.n_vans, 'van')}, {count_of(check.n_scans, 'scan')})"
    )
    if check.is_plausible:
        return f"{told}: the reading is plausible, so the limit, its unit or its state is doubted, or a real cause is common to all."
    return f"{told}: the reading itself is not plausible, so its unit, scaling or sensor is doubted first."


def check_words(parameter: str, value: float | None, middle: float | None, check: Check | None) -> str:
    """Say what physics expects of a cohort outside a limit, and what is therefore suspected.

    Parameters
    ----------
    parameter : str
        The reading.
    value, middle : float or None
        The cohort's median and the limit's middle.
    check : Check or None
        None where physics is silent; that is said of air mass, where it is expected to speak.
    """
    if check is None:
        silent = (
            " Physics is silent: displacement, manifold pressure or charge temperature is not known."
            if parameter in AIR
            else ""
        )
        return f"{silent} The limit, its unit or its state is doubted before the vans are."
    if parameter in AIR:
        return _air_words(check, value / middle if value is not None and middle else None)
    return _other_words(check)
