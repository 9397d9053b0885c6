"""A page of the app as it is shown: opened without a browser, and read."""

from __future__ import annotations

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import dashboard
from dashboard.parts.page_files import PAGES
from tests.patience import PATIENCE_S

APP = str(Path(dashboard.__file__).parent / "app" / "frame.py")


def open_page(home: Path, page: str, monkeypatch: pytest.MonkeyPatch, **query: str | list[str]) -> AppTest:
    """Open a page of a home, with what the address asks for."""
    monkeypatch.setenv("KINBAY_HOME", str(home))
    at = AppTest.from_file(APP, default_timeout=PATIENCE_S)
    for name, value in query.items():
        at.query_params[name] = value
    return at.switch_page(str(PAGES[page])).run()


def read_page(at: AppTest) -> str:
    """Everything written on the page, Markdown escapes taken off."""
    shown = [
        *at.title, *at.header, *at.markdown, *at.caption, *at.info, *at.success, *at.warning, *at.error,
    ]  # fmt: skip
    lines = [*(element.value for element in shown), *(opened.label for opened in at.expander)]
    return "\n".join(lines).replace("\\", "").replace("\u2060", "")
