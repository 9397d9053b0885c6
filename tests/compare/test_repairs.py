"""Verdicts on work: what is off before and after, and what a healthy van never is."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipeline.compare.repair_verdicts import REASONS, VERDICTS, Evidence, judge
from pipeline.compare.repairs import Against, Members, set_against, window_means


def against(difference: list[float], p: list[float]) -> Against:
    """Only what a verdict is made from."""
    d, found = np.array(difference), np.array(p)
    zero = np.zeros(len(d))
    return Against(zero, d, d, d, d, zero, found, zero, zero, zero, zero, zero.astype(np.int64), zero)


def verdict_of(
    before: tuple[float, float],
    after: tuple[float, float],
    effect: tuple[float, float],
    late: tuple[float, float] = (0.0, 1.0),
    n: tuple[int, int] = (6, 6),
    beyond: float | None = None,
    cut: bool = False,
    least: float = 0.0,
) -> tuple[str, str]:
    """The verdict on one case of differences and p-values."""
    seen = Evidence(
        before=against([before[0]], [before[1]]),
        after=against([after[0]], [after[1]]),
        late=against([late[0]], [late[1]]),
        effect=against([effect[0]], [effect[1]]),
        beyond_p=np.array([effect[1] if beyond is None else beyond]),
        n_before=np.array([n[0]]),
        n_after=np.array([n[1]]),
        is_cut_short=np.array([cut]),
        smallest_useful=np.array([least]),
    )
    found = judge(seen, 2)
    return VERDICTS[found.verdict[0]], REASONS[found.reason[0]]


OFF, LEVEL = 0.001, 0.6


@pytest.mark.parametrize(
    ("case", "expected"),
    [
        ({"before": (5, OFF), "after": (0.2, LEVEL), "effect": (-4.8, OFF)}, ("held", "level_again")),
        ({"before": (-5, OFF), "after": (0.2, LEVEL), "effect": (5.2, OFF)}, ("held", "level_again")),
        ({"before": (5, OFF), "after": (4.6, OFF), "effect": (-0.4, LEVEL)}, ("not_held", "still_off")),
        ({"before": (5, OFF), "after": (2.6, OFF), "effect": (-2.4, OFF)}, ("not_held", "still_off")),
        (
            {"before": (5, OFF), "after": (1.2, LEVEL), "effect": (-3.8, OFF), "late": (4.0, OFF)},
            ("not_held", "off_again"),
        ),
        ({"before": (0.1, LEVEL), "after": (5, OFF), "effect": (4.9, OFF)}, ("not_held", "off_since")),
        ({"before": (5, OFF), "after": (2, LEVEL), "effect": (-3, LEVEL)}, ("no_effect", "undecided")),
        # as far as chance before the work would bring it back
        (
            {"before": (5, OFF), "after": (1, LEVEL), "effect": (-4, OFF), "beyond": LEVEL},
            ("no_effect", "undecided"),
        ),
        ({"before": (1, LEVEL), "after": (-2, LEVEL), "effect": (-3, OFF)}, ("no_effect", "moved_inside")),
        ({"before": (1, LEVEL), "after": (1, LEVEL), "effect": (0, LEVEL)}, ("no_effect", "was_not_off")),
        # too small to matter in a workshop
        (
            {"before": (5, OFF), "after": (0.2, LEVEL), "effect": (-4.8, OFF), "least": 6},
            ("no_effect", "was_not_off"),
        ),
        ({"before": (5, OFF), "after": (5, OFF), "effect": (0, LEVEL), "n": (6, 1)}, ("too_early", "few_after")),
        (
            {"before": (5, OFF), "after": (5, OFF), "effect": (0, LEVEL), "n": (6, 1), "cut": True},
            ("not_judged", "cut_short"),
        ),
        ({"before": (5, OFF), "after": (5, OFF), "effect": (0, LEVEL), "n": (1, 6)}, ("not_judged", "few_before")),
        (
            {"before": (np.nan, np.nan), "after": (5, OFF), "effect": (0, np.nan)},
            ("not_judged", "few_siblings"),
        ),
    ],
)  # fmt: skip
def test_verdict(case: dict[str, Any], expected: tuple[str, str]) -> None:
    assert verdict_of(**case) == expected


def still_off(cells: int) -> Evidence:
    """One van 2 sd off before and after in its first cell, and cells in which nothing is."""

    def first(difference: float, p: float) -> Against:
        return against([difference] + [0.1] * (cells - 1), [p] + [0.9] * (cells - 1))

    six = np.full(cells, 6)
    return Evidence(
        before=first(3.0, 0.03),
        after=first(3.0, 0.03),
        late=first(0.1, 0.9),
        effect=first(0.1, 0.9),
        beyond_p=np.full(cells, 0.9),
        n_before=six,
        n_after=six,
        is_cut_short=np.zeros(cells, np.bool_),
        smallest_useful=np.zeros(cells),
    )


def test_one_case_among_many_needs_more_to_speak_against_the_work() -> None:
    """A van 2 sd off before and after is told where it alone is asked about, not as the worst of forty cells."""
    assert VERDICTS[judge(still_off(40), 2).verdict[0]] == "no_effect"
    assert VERDICTS[judge(still_off(1), 2).verdict[0]] == "not_held"


def test_window_means_are_those_of_a_loop() -> None:
    rng = np.random.default_rng(3)
    series, at = rng.integers(0, 6, 300), rng.integers(0, 100, 300)
    value = rng.normal(1e6, 1.0, 300)
    wanted, start, end = rng.integers(0, 7, 80), rng.integers(-5, 60, 80), rng.integers(40, 140, 80)
    n, mean = window_means(series, at, value, wanted, start, end)
    for i in range(80):
        mine = value[(series == wanted[i]) & (at >= start[i]) & (at < end[i])]
        assert n[i] == len(mine)
        assert mean[i] == pytest.approx(mine.mean(), rel=1e-12) if len(mine) else np.isnan(mean[i])


def simulate(seed: int, cases: int, siblings: int, lenders: int, shift: float = 0.0) -> Against:
    """Healthy changes, the van's own moved by `shift`."""
    rng = np.random.default_rng(seed)
    spread = np.sqrt(0.3**2 + 0.7**2 * 0.25)
    size = [siblings] + [siblings + 1] * lenders
    case = np.concatenate([np.repeat(np.arange(cases), n) for n in size])
    group = np.concatenate([np.full(cases * n, g) for g, n in enumerate(size)])
    members = Members(case, group, rng.normal(0, spread, len(case)), np.full(len(case), 0.25))
    return set_against(
        rng.normal(shift, spread, cases), np.full(cases, 0.25), members, np.full(cases, 0.49), np.full(cases, 0.01),
        np.zeros(cases, np.bool_),
    )  # fmt: skip


@pytest.mark.parametrize(("siblings", "lenders"), [(3, 4), (7, 4), (7, 0), (15, 4)])
def test_type_one_error_is_near_its_level(siblings: int, lenders: int) -> None:
    """3 to 7 % at 5 %, three standard errors of 4,000 draws allowed."""
    share = float(np.mean(simulate(1, 4000, siblings, lenders).p <= 0.05))
    assert 0.03 - 0.01 <= share <= 0.07 + 0.01


def test_one_odd_sibling_does_not_hide_a_move() -> None:
    """A sibling that broke the same week is left out; with it the move would drown."""
    changes = np.array([0.1, -0.2, 0.15, -0.05, 0.2, -0.1, 0.05, 9.0])
    ones = np.ones(8)
    members = Members(ones.astype(np.int64) * 0, ones.astype(np.int64) * 0, changes, ones * 0.25)
    one, none = np.ones(1), np.zeros(1)
    found = set_against(np.array([-3.0]), one * 0.25, members, one * 0.04, none, none.astype(np.bool_))
    assert (found.n_siblings[0], found.n_clean[0]) == (8, 7)
    assert found.p[0] < 0.001
    assert found.expected[0] == pytest.approx(np.mean(changes[:-1]))
    kept = set_against(
        np.array([-3.0]), one * 0.25, members, one * 0.04, none, none.astype(np.bool_), suspect_p=1e-12
    )
    assert kept.p[0] > 0.05


def test_too_few_siblings_are_not_compared() -> None:
    members = Members(np.zeros(2, np.int64), np.zeros(2, np.int64), np.array([1.0, 2.0]), np.ones(2))
    found = set_against(np.array([5.0]), np.ones(1), members, np.ones(1), np.zeros(1), np.zeros(1, np.bool_))
    assert np.isnan(found.p[0])
    assert found.n_siblings[0] == 2
