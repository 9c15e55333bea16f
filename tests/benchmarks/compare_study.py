"""Does any comparison find what is not there? Simulated studies without a difference, and at the margin.

    python -m tests.benchmarks.compare_study [studies a cell] [processes]

All data are invented: normal log values of specimens with a scatter of 3 %, and Weibull lives. "Found" is the share of
studies in which a test at 5 % finds a difference somewhere in its family though there is none; "equivalent" the share
that is called equivalent though the true ratio is exactly at the margin of 7.7 %. The standard error of 5 % is 0.3 % at
5,000 studies. "-": refused for so few or so unlike groups.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from benchpipe.compare.design import Design, design_of
from benchpipe.compare.estimate import estimates
from benchpipe.compare.family import family_of
from benchpipe.compare.result import RunReading
from benchpipe.compare.run import compare_readings
from benchpipe.compare.study import StudyConfig
from benchpipe.kernels.difference import exact_unpaired
from benchpipe.kernels.lives import log_rank

SIZES = (3, 4, 5, 7, 10)
SD = 0.03
MARGIN = float(np.log(1.077))
Row = tuple[str, str, float]  # variant, specimen, log value


def reading(variant: str, specimen: str, log_value: float, rig: str = "one", shared: float = 0.0) -> RunReading:
    """A reading of a run of its own."""
    value = float(np.exp(log_value))
    return RunReading(
        f"{variant}{specimen}", variant, specimen, rig, "", "", None, "", value, "1", 0.0, shared * value, 1, 100, 100,
        1.0, 1.0, "finished", "",
    )  # fmt: skip


def apart(
    rng: np.random.Generator, sizes: dict[str, int], sds: dict[str, float], shift: float = 0.0
) -> list[RunReading]:
    """Each variant on specimens of its own; ``shift`` is added to B."""
    return [
        reading(v, f"{v}{i}", float(sds[v] * rng.standard_normal()) + (shift if v == "B" else 0.0))
        for v, n in sizes.items() for i in range(n)
    ]  # fmt: skip


def crossed(rng: np.random.Generator, variants: str, n: int, shift: float = 0.0) -> list[RunReading]:
    """Each specimen under each variant; specimens differ by 10 %."""
    own = 0.1 * rng.standard_normal(n)
    return [
        reading(v, str(i), float(own[i] + SD * rng.standard_normal()) + (shift if v == "B" else 0.0))
        for v in variants for i in range(n)
    ]  # fmt: skip


def over_rigs(rng: np.random.Generator, n: int) -> list[RunReading]:
    """Two rigs with an error of 1 % each (known), unevenly used: A once on the other one."""
    errors = dict(zip(("one", "two"), 0.01 * rng.standard_normal(2), strict=True))
    rows = []
    for variant in "AB":
        for i in range(n):
            rig = "two" if (variant == "A") == (i == 0) else "one"
            value = float(SD * rng.standard_normal()) + errors[rig]
            rows.append(reading(variant, f"{variant}{i}", value, rig, 0.01))
    return rows


def found(design: Design, compared: tuple[tuple[str, str], ...], family: str, groups: int) -> bool | None:
    """Whether a family at 5 % finds a difference; None where it is refused."""
    some = estimates(design, compared, pool=family in ("dunnett", "tukey") and groups > 2, ratio=True)
    if any(one.refused for one in some):
        return None
    return min(family_of(some, family, groups, 0.95, MARGIN).p) < 0.05  # type: ignore[arg-type]


def equivalent(design: Design) -> bool | None:
    """Whether B is called equivalent to A."""
    (one,) = estimates(design, (("B", "A"),), pool=False, ratio=True)
    return None if one.refused else one.difference.equivalence_p(-MARGIN, MARGIN) < 0.05


PAIR = (("B", "A"),)
TO_A = (("B", "A"), ("C", "A"))
ALL = (("B", "A"), ("C", "A"), ("C", "B"))


def _of(rows: list[RunReading], compared: tuple[tuple[str, str], ...], block: str = "") -> Design:
    return design_of(rows, compared, ratio=True, block=block)


def lives(rng: np.random.Generator, n: int) -> bool:
    """Weibull lives of shape 2, a third of them run-outs."""
    t = rng.weibull(2.0, 2 * n)
    ended = t < 1.05
    t = np.minimum(t, 1.05)
    return log_rank(t[:n], ended[:n], t[n:], ended[n:]).p < 0.05


def exact(rng: np.random.Generator, n: int) -> bool | None:
    """All labellings of two groups; None where there are too many."""
    one = exact_unpaired(rng.standard_normal(n), rng.standard_normal(n))
    return one.p < 0.05 if one.converged else None


CELLS: dict[str, Callable[[np.random.Generator, int], bool | None]] = {
    "paired": lambda g, n: found(_of(crossed(g, "AB", n), PAIR), PAIR, "single", 2),
    "Welch": lambda g, n: found(_of(apart(g, {"A": n, "B": n}, {"A": SD, "B": SD}), PAIR), PAIR, "single", 2),
    "Welch, sd 1 : 3": lambda g, n: found(
        _of(apart(g, {"A": n, "B": n}, {"A": SD, "B": 3 * SD}), PAIR), PAIR, "single", 2),
    "Welch, n and 2 n, sd 3 : 1": lambda g, n: found(
        _of(apart(g, {"A": n, "B": 2 * n}, {"A": 3 * SD, "B": SD}), PAIR), PAIR, "single", 2),
    "Welch, n and 2 n + 1": lambda g, n: found(
        _of(apart(g, {"A": n, "B": 2 * n + 1}, {"A": SD, "B": SD}), PAIR), PAIR, "single", 2),
    "Welch, two rigs unevenly": lambda g, n: found(_of(over_rigs(g, n), PAIR, "none"), PAIR, "single", 2),
    "exact, labels": exact,
    "Dunnett, 3 variants": lambda g, n: found(
        _of(apart(g, dict.fromkeys("ABC", n), dict.fromkeys("ABC", SD)), TO_A), TO_A, "dunnett", 3),
    "Dunnett within specimens": lambda g, n: found(_of(crossed(g, "ABC", n), TO_A), TO_A, "dunnett", 3),
    "Tukey, 3 variants": lambda g, n: found(
        _of(apart(g, dict.fromkeys("ABC", n), dict.fromkeys("ABC", SD)), ALL), ALL, "tukey", 3),
    "Holm, 3 variants": lambda g, n: found(
        _of(apart(g, dict.fromkeys("ABC", n), dict.fromkeys("ABC", SD)), TO_A), TO_A, "holm", 3),
    "log-rank": lives,
    "equivalent, paired": lambda g, n: equivalent(_of(crossed(g, "AB", n, MARGIN), PAIR)),
    "equivalent, Welch": lambda g, n: equivalent(
        _of(apart(g, {"A": n, "B": n}, {"A": SD, "B": SD}, MARGIN), PAIR)),
}  # fmt: skip


def cell(name: str, n: int, studies: int) -> str:
    """Share of studies in %, or - where they are refused."""
    rng = np.random.default_rng([51, list(CELLS).index(name), n])
    results = [CELLS[name](rng, n) for _ in range(studies)]
    if None in results:
        return "-"
    return f"{100 * float(np.mean(np.array(results, bool))):.1f}"


def row(name: str, studies: int) -> str:
    """A line of the table."""
    return f"| {name} | {' | '.join(cell(name, n, studies) for n in SIZES)} |"


def timed() -> str:
    """Time of a study of 40 readings of four variants, without reading them from a store."""
    rng = np.random.default_rng(1)
    rows = apart(rng, dict.fromkeys("ABCD", 10), dict.fromkeys("ABCD", SD))
    config = StudyConfig.model_validate({
        "name": "timed", "variants": list("ABCD"), "reference": "A", "measure": [{"name": "m", "block": "b"}],
        "run": [{"plan": "p", "variant": v, "specimen": "s"} for v in "ABCD"],
    })  # fmt: skip
    start = time.perf_counter()
    compare_readings(rows, config.measure[0], config)
    return f"40 readings of four variants compared in {time.perf_counter() - start:.2f} s, without reading runs."


def main(studies: int = 5000, processes: int = 2) -> None:
    """Print the table, a row as soon as it is known."""
    heads = " | ".join(f"n = {n}" for n in SIZES)
    print(f"{studies} studies a cell, % of them\n\n| test | {heads} |\n|{'---|' * (1 + len(SIZES))}", flush=True)
    with ProcessPoolExecutor(processes) as pool:
        for line in pool.map(row, CELLS, [studies] * len(CELLS)):
            print(line, flush=True)
    print(f"\n{timed()}")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
