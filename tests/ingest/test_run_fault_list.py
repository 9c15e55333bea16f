"""The faults that logs come with, one by one: what is taken, and the line in the rejects or remarks that tells it.

A dialect loses nothing and has no line; all others have one. Faults of whole files, nights and counters stand in
the tests called after them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pytest

from benchpipe.config.rig import LogConfig
from benchpipe.errors import InputError
from tests.ingest.taken import DATED, HEAD, Run, Taken, dated, rows
from tests.ingest.text_logs import make_rig, read_bytes

TWENTY = rows(0, 20)
AGAIN = rows(20, 40)


@dataclass(frozen=True)
class Case:
    """A log of rows at 100 Hz, and what must come of it.

    ``rejects`` are row and reason, ``codes`` those of the remarks with their counts; ``holes`` are samples
    without a force.
    """

    text: str | bytes
    samples: int = 40
    rejects: tuple[tuple[int, str], ...] = ()
    codes: dict[str, int] = field(default_factory=dict)
    log: str = ""
    time: str = 'column = "t"'
    force: str = ""
    holes: tuple[int, ...] = ()


def comma(text: str, separator: str) -> str:
    """The same rows with a decimal comma."""
    return text.replace(",", separator).replace(".", ",")


def thousand(text: str, mark: str) -> str:
    """A force of a thousand and a half more, with the mark, and decimal commas."""
    lines = (line.split(",") for line in text.splitlines())
    return "".join(f"{t.replace('.', ',')};1{mark}{int(force):03},5;{x}\n" for t, force, x in lines)


def clock(*stretches: str) -> str:
    return HEAD + "".join(stretches)


LATER = "2026-03-01 10:00:00"
CASES = {
    "header repeated": Case(HEAD + TWENTY + HEAD + AGAIN, rejects=((22, "header repeated"),)),
    "other columns in the middle": Case(
        HEAD + TWENTY + "x,note,t,F\n" + "".join(f"1,,{k / 100},2\n" for k in range(20, 40)),
        rejects=((22, "a header: other columns from here"),),
    ),
    "a block that lacks a column": Case(
        HEAD + TWENTY + "t,x\n0.2,1\n0.3,1\n" + HEAD + AGAIN,
        rejects=(
            (22, "this part of the log has no column 'F'"), (23, "this part of the log has no column 'F'"),
            (24, "this part of the log has no column 'F'"), (25, "a header: other columns from here"),
        ),
    ),
    "decimal comma and semicolons": Case(
        comma(HEAD + TWENTY + AGAIN, ";"), log='separator = ";"\ndecimal = ","',
    ),
    "decimal comma and tabs": Case(comma(HEAD + TWENTY + AGAIN, "\t"), log='separator = "\\t"\ndecimal = ","'),
    "grouped thousands": Case("t;F;x\n" + thousand(rows(0, 40), "."),
                              log='separator = ";"\ndecimal = ","\nthousands = "."'),
    "mixed line ends": Case(HEAD + TWENTY.replace("\n", "\r\n") + AGAIN),
    "old line ends": Case((HEAD + TWENTY).replace("\n", "\r") + AGAIN),
    "byte-order mark": Case(b"\xef\xbb\xbf" + (HEAD + TWENTY + AGAIN).encode()),
    "UTF-16": Case((HEAD + TWENTY + AGAIN).encode("utf-16"), log='encoding = "utf-16"'),
    "GBK": Case(("试验台\n" + HEAD + TWENTY + AGAIN).encode("gbk"), log='encoding = "gbk"'),
    "broken bytes": Case(
        (HEAD + TWENTY).encode() + b"0.2\xff,1,2\n0.21,\xfe\xfe,2\n" + rows(22, 40).encode(), samples=38,
        rejects=((22, "no time that can be read"), (23, "no number in the column of 'force'")),
    ),
    "quoted numbers": Case(
        HEAD + "".join('"' + line.replace(",", '","') + '"\n' for line in rows(0, 40).splitlines()),
        log="quoted = true",
    ),
    "three-digit exponents": Case(HEAD + TWENTY + "".join(f"{k}.0E-002,1.5e+002,-2.5E+000\n" for k in range(20, 40))),
    "sentinels of each channel": Case(
        HEAD + TWENTY + "0.20,OVER,1\n0.21,-999,1\n0.22,1e38,1\n0.23,.,1\n0.24,,1\n0.25,1,OVER\n" + rows(26, 40),
        samples=39, rejects=((27, "no number in the column of 'stroke'"),), codes={"missing": 5},
        force='missing = ["OVER", "-999", "1e38", "."]', holes=(20, 21, 22, 23, 24),
    ),
    "a truncated last line": Case(
        HEAD + TWENTY + AGAIN + "0.4,1", rejects=((42, "the last line has no line end: it may be half-written"),)
    ),
    "too few cells": Case(HEAD + TWENTY + "0.2,1\n" + AGAIN, rejects=((22, "2 cells instead of 3"),)),
    "an operator's note": Case(
        HEAD + TWENTY + "stopped,to,look\n" + AGAIN, rejects=((22, "no time that can be read"),)
    ),
    "rows again after a resume": Case(HEAD + TWENTY + rows(5, 20) + AGAIN, codes={"repeats": 15}),
    "other rows at times that are over": Case(
        HEAD + TWENTY + "0.17,-1,-1\n0.18,-1,-1\n" + AGAIN,
        rejects=((22, "the time does not rise"), (23, "the time does not rise")),
    ),
    "elapsed time that begins anew": Case(HEAD + TWENTY + rows(500, 520, shift=-5.0), codes={"restart": 1}),
    "a clock that goes back": Case(
        clock(dated(LATER, 20), dated("2026-03-01 09:40:00", 20, 500)), codes={"clock-set-back": 1}, time=DATED
    ),
    "the end of summer time": Case(
        clock(dated("2026-10-25 02:59:59", 100), dated("2026-10-25 02:00:00", 20, 500)), samples=120,
        codes={"end-of-summer-time": 1}, time=DATED,
    ),
    "the begin of summer time": Case(
        clock(dated("2026-03-29 01:59:59", 100), dated("2026-03-29 03:00:00", 20, 500)), samples=120,
        codes={"begin-of-summer-time": 1, "gap": 1}, time=DATED,
    ),
    "a new day": Case(
        "t,F,x\n" + "".join(f"23:59:59.{k:02},{k},1\n" for k in range(80, 100))
        + "".join(f"00:00:00.{k:02},{k},2\n" for k in range(20)),
        time='column = "t"\nkind = "datetime"\nformat = "%H:%M:%S.%f"', codes={"next-day": 1},
    ),
    "a gap": Case(HEAD + TWENTY + rows(120, 140), codes={"gap": 1}),
    "a dropout that repeats the last value": Case(
        HEAD + TWENTY + "".join(f"{k / 100},57,{k}\n" for k in range(20, 30)) + rows(30, 40),
        codes={"dropout": 6, "missing": 6}, force="stuck_after = 5", holes=(24, 25, 26, 27, 28, 29),
    ),
    "no row yet": Case(HEAD, samples=0, codes={"empty": 1}),
    "no byte": Case(b"", samples=0, codes={"empty": 1}),
}  # fmt: skip


def told(taken: Taken) -> list[tuple[int, str]]:
    return [(r["row"] + k, r["reason"]) for r in taken.rejects for k in range(r["rows"])]


@pytest.mark.parametrize("name", CASES)
def test_a_fault_is_told(name: str, tmp_path: Path) -> None:
    case = CASES[name]
    run = Run(tmp_path, log=case.log, time=case.time, force=case.force)
    run.write("a.csv", case.text)
    taken = run.take()
    assert len(taken.samples) == case.samples
    assert told(taken) == list(case.rejects)
    assert taken.codes == case.codes
    assert tuple(k for k, s in enumerate(taken.samples) if s[3] != s[3]) == case.holes


@pytest.mark.parametrize("name", ["decimal comma and semicolons", "decimal comma and tabs", "mixed line ends",
                                  "old line ends", "byte-order mark", "UTF-16", "GBK", "quoted numbers"])  # fmt: skip
def test_a_dialect_gives_the_same_samples(name: str, tmp_path: Path) -> None:
    case = CASES[name]
    plain, other = Run(tmp_path / "plain"), Run(tmp_path / "other", log=case.log)
    plain.write("a.csv", HEAD + TWENTY + AGAIN)
    other.write("a.csv", case.text)
    one, two = plain.take(), other.take()
    assert [(s[0], *s[3:]) for s in one.samples] == [(s[0], *s[3:]) for s in two.samples]


def test_numbers_of_thousands_and_exponents_are_what_they_say(tmp_path: Path) -> None:
    case = CASES["grouped thousands"]
    run = Run(tmp_path / "thousands", log=case.log)
    run.write("a.csv", case.text)
    assert [s[3] for s in run.take().samples] == [1000.5 + k * 3 % 997 for k in range(40)]
    run = Run(tmp_path / "exponents")
    run.write("a.csv", CASES["three-digit exponents"].text)
    assert [(s[0], *s[3:]) for s in run.take().samples[20:]] == [(k * 10_000, 150.0, -2.5) for k in range(20, 40)]


@pytest.mark.parametrize(("declared", "data"), [
    ("utf-8", (HEAD + TWENTY).encode("utf-16")), ("utf-16", (HEAD + TWENTY).encode()),
    ("cp1252", b"\xef\xbb\xbf" + (HEAD + TWENTY).encode()),
])  # fmt: skip
def test_another_encoding_than_declared_is_refused(declared: str, data: bytes, tmp_path: Path) -> None:
    run = Run(tmp_path, log=f'encoding = "{declared}"')
    run.write("a.csv", data)
    with pytest.raises(InputError, match="the rig file says") as caught:
        run.take()
    assert caught.value.exit_code == 12


def test_a_byte_order_mark_before_the_first_row_of_a_log_without_header() -> None:
    channels = [{"name": "load", "column": 2, "unit": "N"}, {"name": "motion", "column": 3, "unit": "mm"}]
    rig = make_rig({"header": False}, {"column": 1}, channels)
    for mark, codec in ((b"\xef\xbb\xbf", "utf-8"), (b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be")):
        log = {"header": False, "encoding": codec[:6].rstrip("-")}
        read = read_bytes(mark + TWENTY.encode(codec), rig.model_copy(update={"log": LogConfig(**log)}))
        assert (read.row, read.rejects) == (list(range(1, 21)), []), codec


def test_letters_of_gbk_that_end_in_a_separator_or_name_a_column() -> None:
    note = b"\x81\x7c"  # one letter, whose second byte is a bar
    assert len(note.decode("gbk")) == 1
    channels = [{"name": "load", "column": "力", "unit": "N"}, {"name": "motion", "column": "Angle", "unit": "mm"}]
    rig = make_rig({"encoding": "gbk", "separator": "|"}, None, channels)
    text = "Time|力|Note|Angle\n".encode("gbk") + b"".join(b"%d.5|%d|" % (k, k) + note + b"|7\n" for k in range(9))
    read = read_bytes(text, rig)
    assert (read.channels["load"], read.channels["motion"]) == ([float(k) for k in range(9)], [7.0] * 9)
    assert read.rejects == []
