"""The process that reads binary logs: what a library does there ends as an error of one log, and of no other."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from benchpipe.cli.drafting import logs_of_rig
from benchpipe.errors import BenchpipeError, ExitCode, InputError
from benchpipe.inspect.run import inspect_logs
from benchpipe.readers import allowances, reader_process
from benchpipe.readers.reader_process import call_apart, stream_apart
from tests.cli.commands import REPO, called, started
from tests.ingest import faulty_readers as faulty
from tests.ingest.taken import Run

LOG = Path("some log")
SOON_S = 10.0


@pytest.fixture(autouse=True)
def no_process() -> Iterator[None]:
    """Each test begins without a process, and leaves none."""
    reader_process._FREE.clear()
    yield
    reader_process._FREE.clear()


def gone(process: int) -> bool:
    """Whether a process ends within some seconds, and no zombie is left of it."""
    end = time.monotonic() + SOON_S
    while time.monotonic() < end:
        if not Path(f"/proc/{process}").exists():
            return True
        time.sleep(0.02)
    return False


# --- what comes over ----------------------------------------------------------------------------------------


def test_items_come_in_order_and_as_they_were() -> None:
    got = list(stream_apart(LOG, faulty.numbers, 5, 300_000))
    assert [float(a[0]) for a in got] == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert all(a.size == 300_000 and (a == a[0]).all() and a.flags.writeable for a in got)
    assert [a.size for a in stream_apart(LOG, faulty.numbers, 2, 0)] == [0, 0]


def test_one_process_reads_all_logs_and_another_one_those_that_are_read_meanwhile() -> None:
    first = call_apart(LOG, faulty.process)
    assert first == call_apart(LOG, faulty.process) != os.getpid()
    one, other = (stream_apart(LOG, faulty.numbers, 3) for _ in range(2))
    assert [float(a[0] + b[0]) for a, b in zip(one, other, strict=True)] == [0.0, 2.0, 4.0]
    assert len(reader_process._FREE) == 2


def test_a_log_that_is_left_in_the_middle_does_not_show_in_the_next() -> None:
    first = call_apart(LOG, faulty.process)
    for _ in range(3):
        some = stream_apart(LOG, faulty.numbers, 100, 200_000)
        assert float(next(some)[0]) == 0.0
        some.close()  # type: ignore[attr-defined]
        assert call_apart(LOG, faulty.process) == first


def test_a_relative_path_is_one_from_where_the_job_is_now(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    call_apart(LOG, faulty.process)
    monkeypatch.chdir(tmp_path)
    assert call_apart(LOG, os.getcwd) == str(tmp_path)


def test_what_a_library_writes_stays_off_the_terminal(capfd: pytest.CaptureFixture[str]) -> None:
    assert call_apart(LOG, faulty.chatters) == "done"
    assert capfd.readouterr() == ("", "")


def test_an_error_of_a_reader_comes_as_it_is_and_the_process_goes_on() -> None:
    first = call_apart(LOG, faulty.process)
    with pytest.raises(ZeroDivisionError, match="a slip") as told:
        call_apart(LOG, faulty.fails)
    assert "faulty_readers.py" in told.value.__notes__[0]  # a report of the bug says where it was
    assert call_apart(LOG, faulty.process) == first


# --- what ends it -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", [signal.SIGSEGV, signal.SIGABRT, signal.SIGBUS])
@pytest.mark.parametrize("after", [0, 2])
def test_a_crash_is_an_error_of_its_log_and_the_next_is_read(number: signal.Signals, after: int) -> None:
    first = call_apart(LOG, faulty.process)
    with pytest.raises(InputError, match=rf"crashed over it \({number.name}\)") as told:
        list(stream_apart(LOG, faulty.killed, number, after))
    assert (told.value.where, told.value.exit_code) == (str(LOG), ExitCode.BAD_INPUT)
    assert told.value.do_next
    assert gone(first)
    assert call_apart(LOG, faulty.process) != first


def test_a_process_that_is_killed_or_leaves_is_told() -> None:
    with pytest.raises(InputError, match="was killed") as told:
        list(stream_apart(LOG, faulty.killed, signal.SIGKILL))
    assert "memory" in str(told.value)
    with pytest.raises(InputError, match=r"crashed over it \(exit code 3\)"):
        call_apart(LOG, faulty.left, 3)


def test_one_that_was_killed_between_two_logs_is_replaced() -> None:
    first = call_apart(LOG, faulty.process)
    os.kill(first, signal.SIGKILL)
    time.sleep(0.2)
    assert call_apart(LOG, faulty.process) != first
    assert gone(first)


def test_control_c_is_answered_by_the_job_alone() -> None:
    first = call_apart(LOG, faulty.process)
    os.kill(first, signal.SIGINT)
    time.sleep(0.2)
    assert call_apart(LOG, faulty.process) == first


def test_one_that_cannot_start_is_no_fault_of_the_log(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reader_process, "START", "raise SystemExit(9)")
    with pytest.raises(BenchpipeError, match=r"could not be started \(exit code 9\)") as told:
        call_apart(LOG, faulty.process)
    assert told.value.exit_code == ExitCode.BUG


@pytest.mark.parametrize(("reader", "arguments"), [(faulty.in_a_circle, ()), (faulty.waits, (60.0,))])
def test_no_progress_is_an_error_of_its_log(
    reader: Callable[..., object], arguments: tuple[float, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    first = call_apart(LOG, faulty.process)
    monkeypatch.setattr(allowances, "PATIENCE_S", 1.0)
    begun = time.monotonic()
    with pytest.raises(InputError, match="no progress for 1 s") as told:
        call_apart(LOG, reader, *arguments)
    assert time.monotonic() - begun < SOON_S
    assert (told.value.where, told.value.exit_code) == (str(LOG), ExitCode.BAD_INPUT)
    assert gone(first)


def test_a_larger_log_may_take_longer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(allowances, "PATIENCE_S", 1.0)
    log = tmp_path / "log"
    log.write_bytes(b"")
    os.truncate(log, int(6 * allowances.SLOWEST_BYTES_S))
    assert call_apart(log, faulty.waits, 2.5) == 2.5


@pytest.mark.skipif(sys.platform != "linux", reason="memory is limited on Linux only")
def test_memory_beyond_what_a_log_needs_is_refused_and_the_process_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(allowances, "MEMORY_BYTES", 400 << 20)
    first = call_apart(LOG, faulty.process)
    for _ in range(3):  # what one log took is not taken from the next
        assert call_apart(LOG, faulty.takes, allowances.MEMORY_BYTES * 3 // 4) == 1
    with pytest.raises(InputError, match="more memory than") as told:
        call_apart(LOG, faulty.takes, allowances.MEMORY_BYTES * 5 // 4)
    assert (told.value.where, told.value.exit_code) == (str(LOG), ExitCode.BAD_INPUT)
    assert call_apart(LOG, faulty.process) == first


# --- it ends with the job -----------------------------------------------------------------------------------

JOB = """
import os, sys, threading, time
from pathlib import Path
from benchpipe.readers.reader_process import call_apart, stream_apart
from tests.ingest import faulty_readers as faulty

log, note, how = Path("some log"), Path(sys.argv[1]), sys.argv[2]
if how == "leaves":
    next(stream_apart(log, faulty.numbers, 100, 200_000))
    note.write_text(str(call_apart(log, faulty.process)))
    sys.exit()
call_apart(log, faulty.in_a_circle, note)
"""


def noted(note: Path) -> int:
    end = time.monotonic() + SOON_S
    while time.monotonic() < end:
        if note.exists() and (text := note.read_text()):
            return int(text)
        time.sleep(0.02)
    pytest.fail("the process never began to read")


@pytest.mark.parametrize("how", ["leaves", "SIGKILL", "SIGTERM", "SIGINT"])
def test_it_ends_with_the_job_whatever_a_library_does(how: str, tmp_path: Path) -> None:
    note = tmp_path / "note"
    environment = os.environ | {"PYTHONPATH": str(REPO)}
    job = subprocess.Popen(
        [sys.executable, "-c", JOB, str(note), how], env=environment, stderr=subprocess.PIPE, start_new_session=True
    )
    reader = noted(note)
    if how != "leaves":
        time.sleep(0.2)
        assert Path(f"/proc/{reader}").exists()
        (os.killpg if how == "SIGINT" else os.kill)(job.pid, getattr(signal, how))  # Control-C reaches the group
    _, text = job.communicate(timeout=SOON_S)
    assert job.returncode == {"leaves": 0}.get(how, -getattr(signal, how, 0)), text
    assert gone(reader)


# --- logs, by the commands ----------------------------------------------------------------------------------


def matlab_log(path: Path, *, damaged: bool) -> None:
    """A log; damaged, its numbers have a type the library does not check (MAT-File Format, level 5)."""
    from scipy.io import savemat

    n = np.arange(2000.0)
    savemat(path, {"t": n / 100, "F": 40 - 35 * np.cos(n * np.pi / 50), "x": n % 50}, do_compression=False)
    data = bytearray(path.read_bytes())
    assert data[128 + 48] == 9  # after a matrix' tag, flags, size and name
    data[128 + 48] = 125 if damaged else 9
    path.write_bytes(data)


def fell_over(text: str) -> bool:
    """Whether a command said what a damaged log did to the library: what was in memory before decides which it is."""
    said = " ".join(text.split())
    return any(one in said for one in ("crashed over it (SIG", "not a MATLAB v5 file", "more memory than"))


LAB = 'name = "lab"\nplans = ["sound/plan.toml", "damaged/plan.toml", "last/plan.toml"]\nstore = "store"\n'


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    """Three runs; the second has a log over which the library crashes."""
    for name in ("sound", "damaged", "last"):
        Run(tmp_path / name, log='format = "matlab"')
        matlab_log(tmp_path / name / "logs" / "log.mat", damaged=name == "damaged")
        plan = tmp_path / name / "plan.toml"
        plan.write_text(plan.read_text().replace('name = "run"', f'name = "{name}"'))
    (tmp_path / "lab.toml").write_text(LAB)
    return tmp_path


CRASHES = """
from benchpipe.readers import matlab
real = matlab.load_matlab
def load_matlab(file):
    if "damaged" in file.name:
        import os, signal
        os.kill(os.getpid(), signal.SIGSEGV)
    return real(file)
matlab.load_matlab = load_matlab
"""


def test_a_night_goes_on_after_a_crash(lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the library makes of such bytes: here it crashes over them surely."""
    begin, serve = reader_process.START.rsplit("; ", 1)
    monkeypatch.setattr(reader_process, "START", f"{begin}\n{CRASHES}\n{serve}")
    code, out, err = called(["nightly", "lab.toml", "--jobs", "1"], lab)
    assert code == ExitCode.BAD_INPUT, err
    assert "crashed over it (SIGSEGV" in " ".join((out + err).split()), out + err
    assert "log.mat" in out + err
    assert "Traceback" not in out + err
    rows = {p.parent.parent.name: pq.read_metadata(p).num_rows for p in (lab / "store").rglob("samples/*.parquet")}
    assert rows == {"sound": 2000, "last": 2000}


@pytest.mark.parametrize(
    "command",
    [["ingest", "damaged/plan.toml"], ["inspect", "damaged/logs/log.mat"], ["doctor", "lab.toml"],
     ["inspect", "damaged/logs/log.mat", "--rig", "damaged/rig.toml", "--write-plan", "damaged/new.toml"]],
    ids=["ingest", "inspect", "doctor", "plan"],
)  # fmt: skip
def test_a_crash_is_an_error_that_names_the_log_in_every_command(command: list[str], lab: Path) -> None:
    code, out, err = called(command, lab)
    assert code == ExitCode.BAD_INPUT, (out, err)
    assert fell_over(out + err), out + err
    assert "log.mat" in out + err
    assert "Traceback" not in out + err


def test_control_c_ends_a_command_that_waits_for_a_library(tmp_path: Path) -> None:
    h5py = pytest.importorskip("h5py")
    Run(tmp_path, log='format = "hdf5"', time='column = "t"\nkind = "datetime"\nformat = "%Y-%m-%d %H:%M:%S.%f"')
    log = tmp_path / "logs" / "log.h5"
    endless(log, h5py)
    job = started(["ingest", "plan.toml"], tmp_path, start_new_session=True)
    children = Path(f"/proc/{job.pid}/task/{job.pid}/children")
    end = time.monotonic() + SOON_S
    while not (found := children.read_text().split()) and time.monotonic() < end:
        time.sleep(0.02)
    time.sleep(2.0)
    assert job.poll() is None
    os.killpg(job.pid, signal.SIGINT)
    _, err = job.communicate(timeout=SOON_S)
    assert job.returncode == ExitCode.INTERRUPTED, err
    assert b"Traceback" not in err
    assert gone(int(found[0]))


def test_a_library_that_goes_round_in_a_circle_is_an_error_of_its_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    h5py = pytest.importorskip("h5py")
    case = Run(tmp_path, log='format = "hdf5"', time='column = "t"\nkind = "datetime"\nformat = "%Y-%m-%d %H:%M:%S.%f"')
    endless(tmp_path / "logs" / "log.h5", h5py)
    monkeypatch.setattr(allowances, "PATIENCE_S", 3.0)
    with pytest.raises(InputError, match=r"no progress for 3 s[\s\S]*log\.h5"):
        case.take()


def endless(path: Path, h5py: object) -> None:
    """Texts of no fixed length, the second of which is free and nothing long: HDF5 goes round there for ever.

    HDF5 File Format Specification 3.0, III.E "Disk Format: Level 1E - Global Heap".
    """
    n = np.arange(200)
    stamps = [f"2031-03-01 10:00:0{k // 100}.{k % 100:02}0" for k in n]
    with h5py.File(path, "w") as file:  # type: ignore[attr-defined]
        file["t"] = np.array(stamps, dtype=h5py.string_dtype())  # type: ignore[attr-defined]
        file["F"], file["x"] = np.sin(n / 16), np.cos(n / 16)
    whole = path.read_bytes()
    heap = whole.index(b"GCOL\x01")
    size = int.from_bytes(whole[heap + 24 : heap + 32], "little")
    second = heap + 32 + (size + 7) // 8 * 8
    path.write_bytes(whole[:second] + bytes(16) + whole[second + 16 :])


def test_a_sound_night_has_one_process(tmp_path: Path) -> None:
    case = Run(tmp_path, log='format = "parquet"')
    for k in range(3):
        n = np.arange(500.0)
        table = pa.table({"t": n / 100 + 10 * k, "F": 40 - 35 * np.cos(n * np.pi / 50), "x": np.sin(n * np.pi / 50)})
        pq.write_table(table, tmp_path / "logs" / f"{k}.parquet", row_group_size=100)
    logs = sorted((tmp_path / "logs").iterdir())
    assert len(logs_of_rig(case.config.rig, logs, set())[0]) == 3
    inspect_logs(logs)
    assert len(case.take().samples) == 1500
    assert len(reader_process._FREE) == 1
