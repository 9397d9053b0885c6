"""Writes docs/findings_benchmark.md and its picture from the results of the findings benchmark."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import altair as alt
import polars as pl

from tests.benchmarks.findings import Counts, Setting, is_kept
from tests.benchmarks.rivals import WAYS

_DOCS = Path(__file__).parents[2] / "docs"
_PICTURE = "pictures/findings_benchmark.svg"
_COMMAND = "uv run --group benchmark python -m tests.benchmarks.findings --write"
_OURS = next(iter(WAYS))
Results = list[tuple[Setting, dict[str, Counts]]]

_INTRO = """# How far the findings can be trusted

Made by `{command}` from {fleets} seeded fleets a setting; do not edit by hand.

## In short
{short}

## How it was measured
Every fleet has about 80 vans and 18 readings (about 1,450 comparisons), written as single rows: vans with levels of
their own, scans that scatter about them (variance 0.5, that between vans being 1), eight rows a scan (variance 0.3).
A fault moves one van's reading by so many standard deviations of healthy vans ("6 sigma"). Five ways of naming vans
see the same rows:

- **{ours}**: what `kinbay findings` calls a finding: scan medians, van means, each van against its unmarked
  siblings, calibrated, false discovery rate 5 %.
- **Fixed limits**: one limit for the whole trade, its mean +- 3 standard deviations, known exactly.
- **Pooled-row z**: every row counted as evidence of its own, a van's mean among its cohort's rows, bar 3.
- **Modified z 3.5**: 0.6745 x deviation / median absolute deviation of van means (Iglewicz and Hoaglin 1993).
- **Isolation forest**: scikit-learn's, as it comes, on van means less the cohort's median.

![Recall against false names, five ways]({picture})

## How to read the tables
- *Recall*: of the faults that were planted, the share that was named.
- *False a fleet*: healthy readings named by mistake, per fleet.
- *FDR*: of what was named, the mean share that was healthy. *Robust FDR*: the same of findings with the stricter mark.
- *Top ten*: of the ten names with the best evidence, the share that was right.
- In brackets 95 % intervals of the simulation itself (Wilson, exact Poisson; +- is 1.96 standard errors).

A way that names a thousand healthy readings finds every fault and helps nobody: only ways with few false names can be
compared by recall. Where vans scatter with heavy tails, a healthy van far out is still a van that differs from its
siblings, which is all a finding says; the mark *robust* is the stricter claim.
"""


def _span(values: Iterable[float], digits: int = 2) -> str:
    """The least and the most of some figures."""
    known = list(values)
    return f"{min(known):,.{digits}f} to {max(known):,.{digits}f}"


def _in_short(results: Results) -> list[str]:
    """What the tables come to, for those who read nothing else."""
    healthy = [(s, f) for s, f in results if not s.kind.faults and "heavy" not in s.name]
    heavy = [f[_OURS].false_rate[0] for s, f in results if not s.kind.faults and "heavy" in s.name]
    by_size = {
        sigma: [
            f[_OURS].recall[0]
            for s, f in results
            if s.name.endswith(f"siblings, {sigma} sigma") and "two" not in s.name
        ]
        for sigma in (4, 6, 8)
    }
    kept = [k for k in (is_kept(s.promise, f[_OURS]) for s, f in results) if k is not None]
    others = [
        f"{way.lower()} {_span((f[way].false_rate[0] for _, f in healthy), 0)}"
        for way in WAYS
        if way != _OURS
    ]
    return [
        f"- **False alarms.** In a healthy fleet of 80 vans {_span(f[_OURS].false_rate[0] for _, f in healthy)} healthy"
        f" readings are called a finding; {heavy[0]:.1f} where healthy vans scatter with heavy tails.",
        *(
            f"- **Faults of {sigma} sigma.** {_span((100 * r for r in found), 0)} of 100 are called a finding,"
            " fewest with 4 siblings and most with 16."
            for sigma, found in by_size.items()
        ),
        f"- **Other ways**, healthy readings named in the same healthy fleets: {'; '.join(others)}.",
        f"- **Promises.** {sum(kept)} of {len(kept)} are kept; the table says which is not.",
    ]


def _share(value: tuple[float, float, float]) -> str:
    return "–" if value[0] != value[0] else f"{value[0]:.2f} [{value[1]:.2f}, {value[2]:.2f}]"


def _with_error(value: tuple[float, float]) -> str:
    return f"{value[0]:.3f} +- {value[1]:.3f}"


def _promises(results: Results) -> list[str]:
    """The score against what it promises, setting by setting."""
    lines = [
        "## What is promised and what was measured",
        "| setting | recall | false a fleet | FDR | robust FDR | top ten | promised | kept |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for setting, found in results:
        own = found[_OURS]
        is_planted = setting.kind.faults > 0
        kept = is_kept(setting.promise, own)
        cells = [
            setting.name,
            _share(own.recall),
            _share(own.false_rate),
            _with_error(own.discovery_rate) if is_planted else "–",
            _with_error(own.robust_discovery_rate) if is_planted else "–",
            f"{own.precision[0]:.2f}" if setting.kind.faults >= 10 else "–",
            setting.promise or "–",
            "–" if kept is None else "yes" if kept else "no",
        ]
        lines.append(f"| {' | '.join(cells)} |")
    return lines


def _rivals(results: Results) -> list[str]:
    """All ways side by side."""
    lines = [
        "## Beside the other ways",
        f"| setting | | {' | '.join(WAYS)} |",
        f"|---|---|{'---|' * len(WAYS)}",
    ]
    for setting, found in results:
        false = [f"{found[way].false_rate[0]:.2f}" for way in WAYS]
        lines.append(f"| {setting.name} | false a fleet | {' | '.join(false)} |")
        if setting.kind.faults:
            recall = [f"{found[way].recall[0]:.2f}" for way in WAYS]
            rate = [f"{found[way].discovery_rate[0]:.2f}" for way in WAYS]
            lines += [f"| | recall | {' | '.join(recall)} |", f"| | FDR | {' | '.join(rate)} |"]
    return lines


def _draw(results: Results) -> None:
    """One mark per way and setting: faults found over names that are wrong."""
    rows = [
        {
            "way": way,
            "recall": counts.recall[0],
            "false": max(counts.false_rate[0], 0.01),
            "setting": setting.name,
        }
        for setting, found in results
        if setting.kind.faults and setting.kind.faults < 10
        for way, counts in found.items()
    ]
    chart = (
        alt.Chart(pl.DataFrame(rows))
        .mark_point(size=70, filled=True, opacity=0.8)
        .encode(
            x=alt.X(
                "false:Q",
                scale=alt.Scale(type="log"),
                title="False names a fleet (log scale; 0.01 stands for none)",
            ),
            y=alt.Y("recall:Q", title="Share of planted faults named", scale=alt.Scale(domain=(0, 1))),
            shape=alt.Shape("way:N", sort=list(WAYS), title=None),
            color=alt.Color(
                "way:N",
                sort=list(WAYS),
                title=None,
                scale=alt.Scale(range=["#0A4C8B", "#8A3A00", "#5B6770", "#6B2C91", "#007A6E"]),
            ),
        )
        .properties(width=560, height=320, title="Up and to the left is better; each mark is one setting")
    )
    chart.save(str(_DOCS / _PICTURE))


def write_page(results: Results, fleets: int) -> None:
    """Write the page and its picture.

    Parameters
    ----------
    results : list of (Setting, dict of str to Counts)
        Every setting with the counts of every way.
    fleets : int
        Fleets a setting.
    """
    intro = _INTRO.format(
        command=_COMMAND, fleets=fleets, ours=_OURS, picture=_PICTURE, short="\n".join(_in_short(results))
    )
    parts = [intro.rstrip(), "", *_promises(results), "", *_rivals(results), "", *_READING]
    (_DOCS / "findings_benchmark.md").write_text("\n".join(parts) + "\n", encoding="utf-8")
    _draw(results)


_READING = [
    "## What was tried to do better",
    "Kept, because it won at the same false discovery rate: the states of a reading as one matter instead of a comparison"
    " each ([0005](decisions/0005-matters-are-paid-for-not-comparisons.md): with 16 siblings and faults of 6 sd in three"
    " states .99 found either way, false ones .052 instead of .103); null tables by group size with a tail of their own"
    " instead of one for all sizes ([0003](decisions/0003-null-tables.md)). Left, because they cost more than they"
    " brought: combining states without a second step (names quiet states); asking the second step of the clearest state"
    " too (a tenth of the faults lost in small groups). For slow drifts a slope with borrowed variance in place of a rank"
    " test finds 51 instead of 8 of 100 ramps of 4 sd ([0006](decisions/0006-slopes-with-borrowed-variance.md)).",
    "",
    "Tried and left: weighting comparisons by how many siblings they have, so that those which can be told get more of the"
    " false discovery rate (`uv run python -m tests.benchmarks.weighted`: cohorts of 4 to 24 vans, 60 fleets to choose by"
    " and 60 held back). Weights in proportion to the root of the siblings, the best to choose by at 6 sd, find .82 (.77"
    " to .85) of the faults held back instead of .84 (.80 to .88) at the same rate; steeper weights find fewer (.80, .74,"
    " .58): small cohorts lose more than large ones gain. Where all vans have 16 siblings there is nothing to weight by,"
    " and recall at 6 sd stays at .90, its target, within what 100 fleets can tell.",
    "",
    "Change, drift, repairs, exposures and readers are measured by benchmarks of their own in `tests/benchmarks`;"
    " `healthy_fleets.py` tries more kinds of healthy fleet, `whole_chain.py` runs files through loading and building.",
]
