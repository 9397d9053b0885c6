"""The two layouts that tell how the handheld's and the tablet's files read, written beside them."""

from __future__ import annotations

import json
from collections.abc import Mapping

from demo_warehouse import handheld_files, tablet_files
from demo_warehouse.scenario import Scenario


def _text(value: str) -> str:
    """Return a TOML basic string; JSON's escapes are a subset of TOML's."""
    return json.dumps(value, ensure_ascii=False)


def _pairs(table: Mapping[str, str]) -> list[str]:
    return [f"{_text(key)} = {_text(value)}" for key, value in table.items()]


def _list(values: list[str]) -> str:
    return "[" + ", ".join(_text(value) for value in values) + "]"


def describe_handheld(scenario: Scenario) -> str:
    """Return the TOML of the handheld's layout."""
    labels = scenario.labels["handheld"]
    lines = [
        "# The handheld's monthly export: one row per instant, one column per reading, German.",
        'name = "handheld_h2"',
        'title = "Handheld H2, monthly export"',
        'feeds = ["scans", "readings", "codes"]',
        "",
        "[match]",
        f"headers = {_list(['Messung', 'Fahrzeug', 'Datum', 'Uhrzeit', labels[0].label])}",
        f"text = {_text(handheld_files.TITLE)}",
        "",
        "[file]",
        'format = "csv"',
        f"encoding = {_text(handheld_files.ENCODING)}",
        'delimiter = ";"',
        'decimal = ","',
        "skip_rows = 1",
        f"missing = {_list([handheld_files.NO_VALUE, 'n.v.'])}",
        "",
        "[time]",
        'formats = ["%d.%m.%Y %H:%M:%S"]',
        "",
        "[constants]",
        f"reader = {_text(scenario.readers['handheld'].name)}",
        'module = "engine"',
        f"modules = {_text(';'.join(scenario.readers['handheld'].modules))}",
        "",
        "[columns]",
        *_pairs(handheld_files.SCAN_COLUMNS),
        *_pairs(handheld_files.CODE_COLUMNS),
    ]
    for one in labels:
        lines += [
            "",
            "[[wide]]",
            f"column = {_text(one.label)}",
            f"parameter = {_text(one.parameter)}",
            f"unit = {_text(one.unit)}",
        ]
    words = {german: tidy for tidy, german in handheld_files.STATUS_WORDS.items()}
    return "\n".join([*lines, "", "[codes]", 'split = ","', "", "[values.status]", *_pairs(words), ""])


def describe_tablet(scenario: Scenario) -> str:
    """Return the TOML of the tablet's layout."""
    columns = {own: tidy for own, tidy in tablet_files.COLUMNS.items() if tidy}
    words = {own: tidy for tidy, own in tablet_files.STATUS_WORDS.items()}
    labels = {one.label: one.parameter for one in scenario.labels["tablet"]}
    lines = [
        "# The yard tablet's quarterly export: one row per reading or code, times with their offset.",
        'name = "yard_tablet"',
        'title = "Yard tablet, quarterly export"',
        'feeds = ["scans", "readings", "codes"]',
        "",
        "[match]",
        f"headers = {_list(['session', 'vehicle', 'started', 'taken', 'item', 'reading', 'dtc'])}",
        "",
        "[file]",
        'format = "csv"',
        'delimiter = "\\t"',
        "",
        "[constants]",
        f"reader = {_text(scenario.readers['tablet'].name)}",
        "",
        "[columns]",
        *_pairs(columns),
        "",
        "[long]",
        'parameter = "item"',
        'value = "reading"',
        'unit = "unit"',
        "",
        "[long.labels]",
        *_pairs(labels),
        "",
        "[values.status]",
        *_pairs(words),
        "",
        "[only.readings]",
        'column = "kind"',
        'words = ["LIVE"]',
        "",
        "[only.codes]",
        'column = "kind"',
        'words = ["DTC"]',
        "",
    ]
    return "\n".join(lines)
