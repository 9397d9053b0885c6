"""Which vans are shown. A filter never touches the siblings: they stay whole."""

from __future__ import annotations

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
    """

    models: tuple[str, ...] = ()
    model_years: tuple[int, ...] = ()
    depots: tuple[str, ...] = ()
    exposures: tuple[str, ...] = ()
    age_years: tuple[float, float] | None = None
    odometer_km: tuple[float, float] | None = None

    def parameters(self) -> dict[str, Any]:
        """Return the named parameters of `list_shown_vans.sql`."""
        age = self.age_years or (None, None)
        distance = self.odometer_km or (None, None)
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
        }

    def describe(self) -> str:
        """Say the filters in one line, for titles and exported pictures."""
        parts = [", ".join(self.models), ", ".join(str(y) for y in self.model_years), ", ".join(self.depots)]
        parts.append(", ".join(self.exposures))
        if self.age_years:
            parts.append(f"age {self.age_years[0]:g} to {self.age_years[1]:g} years")
        if self.odometer_km:
            parts.append(f"{self.odometer_km[0]:,.0f} to {self.odometer_km[1]:,.0f} km")
        return "; ".join(part for part in parts if part) or "all vans"


ALL_VANS = Filters()
