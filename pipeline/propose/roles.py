"""Which column is what: the table a file is, its tidy columns, its times, its readings."""

from __future__ import annotations

from dataclasses import dataclass, field

from pipeline import vocabulary
from pipeline.propose.columns import Column

LONG_FIELDS = ("parameter", "value", "unit", "low", "high", "mark")
REGISTER_FIELDS = ("make", "model", "model_year", "engine", "fuel", "depot", "vin")
WORK_FIELDS = ("what", "part", "cost", "days_standing")
CODE_FIELDS = ("code", "module", "status", "lamp", "text", "first_seen_km")
SCAN_FIELDS = (
    "van",
    "scan_id",
    "reader",
    "reader_version",
    "operator",
    "note",
    "scanned_at",
    "ambient_c",
    "state",
)


@dataclass
class Roles:
    """What every column is taken for.

    Parameters
    ----------
    kind : str
        `wide`, `long`, `codes`, `register`, `work`, `notes` or `none`.
    fields : dict[str, Column]
        Column by tidy column.
    readings : list of Column
        Columns that hold a reading, or may.
    left_out : dict[str, str]
        Why the other columns are not taken, by their key.
    """

    kind: str
    fields: dict[str, Column] = field(default_factory=dict)
    readings: list[Column] = field(default_factory=list)
    left_out: dict[str, str] = field(default_factory=dict)

    @property
    def feeds(self) -> list[str]:
        """The tidy tables the file fills."""
        if self.kind in {"register", "work", "notes"}:
            return [self.kind]
        found = ["scans"]
        if self.kind in {"wide", "long"}:
            found.append("readings")
        if "code" in self.fields:
            found.append("codes")
        return found


def find_roles(columns: list[Column]) -> Roles:
    """Decide what every column is taken for."""
    named = {c.name.field for c in columns if c.name.field}
    has_codes = "code" in named or any(c.share_of_codes > 0.8 for c in columns)
    readings = [c for c in columns if _is_reading(c)]
    kind = _kind(named, readings, has_codes=has_codes)
    roles = Roles(kind)
    for column in columns:
        _place(column, roles, readings)
    moment = roles.fields.get("at") or roles.fields.get("scanned_at")
    for spare in ("at_date", "at_time", "at_offset") if "at" in roles.fields else ():
        if spare in roles.fields and moment is not None:
            roles.left_out[roles.fields.pop(spare).key] = f"{moment.key!r} already gives the time"
    return roles


def _kind(named: set[str], readings: list[Column], *, has_codes: bool) -> str:
    if {"parameter", "value"} <= named:
        return "long"
    if readings and not ({"model", "model_year"} <= named):
        return "wide"
    if has_codes:
        return "codes"
    if {"van", "model"} <= named:
        return "register"
    if {"van", "what"} <= named:
        return "work"
    if "van" in named and {"text", "note"} & named:
        return "notes"
    return "none"


def _is_reading(column: Column) -> bool:
    """A column of numbers whose name is a reading's, and not the odometer of the scan."""
    name = column.name
    if name.found is None or not column.is_numeric or name.field in {"odometer_km", "code"}:
        return False
    return column.times is None or name.field is None


def _place(column: Column, roles: Roles, readings: list[Column]) -> None:
    name = column.name.field
    if roles.kind == "wide" and column in readings:
        roles.readings.append(column)
        return
    if name is None and column.share_of_codes > 0.8 and roles.kind in {"wide", "long", "codes"}:
        name = "code"
    allowed = {"van", "odometer_km", "note", "at", "scanned_at", *_allowed(roles.kind)}
    if name not in allowed:
        roles.left_out[column.key] = _why_not(column, name)
        return
    name = _table_name(name, roles.kind)
    if name == "at":
        _place_time(column, roles)
    elif name in roles.fields:
        roles.left_out[column.key] = f"{roles.fields[name].key!r} already gives {name}"
    else:
        roles.fields[name] = column


def _why_not(column: Column, name: str | None) -> str:
    if name is None and column.name.found is None:
        return "no name that is known"
    if column.name.found is not None and not column.is_numeric:
        return "its cells are no numbers"
    return "not needed here"


def _allowed(kind: str) -> tuple[str, ...]:
    return {
        "wide": (*SCAN_FIELDS, *CODE_FIELDS),
        "long": (*SCAN_FIELDS, *CODE_FIELDS, *LONG_FIELDS),
        "codes": (*SCAN_FIELDS, *CODE_FIELDS),
        "register": REGISTER_FIELDS,
        "work": (*WORK_FIELDS, "code"),
        "notes": ("text", "operator"),
    }.get(kind, ())


def _table_name(name: str, kind: str) -> str:
    """The tidy column of this table that a general name stands for."""
    if kind == "notes":
        return {"note": "text", "operator": "who"}.get(name, name)
    return name


def _place_time(column: Column, roles: Roles) -> None:
    """Instants, days and times of day, or seconds since the scan began."""
    times = column.times
    if times is None and not (column.is_numeric and column.filled):
        roles.left_out[column.key] = "its cells are no times"
        return
    target = "at_offset" if times is None else {"day": "at_date", "clock": "at_time"}.get(times.kind, "at")
    if roles.kind == "codes" and target == "at":
        target = "scanned_at"
    if target in roles.fields:
        roles.left_out[column.key] = f"{roles.fields[target].key!r} already gives the time"
        return
    roles.fields[target] = column


def is_unit_needed(parameter: str) -> bool:
    """Whether a reading can come in several units, so that a silent file has to be asked about."""
    from pipeline.normalise.units import known_units

    units = set(known_units(parameter)) - {"rad/s", "Hz (rev/s)", "m/s"}
    return len(units) > 1 and vocabulary.parameter(parameter).unit != "rpm"
