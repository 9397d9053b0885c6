"""Trouble codes and their freeze frames."""

from __future__ import annotations

from dataclasses import replace

import polars as pl

from pipeline.counted import count_of
from pipeline.normalise.cells import Cells
from pipeline.normalise.code_cells import NO_CODE, WRITE_CODE, is_no_code, part_cells
from pipeline.normalise.code_replies import spell_replies
from pipeline.normalise.code_status import normalise_status
from pipeline.normalise.codes import normalise_codes
from pipeline.normalise.conventions import Conventions, Normalised
from pipeline.normalise.faults import CELL_ONLY
from pipeline.normalise.modules import same_modules, say_unknown
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
    given, replies = spell_replies(given)
    parted = part_cells(given)
    given = parted.rows
    cells = Cells(given, conventions)
    keys = find_scan_keys(cells)
    module_given, code_given = cells.name("module"), cells.name("code", required=True)
    cells.faults.add(is_no_code(code_given), "code", cells.raw("code"), NO_CODE, WRITE_CODE)
    code = normalise_codes(code_given)
    status, notes = normalise_status(cells.raw("status"), cells.faults)
    rows = pl.DataFrame(
        {
            "line": given["line"],
            "scan_id": keys.scan_id,
            "reader": keys.reader,
            "module": same_modules(module_given),
            "module_given": module_given,
            "code": code["code"],
            "code_given": code_given,
            "failure_type": code["failure_type"],
            "structure": code["structure"],
            "status": status["status"],
            "status_byte": status["status_byte"],
            "lamp": _lamp(cells, status["status_byte"]),
            "text": cells.text("text"),
            "first_seen_km": cells.number("first_seen_km", least=0, most=5_000_000),
        }
    )
    frames = _frames_beside(cells, rows)
    return Normalised(
        {
            "scans": _with_silent(keys.scans, parted.silent, conventions),
            "codes": cells.faults.keep(rows),
            "freeze_frames": pl.concat([f.rows["freeze_frames"] for f in frames])
            if frames
            else pl.DataFrame(),
        },
        "codes",
        pl.concat([cells.faults.rejects(), *(f.rejects for f in frames)]).sort("line", maintain_order=True),
        int(cells.faults.lost.sum()),
        questions=tuple(q for f in frames for q in f.questions),
        notes=(
            *cells.notes(),
            *replies,
            *parted.notes,
            *notes,
            *_say_readings(code),
            *say_unknown(module_given),
        ),
    )


def _with_silent(scans: pl.DataFrame, silent: pl.DataFrame, conventions: Conventions) -> pl.DataFrame:
    """The scans, those whose rows say that there was no code among them."""
    if not len(silent):
        return scans
    others = find_scan_keys(Cells(silent, conventions)).scans
    return pl.concat([scans, others]).unique(["scan_id"], keep="first", maintain_order=True)


def _say_readings(code: pl.DataFrame) -> tuple[str, ...]:
    """Say which codes were read otherwise than they are written."""
    repaired, decoded = int(code["is_repaired"].sum()), int(code["is_decoded"].sum())
    said = []
    if repaired:
        said.append(
            f"{count_of(repaired, 'code')} held the letter O where only a zero makes sense; it was read as zero."
        )
    if decoded:
        said.append(
            f"{count_of(decoded, 'code')} written as bytes, spelled by the two-byte rule of SAE J2012."
        )
    return tuple(said)


def _lamp(cells: Cells, status_byte: pl.Series) -> pl.Series:
    """Whether the code lights a lamp: as the reader says, else by the status byte's own bit (0x80)."""
    word = normalise_words(cells.raw("lamp"), "lamp", cells.faults)
    said = word.replace_strict({"yes": True, "no": False}, default=None, return_dtype=pl.Boolean)
    asked = pl.DataFrame({"byte": status_byte}).select(pl.col("byte") // 0x80 > 0).to_series()
    return said.fill_null(asked).alias("lamp")


def _frames_beside(cells: Cells, codes: pl.DataFrame) -> list[Normalised]:
    """Freeze frames that stand as columns beside their code, as rows; one result per column."""
    given, parts = cells.given, []
    for column in given.columns:
        if not column.startswith(FREEZE_FRAME) or column.startswith(FREEZE_FRAME_UNIT):
            continue
        label = column.removeprefix(FREEZE_FRAME)
        unit = given[FREEZE_FRAME_UNIT + label] if FREEZE_FRAME_UNIT + label in given.columns else pl.lit("")
        rows = codes.select("line", "scan_id", "reader", "module_given", "code").with_columns(
            parameter=pl.lit(label), value=given[column], unit=unit
        )
        rows = cells.faults.keep(rows).filter(pl.col("value").str.strip_chars() != "")
        found = _frames(Cells(rows, cells.conventions), _keys_of(rows), rows["module_given"], rows["code"])
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
            "module": same_modules(module),
            "module_given": module,
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
