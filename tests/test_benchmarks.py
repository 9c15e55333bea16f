"""A benchmark without its packages says what brings them."""

from __future__ import annotations

import sys
from importlib import import_module

import pytest

from tests.benchmarks import needs


@pytest.mark.parametrize(
    ("name", "arguments", "missing"),
    [
        ("cycles", ["1", "--peers"], "pandas, polars"),
        ("engine", ["10", "1", "1", "dask"], "distributed"),
        ("ingest", [], "polars"),
        ("object_store", ["10", "1", "1"], "obstore, moto"),
    ],
)
def test_a_package_that_is_not_there_is_named_with_what_brings_it(
    monkeypatch: pytest.MonkeyPatch, name: str, arguments: list[str], missing: str
) -> None:
    main = import_module(f"tests.benchmarks.{name}").main
    monkeypatch.setattr(needs, "find_spec", lambda _: None)
    monkeypatch.setattr(sys, "argv", [name])
    with pytest.raises(SystemExit, match=f"{missing} not installed here: run `make bench`"):
        main(*([arguments] if arguments else []))
