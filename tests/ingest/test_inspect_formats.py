"""Binary logs: the same run in each format is found, drafted and driven to the same cycles."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.parquet as pq
import pytest

from benchpipe.config.model import load_model
from benchpipe.config.rig import RigConfig
from benchpipe.errors import ConfigError
from benchpipe.inspect.draft import draft_rig
from benchpipe.inspect.run import inspect_logs
from tests.ingest.absent import absent
from tests.ingest.driven import drafted, driven, equal, logs_of, rig_text, simulated

UNITS = {"Time": "s", "Torque": "N·m", "Angle": "deg", "Oil": "°C", "Count": ""}


@pytest.fixture(scope="module")
def truth(tmp_path_factory: pytest.TempPathFactory) -> tuple[pa.Table, dict[str, pa.Table]]:
    """The columns of a text log, and what a rig file by hand makes of it."""
    folder = simulated(tmp_path_factory.mktemp("truth") / "run")
    table = pacsv.read_csv(io.BytesIO(logs_of(folder)[0].read_bytes()))
    table = pa.table({name: table.column(name).cast(pa.float64()) for name in table.column_names})
    return table, driven(folder, rig_text("", 'column = "Time"'), "by-hand")


def write_parquet(path: Path, table: pa.Table) -> None:
    fields = [pa.field(n, pa.float64(), metadata={"unit": UNITS[n]}) for n in table.column_names]
    pq.write_table(table.cast(pa.schema(fields)), path, row_group_size=500)


def write_dated_parquet(path: Path, table: pa.Table) -> None:
    elapsed = (np.array(table.column("Time")) * 1e6).round().astype("int64")
    stamps = pa.array(elapsed + 1_900_000_000_000_000, pa.timestamp("us"))
    names = {n: f"{n} [{u}]" if u else n for n, u in UNITS.items()}
    columns = {names[n]: table.column(n) for n in table.column_names if n != "Time"}
    pq.write_table(pa.table({"Clock": stamps, **columns}), path)


def write_arrow(path: Path, table: pa.Table) -> None:
    fields = [pa.field(n, pa.float64(), metadata={"unit": UNITS[n]}) for n in table.column_names]
    with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_file(sink, pa.schema(fields)) as writer:
        writer.write_table(table.cast(pa.schema(fields)), max_chunksize=300)


def write_arrow_stream(path: Path, table: pa.Table) -> None:
    fields = [pa.field(n, pa.float64(), metadata={"unit": UNITS[n]}) for n in table.column_names]
    with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_stream(sink, pa.schema(fields)) as writer:
        writer.write_table(table.cast(pa.schema(fields)), max_chunksize=300)


def write_hdf5(path: Path, table: pa.Table) -> None:
    h5py = pytest.importorskip("h5py")
    with h5py.File(path, "w") as file:
        for name in table.column_names:
            file[f"bench/day 1/{name}"] = np.array(table.column(name))
            if UNITS[name]:
                file[f"bench/day 1/{name}"].attrs["unit"] = UNITS[name]
        file["note"] = b"made in a test"


def write_compound(path: Path, table: pa.Table) -> None:
    h5py = pytest.importorskip("h5py")
    names = {"Time": "Time_s", "Torque": "Torque_Nm", "Angle": "Angle_deg", "Oil": "Oil_degC", "Count": "Count"}
    rows = np.zeros(table.num_rows, [(names[n], "f8") for n in table.column_names])
    for name in table.column_names:
        rows[names[name]] = np.array(table.column(name))
    with h5py.File(path, "w") as file:
        file["samples"] = rows


def write_matlab(path: Path, table: pa.Table) -> None:
    from scipy.io import savemat

    names = {"Time": "Time_s", "Torque": "Torque_Nm", "Angle": "Angle_deg", "Oil": "Oil_degC", "Count": "Count"}
    savemat(path, {"run": {"day1": {names[n]: np.array(table.column(n)) for n in table.column_names}}, "version": 3.0})


def write_mdf(path: Path, table: pa.Table) -> None:
    asammdf = pytest.importorskip("asammdf")
    time = np.array(table.column("Time"))
    with asammdf.MDF(version="4.10") as file:
        signals = [
            asammdf.Signal(np.array(table.column(n)), time, name=n, unit=UNITS[n])
            for n in table.column_names if n != "Time"
        ]  # fmt: skip
        file.append(signals, acq_name="bench")
        file.append([asammdf.Signal(np.arange(20.0), np.arange(20.0), name="Room", unit="°C")], acq_name="room")
        file.save(path, overwrite=True)


WRITERS: dict[str, tuple[str, Callable[[Path, pa.Table], None], str]] = {
    "parquet": ("log.parquet", write_parquet, "parquet"),
    "parquet with timestamps": ("log.pq", write_dated_parquet, "parquet"),
    "arrow file": ("log.feather", write_arrow, "arrow"),
    "arrow stream": ("log.arrows", write_arrow_stream, "arrow"),
    "hdf5": ("log.h5", write_hdf5, "hdf5"),
    "hdf5 table": ("log.hdf", write_compound, "hdf5"),
    "matlab": ("log.mat", write_matlab, "matlab"),
    "mdf": ("log.mf4", write_mdf, "mdf"),
}


@pytest.mark.parametrize("name", WRITERS)
def test_each_format_is_found_and_driven(
    name: str, truth: tuple[pa.Table, dict[str, pa.Table]], tmp_path: Path
) -> None:
    file, write, form = WRITERS[name]
    table, by_hand = truth
    (tmp_path / "logs").mkdir()
    write(tmp_path / "logs" / file, table)
    found, draft = drafted(tmp_path)
    assert found.questions == ()
    assert found.outline.format == form
    assert found.sample.rows == table.num_rows
    assert found.sample.whole
    assert found.time.rate_hz == 50.0
    assert found.frequency_hz == pytest.approx(1.0, rel=2e-3)
    assert found.roles == {"load": "torque", "motion": "angle", "temperature": "oil", "counter": "count"}
    got = driven(tmp_path, draft, "drafted")
    for column in ("torque", "angle", "oil", "count"):
        assert got["samples"].column(column).combine_chunks().equals(by_hand["samples"].column(column).combine_chunks())
    drop = ["start_us", "end_us"]  # a date starts elsewhere
    one, other = (t["cycles"].drop_columns([n for n in drop if n in t["cycles"].column_names]) for t in (got, by_hand))
    if "timestamps" not in name:
        assert equal(got["cycles"], by_hand["cycles"])
    else:
        assert one.num_rows == other.num_rows
        assert equal(one.select(["cycle", "period_s"]), other.select(["cycle", "period_s"]))


def test_large_tables_are_sampled(
    truth: tuple[pa.Table, dict[str, pa.Table]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import benchpipe.inspect.run as inspecting

    monkeypatch.setattr(inspecting, "MOST_ROWS", 9_000)
    table, _ = truth
    long = pa.concat_tables([table] * 8)
    time = np.arange(long.num_rows) * 0.02
    long = long.set_column(0, "Time", pa.array(time))
    for name, (file, write, _) in WRITERS.items():
        if "timestamps" in name or "hdf5 table" in name:
            continue
        write(tmp_path / file, long)
        found = inspect_logs([tmp_path / file])
        assert found.sample.looked_at <= 11_000, name
        assert not found.sample.whole, name
        assert found.time.rate_hz == 50.0, name
        if name != "arrow stream":  # of a stream only the beginning can be had
            assert found.sample.rows == long.num_rows, name
            assert len(found.sample.pieces) == 3, name
            first, last = found.sample.pieces[0], found.sample.pieces[-1]
            assert (first.row[0], last.row[-1]) == (1, long.num_rows), name


def test_which_records_are_the_log_is_asked(tmp_path: Path) -> None:
    h5py = pytest.importorskip("h5py")
    n = np.arange(500.0)
    path = tmp_path / "log.h5"
    with h5py.File(path, "w") as file:
        for day in ("day1", "day2"):
            for name, values in (("t_s", n / 50), ("F_N", np.sin(n / 8)), ("x_mm", np.sin(n / 8))):
                file[f"{day}/{name}"] = values
    found = inspect_logs([path])
    assert [q.key for q in found.questions] == ["log.variables"]
    assert found.questions[0].choices == ('["day1"]', '["day1", "day2"]')
    draft = tmp_path / "rig.toml"
    draft.write_text(draft_rig(found, "x"))
    with pytest.raises(ConfigError, match=r"log\.variables"):
        load_model(RigConfig, draft)


def test_a_missing_extra_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from benchpipe.errors import MissingExtraError

    for head, library, extra in ((b"\x89HDF\r\n\x1a\n", "h5py", "hdf5"), (b"MDF     4.10    ", "asammdf", "mdf")):
        log = tmp_path / "log"
        log.write_bytes(head.ljust(100, b"\0"))
        with absent(library, tmp_path, monkeypatch), pytest.raises(MissingExtraError) as told:
            inspect_logs([log])
        assert f".[{extra}]" in str(told.value)


@pytest.mark.parametrize("dated", [False, True])
def test_texts_that_are_no_dates_are_words(tmp_path: Path, dated: bool) -> None:
    h5py = pytest.importorskip("h5py")
    n = np.arange(500)
    path = tmp_path / "log.h5"
    with h5py.File(path, "w") as file:
        file["Operator"] = ["nobody"] * 500
        file["t_s"], file["F_N"], file["x_mm"] = n / 50, np.sin(n / 8), np.cos(n / 8)
        if dated:
            file["when"] = [f"2031-03-14 10:00:{k // 50:02}.{k % 50 * 2:02}0" for k in n]
    found = inspect_logs([path])
    assert found.outline.dates.get("column") == ("when" if dated else None)
    kinds = {column.key: column.kind for column in found.outline.columns}
    assert (kinds["Operator"], kinds.get("when")) == ("word", "date" if dated else None)
