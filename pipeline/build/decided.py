"""Computed table `computed.decisions`: what people decided about matters, and how each stands beside this build.

The journal's entries say what was decided on which evidence; the findings of this build say what the evidence is
now. Whether a decision still keeps its matter off the list is asked of `pipeline.decisions`, as on the pages.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping
from functools import partial
from typing import Any

from pipeline.decisions import Decision, newest, read_decisions, say_return
from pipeline.settings import Home
from pipeline.warehouse.engines import Engine
from pipeline.warehouse.runner import Computed

DECISIONS = "computed.decisions"
_FIGURES = ("n_scans", "difference", "interval_low", "interval_high")
_EVIDENCE = ("tier", *_FIGURES, "last_seen")
_NOW = "select finding_id, unit, tier, n_scans, value, difference, interval_low, interval_high, last_seen from computed.findings"


def decisions_step(home: Home, today: dt.date) -> Computed:
    """Return the step that writes the table; it is run anew when the journal, the findings or the day changed.

    Raises
    ------
    KinbayError
        Where an entry of the journal is damaged.
    """
    decided = read_decisions(home)
    said = hashlib.sha256(repr((decided, today)).encode()).hexdigest()[:16]
    return Computed(("computed.findings",), partial(_write, decided=decided, today=today), said)


def _write(engine: Engine, decided: tuple[Decision, ...], today: dt.date) -> None:
    import pyarrow as pa  # a build that finds nothing new does without it

    from pipeline.columns import table

    types = {"tier": pa.string(), "n_scans": pa.int64(), "last_seen": pa.timestamp("us")}
    schema = pa.schema(
        [
            *((name, pa.string()) for name in ("finding_id", "van", "claim", "choice", "decision")),
            ("number", pa.int64()),
            ("decided_at", pa.timestamp("us")),
            ("until", pa.date32()),
            *((name, pa.string()) for name in ("who", "why", "build_id", "standing", "why_back", "unit")),
            *((f"{n}_{when}", types.get(n, pa.float64())) for when in ("then", "now") for n in _EVIDENCE),
        ]
    )
    found = {row["finding_id"]: row for row in engine.arrow(_NOW).to_pylist()} if decided else {}
    engine.write(DECISIONS, table(set_beside(decided, found, today), schema))


def set_beside(
    decided: tuple[Decision, ...], found: Mapping[str, Mapping[str, Any]], today: dt.date
) -> list[dict[str, Any]]:
    """Return one row per decision, oldest first.

    `standing` is `in_force` where it keeps the matter off the list, `back` where the evidence or the day has gone
    past it, `replaced` by a later decision, `opened` where it put the matter back on the list, and `not_found`
    where this build no longer finds the matter.

    Parameters
    ----------
    decided : tuple of Decision
        All of them, oldest first.
    found : mapping
        The findings of this build by id.
    today : datetime.date
        The day of the build.
    """
    last, counts, rows = _last(decided), Counter[str](), []
    for one in decided:
        counts[one.finding_id] += 1
        now = found.get(one.finding_id)
        standing, why = _stand(one, now, today, is_last=last[one.finding_id] is one)
        then = {**one.evidence, "last_seen": one.last_seen}
        rows.append(
            {
                **{
                    k: getattr(one, k)
                    for k in ("finding_id", "van", "claim", "choice", "until", "who", "why")
                },
                "number": counts[one.finding_id],
                "decided_at": one.at,
                "decision": one.words,
                "build_id": one.build_id,
                "standing": standing,
                "why_back": why or None,
                "unit": now["unit"] if now else None,
                **{f"{name}_then": then.get(name) for name in _EVIDENCE},
                **{f"{name}_now": now[name] if now else None for name in _EVIDENCE},
            }
        )
    return rows


def _last(decided: Iterable[Decision]) -> dict[str, Decision]:
    return {one.finding_id: one for one in decided}


def _stand(one: Decision, now: Mapping[str, Any] | None, today: dt.date, *, is_last: bool) -> tuple[str, str]:
    """How a decision stands, and why the matter is back where it is."""
    if not is_last:
        return "replaced", ""
    if not newest((one,)):
        return "opened", ""
    if now is None:
        return "not_found", ""
    back = say_return(one, now, today)
    return ("back", back) if back else ("in_force", "")
