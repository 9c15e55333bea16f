"""Nights in simulation: whatever failed on the way, the tables are those of one clean pass."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.soak.year import Year


def nights(folder: Path, seed: int, count: int) -> Year:
    """So many nights, then the comparison."""
    year = Year(folder, seed)
    for number in range(count):
        year.night(number)
    year.end(count)
    return year


@pytest.mark.parametrize("seed", [8])
def test_some_nights_end_with_the_tables_of_one_clean_pass(tmp_path: Path, seed: int) -> None:
    nights(tmp_path, seed, 12)


@pytest.mark.soak
@pytest.mark.parametrize("seed", [365])
def test_a_year_of_nights_ends_with_the_tables_of_one_clean_pass(tmp_path: Path, seed: int) -> None:
    year = nights(tmp_path, seed, 365)
    print(dict(year.said))
