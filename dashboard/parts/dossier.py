"""A dossier for the maker or supplier, offered beside a matter of a whole group."""

from __future__ import annotations

from functools import partial
from typing import Any

import streamlit as st

from dashboard.exports.dossier import KINDS, write_dossier
from dashboard.exports.dossier_print import print_html, print_pdf
from dashboard.exports.picture import MIME
from dashboard.parts.view import View


def _make(view: View, finding_id: str, kind: str) -> bytes:
    dossier = write_dossier(view.warehouse, finding_id)
    return print_pdf(dossier) if kind == "pdf" else print_html(dossier)


def offer_dossier(view: View, row: dict[str, Any]) -> None:
    """Offer a dossier where a finding is about a whole group; it is made only when asked for."""
    if row["kind"] not in KINDS or row["cohort"] is None:
        return
    with st.popover("Dossier for the maker or supplier", icon=":material/download:"):
        for kind, label in (("pdf", "Pages (PDF)"), ("html", "One file (HTML)")):
            st.download_button(
                label,
                partial(_make, view, row["finding_id"], kind),
                file_name=f"dossier-{row['finding_id']}.{kind}",
                mime=MIME[kind],
                key=f"dossier_{row['finding_id']}_{kind}",
                on_click="ignore",
                width="stretch",
            )
        st.caption("Every van of the group with its mileage, counts and dates, and what weakens the claim.")
