"""Conditions over register fields, as in `--where "model_year >= 2014 and depot = 'Mill Lane'"`."""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from pipeline.errors import KinbayError, nearest

FIELDS = (
    "van", "make", "model", "engine", "model_year", "fuel", "depot", "displacement_l", "age_years",
    "odometer_km", "n_scans",
)  # fmt: skip
_OPERATORS: dict[str, Callable[[Any, Any], bool]] = {
    "<=": operator.le,
    ">=": operator.ge,
    "!=": operator.ne,
    "=": operator.eq,
    "<": operator.lt,
    ">": operator.gt,
}
_CONDITION = re.compile(r"\s*([A-Za-z_]\w*)\s*(<=|>=|!=|==|=|<|>)\s*(?:'([^']*)'|\"([^\"]*)\"|(\S+))\s*")


@dataclass(frozen=True)
class Condition:
    """One comparison of a register field with a value."""

    name: str
    sign: str
    value: str

    def holds(self, row: Mapping[str, Any]) -> bool:
        """Say whether a register row meets the condition; an empty field never does."""
        found = row.get(self.name)
        if found is None:
            return False
        if isinstance(found, (int, float)):
            try:
                return _OPERATORS[self.sign](float(found), float(self.value))
            except ValueError:
                return False
        return _OPERATORS[self.sign](str(found).casefold(), self.value.casefold())


def parse(text: str, known: tuple[str, ...] = FIELDS) -> tuple[Condition, ...]:
    """Read conditions joined by `and`.

    Raises
    ------
    KinbayError
        Where a part is not `field sign value`, or the field is not known.
    """
    conditions = []
    for part in re.split(r"\s+and\s+(?=[A-Za-z_]\w*\s*(?:<|>|=|!))", text.strip(), flags=re.IGNORECASE):
        match = _CONDITION.fullmatch(part)
        if not match:
            raise KinbayError(
                "A condition cannot be read",
                part,
                "Write it as FIELD = VALUE, with = != < > <= >= and `and`.",
            )
        name, sign, *values = match.groups()
        if name not in known:
            hint = nearest(name, known)
            raise KinbayError(
                f"There is no register field {name!r}",
                part,
                f"Did you mean {hint}?" if hint else f"Fields: {', '.join(known)}.",
            )
        conditions.append(
            Condition(name, "=" if sign == "==" else sign, next(v for v in values if v is not None))
        )
    return tuple(conditions)
