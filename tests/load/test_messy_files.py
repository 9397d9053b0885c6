"""Files as strangers bring them: each loads rightly, or asks, or is refused with line, column, reason and remedy."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.ingest import proposing
from pipeline.settings import Home

ASKS = {
    "stands twice": ("Vehicle,Timestamp,rpm [rpm],rpm [rpm]\n047,2026-03-02 07:40:00,780,1500\n", "twice"),
    "orders of two kinds": ("van;time;rpm\n047;13/02/2026 07:40;780\n047;02/13/2026 07:41;781\n", "date_order"),
    "either order": ("van;time;rpm\n047;03/02/2026 07:40;780\n", "date_order"),
    "thousandths of a pascal": ("van,time,rail pressure actual [mPa]\n047,2026-03-02 07:40:00,28\n", "column_unit"),
    "silent unit": ("van,time,coolant temperature\n047,2026-03-02 07:40:00,88\n", "column_unit"),
    "either mark": ("van;time;rpm\n047;2026-03-02 07:40:00;1.234\n", "decimal"),
    "two ways of writing": ("van;time;rpm\n047;2026-03-02 07:40:00;780,5\n047;2026-03-02 07:40:01;780.5\n", "decimal"),
    "kilometres or miles": ("van,scan date,mileage,dtc\n047,2026-03-02,98000,P0562\n", "column_unit"),
}  # fmt: skip
TAKES = {
    "minus signs": ("van,time,long term fuel trim [%]\n047,2026-03-02 07:40:00,−3.9\n", [-3.9], 0),
    "blank columns": (";;Fahrzeug;;Zeitstempel;Motordrehzahl [1/min];;\n;;047;;13.02.2026 07:00:00;780;;\n", [780.0], 0),
    "a row without its time": (
        "Fahrzeug;Zeitstempel;Motordrehzahl [1/min]\n047;13.02.2026 07:00:00;780\n;;1561\n", [780.0], 1,
    ),
    "hour 24": ("van;time;rpm\n047;13.02.2026 24:00:00;780\n047;13.02.2026 23:59:00;781\n", [781.0], 1),
    "quotes and lines": (
        'Vehicle,Timestamp,"Engine speed [rpm]",Remark\n047,2026-03-02 07:40:00,"1,780.5","he said ""ok""\nand left"\n',
        [1780.5], 0,
    ),
    "gauge pressure": ("van,time,rpm,manifold pressure [psig]\n047,2026-03-02 07:40:00,780,2.8\n", [780.0], 0),
}  # fmt: skip


def _look(home: Home, folder: Path, text: str) -> proposing.Proposed:
    path = folder / "export.csv"
    path.write_text(text, encoding="utf-8")
    return proposing.propose_for(home, path, {("reader", "reader"): "R"})


@pytest.mark.parametrize("name", ASKS)
def test_doubt_is_asked(name: str, home: Home, tmp_path: Path) -> None:
    text, kind = ASKS[name]
    assert [q.kind for q in _look(home, tmp_path, text).proposal.questions] == [kind]


@pytest.mark.parametrize("name", TAKES)
def test_what_is_certain_is_taken_and_the_rest_refused(name: str, home: Home, tmp_path: Path) -> None:
    text, values, refused = TAKES[name]
    found = _look(home, tmp_path, text)
    assert found.proposal.questions == ()
    table = found.preview["tables"]["readings"]
    at = table["columns"].index("value")
    assert [row[at] for row in table["rows"]] == values
    assert found.preview["rejected"] == refused
    assert all(r["line"] and r["reason"] and r["remedy"] for r in found.preview["rejects"])
