"""Corrections of scans and other names of vans: journal entries, applied when the models are built."""

from __future__ import annotations

from datetime import UTC, datetime

import duckdb

from pipeline.errors import KinbayError, nearest
from pipeline.ingest.opening import open_store
from pipeline.journal import utc_now, write_entry
from pipeline.settings import Home

MOST_KM = 5_000_000.0


def name_van(home: Home, alias: str, van: str, why: str) -> str:
    """Note that a name in files means a van of the register; return the entry's name.

    Raises
    ------
    KinbayError
        Where no reason is given, the van is not in the register, or the name is another van's own.
    """
    name, reason = alias.strip(), _reason(why)
    if not name:
        raise KinbayError("The name is empty", remedy="Give the name as it stands in the files.")
    with open_store(home) as connection:
        vans = _column(connection, "select distinct van from raw.vans")
    _know(van, vans, "There is no such van in the register")
    if name in vans:
        raise KinbayError("That is a van of the register itself", name, "Correct the register instead.")
    return write_entry(home, "alias", utc_now(), {"alias": name, "van": van, "why": reason})


def correct_scan(
    home: Home,
    reader: str,
    scan_id: str,
    why: str,
    *,
    van: str | None = None,
    at: str | None = None,
    odometer_km: float | None = None,
    who: str = "",
) -> list[str]:
    """Correct what a file says of a scan; the file stays as it is.

    Parameters
    ----------
    reader, scan_id : str
        The scan.
    why : str
        Why; kept in the journal.
    van, at, odometer_km : optional
        What is right: the van, the time (ISO 8601; local without an offset), the odometer in km.
    who : str
        Who says so.

    Returns
    -------
    list of str
        The names of the entries, one a field.

    Raises
    ------
    KinbayError
        Where there is no such scan or van, nothing is corrected, or a value is not usable.
    """
    reason = _reason(why)
    with open_store(home) as connection:
        scans = connection.execute("select distinct reader, scan_id from raw.scans").fetchall()
        vans = _column(connection, "select distinct van from raw.vans")
    if (reader, scan_id) not in scans:
        of_reader = [s for r, s in scans if r == reader]
        _know(reader, sorted({r for r, _ in scans if r}), "There is no such reader")
        _know(scan_id, of_reader, "This reader has no such scan")
    right: dict[str, str] = {}
    if van is not None:
        _know(van, vans, "There is no such van in the register")
        right["van"] = van
    if at is not None:
        right["scanned_at"] = _utc(at, home)
    if odometer_km is not None:
        if not 0 <= odometer_km <= MOST_KM:
            raise KinbayError(f"An odometer cannot read {odometer_km:g} km", remedy="Give it in km.")
        right["odometer_km"] = f"{odometer_km:g}" if odometer_km < 1e5 else f"{odometer_km:.1f}"
    if not right:
        raise KinbayError("Nothing is corrected", remedy="Give --van, --at or --odometer-km.")
    key = {"reader": reader, "scan_id": scan_id, "why": reason, "who": who}
    return [
        write_entry(home, "correction", utc_now(), {**key, "field": field, "value": value})
        for field, value in right.items()
    ]


def _reason(why: str) -> str:
    if not why.strip():
        raise KinbayError("A reason is missing", remedy="Say why with --why.")
    return why.strip()


def _column(connection: duckdb.DuckDBPyConnection, query: str) -> list[str]:
    return [row[0] for row in connection.execute(query).fetchall()]


def _know(name: str, known: list[str], fault: str) -> None:
    """Refuse a name that is not known, with the nearest one."""
    if name in known:
        return
    hint = nearest(name, known)
    raise KinbayError(fault, name, f"Did you mean {hint}?" if hint else "Look it up in the dashboard.")


def _utc(text: str, home: Home) -> str:
    """ISO 8601 into the UTC text that the journal keeps."""
    try:
        at = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise KinbayError("The time cannot be read", text, "Write it as 2026-03-02T07:40.") from error
    placed = at if at.tzinfo else at.replace(tzinfo=home.settings.zone)
    return placed.astimezone(UTC).replace(tzinfo=None).isoformat(sep=" ", timespec="seconds")
