"""Which column is what: the table a file is, its tidy columns, its times, its readings."""

from __future__ import annotations

from dataclasses import dataclass, field

from pipeline import vocabulary
from pipeline.propose.asking import Asking
from pipeline.propose.beside import WHEN_SET, Beside, ask_moment, part_beside
from pipeline.propose.columns import Column
from pipeline.propose.names import suggestions

NO_TIMES = "its cells are no times"
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
        `wide`, `long`, `codes`, `replies`, `register`, `work`, `notes` or `none`.
    fields : dict[str, Column]
        Column by tidy column.
    readings : list of Column
        Columns that hold a reading, or may.
    left_out : dict[str, str]
        Why the other columns are not taken, by their key.
    beside : Beside
        Limits, marks and freeze frames.
    more_codes : list of Column
        Further columns of codes.
    """

    kind: str
    fields: dict[str, Column] = field(default_factory=dict)
    readings: list[Column] = field(default_factory=list)
    left_out: dict[str, str] = field(default_factory=dict)
    beside: Beside = field(default_factory=Beside)
    more_codes: list[Column] = field(default_factory=list)

    def place_time(self, column: Column) -> None:
        """Take a column as instants, days, times of day, or seconds since the scan began."""
        times = column.times
        if times is None and not (column.is_numeric and column.filled):
            self.left_out[column.key] = NO_TIMES
            return
        target = (
            "at_offset" if times is None else {"day": "at_date", "clock": "at_time"}.get(times.kind, "at")
        )
        if self.kind == "codes" and target == "at":
            target = "scanned_at"
        if target in self.fields:
            self.left_out[column.key] = f"{self.fields[target].key!r} already gives the time"
            return
        self.left_out.pop(column.key, None)
        self.fields[target] = column

    @property
    def feeds(self) -> list[str]:
        """The tidy tables the file fills."""
        if self.kind in {"register", "work", "notes"}:
            return [self.kind]
        found = ["scans"]
        if self.kind == "replies":
            read = self.fields["reply"].replies
            kinds = (("readings", any(r.readings for r in read)), ("codes", any(r.codes for r in read)))
            frames = ("freeze_frames", any(r.frames for r in read))
            return [*found, *(table for table, is_there in (*kinds, frames) if is_there)]
        if self.kind in {"wide", "long"}:
            found.append("readings")
        if "code" in self.fields:
            found.append("codes")
        return found


def find_roles(every: list[Column], rows: int, asking: Asking) -> Roles:
    """Decide what every column is taken for.

    Parameters
    ----------
    every : list of Column
        The columns that have a name.
    rows : int
        Rows looked at.
    asking : Asking
        Takes what the names leave open.
    """
    columns, beside = part_beside(every, asking)
    named = {c.name.field for c in columns if c.name.field}
    has_codes = "code" in named or any(c.share_of_codes > 0.8 for c in columns)
    readings = [c for c in columns if _is_reading(c)]
    readings = readings or [c for c in columns if c.name.unit and _may_be_reading(c)]
    kind = "replies" if any(c.replies for c in columns) else _kind(named, readings, has_codes=has_codes)
    roles = Roles(kind, beside=beside)
    for column in columns:
        _place(column, roles, readings)
    moment = roles.fields.get("at") or roles.fields.get("scanned_at")
    for spare in ("at_date", "at_time", "at_offset") if "at" in roles.fields else ():
        if spare in roles.fields and moment is not None:
            roles.left_out[roles.fields.pop(spare).key] = f"{moment.key!r} already gives the time"
    _place_beside(roles, rows, asking)
    return roles


def _place_beside(roles: Roles, rows: int, asking: Asking) -> None:
    """Freeze frames need a code beside them; readings beside codes may be freeze frames without saying so."""
    beside, code = roles.beside, roles.fields.get("code")
    if code is None:
        beside.left_out |= {c.key: "a freeze frame without a code" for c in beside.frames}
        beside.frames = []
    elif roles.kind == "wide" and ask_moment(code, rows, asking) == WHEN_SET:
        beside.frames += roles.readings
        roles.readings, roles.kind = [], "codes"
    mark = roles.fields.pop("mark", None) if roles.kind == "wide" else None
    if mark is not None and len(roles.readings) == 1:
        beside.limits.setdefault(roles.readings[0].key, {})["mark"] = mark
    elif mark is not None:
        beside.left_out[mark.key] = "does not say to which reading it belongs"
    roles.left_out |= beside.left_out


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
    if name.found is None or name.field in {"odometer_km", "code"}:
        return False
    if not (column.is_numeric or column.has_numbers_and_words):
        return False
    return column.times is None or name.field is None


def _may_be_reading(column: Column) -> bool:
    """Numbers under a name that is only nearly known: asked about."""
    name = column.name
    if name.found is not None or name.field is not None or column.times is not None:
        return False
    return bool(column.filled) and column.is_numeric and bool(suggestions(name.bare))


def _place(column: Column, roles: Roles, readings: list[Column]) -> None:
    name = column.name.field
    if roles.kind == "replies" and column.replies:
        name = "reply"
    if roles.kind == "wide" and (column in readings or _may_be_reading(column)):
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
        roles.place_time(column)
    elif name == "code" and "code" in roles.fields and column.share_of_codes > 0.8:
        roles.more_codes.append(column)
    elif name in roles.fields:
        roles.left_out[column.key] = f"{roles.fields[name].key!r} already gives {name}"
    else:
        roles.fields[name] = column


def _why_not(column: Column, name: str | None) -> str:
    if name is None and column.name.found is None:
        return "no name that is known"
    if column.name.found is not None and not column.is_numeric:
        return f"its cells are no numbers, such as {column.filled[0]!r}"
    return "not needed here"


def _allowed(kind: str) -> tuple[str, ...]:
    return {
        "wide": (*SCAN_FIELDS, *CODE_FIELDS, "mark"),
        "long": (*SCAN_FIELDS, *CODE_FIELDS, *LONG_FIELDS),
        "codes": (*SCAN_FIELDS, *CODE_FIELDS),
        "replies": (*SCAN_FIELDS, "module", "reply"),
        "register": REGISTER_FIELDS,
        "work": (*WORK_FIELDS, "code"),
        "notes": ("text", "operator"),
    }.get(kind, ())


def _table_name(name: str, kind: str) -> str:
    """The tidy column of this table that a general name stands for."""
    if kind == "notes":
        return {"note": "text", "operator": "who"}.get(name, name)
    return name


def is_unit_needed(parameter: str) -> bool:
    """Whether a reading can come in several units, so that a silent file has to be asked about."""
    from pipeline.normalise.units import known_units

    units = set(known_units(parameter)) - {"rad/s", "Hz (rev/s)", "m/s"}
    return len(units) > 1 and vocabulary.parameter(parameter).unit != "rpm"
