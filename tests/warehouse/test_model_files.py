"""Model files: what a header may say, and what is told where one is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import KinbayError
from pipeline.warehouse import documentation, models

GOOD = """-- Cool vans,
-- and warm ones.
-- grain: one row per van
-- key: van, state
-- kind: table
-- partition_by: month
-- changed: select month
--     from raw.t where batch_id > @last_batch
-- column van: the van's name,
--    as painted on it
-- column n: scans
with t as (
    -- a remark from nowhere
    select * from raw.t
)

select * from t
"""


def write(folder: Path, **files: str) -> Path:
    for name, text in files.items():
        path = folder / "marts" / f"{name}.sql"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return folder


def test_a_header_is_read_whole(tmp_path: Path) -> None:
    (tmp_path / "columns.toml").write_text('n = "number"\nreader = "the reader"\n')
    (model,) = models.load(write(tmp_path, one=GOOD))
    assert model.sentence == "Cool vans, and warm ones."
    assert (model.grain, model.key, model.kind) == ("one row per van", ("van", "state"), "table")
    assert model.partition_by == "month"
    assert model.changed == "select month from raw.t where batch_id > @last_batch"
    assert model.columns == {"van": "the van's name, as painted on it", "n": "scans", "reader": "the reader"}
    assert model.own_columns == {"van": "the van's name, as painted on it", "n": "scans"}
    assert model.sources == ("raw.t",)
    assert model.text.startswith("with t as (\n    select")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (GOOD.replace("-- kind: table\n", ""), "view or a table"),
        (GOOD.replace("kind: table", "kind: heap"), "view or a table"),
        (GOOD.replace("-- Cool vans,\n-- and warm ones.\n", ""), "what it makes"),
        (GOOD.replace("-- kind", "-- severity: stop\n-- kind"), "may not have: .*severity"),
        (GOOD.replace("raw.t\n)", "vans\n)"), "no model makes: vans"),
    ],
)
def test_a_wrong_file_is_told(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(KinbayError, match=said.replace("may not have: .*", "may not have.*")):
        models.load(write(tmp_path, one=text))


def test_a_wrong_table_name_is_told_with_the_nearest(tmp_path: Path) -> None:
    wrong = GOOD.replace("raw.t\n)", "onne\n)").replace("from t\n", "from t\n")
    with pytest.raises(KinbayError, match="Did you mean one"):
        models.load(write(tmp_path, one=GOOD, two=wrong))


def test_two_models_of_one_name_are_refused(tmp_path: Path) -> None:
    (tmp_path / "staging").mkdir()
    (tmp_path / "staging" / "one.sql").write_text(GOOD)
    with pytest.raises(KinbayError, match="one name"):
        models.load(write(tmp_path, one=GOOD))


@pytest.mark.parametrize(
    ("sql", "said"),
    [
        ("select 1; select 2", "exactly one SELECT"),
        ("delete from t", "exactly one SELECT"),
        ("select from where", "cannot be read"),
        ("with vans as (select * from vans) select * from vans", "name of the table it reads: |vans"),
    ],
)
def test_what_is_no_select_is_refused(sql: str, said: str) -> None:
    with pytest.raises(KinbayError, match=said):
        models.parse(sql)


def test_a_mart_without_its_columns_described_is_told(tmp_path: Path) -> None:
    (model,) = models.load(write(tmp_path, one=GOOD))
    assert documentation.undocumented(model, ["van", "n"]) == []
    assert documentation.undocumented(model, ["van", "n", "p"]) == ["p"]
    assert documentation.undocumented(model, ["van"]) == ["n (no such column)"]
