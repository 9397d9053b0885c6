"""Trouble codes and their freeze frames."""

from __future__ import annotations

from dataclasses import replace

import polars as pl

from pipeline.normalise.cells import Cells
from pipeline.normalise.codes import normalise_codes
from pipeline.normalise.conventions import Conventions, Normalised
from pipeline.normalise.faults import CELL_ONLY
from pipeline.normalise.readings import canonical, meanings_of, values_of
from pipeline.normalise.scan_keys import ScanKeys, find_scan_keys
from pipeline.normalise.words import normalise_words

FREEZE_FRAME = "ff_"
FREEZE_FRAME_UNIT = "ff_unit_"


def normalise_fault_codes(given: pl.DataFrame, conventions: Conventions) -> Normalised:
    """Normalise rows of the tidy table `codes`.

    Returns
    -------
    Normalised
        `codes`, `freeze_frames` from columns `ff_<reading>` (in the reading's own unit, or in that of the
        column `ff_unit_<reading>`), and `scans` made from rows without a scan_id.
    """
    cells = Cells(given, conventions)
    keys = find_scan_keys(cells)
    module, code_given = cells.name("module"), cells.name("code", required=True)
    code = normalise_codes(code_given)
    rows = pl.DataFrame(
        {
            "line": given["line"],
            "scan_id": keys.scan_id,
            "reader": keys.reader,
            "module": module,
            "code": code["code"],
            "code_given": code_given,
            "failure_type": code["failure_type"],
            "structure": code["structure"],
            "status": normalise_words(
                cells.raw("status"), "status", cells.faults, instead="unknown"
            ).fill_null("unknown"),
            "lamp": _lamp(cells),
            "text": cells.text("text"),
            "first_seen_km": cells.number("first_seen_km", least=0, most=5_000_000),
        }
    )
    frames = _frames_beside(cells, rows)
    repaired = int(code["is_repaired"].sum())
    notes = (
        (f"{repaired} codes held the letter O where only a zero makes sense; it was read as zero.",)
        if repaired
        else ()
    )
    return Normalised(
        {
            "scans": keys.scans,
            "codes": cells.faults.keep(rows),
            "freeze_frames": pl.concat([f.rows["freeze_frames"] for f in frames])
            if frames
            else pl.DataFrame(),
        },
        "codes",
        pl.concat([cells.faults.rejects(), *(f.rejects for f in frames)]).sort("line", maintain_order=True),
        int(cells.faults.lost.sum()),
        questions=tuple(q for f in frames for q in f.questions),
        notes=(*cells.notes(), *notes),
    )


def _lamp(cells: Cells) -> pl.Series:
    word = normalise_words(cells.raw("lamp"), "lamp", cells.faults)
    return word.replace_strict({"yes": True, "no": False}, default=None, return_dtype=pl.Boolean)


def _frames_beside(cells: Cells, codes: pl.DataFrame) -> list[Normalised]:
    """Freeze frames that stand as columns beside their code, as rows; one result per column."""
    given, parts = cells.given, []
    for column in given.columns:
        if not column.startswith(FREEZE_FRAME) or column.startswith(FREEZE_FRAME_UNIT):
            continue
        label = column.removeprefix(FREEZE_FRAME)
        unit = given[FREEZE_FRAME_UNIT + label] if FREEZE_FRAME_UNIT + label in given.columns else pl.lit("")
        rows = codes.select("line", "scan_id", "reader", "module", "code").with_columns(
            parameter=pl.lit(label), value=given[column], unit=unit
        )
        rows = cells.faults.keep(rows).filter(pl.col("value").str.strip_chars() != "")
        found = _frames(Cells(rows, cells.conventions), _keys_of(rows), rows["module"], rows["code"])
        shown = pl.col("reason") + pl.lit(CELL_ONLY)
        parts.append(
            replace(found, rejects=found.rejects.with_columns(column_name=pl.lit(column), reason=shown))
        )
    return parts


def _keys_of(rows: pl.DataFrame) -> ScanKeys:
    return ScanKeys(rows["scan_id"], rows["reader"], pl.DataFrame())


def normalise_freeze_frames(given: pl.DataFrame, conventions: Conventions) -> Normalised:
    """Normalise rows of the tidy table `freeze_frames`.

    Returns
    -------
    Normalised
        `freeze_frames`, and `scans` made from rows without a scan_id.
    """
    cells = Cells(given, conventions)
    keys = find_scan_keys(cells)
    module, code_given = cells.name("module", required=True), cells.name("code", required=True)
    return _frames(cells, keys, module, normalise_codes(code_given)["code"])


def _frames(cells: Cells, keys: ScanKeys, module: pl.Series, code: pl.Series) -> Normalised:
    meaning, found = meanings_of(cells)
    number = values_of(cells)
    value = canonical(number.value, meaning)
    rows = pl.DataFrame(
        {
            "line": cells.given["line"],
            "scan_id": keys.scan_id,
            "reader": keys.reader,
            "module": module,
            "code": code,
            "parameter": meaning["parameter"],
            "value": value["value"],
            "quality": value["quality"],
            "value_given": cells.raw("value").str.strip_chars(),
            "unit_given": meaning["unit_given"],
        }
    )
    lost = cells.faults.lost
    return Normalised(
        {"scans": keys.scans, "freeze_frames": rows.filter(~(lost | number.is_missing))},
        "freeze_frames",
        cells.faults.rejects(),
        int(lost.sum()),
        int((number.is_missing & ~lost).sum()),
        found.questions,
        cells.notes(),
    )
