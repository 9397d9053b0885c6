"""What changed between two builds: matters that are new, worse, better or gone."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from pipeline.decisions import say_movement

SHOWN = ("finding", "likely")
KINDS = {"new": "New", "worse": "Worse", "better": "Better", "gone": "Gone"}


def compare_builds(
    before: Iterable[dict[str, Any]], now: Iterable[dict[str, Any]]
) -> dict[str, list[dict[str, Any]]]:
    """Sort matters by what became of them between two builds.

    Only matters that stand out or are likely, then or now, are counted: the rest comes and goes with chance.
    `gone` holds the rows of the earlier build, the other lists those of the later one.
    """
    old = {row["finding_id"]: row for row in before if row["finding_id"] is not None}
    new = {row["finding_id"]: row for row in now}
    changes: dict[str, list[dict[str, Any]]] = {kind: [] for kind in KINDS}
    for key, row in new.items():
        was_shown, is_shown = key in old and old[key]["tier"] in SHOWN, row["tier"] in SHOWN
        if is_shown and not was_shown:
            changes["new"].append(row)
        elif is_shown and was_shown:
            moved, _ = say_movement(old[key], row)
            if moved != "same":
                changes[moved].append(row)
    for key, row in old.items():
        if row["tier"] in SHOWN and (key not in new or new[key]["tier"] not in SHOWN):
            changes["gone"].append(row)
    return changes
