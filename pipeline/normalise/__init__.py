"""Normalising: text tables under tidy names in, typed rows in canonical units and UTC out, rejects kept.

Every table has its function here; `normalise` finds it by the table's name.
"""

from __future__ import annotations

from collections.abc import Callable

import polars as pl

from pipeline.normalise.conventions import Conventions, Normalised
from pipeline.normalise.fault_codes import normalise_fault_codes, normalise_freeze_frames
from pipeline.normalise.limits import normalise_limits
from pipeline.normalise.numbers import NumberMarks
from pipeline.normalise.questions import Answers, Question
from pipeline.normalise.readings import normalise_readings
from pipeline.normalise.records import normalise_exposures, normalise_notes, normalise_work
from pipeline.normalise.register import normalise_register
from pipeline.normalise.scans import normalise_scans

NORMALISERS: dict[str, Callable[[pl.DataFrame, Conventions], Normalised]] = {
    "register": normalise_register,
    "scans": normalise_scans,
    "readings": normalise_readings,
    "codes": normalise_fault_codes,
    "freeze_frames": normalise_freeze_frames,
    "work": normalise_work,
    "notes": normalise_notes,
    "exposures": normalise_exposures,
    "limits": normalise_limits,
}


def normalise(table: str, given: pl.DataFrame, conventions: Conventions) -> Normalised:
    """Normalise one piece of a tidy table.

    Parameters
    ----------
    table : str
        One of `NORMALISERS`.
    given : pl.DataFrame
        `line` (1-based, header included) and text columns under their tidy names; columns may be absent.
    conventions : Conventions
        How the file is written.
    """
    return NORMALISERS[table](given, conventions)


__all__ = ["NORMALISERS", "Answers", "Conventions", "Normalised", "NumberMarks", "Question", "normalise"]
