"""Connected parts of a graph, against scipy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from pipeline.compare.linked import connected_parts


@pytest.mark.parametrize("ties", [0, 10, 60, 90, 300])
def test_parts_are_those_of_a_second_implementation(ties: int) -> None:
    """scipy.sparse.csgraph.connected_components, on graphs from all alone to all tied together."""
    for seed in range(20):
        left, right = np.random.default_rng(seed).integers(0, 120, (2, ties))
        graph = coo_array((np.ones(ties), (left, right)), (120, 120))
        _, expected = connected_components(graph, directed=False)
        assert connected_parts(left, right, 120).tolist() == expected.tolist()


def test_a_long_chain_in_any_order_is_one_part() -> None:
    place = np.random.default_rng(1).permutation(500)
    assert not connected_parts(place[:-1], place[1:], 500).any()
    assert connected_parts(place[:0], place[:0], 0).tolist() == []
