"""What is particular to Arrow, HDF5, MATLAB v7.3 and MDF logs."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.parquet as pq
import pytest

from benchpipe.config.rig import RigConfig
from benchpipe.errors import InputError
from benchpipe.inspect.run import inspect_logs
from benchpipe.readers import allowances
from benchpipe.readers.batch import RawBatch
from benchpipe.readers.registry import read_log
from benchpipe.readers.tabular import read_parquet

N = 700_000  # rows: more than two batches


def rig(
    form: str, *, time: dict[str, Any] | None = None, columns: tuple[Any, Any] = ("Torque", "Angle"), **log: Any
) -> RigConfig:
    return RigConfig.model_validate({
        "name": "formats", "log": {"format": form, **log},
        "time": {"column": "Time", "sample_rate": "100 Hz", **(time or {})},
        "channel": [
            {"name": "torque", "column": columns[0], "unit": "N*m"},
            {"name": "angle", "column": columns[1], "unit": "deg"},
        ],
        "load": {"channel": "torque"}, "motion": {"channel": "angle"},
    })  # fmt: skip


def read(path: Path, config: RigConfig) -> list[RawBatch]:
    with path.open("rb") as file:
        return list(read_log(path, file, config))


def joined(batches: list[RawBatch]) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    parts = [(b.row, b.time, b.channels["torque"], b.channels["angle"]) for b in batches]
    row, time, torque, angle = (np.concatenate(column) for column in zip(*parts, strict=True))
    return row, time, torque, angle


def test_one_column_may_feed_two_channels_whatever_the_format(tmp_path: Path) -> None:
    table = pa.table({"Time": [0.0, 0.01, 0.02], "X": [1.0, 2.0, 3.0]})
    pq.write_table(table, tmp_path / "log.parquet")
    pacsv.write_csv(table, tmp_path / "log.text")
    with pa.OSFile(str(tmp_path / "log.arrow"), "wb") as sink, pa.ipc.new_file(sink, table.schema) as writer:
        writer.write_table(table)
    with h5py.File(tmp_path / "log.hdf5", "w") as file:
        for name in table.column_names:
            file[name] = table.column(name).to_numpy()
    for form in ("parquet", "text", "arrow", "hdf5"):
        _, time, torque, angle = joined(read(tmp_path / f"log.{form}", rig(form, columns=("X", "X"))))
        assert (time.tolist(), torque.tolist(), angle.tolist()) == ([0.0, 0.01, 0.02], [1.0, 2.0, 3.0], [1.0, 2.0, 3.0])


def test_text_for_no_value_of_one_of_two_channels_of_a_column_is_none_in_both(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("Time,X,Y\n0.00,OVER,1\n0.01,2,2\n")
    config = rig("text", columns=("X", "X"))
    channels = (config.channel[0], config.channel[1].model_copy(update={"missing": ("OVER",)}))
    _, _, torque, angle = joined(read(tmp_path / "log.csv", config.model_copy(update={"channel": channels})))
    assert np.isnan([torque[0], angle[0]]).all()
    assert (torque[1], angle[1]) == (2.0, 2.0)


def test_time_is_no_channel(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("Time,X\n0.00,1\n0.01,2\n")
    with pytest.raises(InputError, match="the log's time and a channel"):
        read(tmp_path / "log.csv", rig("text", columns=("X", "Time")))


# --- Arrow --------------------------------------------------------------------------------------------------


def test_arrow_columns_by_number_and_one_name_twice(tmp_path: Path) -> None:
    arrays = [pa.array([0.0, 0.01]), pa.array([1.0, 2.0]), pa.array([3.0, 4.0])]
    batch = pa.RecordBatch.from_arrays(arrays, names=["Time", "X", "X"])
    path = tmp_path / "log.arrow"
    with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_file(sink, batch.schema) as writer:
        writer.write(batch)
    _, _, torque, angle = joined(read(path, rig("arrow", columns=(3, 2))))
    assert torque.tolist() == [3.0, 4.0]
    assert angle.tolist() == [1.0, 2.0]


def test_a_large_arrow_batch_comes_in_pieces(tmp_path: Path) -> None:
    values = pa.array(np.arange(N, dtype=float))
    table = pa.table({"Time": values, "Torque": values, "Angle": values})
    path = tmp_path / "log.arrow"
    with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_file(sink, table.schema) as writer:
        writer.write_table(table)
    batches = read(path, rig("arrow"))
    assert max(len(b.row) for b in batches) < N / 2
    row, time, _, _ = joined(batches)
    assert np.array_equal(row, np.arange(1, N + 1))
    assert np.array_equal(time, np.arange(N, dtype=float))


def test_arrow_timestamps(tmp_path: Path) -> None:
    stamps = pa.array([1_000_000, None, 3_000_000], pa.timestamp("us"))
    table = pa.table({"Time": stamps, "Torque": [1.0, 2.0, 3.0], "Angle": [1.0, 2.0, 3.0]})
    path = tmp_path / "log.arrows"
    with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_stream(sink, table.schema) as writer:
        writer.write_table(table)
    (batch,) = read(path, rig("arrow", time={"kind": "datetime", "format": "%Y"}))
    assert batch.time.tolist() == [1_000_000, 3_000_000]
    assert [r.row for r in batch.rejects] == [2]


# --- HDF5 ---------------------------------------------------------------------------------------------------


def test_hdf5_groups_one_after_the_other_in_pieces(tmp_path: Path) -> None:
    h5py = pytest.importorskip("h5py")
    values = np.arange(N, dtype=float)
    path = tmp_path / "log.h5"
    with h5py.File(path, "w") as file:
        for k, name in enumerate(("day1", "day2")):
            for column in ("Time", "Torque", "Angle"):
                file.create_dataset(f"{name}/{column}", data=values + k * N, compression="gzip", chunks=(1 << 16,))
    row, time, torque, _ = joined(read(path, rig("hdf5", variables=["day1", "day2"])))
    assert np.array_equal(row, np.arange(1, 2 * N + 1))
    assert np.array_equal(time, np.arange(2.0 * N))
    assert np.array_equal(torque, time)


def test_hdf5_columns_of_a_matrix_and_of_inner_groups(tmp_path: Path) -> None:
    h5py = pytest.importorskip("h5py")
    path = tmp_path / "log.h5"
    cells = np.arange(30.0).reshape(10, 3)
    with h5py.File(path, "w") as file:
        file["plain"] = cells
        file["matlab"] = cells.T  # MATLAB's columns are rows in the file
        file["matlab"].attrs["MATLAB_class"] = np.bytes_("double")
        for k, name in enumerate(("Time", "Torque", "Angle")):
            file[f"daq/{name}/value"] = cells[:, k]
    for variable in ("plain", "matlab"):
        config = rig("hdf5", variables=[variable], columns=(2, 3), time={"column": 1})
        _, time, torque, angle = joined(read(path, config))
        assert np.array_equal(np.column_stack([time, torque, angle]), cells), variable
    config = rig("hdf5", variables=["daq"], columns=("Torque/value", "Angle/value"), time={"column": "Time/value"})
    assert np.array_equal(joined(read(path, config))[2], cells[:, 1])


def test_hdf5_dates_are_read_by_the_rig_files_format(tmp_path: Path) -> None:
    h5py = pytest.importorskip("h5py")
    path = tmp_path / "log.h5"
    with h5py.File(path, "w") as file:
        file["Time"] = [b"03.04.2031 10:00:00,25", b"soon", b"03.04.2031 10:00:01,00"]
        file["Torque"] = file["Angle"] = np.arange(3.0)
    (batch,) = read(path, rig("hdf5", time={"kind": "datetime", "format": "%d.%m.%Y %H:%M:%S,%f"}))
    start = datetime(2031, 4, 3, 10, tzinfo=UTC).timestamp() * 1e6
    assert (batch.time - start).tolist() == [250_000, 1_000_000]
    assert [r.row for r in batch.rejects] == [2]


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        ({"Angle": np.arange(4.0)}, "the vectors differ in length"),
        ({"Angle": np.array([b"a", b"b", b"c"])}, "'Angle' is not a vector of numbers"),
        ({"Angle": np.ones((3, 3))}, "no column 'Angle'"),
    ],
)
def test_hdf5_what_cannot_be_used(tmp_path: Path, change: dict[str, Any], fault: str) -> None:
    h5py = pytest.importorskip("h5py")
    path = tmp_path / "log.h5"
    with h5py.File(path, "w") as file:
        for name, values in {**dict.fromkeys(("Time", "Torque", "Angle"), np.arange(3.0)), **change}.items():
            file[name] = values
    with pytest.raises(InputError, match=fault):
        read(path, rig("hdf5"))


def test_hdf5_a_length_that_cannot_be_true(tmp_path: Path) -> None:
    h5py = pytest.importorskip("h5py")
    path = tmp_path / "log.h5"
    with h5py.File(path, "w") as file:
        for name in ("Time", "Torque", "Angle"):
            file.create_dataset(name, shape=(10**12,), chunks=(1024,), dtype="f8")
    with pytest.raises(InputError, match="1,000,000,000,000 values; so many are not in the file"):
        read(path, rig("hdf5"))


def test_hdf5_links_to_other_files_are_not_followed(tmp_path: Path) -> None:
    h5py = pytest.importorskip("h5py")
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["Angle"] = np.arange(3.0)
    path = tmp_path / "log.h5"
    with h5py.File(path, "w") as file:
        file["Time"] = file["Torque"] = np.arange(3.0)
        file["inner/Angle"] = h5py.ExternalLink("other.h5", "/Angle")
    with pytest.raises(InputError, match="'inner/Angle' is a link to another file"):
        read(path, rig("hdf5"))


def test_hdf5_numbers_of_another_file_of_the_machine_are_not_read(tmp_path: Path) -> None:
    h5py = pytest.importorskip("h5py")
    (tmp_path / "secret.bin").write_bytes(np.arange(3.0).tobytes())
    path = tmp_path / "log.h5"
    with h5py.File(path, "w") as file:
        file["Time"] = file["Torque"] = np.arange(3.0)
        file.create_dataset("Angle", (3,), "f8", external=[(str(tmp_path / "secret.bin"), 0, 24)])
    with pytest.raises(InputError, match="'Angle' has its numbers in another file"):
        read(path, rig("hdf5"))


@pytest.mark.parametrize(("deep", "wide"), [(60, 1), (1, 10_001)])
def test_an_hdf5_file_of_endless_names_is_refused_at_once(deep: int, wide: int, tmp_path: Path) -> None:
    h5py = pytest.importorskip("h5py")
    path = tmp_path / "log.h5"
    with h5py.File(path, "w") as file:
        file["Time"] = file["Torque"] = file["Angle"] = np.arange(3.0)
        inner = file.create_group("a/" * deep)
        for number in range(wide):
            inner[str(number)] = file["Time"]
    with pytest.raises(InputError, match="groups in one another, and"):
        read(path, rig("hdf5"))


def test_an_hdf5_data_set_made_of_itself_does_not_end_the_process(tmp_path: Path) -> None:
    h5py = pytest.importorskip("h5py")
    path = tmp_path / "log.h5"
    with h5py.File(path, "w", libver="latest") as file:
        file["Time"] = file["Torque"] = np.arange(3.0)
        layout = h5py.VirtualLayout((3,), "f8")
        layout[:] = h5py.VirtualSource(str(path), "Angle", (3,))
        file.create_virtual_dataset("Angle", layout)
    with pytest.raises(InputError, match="'Angle' is made of other data sets"):
        read(path, rig("hdf5"))


@pytest.mark.parametrize("kind", ["link", "storage", "virtual"])
def test_hdf5_what_points_to_another_file_is_refused_before_that_is_opened(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other file is a pipe that nobody writes to: who opens it waits for ever."""
    h5py = pytest.importorskip("h5py")
    monkeypatch.setattr(allowances, "PATIENCE_S", 5.0)
    os.mkfifo(other := tmp_path / "other.h5")
    path = tmp_path / "log.h5"
    with h5py.File(path, "w", libver="latest") as file:
        file["Time"] = file["Torque"] = np.arange(3.0)
        if kind == "link":
            file["Angle"] = h5py.ExternalLink(str(other), "/Angle")
        elif kind == "storage":
            file.create_dataset("Angle", (3,), "f8", external=[(str(other), 0, 24)])
        else:
            layout = h5py.VirtualLayout((3,), "f8")
            layout[:] = h5py.VirtualSource(str(other), "Angle", (3,))
            file.create_virtual_dataset("Angle", layout)
    for step in (lambda: read(path, rig("hdf5")), lambda: inspect_logs([path])):
        with pytest.raises(InputError, match=r"'Angle' (is|has) .*: such a log is not read"):
            step()


def test_hdf5_data_of_other_types_beside_the_log_do_not_matter(tmp_path: Path) -> None:
    h5py = pytest.importorskip("h5py")
    path = tmp_path / "log.h5"
    with h5py.File(path, "w") as file:
        file["Time"] = file["Torque"] = file["Angle"] = np.arange(3.0)
        for node in (file, file["Angle"]):
            h5py.h5a.create(node.id, b"unit", h5py.h5t.UNIX_D32LE, h5py.h5s.create_simple((3,)))
        h5py.h5d.create(file.id, b"clock", h5py.h5t.UNIX_D32LE, h5py.h5s.create_simple((3,)))
        file["reference"] = np.array([file["Time"].ref] * 3, dtype=h5py.ref_dtype)
        file["wide"] = np.arange(3, dtype=np.longdouble)
    assert joined(read(path, rig("hdf5")))[2].tolist() == [0.0, 1.0, 2.0]
    assert [c.key for c in inspect_logs([path]).outline.columns if c.kind == "number"] == ["Angle", "Time", "Torque"]


def test_a_matlab_7_3_file_in_the_wrong_reader_says_which(tmp_path: Path) -> None:
    pytest.importorskip("h5py")
    path = tmp_path / "log.mat"
    path.write_bytes(b"MATLAB 7.3 MAT-file, Platform: none".ljust(124) + b"\x00\x02IM" + bytes(400))
    with pytest.raises(InputError, match=r"MATLAB v7\.3") as told:
        read(path, rig("matlab"))
    assert 'format = "hdf5"' in str(told.value)


# --- MDF ----------------------------------------------------------------------------------------------------


def write_mdf(path: Path, groups: dict[str, dict[str, np.ndarray]], **options: Any) -> None:
    asammdf = pytest.importorskip("asammdf")
    with asammdf.MDF(version="4.10") as file:
        file.header.start_time = datetime(2031, 4, 3, 10)
        for number, (title, channels) in enumerate(groups.items()):
            stamps = channels["Time"]
            signals = [
                asammdf.Signal(v, stamps, name=n, unit="N*m", invalidation_bits=options.get("invalid", {}).get(n))
                for n, v in channels.items()
                if n != "Time"
            ]
            file.append(signals, acq_name=title)
            file.groups[number].channels[0].name = "Time"
        file.save(path, overwrite=True, compression=2)


def plain(count: int = 100, step: float = 0.01) -> dict[str, np.ndarray]:
    n = np.arange(float(count))
    return {"Time": n * step, "Torque": n, "Angle": -n}


def test_mdf_the_one_group_that_holds_all_channels(tmp_path: Path) -> None:
    path = tmp_path / "log.mf4"
    write_mdf(path, {"fast": plain(N), "slow": {"Time": np.arange(5.0), "Temperature": np.full(5, 20.0)}})
    row, time, torque, angle = joined(read(path, rig("mdf")))
    assert np.array_equal(row, np.arange(1, N + 1))
    assert np.array_equal(time, np.arange(float(N)) * 0.01)
    assert np.array_equal(torque, -angle)


def test_mdf_groups_must_be_named_where_several_fit(tmp_path: Path) -> None:
    path = tmp_path / "log.mf4"
    write_mdf(path, {"one": plain(), "two": {**plain(), "Torque": np.full(100, 7.0)}})
    with pytest.raises(InputError, match="several groups hold the channels") as told:
        read(path, rig("mdf"))
    assert "one, two" in str(told.value)
    assert set(joined(read(path, rig("mdf", variables=["two"])))[2]) == {7.0}
    assert len(joined(read(path, rig("mdf", variables=["0", "1"])))[0]) == 200
    with pytest.raises(InputError, match="no group 'three'"):
        read(path, rig("mdf", variables=["three"]))


def test_mdf_channels_of_different_rates_are_not_mixed(tmp_path: Path) -> None:
    path = tmp_path / "log.mf4"
    fast, slow = plain(), plain(10, 0.1)
    del fast["Angle"], slow["Torque"]
    write_mdf(path, {"fast": fast, "slow": slow})
    with pytest.raises(InputError, match="different time bases"):
        read(path, rig("mdf"))


def test_mdf_invalid_values_are_missing(tmp_path: Path) -> None:
    path = tmp_path / "log.mf4"
    invalid = np.zeros(100, bool)
    invalid[[3, 50]] = True
    write_mdf(path, {"one": plain()}, invalid={"Torque": invalid})
    _, _, torque, angle = joined(read(path, rig("mdf")))
    assert np.flatnonzero(np.isnan(torque)).tolist() == [3, 50]
    assert not np.isnan(angle).any()


def test_mdf_dates_start_with_the_measurement(tmp_path: Path) -> None:
    path = tmp_path / "log.mf4"
    write_mdf(path, {"one": plain()})
    (batch,) = read(path, rig("mdf", time={"kind": "datetime", "format": "%Y"}))
    start = datetime(2031, 4, 3, 10, tzinfo=UTC).timestamp() * 1e6
    assert batch.time[:3].tolist() == [start, start + 10_000, start + 20_000]


@pytest.mark.parametrize(
    ("head", "fault"), [
        (b"UnFinMF 4.10    ", "never finalised"),
        (b"MDF     4.10    ".ljust(60, b"\0") + b"\1", "never finalised"),
        (b"MDF     3.30    ", "not an MDF 4 file"),
    ],
)
def test_mdf_of_another_kind(tmp_path: Path, head: bytes, fault: str) -> None:
    path = tmp_path / "log.mf4"
    path.write_bytes(head.ljust(64, b"\0"))
    with pytest.raises(InputError, match=fault):
        read(path, rig("mdf"))


# --- damage that would end the process ----------------------------------------------------------------------


def test_mdf_a_channel_beyond_its_record_is_refused(tmp_path: Path) -> None:
    """ASAM MDF 4, block CN: after the links four bytes of types and bit offset, then the byte offset."""
    path = tmp_path / "log.mf4"
    write_mdf(path, {"one": plain()})
    data = bytearray(path.read_bytes())
    at = data.index(b"##CN")
    links = int.from_bytes(data[at + 16 : at + 24], "little")
    place = at + 24 + 8 * links + 4
    data[place : place + 4] = (1 << 30).to_bytes(4, "little")
    path.write_bytes(data)
    with pytest.raises(InputError, match="reaches beyond its record"):
        read(path, rig("mdf"))


def test_hdf5_numbers_of_a_damaged_type_are_refused(tmp_path: Path) -> None:
    """An exponent bias of 863 where 1023 belongs: h5py takes it for a long double and writes past the field."""
    h5py = pytest.importorskip("h5py")
    path = tmp_path / "log.h5"
    rows = np.zeros(50, [("Time", "f8"), ("Torque", "f8"), ("Angle", "f8")])
    with h5py.File(path, "w") as file:
        file["samples"] = rows
        file["Torque"] = file["Time"] = np.zeros(3)
    data = path.read_bytes()
    for count, fault in ((1, "of no known type"), (-1, "no column")):
        path.write_bytes(data.replace((1023).to_bytes(4, "little"), (863).to_bytes(4, "little"), count))
        with pytest.raises(InputError, match=fault):
            read(path, rig("hdf5", variables=["samples"] if count == 1 else []))


def matlab_file(path: Path, **more: Any) -> bytes:
    from scipy.io import savemat

    n = np.arange(50.0)
    savemat(path, {"Time": n, "Torque": n, "Angle": -n, **more}, do_compression=False)
    return path.read_bytes()


UNCHECKED = r"crashed over it|not a MATLAB v5 file|more memory than"  # by the library: what was in memory decides


@pytest.mark.parametrize(
    ("place", "value", "fault"),
    [
        (48, 125, UNCHECKED),  # the numbers' own type
        (17, 0x79, UNCHECKED),  # complex: the other half is read from the next matrix
        (16, 200, "not a MATLAB v5 file"),
        (24, 9, "not a MATLAB v5 file"),
        (4, 255, "not a MATLAB v5 file"),
    ],
)
def test_matlab_structure_that_is_damaged_is_refused(tmp_path: Path, place: int, value: int, fault: str) -> None:
    """What the library meets in two of them ends the process that reads.

    MAT-File Format, level 5: tag (8), flags (16), size (16), name (8), then the tag of the numbers.
    """
    path = tmp_path / "log.mat"
    data = bytearray(matlab_file(path))
    data[128 + place] = value
    path.write_bytes(data)
    with pytest.raises(InputError, match=fault):
        read(path, rig("matlab"))


@pytest.mark.parametrize("packed", [False, True])
def test_matlab_whatever_else_stands_in_the_file(tmp_path: Path, packed: bool) -> None:
    from scipy.io import savemat
    from scipy.sparse import csc_matrix

    n = np.arange(50.0)
    path = tmp_path / "log.mat"
    cells = np.array(["a", 3, n], dtype=object)
    inner = {"x": [1, 2], "y": {"z": "text", "none": np.array([])}}
    others = {"s": inner, "cells": cells, "sparse": csc_matrix(np.eye(4) * 1j), "c": n + 1j, "b": n > 3}
    savemat(path, {**others, "none": np.zeros((0, 3)), "Time": n, "Torque": n, "Angle": -n}, do_compression=packed)
    assert joined(read(path, rig("matlab")))[2].tolist() == n.tolist()


def test_mdf_more_rows_than_the_file_can_hold_are_refused_before_there_is_room_for_them(tmp_path: Path) -> None:
    asammdf = pytest.importorskip("asammdf")
    path = tmp_path / "log.mf4"
    write_mdf(path, {"fast": plain()})
    with asammdf.MDF(path) as file:
        at = file.groups[0].channel_group.address + 24 + 8 * file.groups[0].channel_group.links_nr
    whole = path.read_bytes()
    assert int.from_bytes(whole[at + 8 : at + 16], "little") == 100  # cycles; the record's bytes are 24 further on
    for place, width, number in ((at + 8, 8, 1 << 40), (at + 24, 4, 1 << 31)):
        path.write_bytes(whole[:place] + number.to_bytes(width, "little") + whole[place + width :])
        with pytest.raises(InputError, match=r"so many are not in it|beyond its record|not an MDF"):
            read(path, rig("mdf"))


def test_a_parquet_log_of_one_row_group_comes_in_pieces_of_bounded_memory(tmp_path: Path) -> None:
    values = np.random.default_rng(1).normal(size=2_000_000)
    table = pa.table({"Time": np.arange(values.size) / 100, "Torque": values, "Angle": -values})
    path = tmp_path / "log.parquet"
    pq.write_table(table, path, row_group_size=values.size)
    del table
    pool = pa.default_memory_pool()
    most, begun = 0, pool.bytes_allocated()
    with path.open("rb") as file:
        for batch in read_parquet(path, file, rig("parquet")):
            most = max(most, pool.bytes_allocated() - begun)
            assert len(batch.row) < 300_000
    assert most < 20e6  # the columns hold 48 MB
