"""Codes and exposures over a whole fleet: which tests are made, mirrored levels, and exposures that go together."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.build.code_associations import judge_associations
from pipeline.settings import Settings

SETTINGS = Settings()
CELLS = ["n_exposed_with", "n_exposed_without", "n_other_with", "n_other_without"]


def _tables(vans: pl.DataFrame) -> pl.DataFrame:
    """The fourfold tables of vans, counted the slow way: one row per stratum and level."""
    rows = []
    for key, group in vans.group_by("stratum", "attribute", "module", "code", maintain_order=True):
        levels = vans.filter(pl.col("attribute") == key[1])["level"].unique()
        for level in sorted(group["level"].unique()):
            exposed, other = group.filter(pl.col("level") == level), group.filter(pl.col("level") != level)
            if other.height:
                a, c = int(exposed["is_with"].sum()), int(other["is_with"].sum())
                rows.append((*key, level, level, len(levels), a, exposed.height - a, c, other.height - c))
    columns = ["stratum", "attribute", "module", "code", "level", "level_name", "n_levels", *CELLS]
    return pl.DataFrame(rows, schema=columns, orient="row")


def _fleet(
    seed: int, chances: tuple[float, float], n_cohorts: int = 6, guard_like_parking: float = 0.5
) -> pl.DataFrame:
    """Vans of cohorts of ten, parked open or shaded, with a guard or not, that show a code or not."""
    rng = np.random.default_rng(seed)
    rows = []
    for van in range(10 * n_cohorts):
        cohort, is_open = f"c{van // 10}", bool(van % 2)
        is_with = bool(rng.random() < chances[is_open])
        guard = is_open if rng.random() < guard_like_parking * 2 - 1 else bool(rng.integers(2))
        for attribute, level in (
            ("parking", "open" if is_open else "shaded"),
            ("guard", "yes" if guard else "no"),
        ):
            rows.append((cohort, attribute, level, "body", "51207", f"{van:03d}", is_with))
    columns = ["stratum", "attribute", "level", "module", "code", "van", "is_with"]
    return pl.DataFrame(rows, schema=columns, orient="row")


def _judge(vans: pl.DataFrame) -> dict[tuple[str, str], dict[str, object]]:
    return {(r["attribute"], r["level"]): r for r in judge_associations(_tables(vans), vans, SETTINGS)}


def test_an_exposure_is_found_on_the_side_that_has_more() -> None:
    found = _judge(_fleet(1, (0.1, 0.7)))
    assert found["parking", "open"]["tier"] == "finding"
    assert not found["parking", "shaded"]["is_tested"]  # the same table turned round
    assert found["guard", "yes"]["tier"] == found["guard", "no"]["tier"] == "none"


def test_an_exposure_that_only_goes_with_the_true_one_is_not_told() -> None:
    """Guards sit nearly where the open places are: alone they look guilty, among vans parked alike they do not."""
    held = 0
    for seed in range(20):
        found = _judge(_fleet(seed, (0.05, 0.8), guard_like_parking=0.9))
        guard = found["guard", "yes"]
        assert found["parking", "open"]["tier"] in ("finding", "likely")
        if guard["p"] is not None and guard["rival_attribute"] == "parking":
            assert guard["p"] <= SETTINGS.tiers.finding_q  # type: ignore[operator]
            held += guard["tier"] == "none"
    assert held >= 15


def test_a_healthy_fleet_is_seldom_accused() -> None:
    """100 fleets in which nothing matters: at q <= 0.05 at most one in twenty is accused, give or take."""
    accused = sum(
        any(r["tier"] == "finding" for r in _judge(_fleet(100 + seed, (0.3, 0.3), n_cohorts=4)).values())
        for seed in range(100)
    )
    assert accused <= 10


def test_tests_that_could_show_nothing_are_not_made() -> None:
    vans = pl.DataFrame(
        {"stratum": ["c"] * 4, "attribute": ["parking"] * 4, "level": ["open", "open", "shaded", "shaded"],
         "module": ["body"] * 4, "code": ["1"] * 4, "van": list("abcd"), "is_with": [True, True, False, False]}
    )  # fmt: skip
    (row,) = [r for r in judge_associations(_tables(vans), vans, SETTINGS) if r["level"] == "open"]
    assert row["p"] == pytest.approx(1 / 3)  # 2 of the 6 ways to place two marks on four vans
    assert not row["is_tested"]
    assert (row["q"], row["tier"]) == (None, "none")
    assert row["odds_ratio"] is None  # without an end


def test_nothing_to_compare_gives_no_rows() -> None:
    empty = _fleet(1, (0.1, 0.7)).head(0)
    assert judge_associations(_tables(_fleet(1, (0.1, 0.7))).head(0), empty, SETTINGS) == []
