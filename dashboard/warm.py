"""What is done once, before anybody waits: modules loaded, charts checked, the newest build's first questions asked.

After each run of the script Streamlit looks for garbage through every object there is. Most of them are modules,
specs and schemas that live as long as the server; looking through them took 80 of the 110 ms that a redraw cost the
server (docs/decisions/0008). They are set aside once all is loaded, so that only what a run left is looked through.
"""

from __future__ import annotations

import gc
import pkgutil
import threading
from importlib import import_module

from dashboard import charts, exports, parts
from dashboard.charts.prepare import prepare_charts
from dashboard.questions import findings, fleet
from dashboard.questions.filters import ALL_VANS
from dashboard.questions.warehouse import open_warehouse
from pipeline.errors import KinbayError
from pipeline.settings import Home

LOOK_AGAIN_S = 3.0  # how soon a build published meanwhile is taken up


def load_modules() -> None:
    """Import what pages import, so that the first visit to a page does not wait for it."""
    for package in (charts, exports, parts):
        for module in pkgutil.iter_modules(package.__path__, f"{package.__name__}."):
            import_module(module.name)


def ask_first(home: Home, asked: str | None = None) -> str | None:
    """Ask of the newest build what every page and the first one ask of it, unless it is `asked`, where that was done.

    Returns
    -------
    str or None
        The build's id; None without a build.
    """
    try:
        warehouse = open_warehouse(home)
        if warehouse.build_id == asked:
            return asked
        fleet.describe_build(warehouse)
        fleet.list_filter_choices(warehouse)
        fleet.describe_ranges(warehouse)
        fleet.list_readings(warehouse)
        shown = fleet.list_shown_vans(warehouse, ALL_VANS)
        findings.list_findings(warehouse, shown["van"].to_list())
    except KinbayError:  # the page says it
        return None
    return warehouse.build_id


def set_aside() -> None:
    """Let the garbage collector pass over everything that is alive now."""
    gc.collect()
    gc.freeze()


def keep_warm(home: Home, is_over: threading.Event) -> None:
    """Make all ready, then take up each newer build soon after it is published, until told that it is over."""
    load_modules()
    prepare_charts()
    asked = ask_first(home)
    set_aside()
    while not is_over.wait(LOOK_AGAIN_S):
        asked = ask_first(home, asked)
