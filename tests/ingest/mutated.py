"""Damaged logs of the formats that libraries read: ``python -m tests.ingest.mutated FORMAT N FOLDER``.

Prints how many were read and refused, the longest time of one [s], and the peak memory [MB].
"""

from __future__ import annotations

import io
import json
import resource
import sys
import time
import warnings
from datetime import datetime
from pathlib import Path

import numpy as np

from benchpipe.config.rig import RigConfig
from benchpipe.errors import InputError
from benchpipe.readers import reader_process
from benchpipe.readers.registry import read_log
from benchpipe.stream.memory import peak_mb

FORMATS = ("parquet", "arrow", "matlab", "hdf5", "mdf")
ROWS = 200
PIECES = [
    b"\n", b"\r", b"\r\n", b"\x00", b"\xff", b"\xef\xbb\xbf", b'"', b",", b";", b"\t", b" ", b".", b"-", b"e", b"E+999",
    b"nan", b"inf", b"OVER", b"-999", b"1e38", b"1e400", b"\x1a", b"Time", b"Time,Load,Angle\n", b"9" * 40,
    b"\xe2\x88\x92",
    b"\xc2\xa0", b"\x1f\x8b", b"\xfe\xff", b"0.1,0.2,0.3\n", b"\n\n\n", b"1,2\n", b"1,2,3,4,5\n",
]  # fmt: skip


def damaged(data: bytes, draw: np.random.Generator) -> bytes:
    """Bytes changed, cut, doubled, put in, taken out."""
    out = bytearray(data)
    for _ in range(int(draw.integers(1, 6))):
        at = int(draw.integers(0, len(out) + 1))
        span = int(draw.integers(1, 60))
        kind = draw.integers(0, 7)
        if kind == 0 and out:
            out[at % len(out)] = int(draw.integers(0, 256))
        elif kind == 1:
            out[at:at] = PIECES[int(draw.integers(0, len(PIECES)))]
        elif kind == 2:
            del out[at : at + span]
        elif kind == 3:
            out[at:at] = out[at : at + span]
        elif kind == 4:
            out[at : at + span] = bytes(span)
        elif kind == 5:
            out[at : at + span] = bytes(draw.integers(0, 256, span, np.uint8))
        elif draw.random() < 0.3:
            del out[at:]
    return bytes(out)


def rig_of(form: str) -> RigConfig:
    """A rig that writes that format."""
    channels = [{"name": "load", "column": "Load", "unit": "N"}, {"name": "motion", "column": "Angle", "unit": "mm"}]
    return RigConfig.model_validate({
        "name": "rig", "log": {"format": form}, "time": {"column": "Time", "sample_rate": "100 Hz"},
        "channel": channels, "load": {"channel": "load"}, "motion": {"channel": "motion"},
    })  # fmt: skip


def whole_log(form: str, path: Path, packed: bool) -> bytes:
    """A sound log."""
    k = np.arange(float(ROWS))
    columns = {"Time": k / 100, "Load": 1000 + 40 * np.sin(k / 9), "Angle": 12 * np.cos(k / 9)}
    if form == "matlab":
        from scipy.io import savemat

        savemat(path, columns, do_compression=packed)
    elif form == "hdf5":
        import h5py

        with h5py.File(path, "w") as file:
            for name, values in columns.items():
                file.create_dataset(name, data=values, compression="gzip" if packed else None)
    elif form == "mdf":
        import asammdf

        with asammdf.MDF(version="4.10") as file:
            file.header.start_time = datetime(2031, 4, 3, 10)
            signals = [asammdf.Signal(columns[n], columns["Time"], name=n, unit="N") for n in ("Load", "Angle")]
            file.append(signals, acq_name="group")
            file.groups[0].channels[0].name = "Time"
            file.save(path, overwrite=True, compression=2 if packed else 0)
    else:
        import pyarrow as pa
        import pyarrow.parquet as pq

        table = pa.table(columns)
        if form == "parquet":
            pq.write_table(table, path, compression="zstd" if packed else "none")
        else:
            opened = pa.ipc.new_stream if packed else pa.ipc.new_file
            with pa.OSFile(str(path), "wb") as sink, opened(sink, table.schema) as writer:
                writer.write_table(table)
    return path.read_bytes()


def main(form: str, count: int, folder: Path) -> None:
    """Read so many damaged logs."""
    path, rig = folder / "log", rig_of(form)
    sound = [whole_log(form, folder / "sound.mf4", packed) for packed in (False, True)]
    draw = np.random.default_rng(sum(form.encode()))
    found = {"read": 0, "refused": 0, "slowest_s": 0.0, "peak_mb": 0.0}
    for number in range(count):
        data = damaged(sound[number % 2], draw) if number > 1 else sound[number]
        path.write_bytes(data)
        begun = time.monotonic()
        rows, refusal = 0, ""
        try:
            for batch in read_log(path, io.BytesIO(data), rig):
                rows += len(batch.row) + sum(reject.rows for reject in batch.rejects)
        except InputError as error:
            refusal = str(error)
        found["refused" if refusal else "read"] += 1
        assert len(refusal.encode()) < 2048
        assert number > 1 or (rows, refusal) == (ROWS, "")
        found["slowest_s"] = max(found["slowest_s"], time.monotonic() - begun)
    reader_process._FREE.clear()  # it ends, and how much memory it took is known
    # Of this process by the system's own count: what getrusage says of it begins with the memory of its parent.
    children = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    found["peak_mb"] = max(peak_mb(), children)
    sys.stdout.write(json.dumps(found))


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    main(sys.argv[1], int(sys.argv[2]), Path(sys.argv[3]))
