"""Notes and planned work: drift has a new base there, no sample is read, nothing depends on when it was known."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from benchpipe.drift.night import drift_night
from benchpipe.drift.noting import note_time, write_note
from benchpipe.drift.watched import LogEntry
from benchpipe.drift.words import based_lines
from benchpipe.errors import ConfigError
from benchpipe.pipeline import work
from benchpipe.run import RunConfig, load_run
from benchpipe.store.manifest import Manifest
from tests.cli.commands import called
from tests.drift.drawn import CYCLES, DAY, block_of, cycles_of
from tests.drift.test_drift_step import CYCLES as LOGGED
from tests.drift.test_drift_step import DAY as LOG_DAY
from tests.drift.test_drift_step import STEP_AT, log, made, tables, told

AT_S = 30_000.0 + 100.0 * STEP_AT
AT = f"{AT_S / 3600:.4f} h"


def noted(run: RunConfig, manifest: Manifest, at: str = AT, kind: str = "retightened") -> None:
    write_note(run, manifest, note_time(run, at), kind, "clamp screw", datetime.now(UTC))


@pytest.fixture(scope="module")
def told_first(tmp_path_factory: pytest.TempPathFactory) -> tuple[RunConfig, Manifest, Manifest]:
    """A run whose step was an alarm, and the same after a note on it."""
    run = made(tmp_path_factory.mktemp("noted"), LOGGED)
    before = work(run).manifest
    noted(run, before)
    return run, before, work(run).manifest


def test_a_note_turns_an_alarm_into_an_event_without_one(told_first: tuple[RunConfig, Manifest, Manifest]) -> None:
    run, before, after = told_first
    assert told(before) == [("step", "main, event 1")]
    assert told(after) == []
    rows = [r for r in tables(run, after)["events"].to_pylist() if r["measure"] == "secant_stiffness"]
    assert [(r["kind"], r["found"], r["alarm"], r["event"]) for r in rows] == [("retightened", "log", False, 1)]
    assert rows[0]["size"] == pytest.approx(1 / 1.03 - 1, abs=0.003)
    assert abs(rows[0]["cycle"] - STEP_AT) <= 1
    assert not any(r["kind"] == "observed" for r in rows)


def test_no_sample_is_read_for_a_note(told_first: tuple[RunConfig, Manifest, Manifest]) -> None:
    _, before, after = told_first
    for step in ("ingest", "process"):
        assert before.steps[step] == after.steps[step]


def test_a_note_written_at_once_a_later_night_or_beforehand_gives_the_same_tables(
    told_first: tuple[RunConfig, Manifest, Manifest], tmp_path: Path
) -> None:
    once = tables(told_first[0], told_first[2])
    run = made(tmp_path, 3 * LOG_DAY)
    noted(run, work(run).manifest)
    for rows in (7 * LOG_DAY + 100, 9 * LOG_DAY, LOGGED):
        run = made(tmp_path, rows)
        manifest = work(run).manifest
        assert told(manifest) == []
    nights = tables(run, manifest)
    assert all(once[name].equals(nights[name]) for name in once)


def test_a_note_on_days_to_come_rebuilds_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from benchpipe.drift import run as step

    run = made(tmp_path, 5 * LOG_DAY)
    noted(run, work(run).manifest)
    read = []
    plain = step.read_rows

    def counted(*given: object) -> object:
        found = plain(*given)  # type: ignore[arg-type]
        read.append(found[0].num_rows)
        return found

    monkeypatch.setattr(step, "read_rows", counted)
    work(run)
    assert read == [pytest.approx(LOG_DAY, abs=LOG_DAY)]
    noted(run, run.open_store().manifest(), "40 h")  # this one does
    work(run)
    assert read[1] > 4 * LOG_DAY


def test_a_note_explains_its_own_change_and_no_other(tmp_path: Path) -> None:
    run = made(tmp_path, LOGGED)
    manifest = work(run).manifest
    noted(run, manifest, "60 h", "inspection")
    manifest = work(run).manifest
    # the inspection has number 1: what moved later is another event, and is reported under another number
    assert told(manifest) == [("step", "main, event 2")]
    noted(run, manifest, AT, "observed")
    manifest = work(run).manifest
    assert told(manifest) == [("step", "main, event 2")]
    (row,) = [r for r in tables(run, manifest)["events"].to_pylist() if r["alarm"]]
    assert row["near"] == "observed"


def test_a_later_event_keeps_its_number_when_a_note_explains_an_earlier_one() -> None:
    cycles = cycles_of(step_at=5 * DAY)
    later = cycles.cycle >= 9 * DAY + 200
    cycles.values["energy_j"][later] *= 1.04
    plain = drift_night(block_of(), cycles, complete=True)
    note = LogEntry("retightened", int(cycles.start_us[5 * DAY - 1]), "screw", expected=True)
    explained = drift_night(block_of(), cycles, entries=[note], complete=True)
    numbers = [{r["measure"]: r["event"] for r in result.events if r["alarm"]} for result in (plain, explained)]
    assert numbers == [{"secant_stiffness": 1, "energy_j": 2}, {"energy_j": 2}]
    assert {r["event"] for r in explained.events if r["kind"] == "retightened"} == {1}


def test_a_zero_explains_what_moves_with_it_alone() -> None:
    cycles = cycles_of(step_at=7 * DAY, moved=("motion_mean", "energy_j"))
    note = LogEntry("rezero", int(cycles.start_us[7 * DAY - 1]), "", expected=True)
    result = drift_night(block_of(), cycles, entries=[note], complete=True)
    assert {r["measure"] for r in result.events if r["found"] == "online"} == {"energy_j"}
    assert {r["measure"] for r in result.events if r["kind"] == "rezero"} == {"motion_mean"}


def test_planned_work_is_an_event_without_an_alarm_whichever_nights_the_days_came_in() -> None:
    cycles = cycles_of(step_at=7 * DAY + 31)
    planned = (LogEntry("exchange", 0, "seal", expected=True, cycle=7 * DAY + 31),)
    block = block_of(planned=planned)
    at_once = drift_night(block, cycles, entries=planned, complete=True)
    state, first = None, 0
    for cut in (3 * DAY, 7 * DAY + 100, 9 * DAY, CYCLES):
        result = drift_night(block, cycles.rows(first, cut), state, planned, complete=cut == CYCLES)
        state = json.loads(json.dumps(result.state))
        first = int((cycles.start_us < result.wanted_from_us).sum())
        assert not any(r["alarm"] for r in result.events)
    assert result.events == at_once.events
    (row,) = [r for r in result.events if r["measure"] == "secant_stiffness"]
    assert (row["kind"], row["cycle"], row["found"]) == ("exchange", 7 * DAY + 31, "log")
    assert row["size"] == pytest.approx(-0.03, abs=0.004)


def test_a_plan_states_its_work(tmp_path: Path) -> None:
    run = made(tmp_path, 7 * LOG_DAY + 2)
    plan = tmp_path / "plan.toml"
    plan.write_text(
        plan.read_text() + f'[[planned]]\nkind = "exchange"\nblock = "main"\ncycle = {STEP_AT}\n', encoding="utf-8"
    )
    (tmp_path / "a.csv").write_text("t,force,stroke,air\n" + "".join(log()), encoding="utf-8")
    run = load_run(plan, tmp_path / "store")
    manifest = work(run).manifest
    assert told(manifest) == []
    assert {r["kind"] for r in tables(run, manifest)["events"].to_pylist()} == {"exchange"}


@pytest.mark.parametrize(
    ("words", "why"),
    [
        ('kind = "exchange"\nblock = "other"\ncycle = 5', "'other' is no cyclic block of the plan"),
        ('kind = "exchange"\nblock = "main"\ncycle = 99_000', "comes after the planned end"),
        ('kind = "observed"\nblock = "main"\ncycle = 5', "exchange"),
    ],
)
def test_work_that_cannot_be_is_refused_with_its_line(tmp_path: Path, words: str, why: str) -> None:
    made(tmp_path, 10)
    plan = tmp_path / "plan.toml"
    plan.write_text(f"{plan.read_text()}[[planned]]\n{words}\n", encoding="utf-8")
    with pytest.raises(ConfigError, match=why) as error:
        load_run(plan)
    assert "plan.toml:" in str(error.value)


def test_lost_notes_are_reported_and_verified(tmp_path: Path) -> None:
    run = made(tmp_path, 3 * LOG_DAY)
    noted(run, work(run).manifest, "20 h")
    work(run)
    plan = str(tmp_path / "plan.toml")
    code, out, _ = called(["verify", plan], tmp_path)
    assert "1 note(s), each follows from the one before" in out
    (run.store / "run" / "notes.jsonl").unlink()
    code, out, _ = called(["verify", plan], tmp_path)
    assert (code, "1 note(s) were there, 0 are left" in out) == (13, True)
    assert ("notes-lost", "notes.jsonl") in told(work(run).manifest)


def test_the_command_writes_and_lists(tmp_path: Path) -> None:
    run = made(tmp_path, LOG_DAY)
    words = ["note", "plan.toml"]
    assert called(words, tmp_path)[:2] == (0, "run: no notes\n")
    more = [*words, "--at", "12.5 h", "--kind", "exchange", "seal \x1b[31m"]
    code, _, error = called(more, tmp_path)
    assert (code, "nothing of run 'run' is in the store yet" in error) == (2, True)
    work(run)
    assert called(more, tmp_path)[0] == 0
    code, out, error = called([*words, "--at", "400 h", "--kind", "inspection", "seen"], tmp_path)
    assert code == 0
    assert "the log ends at 3" in error
    code, out, _ = called(words, tmp_path)
    assert out.splitlines() == [
        "run, note 1: 12.5 h  exchange  seal \\x1b[31m", "run, note 2: 400 h  inspection  seen",
    ]  # fmt: skip
    rows = json.loads(called([*words, "--json"], tmp_path)[1])["notes"]
    assert [(row["number"], row["at_us"], row["kind"]) for row in rows] == [
        (1, 45_000_000_000, "exchange"), (2, 1_440_000_000_000, "inspection"),
    ]  # fmt: skip


def test_notes_go_into_an_archive_and_come_back(tmp_path: Path) -> None:
    run = made(tmp_path / "lab", LOG_DAY)
    noted(run, work(run).manifest, "20 h")
    work(run)
    words = [str(run.plan_path), "--store", str(run.store)]
    code, _, error = called(["archive", *words, "--to", str(tmp_path / "archive")], tmp_path)
    assert code == 0, error
    code, _, error = called(["note", *words, "--at", "21 h", "--kind", "exchange", "x"], tmp_path)
    assert code != 0
    assert "in the archive since" in error
    assert not (run.store / "run" / "notes.jsonl").exists()
    assert called(["restore", *words], tmp_path)[0] == 0
    assert "note 1: 20 h  retightened" in called(["note", *words], tmp_path)[1]


def test_the_summary_names_what_gave_a_new_base(told_first: tuple[RunConfig, Manifest, Manifest]) -> None:
    run, _, after = told_first
    rows = tables(run, after)["events"].to_pylist()
    (line,) = based_lines(rows)
    assert line.startswith("main, event 1: retightened at cycle 6,34")
    assert "no alarm; " in line
    assert "% " not in line.split("moved most, by ")[1]
    assert list(based_lines(row | {"found": "online"} for row in rows)) == []


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["--at", "2 h", "--kind", "exchange", "x"], "before the log begins"),
        (["--at", "soon", "--kind", "exchange", "x"], "a time since the log began"),
        (["--at", "1e400 h", "--kind", "exchange", "x"], "--at is no time"),
        (["--at", "20 h", "--kind", "exchang", "x"], "exchange"),
        (["--at", "20 h", "--kind", "exchange", "  "], "must not be empty"),
        (["--at", "20 h", "x"], "--kind"),
        (["x"], "--at and --kind"),
    ],
)
def test_a_note_that_cannot_be_is_refused(
    told_first: tuple[RunConfig, Manifest, Manifest], words: list[str], why: str
) -> None:
    run = told_first[0]
    before = (run.store / "run" / "notes.jsonl").read_bytes()
    code, _, error = called(["note", str(run.plan_path), *words], run.folder)
    assert (code, why in error) == (2, True), error
    assert (run.store / "run" / "notes.jsonl").read_bytes() == before


def test_a_dated_log_takes_dates_of_its_own_clock(sample_lab: Path) -> None:
    run = load_run(sample_lab.parent / "wearing" / "plan.toml", sample_lab.parent / "store")
    at = note_time(run, "2031-04-14 22:41:30")
    assert datetime.fromtimestamp(at / 1e6, UTC).replace(tzinfo=None) == datetime(2031, 4, 14, 22, 41, 30)
    for text in ("2031-04-14T22:41+02:00", "3 h", "2031-02-30"):
        with pytest.raises(ConfigError, match="no time of this run"):
            note_time(run, text)
