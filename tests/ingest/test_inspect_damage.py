"""Law: whatever the bytes of a log, inspection ends in findings or in an InputError, and its draft keeps its word.

A draft without a question is a rig file that loads; a draft with one is refused.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchpipe.config.model import load_model
from benchpipe.config.rig import RigConfig
from benchpipe.errors import ConfigError, InputError
from benchpipe.inspect.draft import draft_rig
from benchpipe.inspect.run import inspect_logs
from benchpipe.report.inspection import WIDTH, inspection_lines
from tests.ingest.driven import logs_of, simulated
from tests.ingest.test_inspect_formats import write_arrow, write_matlab, write_parquet

CASES = 40  # damaged copies of each log
SPLICED = (
    b"\n", b"\r", b",", b";", b"\0", b'"', b"-999", b"OVER", b"1e400", b"nan", b"\xff\xfe", b"\t", b" ", b"99/99/9999",
    b"[N]", b"1.234,5", "℃".encode(), b"=\"", b"'''", b"\\",
)  # fmt: skip
DIALECTS = {
    "plain": {"units_row": True},
    "German": {"separator": ";", "decimal": ",", "encoding": "cp1252", "line_end": "\r\n", "units_row": True,
               "preamble": ("Lauf;{name}",), "time_format": "%d.%m.%Y %H:%M:%S,%f"},
    "UTF-16": {"encoding": "utf-16", "separator": "\t", "thousands": " "},
    "open dates": {"time_format": "%m/%d/%Y %H:%M:%S.%f"},
    "no header": {"header": False, "separator": "|", "quoted": True},
}  # fmt: skip


def damaged(data: bytes, draw: np.random.Generator) -> bytes:
    """Bytes changed, cut off, put in, taken out, or doubled."""
    out = bytearray(data)
    kind = int(draw.integers(0, 5))
    if kind == 0:
        for _ in range(int(draw.integers(1, 30))):
            out[int(draw.integers(0, len(out)))] = int(draw.integers(0, 256))
    elif kind == 1:
        del out[int(draw.integers(0, len(out))) :]
    elif kind == 2:
        for _ in range(int(draw.integers(1, 8))):
            at = int(draw.integers(0, len(out)))
            out[at:at] = SPLICED[int(draw.integers(0, len(SPLICED)))]
    else:
        first, last = sorted(int(k) for k in draw.integers(0, len(out), 2))
        last = min(last, first + 3000)
        if kind == 3:
            del out[first:last]
        else:
            out[first:first] = out[first:last]
    return bytes(out)


def keeps_its_word(log: Path) -> bool:
    """Inspect a log; whether it could be."""
    try:
        found = inspect_logs([log])
    except InputError as error:
        if log.name not in str(error):
            pytest.fail(f"the error does not name its log: {error}")
        return False
    assert max(len(line) for line, _ in inspection_lines(found)) <= WIDTH
    rig = log.with_suffix(".toml")
    rig.write_text(draft_rig(found, "drafted"), encoding="utf-8")
    if found.questions:
        with pytest.raises(ConfigError):
            load_model(RigConfig, rig)
    else:
        load_model(RigConfig, rig)
    return True


@pytest.mark.parametrize("name", DIALECTS)
def test_damaged_text(name: str, tmp_path: Path) -> None:
    whole = logs_of(simulated(tmp_path / "run", **DIALECTS[name]))[0].read_bytes()[:12_000]
    draw = np.random.default_rng(sum(name.encode()))
    log = tmp_path / "damaged.log"
    done = 0
    for _ in range(CASES):
        log.write_bytes(damaged(whole, draw))
        done += keeps_its_word(log)
    assert done > CASES / 2


@pytest.mark.parametrize("write", [write_parquet, write_arrow, write_matlab], ids=lambda write: write.__name__)
def test_damaged_tables(write: object, tmp_path: Path) -> None:
    import pyarrow as pa

    n = np.arange(300.0)
    waves = {name: pa.array(np.sin(n / 9 + k)) for k, name in enumerate(("Torque", "Angle", "Oil"))}
    log = tmp_path / "log.dat"
    write(log, pa.table({"Time": pa.array(n / 50), **waves, "Count": pa.array(n // 50)}))  # type: ignore[operator]
    whole = log.read_bytes()
    draw = np.random.default_rng(len(whole))
    for _ in range(CASES):
        log.write_bytes(damaged(whole, draw))
        keeps_its_word(log)
