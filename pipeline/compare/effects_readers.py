"""Which readers can be compared at all, and whether one reads differently (third part of `effects`)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array, csr_array

from pipeline.compare.distributions import t_tail
from pipeline.compare.effects_design import BoolArray, FloatArray, IntArray, Observations
from pipeline.compare.effects_fit import AdditiveFit, AdditiveModel
from pipeline.compare.effects_turns import fit_shared, months_used, pairs_within, plain_variance
from pipeline.compare.linked import connected_parts
from pipeline.compare.segments import starts_of


@dataclass(frozen=True)
class ReaderLinks:
    """One row per pattern x reader: how it is tied to the other readers of that pattern.

    `reference` is the reader its effect is counted from (the one of its component with most vans);
    `is_main` where that component holds the pattern's reader with most vans; `n_shared` the vans also
    read by another reader of its component; `slot` its number among the pattern's readers whose effect
    can be estimated, -1 for none.
    """

    pattern: IntArray
    reader: IntArray
    reference: IntArray
    is_main: BoolArray
    n_vans: IntArray
    n_shared: IntArray
    slot: IntArray

    def spread(self, figures: FloatArray, rows: Observations) -> FloatArray:
        """Return, for each observation, its reader's entry of `figures` (..., links)."""
        n_readers = int(self.reader.max(initial=0)) + 1
        table = np.zeros((*figures.shape[:-1], (int(self.pattern.max(initial=0)) + 1) * n_readers))
        table[..., self.pattern * n_readers + self.reader] = figures
        return table.take(rows.pattern * n_readers + rows.reader, axis=-1)

    def slot_of(self, rows: Observations) -> IntArray:
        """Return the slot of each observation's reader, -1 for none."""
        return self.spread(self.slot.astype(float), rows).astype(np.int64)


def link_readers(rows: Observations, min_vans: int, link_vans: int) -> ReaderLinks:
    """Find which readers share vans.

    Parameters
    ----------
    rows : Observations
    min_vans : int
        Least number of shared vans from which a reader's effect is estimated.
    link_vans : int
        Least number of vans two readers must share to belong to one component.
    """
    n_readers = int(rows.reader.max(initial=0)) + 1
    pair = rows.pattern * n_readers + rows.reader
    known, number = np.unique(pair, return_inverse=True)
    n_cells = len(rows.cell_start)
    seen = csr_array(
        (np.ones(len(rows)), (number, rows.cell)), shape=(len(known), n_cells)
    )  # repeats of a cell are summed
    seen.data[:] = 1.0
    shared = coo_array(seen @ seen.T)
    n_vans = np.bincount(shared.row[shared.row == shared.col], shared.data[shared.row == shared.col])
    strong = shared.data >= link_vans
    part = connected_parts(shared.row[strong], shared.col[strong], len(known))
    in_part = csr_array(
        (np.ones(len(known)), (part, np.arange(len(known)))),
        shape=(int(part.max(initial=-1)) + 1, len(known)),
    )
    per_cell = in_part @ seen  # readers of each component that read each cell
    both = seen.multiply(per_cell[part] > 1) if len(known) else seen
    n_shared = np.asarray(both.sum(axis=1)).ravel().astype(np.int64)
    pattern, reader = known // n_readers, known % n_readers
    order = np.lexsort((reader, -n_vans, part))
    reference = np.zeros(len(known), np.int64)
    head = order[np.flatnonzero(np.diff(part[order], prepend=-1))]
    reference[:] = head[part] if len(known) else reference
    top = np.lexsort((reader, -n_vans, pattern))
    leader = top[np.flatnonzero(np.diff(pattern[top], prepend=-1))]
    is_main = np.isin(part, part[leader])
    wanted = (n_shared >= min_vans) & (reference != np.arange(len(known)))
    slot = np.full(len(known), -1, np.int64)
    running = np.cumsum(wanted)
    first = np.searchsorted(pattern, pattern, side="left")
    slot[wanted] = (running - 1 - np.append(0, running)[first])[wanted]
    return ReaderLinks(pattern, reader, reader[reference], is_main, n_vans.astype(np.int64), n_shared, slot)


@dataclass(frozen=True)
class ReaderTests:
    """Estimates per layer and link (layers, links); nan where not estimated."""

    estimate: FloatArray
    standard_error: FloatArray
    df: FloatArray
    p: FloatArray


def compare_readers(model: AdditiveModel, fit: AdditiveFit, links: ReaderLinks) -> ReaderTests:
    """Test each reader against its reference with the van as the unit (see `spread_by_van`).

    What the scans of one reader in one month have in common is added (`fit_shared`; docs/decisions/0014), with the
    degrees of freedom of the sum (Satterthwaite 1946, Biometrics Bulletin 2:110-114).
    With two readers, equally many scans by each and no months this is the paired t-test on the vans'
    differences. There is no test where readers differ by rounding alone.
    """
    rows, n_months = model.rows, int(model.rows.month.max(initial=-1)) + 1
    estimate, error, df = (np.full((len(fit.reader), len(links.pattern)), np.nan) for _ in range(3))
    error_like = fit.pseudo * fit.inflation.take(rows.block, axis=-1)
    shared = fit_shared(model, n_months, error_like, plain_variance(rows, error_like))
    for k in range(len(model.contrast)):
        inverse = model.gram_inverse[:, :, k]
        swept = np.einsum("kn,nk->n", model.contrast, inverse[rows.pattern])
        spread = spread_by_van(rows, swept, error_like)
        mine = links.slot == k
        p = links.pattern[mine]
        usable = spread.plain[p] > 0
        common = shared[:, p] * pairs_within(rows, n_months, swept)[p]
        variance = spread.variance[:, p] + common
        turns = np.maximum(months_used(rows, n_months, swept)[p] - 1, 1)
        of_both = spread.variance[:, p] ** 2 / spread.df[p] + common**2 / turns
        estimate[:, mine] = np.where(usable, fit.reader[:, p, k], np.nan)
        error[:, mine] = np.where(usable, np.sqrt(variance), np.nan)
        df[:, mine] = np.where(usable, variance**2 / np.maximum(of_both, 1e-300), np.nan)
    nothing = fit.rounding[:, links.pattern]
    is_same = (np.abs(estimate) <= nothing) & (error <= nothing)
    estimate[is_same] = error[is_same] = 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        p_value = 2 * t_tail(np.abs(estimate / error), df)
    return ReaderTests(estimate, error, df, p_value)


@dataclass(frozen=True)
class SpreadByVan:
    """How sure an estimate is where the van is the unit: `variance` (layers, patterns), its `df` (patterns,).

    `plain` (patterns,) is the variance that it would have if all errors were independent and of variance 1.
    """

    plain: FloatArray
    variance: FloatArray
    df: FloatArray


def spread_by_van(rows: Observations, swept: FloatArray, error: FloatArray) -> SpreadByVan:
    """Return how sure the estimates sum of `swept` x value are; `swept` (n,), `error` (layers, n).

    Notes
    -----
    With u the estimate's weights, vans, months and other readers swept out, and H = sum u^2, van v adds
    g_v = sum u e to its error and carries the share l_v = sum_v u^2 / H. The variance is
    sum_v g_v^2 / (1 - l_v) (bias-reduced cluster variance) and its degrees of freedom are those of that
    quadratic form (Bell and McCaffrey 2002, Survey Methodology 28:169; Imbens and Kolesar 2016, Review of
    Economics and Statistics 98:701). Scans of one van may therefore be correlated in time.
    """
    cell_pattern = rows.pattern[rows.cell_start]
    weight = np.add.reduceat(swept**2, rows.cell_start)
    score = np.add.reduceat(swept * error, rows.cell_start, axis=-1)
    total = np.bincount(cell_pattern, weights=weight, minlength=rows.n_patterns).astype(np.float64)
    leverage = weight / np.where(total > 0, total, 1.0)[cell_pattern]
    share = np.minimum(leverage, 1 - 1e-9)
    start = starts_of(cell_pattern)
    variance = np.zeros((len(score), rows.n_patterns))
    variance[:, cell_pattern[start]] = np.add.reduceat(score**2 / (1 - share), start, axis=-1)
    return SpreadByVan(total, variance, _satterthwaite(share, cell_pattern, rows.n_patterns))


def _satterthwaite(share: FloatArray, pattern: IntArray, patterns: int) -> FloatArray:
    """Return the degrees of freedom of sum g^2 / (1 - share) in each pattern.

    With independent errors of one variance, cov(g_v, g_w) is share_v (1 - share_v) for v = w and
    -share_v share_w otherwise, so df = 1 / (sum share^2 + (sum b)^2 - sum b^2), b = share^2 / (1 - share);
    equal shares of n vans give n - 1.
    """
    b = share**2 / (1 - share)
    squares, sums, crossed = (
        np.bincount(pattern, weights=w, minlength=patterns) for w in (share**2, b, b**2)
    )
    df: FloatArray = 1.0 / np.maximum(squares + sums**2 - crossed, 1e-300)
    return df
