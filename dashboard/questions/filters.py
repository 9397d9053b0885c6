"""Which vans are shown. A filter never touches the siblings, unless the person asks to compare within it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Filters:
    """What the person chose; empty means all.

    Parameters
    ----------
    models : tuple of str
        Make and model, as one text.
    model_years : tuple of int
        Model years.
    depots : tuple of str
        Depots.
    exposures : tuple of str
        `attribute: value` of today's exposures. Values of one attribute widen, attributes narrow.
    age_years : tuple of float, optional
        Youngest and oldest, both included; a van of unknown age is then left out.
    odometer_km : tuple of float, optional
        Least and most kilometres, both included; a van without an odometer is then left out.
    readers : tuple of str
        Readers; a van none of them ever read is left out, and only their scans are listed.
    days : tuple of datetime.date, optional
        First and last day of scans, both included; a van not scanned between them is left out.
    is_within : bool
        Whether to compare within the filter instead of with all siblings.
    """

    models: tuple[str, ...] = ()
    model_years: tuple[int, ...] = ()
    depots: tuple[str, ...] = ()
    exposures: tuple[str, ...] = ()
    age_years: tuple[float, float] | None = None
    odometer_km: tuple[float, float] | None = None
    readers: tuple[str, ...] = ()
    days: tuple[dt.date, dt.date] | None = None
    is_within: bool = False

    def parameters(self) -> dict[str, Any]:
        """Return the named parameters of `list_shown_vans.sql`."""
        age = self.age_years or (None, None)
        distance = self.odometer_km or (None, None)
        days = self.days or (None, None)
        return {
            "models": list(self.models),
            "model_years": [int(year) for year in self.model_years],
            "depots": list(self.depots),
            "exposures": list(self.exposures),
            "n_attributes": len({text.split(": ", 1)[0] for text in self.exposures}),
            "age_from": age[0],
            "age_to": age[1],
            "km_from": distance[0],
            "km_to": distance[1],
            "readers": list(self.readers),
            "date_from": days[0],
            "date_to": days[1],
        }

    def describe(self) -> str:
        """Say the filters in one line, for titles and exported pictures."""
        parts = [", ".join(self.models), ", ".join(str(y) for y in self.model_years), ", ".join(self.depots)]
        parts.append(", ".join(self.exposures))
        if self.age_years:
            parts.append(f"age {self.age_years[0]:g} to {self.age_years[1]:g} years")
        if self.odometer_km:
            parts.append(f"{self.odometer_km[0]:,.0f} to {self.odometer_km[1]:,.0f} km")
        if self.readers:
            parts.append(f"read by {', '.join(self.readers)}")
        if self.days:
            parts.append(f"scanned {self.days[0]:%d %b %Y} to {self.days[1]:%d %b %Y}")
        return "; ".join(part for part in parts if part) or "all vans"


ALL_VANS = Filters()
