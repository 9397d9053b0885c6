"""The tables that Python makes between the models; importing this imports all that makes them."""

from __future__ import annotations

from functools import partial

from pipeline.build import (
    code_associations,
    drifts,
    effects,
    exposures,
    findings,
    reader_updates,
    repairs,
    scores,
    shares,
)
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine
from pipeline.warehouse.runner import Computed


def computed_steps(settings: Settings, said: str) -> dict[str, Computed]:
    """Return the tables that Python makes between the models, by name; `said` is their fingerprint."""

    def nothing(engine: Engine) -> None:
        """The step before wrote this table too."""

    made = {
        effects.MONTHS: Computed(effects.PARENTS, partial(effects.write_effects, settings=settings), said),
        exposures.EFFECTS: Computed(
            exposures.PARENTS, partial(exposures.write_exposures, settings=settings), said
        ),
        scores.SCORES: Computed(scores.PARENTS, partial(scores.write_scores, settings=settings), said),
        shares.SHARES: Computed(shares.PARENTS, partial(shares.write_shares, settings=settings), said),
        drifts.DRIFTS: Computed(drifts.PARENTS, partial(drifts.write_drifts, settings=settings), said),
        code_associations.ASSOCIATIONS: Computed(
            code_associations.PARENTS, partial(code_associations.write_associations, settings=settings), said
        ),
        repairs.REPAIRS: Computed(repairs.PARENTS, partial(repairs.write_repairs, settings=settings), said),
        findings.FINDINGS: Computed(
            findings.PARENTS, partial(findings.write_findings, settings=settings), said
        ),
    }
    for with_it, name in (
        (effects.MONTHS, effects.READERS),
        (effects.MONTHS, effects.FACTORS),
        (effects.MONTHS, reader_updates.UPDATES),
        (exposures.EFFECTS, exposures.OVERLAPS),
        (scores.SCORES, scores.SUMMARY),
    ):
        made[name] = Computed((with_it,), nothing, said, with_it)
    return made
