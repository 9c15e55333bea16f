"""The other ways to the figures agree with ours on clean data (invented); a difference is seen."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks import cycles, peers


def test_all_ways_agree_on_clean_cycles(tmp_path: Path) -> None:
    for way, (apart, figure) in cycles.agreement(tmp_path).items():
        assert apart < 1e-6, (way, figure)


def test_a_difference_in_any_figure_is_seen() -> None:
    rng = np.random.default_rng(2)
    mine = {name: rng.uniform(1, 2, 50) for name in peers.FIGURES}
    assert peers.apart(mine, mine)[0] == 0.0
    for name in peers.FIGURES:
        theirs = {key: values.copy() for key, values in mine.items()}
        theirs[name][17] *= 1.001
        apart, figure = peers.apart(theirs, mine)
        assert figure == name
        assert apart > 4e-4
    with pytest.raises(ValueError, match="48 cycles, ours 50"):
        peers.apart({name: values[:48] for name, values in mine.items()}, mine)
