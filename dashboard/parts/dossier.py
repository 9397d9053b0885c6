"""A dossier for the maker or supplier, offered beside a matter of a whole group."""

from __future__ import annotations

from functools import partial
from typing import Any

from dashboard.exports.dossier import KINDS, write_dossier
from dashboard.exports.dossier_print import print_html, print_pdf
from dashboard.parts.screen import offer_pages
from dashboard.parts.view import View


def _make(view: View, finding_id: str, kind: str) -> bytes:
    dossier = write_dossier(view.warehouse, finding_id)
    return print_pdf(dossier) if kind == "pdf" else print_html(dossier)


def offer_dossier(view: View, row: dict[str, Any]) -> None:
    """Offer a dossier where a finding is about a whole group; it is made only when asked for."""
    if row["kind"] not in KINDS or row["cohort"] is None:
        return
    offer_pages(
        partial(_make, view, row["finding_id"]),
        f"dossier-{row['finding_id']}",
        key=f"dossier_{row['finding_id']}",
        label="Dossier for the maker or supplier",
        note="Every van of the group with its mileage, counts and dates, and what weakens the claim.",
    )
