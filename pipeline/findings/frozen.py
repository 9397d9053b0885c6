"""Findings of kind `reading_frozen`: a reading that stands still on one van while it moves on its siblings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from pipeline.counted import count_of
from pipeline.findings import wording
from pipeline.findings.records import Finding

_ONE_VAN = ("van_level", "van_change", "van_drift")


def find(row: dict[str, Any]) -> Finding:
    """Make the finding of one van and reading.

    Parameters
    ----------
    row : dict
        Van, parameter, lowest and highest value, chances within scans, between states and between scans.
    """
    van, key = row["van"], row["parameter"]
    chances = row["n_within"] + row["n_steps"] + row["n_gaps"]
    middle = (row["value_least"] + row["value_most"]) / 2
    return Finding(
        kind="reading_frozen",
        tier="finding",
        claim=(
            f"Van {van}: {wording.reading_name(key)} stands still at {wording.number(middle, key)}. In "
            f"{count_of(row['n_scans'], 'scan')} it had {chances} chances to move ({row['n_within']} within a scan, "
            f"{row['n_steps']} between states, {row['n_gaps']} between scans) and took none; on its "
            f"{count_of(row['n_siblings'], 'sibling')} it moves."
        ),
        van=van,
        cohort_id=row["cohort_id"],
        **{name: row[name] for name in ("make", "model", "engine", "model_year")},
        parameter=key,
        against="siblings",
        value=middle,
        unit=row["unit"],
        p=row["p"],
        q=row["q"],
        n_siblings=row["n_siblings"],
        n_vans=row["n_siblings"] + 1,
        n_scans=row["n_scans"],
        first_seen=row["first_seen"],
        last_seen=row["last_seen"],
        rivals=(
            "The sensor or its wiring is at fault and the control unit shows a substitute value",
            "This van's control unit does not carry the reading, and the reader shows a fixed value",
            "The reading was saved from an earlier scan",
        ),
        next_check=(
            f"Read {wording.reading_name(key)} on van {van} live, cold and then warm, beside one sibling, and once "
            "with another reader; then look at the connector with the engine off."
        ),
        cautions=wording.cautions_of(key, None),
    )


def absorb(found: Sequence[Finding], frozen: Sequence[Finding]) -> list[Finding]:
    """Put frozen readings among the findings.

    How high a frozen reading stands means nothing, so that van's level or change of it is told as part of the same
    matter (`also`) and no longer by itself.
    """
    cells = {(f.van, f.parameter) for f in frozen}
    same = [f for f in found if f.kind in _ONE_VAN and (f.van, f.parameter) in cells]
    told = [
        replace(
            f,
            also=tuple(
                {"parameter": s.parameter, "state": s.state, "difference": s.difference}
                for s in same
                if (s.van, s.parameter) == (f.van, f.parameter)
            ),
        )
        for f in frozen
    ]
    return [*(f for f in found if f not in same), *told]
