"""Error rates of the verdicts on work, on simulated vans: sham repairs, and faults repaired in full, half or not at all.

Vans of a cohort differ with sd 1 (sigma), one scan of a van scatters with sd 0.7, and healthy vans drift apart with sd
0.3 between before and after. Each piece of work touches twenty readings, one of which may be at fault; four other
cohorts lend their variance. Run: `uv run python -m tests.benchmarks.repairs`; `--write` renews the tables of docs/repairs.md.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from pipeline.compare.intervals import wilson
from pipeline.compare.repair_verdicts import VERDICTS, Evidence, judge
from pipeline.compare.repairs import Against, Members, expected_return, set_against

Floats = NDArray[np.float64]
SCAN_SD, DRIFT_SD = 0.7, 0.3
READINGS, LENDERS = 20, 4
CANDIDATES = 30  # vans among which the one with the highest last scan is chosen
SEED = 20261127
JOBS = 300  # pieces of work a figure
TOLD = ("held", "not_held", "no_effect")
PAGE = Path(__file__).parents[2] / "docs" / "repairs.md"


@dataclass(frozen=True)
class Setting:
    """One simulated situation: siblings, scans after, size of the fault (sigma) and the part the work took away."""

    siblings: int
    after: int
    fault: float = 0.0
    repaired: float = 0.0
    is_chosen: bool = False
    before: int = 8


@dataclass(frozen=True)
class Means:
    """Means of vans before, after and in the newest half of the scans after."""

    before: Floats
    after: Floats
    late: Floats


def draw_vans(rng: np.random.Generator, setting: Setting, count: int, *, is_chosen: bool = False) -> Means:
    """Draw healthy vans; chosen ones had the highest last scan before among CANDIDATES."""
    pool = CANDIDATES if is_chosen else 1
    true = rng.normal(0, 1, (count, pool))
    last = true + rng.normal(0, SCAN_SD, (count, pool))
    best = last.argmax(axis=1)
    rows = np.arange(count)
    true, last = true[rows, best], last[rows, best]
    rest = true + rng.normal(0, SCAN_SD / np.sqrt(setting.before - 1), count)
    moved = true + rng.normal(0, DRIFT_SD, count)
    late_scans = max(setting.after // 2, 1)
    early_scans = setting.after - late_scans
    late = moved + rng.normal(0, SCAN_SD / np.sqrt(late_scans), count)
    early = moved + rng.normal(0, SCAN_SD / np.sqrt(early_scans), count)
    after = (late * late_scans + early * early_scans) / setting.after
    return Means((rest * (setting.before - 1) + last) / setting.before, after, late)


def make_evidence(setting: Setting, jobs: int, seed: int) -> Evidence:
    """Return the evidence on `jobs` pieces of work with READINGS cases each; the first of each carries the fault."""
    rng = np.random.default_rng(seed)
    cases = jobs * READINGS
    own = draw_vans(rng, setting, cases, is_chosen=setting.is_chosen)
    is_faulty = np.arange(cases) % READINGS == 0
    left = setting.fault * (1 - setting.repaired)
    own = Means(
        own.before + setting.fault * is_faulty, own.after + left * is_faulty, own.late + left * is_faulty
    )
    sizes = [setting.siblings] + [setting.siblings + 1] * LENDERS
    case = np.concatenate([np.repeat(np.arange(cases), n) for n in sizes])
    group = np.concatenate([np.full(cases * n, g) for g, n in enumerate(sizes)])
    others = draw_vans(rng, setting, len(case))
    w2 = np.full(cases, SCAN_SD**2)

    def against(value: Floats, members: Floats, weight: float) -> Against:
        return set_against(
            value,
            np.full(cases, weight),
            Members(case, group, members, np.full(len(case), weight)),
            w2,
            np.full(cases, 0.01),
            np.zeros(cases, np.bool_),
        )

    was = against(own.before, others.before, 1 / setting.before)
    effect = against(
        own.after - own.before, others.after - others.before, 1 / setting.before + 1 / setting.after
    )
    back = expected_return(was.difference, was.between, w2, np.full(cases, float(setting.before)))
    late = against(own.late, others.late, 1 / max(setting.after // 2, 1))
    if setting.after < 4:
        late = dataclasses.replace(late, p=np.full(cases, np.nan))
    return Evidence(
        before=was,
        after=against(own.after, others.after, 1 / setting.after),
        late=late,
        effect=effect,
        beyond_p=2 * stats.t.sf(np.abs(effect.difference - back) / effect.spread, effect.df),
        n_before=np.full(cases, setting.before),
        n_after=np.full(cases, setting.after),
        is_cut_short=np.zeros(cases, np.bool_),
        smallest_useful=np.zeros(cases),
    )


def part_of(seen: Evidence, rows: slice) -> Evidence:
    """Return the evidence on some cases."""

    def cut(values: object) -> object:
        if isinstance(values, Against):
            return Against(**{f.name: getattr(values, f.name)[rows] for f in dataclasses.fields(Against)})
        return values[rows]  # type: ignore[index]

    return Evidence(**{f.name: cut(getattr(seen, f.name)) for f in dataclasses.fields(Evidence)})  # type: ignore[arg-type]


def share(hits: int, n: int) -> str:
    """Return a share in per cent with its interval."""
    low, high = wilson(hits, n)
    return f"{100 * hits / n:.1f} % ({100 * float(low):.1f} to {100 * float(high):.1f})"


def measure_type_one(setting: Setting, jobs: int = JOBS) -> tuple[int, int, int]:
    """Return sham repairs whose change is significant at 5 %, the same beyond regression to the mean, and all."""
    seen = make_evidence(setting, jobs, SEED + setting.siblings)
    return int(np.sum(seen.effect.p <= 0.05)), int(np.sum(seen.beyond_p <= 0.05)), len(seen.beyond_p)


def measure_verdicts(setting: Setting, jobs: int = JOBS) -> dict[str, int]:
    """Return how often each verdict falls on the reading at fault, its piece of work judged by itself."""
    seen = make_evidence(setting, jobs, SEED)
    found = dict.fromkeys(VERDICTS, 0)
    for job in range(jobs):
        judged = judge(part_of(seen, slice(job * READINGS, (job + 1) * READINGS)), 2)
        found[VERDICTS[judged.verdict[0]]] += 1
    return found


def write_type_one() -> Iterator[str]:
    """Yield the table of sham repairs that are significant at 5 %, as Markdown."""
    counts = (3, 5, 7, 15)
    yield "| sham repairs significant at 5 % | 3 siblings | " + " | ".join(map(str, counts[1:])) + " |"
    yield "|---" * (len(counts) + 1) + "|"
    for before, is_chosen in ((8, False), (8, True), (2, True)):
        found = [measure_type_one(Setting(n, 8, is_chosen=is_chosen, before=before)) for n in counts]
        how = f"chosen for the highest last scan of {CANDIDATES}" if is_chosen else "any van"
        for name, place in (
            (f"{how}, {before} scans before", 0),
            ("the same, beyond regression to the mean", 1),
        ):
            yield f"| {name} | " + " | ".join(share(one[place], one[2]) for one in found) + " |"


def write_verdicts() -> Iterator[str]:
    """Yield the table of verdicts on the reading at fault, as Markdown."""
    after = (2, 4, 8)
    yield "| fault, part taken away | 2 scans after | " + " | ".join(map(str, after[1:])) + " |"
    yield "|---" * (len(after) + 1) + "|"
    for fault in (0.0, 4.0, 6.0):
        for repaired in (0.0, 0.5, 1.0) if fault else (0.0,):
            found = [measure_verdicts(Setting(7, n, fault, repaired)) for n in after]
            said = [" / ".join(f"{100 * one[v] / JOBS:.0f}" for v in TOLD) for one in found]
            name = f"{fault:g} sigma, {100 * repaired:.0f} %" if fault else "none"
            yield f"| {name} | " + " | ".join(said) + " |"


def main() -> None:
    """Print both tables, or renew them in docs/repairs.md."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true", help="renew the tables of docs/repairs.md")
    asked = parser.parse_args()
    tables = {"sham": "\n".join(write_type_one()), "verdicts": "\n".join(write_verdicts())}
    sys.stdout.write("\n\n".join(tables.values()) + "\n")
    if asked.write:
        text = PAGE.read_text("utf-8")
        for name, table in tables.items():
            begin, end = f"<!-- {name}: made by tests/benchmarks/repairs.py -->", f"<!-- end of {name} -->"
            text = f"{text[: text.index(begin)]}{begin}\n{table}\n{text[text.index(end) :]}"
        PAGE.write_text(text, "utf-8")


if __name__ == "__main__":
    main()
