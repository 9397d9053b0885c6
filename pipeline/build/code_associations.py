"""Computed table of codes and exposures: is a code more frequent on vans that are parked, built or driven so."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa

from pipeline.build.codes import as_frame
from pipeline.columns import table
from pipeline.compare.multiplicity import benjamini_hochberg
from pipeline.compare.tables import Association, associate
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

ASSOCIATIONS = "computed.code_associations"
PARENTS = ("code_exposures", "int_code_exposures", "vocab.settings")
KEY = ("attribute", "level", "module", "code")
MOST_LEVELS = 30  # an attribute with more of them names vans or persons rather than a way of using them
CELLS = ("n_exposed_with", "n_exposed_without", "n_other_with", "n_other_without")
_TABLES = f"""
select c.stratum, c.attribute, c.level, c.level_name, c.n_levels, c.module, c.code, {", ".join(f"c.{n}" for n in CELLS)}
from code_exposures as c
order by c.module, c.code, c.attribute, c.level, c.stratum
"""  # noqa: S608 - column names of this module
_VANS = """
select e.stratum, e.attribute, e.level, e.module, e.code, e.van, e.standing = 'with' as is_with
from int_code_exposures as e
order by e.module, e.code, e.attribute, e.stratum, e.van
"""
_SCHEMA = pa.schema(
    [
        *[pa.field(n, pa.string()) for n in (*KEY[:2], "level_name", *KEY[2:])],
        pa.field("is_tested", pa.bool_()),
        *[pa.field(n, pa.float64()) for n in ("odds_ratio", "odds_low", "odds_high", "p", "q")],
        pa.field("method", pa.string()),
        *[pa.field(n, pa.int64()) for n in ("n_vans", "n_strata", *CELLS)],
        *[pa.field(n, pa.string()) for n in ("rival_attribute", "rival_level")],
        pa.field("p_beside_rival", pa.float64()),
        pa.field("tier", pa.string()),
    ]
)
Row = dict[str, Any]


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _associations(tables: pl.DataFrame) -> list[Row]:
    """One row per attribute, level, module and code, with the test over all strata."""
    rows = []
    for key, group in tables.group_by(KEY, maintain_order=True):
        cells = group.select(CELLS).to_numpy()
        found = associate(cells.reshape(-1, 2, 2))
        sums = dict(zip(CELLS, map(int, cells.sum(axis=0)), strict=True))
        first = group.row(0, named=True)
        rows.append(
            {
                **dict(zip(KEY, key, strict=True)),
                "level_name": first["level_name"],
                "n_levels": first["n_levels"],
            }
            | sums
            | {"found": found, "p": found.p, "least_p": found.least_p}
        )
    return rows


def _leads(row: Row) -> bool:
    """Of an attribute with two levels only the one with more of the code is asked about: the other says the same."""
    if row["n_levels"] != 2:
        return bool(row["n_levels"] <= MOST_LEVELS)
    ratio = row["found"].odds_ratio
    return bool(ratio > 1)


def _beside(row: Row, rival: Row, vans: pl.DataFrame) -> Association:
    """The same association among vans that are alike in the rival exposure."""
    of_code = vans.filter((pl.col("module") == row["module"]) & (pl.col("code") == row["code"]))
    rivals = of_code.filter(pl.col("attribute") == rival["attribute"]).select(
        "van", alike=pl.col("level") == rival["level"]
    )
    own = of_code.filter(pl.col("attribute") == row["attribute"]).join(rivals, on="van", how="inner")
    exposed = pl.col("level") == row["level"]
    counts = own.group_by("stratum", "alike", maintain_order=True).agg(
        (exposed & pl.col("is_with")).sum().alias("a"),
        (exposed & ~pl.col("is_with")).sum().alias("b"),
        (~exposed & pl.col("is_with")).sum().alias("c"),
        (~exposed & ~pl.col("is_with")).sum().alias("d"),
    )
    return associate(counts.select("a", "b", "c", "d").to_numpy().astype(np.float64).reshape(-1, 2, 2))


def _name_rivals(rows: Sequence[Row], vans: pl.DataFrame, settings: Settings) -> None:
    """Ask every further exposure of a code again among vans alike in the strongest one."""
    level = settings.tiers.finding_q
    by_code: dict[tuple[str, str], list[Row]] = {}
    for row in rows:
        if row["is_tested"] and row["p"] <= level:
            by_code.setdefault((row["module"], row["code"]), []).append(row)
    for group in by_code.values():
        first, *others = sorted(group, key=lambda r: (r["p"], r["attribute"], r["level"]))
        for row in others:
            if row["attribute"] != first["attribute"]:
                row["rival_attribute"], row["rival_level"] = first["attribute"], first["level_name"]
                row["p_beside_rival"] = _finite(_beside(row, first, vans).p)


def _tier(row: Row, settings: Settings) -> str:
    """What goes with a stronger exposure is not told as a matter of its own."""
    if not row["is_tested"] or row["p"] is None:
        return "none"
    if row.get("rival_attribute") and (row["p_beside_rival"] or 1.0) > settings.tiers.finding_q:
        return "none"
    if row["q"] <= settings.tiers.finding_q:
        return "finding"
    if row["q"] <= settings.tiers.likely_q:
        return "likely"
    return "watch" if row["p"] <= settings.tiers.watch_p else "none"


def judge_associations(tables: pl.DataFrame, vans: pl.DataFrame, settings: Settings) -> list[Row]:
    """Return one row per exposure and code with odds ratio, p, q, rival and tier.

    Parameters
    ----------
    tables : pl.DataFrame
        Rows of `code_exposures`.
    vans : pl.DataFrame
        Rows of `int_code_exposures`, with `is_with`.
    settings : Settings
        Tiers.

    Notes
    -----
    Tests that no outcome could make significant at `finding_q` are not made, so that they do not water down the
    others (Tarone 1990, Biometrics 46:515-522).
    """
    rows = _associations(tables)
    for row in rows:
        least = row["least_p"]
        row["is_tested"] = bool(np.isfinite(least) and least <= settings.tiers.finding_q and _leads(row))
    q = benjamini_hochberg(np.array([r["p"] if r["is_tested"] else np.nan for r in rows], dtype=np.float64))
    for row, value in zip(rows, q, strict=True):
        found: Association = row.pop("found")
        row |= {
            "odds_ratio": _finite(found.odds_ratio),
            "odds_low": _finite(found.low),
            "odds_high": _finite(found.high),
            "p": _finite(found.p),
            "q": _finite(float(value)),
            "method": found.method,
            "n_vans": found.n,
            "n_strata": found.n_strata,
        }
    _name_rivals(rows, vans, settings)
    for row in rows:
        row["tier"] = _tier(row, settings)
    return rows


def write_associations(engine: Engine, settings: Settings) -> None:
    """Write `computed.code_associations`, one row per attribute, level, module and code."""
    rows = judge_associations(as_frame(engine.arrow(_TABLES)), as_frame(engine.arrow(_VANS)), settings)
    engine.write(ASSOCIATIONS, table(rows, _SCHEMA))
