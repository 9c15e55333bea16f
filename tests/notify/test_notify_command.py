"""A lab whose rig has stopped, from the command line: who is told, what is shown, and the exit code."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pytest

from benchpipe.cli.main import call
from benchpipe.notify.sent_log import TOLD
from tests.config.written import LAB
from tests.health.test_health_gather import START, lab, write_log
from tests.notify.sinks import Hook, serving

TELL = '\n[[tell]]\nname = "chat"\nenv = "BENCH_TELL"\n'
SECRETS = ("clerk", "pa55word", "t0ken-99", "k3y-77")


@pytest.fixture
def stopped(tmp_path: Path) -> Path:
    """A lab file; its one log ended long ago."""
    lab(tmp_path)
    write_log(tmp_path / "logs" / "a.csv", start=START - timedelta(days=365 * 10))
    (tmp_path / "lab.toml").write_text(LAB + TELL, encoding="utf-8")
    return tmp_path / "lab.toml"


def test_a_night_tells_once_and_shows_the_rig(
    stopped: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("apprise")
    with serving(Hook()) as hook:
        monkeypatch.setenv("BENCH_TELL", hook.url)
        assert call(["nightly", str(stopped)]) == 11
        capfd.readouterr()
        assert call(["nightly", str(stopped), "--brief"]) == 11
        brief = " ".join(capfd.readouterr().out.split())
        assert "stopped" in brief.partition("one:")[0]  # the table's column of the rig
        assert "no row came after that. Next: see why the rig is stopped" in brief.replace(" one: ", " ")
        assert call(["show", "one", "--lab", str(stopped)]) == 11
    (message,) = hook.taken
    assert message["title"].startswith("small lab: one: rig stopped")
    assert "one: stopped since 2021-06-02 20:01 (" in message["message"]
    out = " ".join(capfd.readouterr().out.split())
    assert "rig-stopped: stopped since 2021-06-02 20:01" in out
    assert "Next: see why the rig is stopped" in out
    assert call(["show", "one", "--lab", str(stopped), "--json"]) == 11
    (run,) = json.loads(capfd.readouterr().out)["runs"]
    assert [found["code"] for found in run["health"]] == ["rig-stopped"]


@pytest.mark.parametrize("there", [False, True])
def test_a_failure_to_tell_is_shown_and_leaves_with_a_code_of_its_own(
    stopped: Path, there: bool, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    hook = Hook()
    hook.server_close()
    if there:
        pytest.importorskip("apprise")
        monkeypatch.setenv("BENCH_TELL", hook.url)
    why = "Connection refused" if there else "the environment variable BENCH_TELL is not set"
    assert call(["nightly", str(stopped)]) == 69
    out, err = capfd.readouterr()
    assert "not told: chat: " in err
    assert "not told: chat: " in out
    assert why in " ".join(out.split())
    assert call(["nightly", str(stopped), "--json"]) == 69
    out, err = capfd.readouterr()
    document = json.loads(out)
    assert document["exit_code"] == 69
    assert why in document["not_told"][0]
    assert not [secret for secret in SECRETS if secret in out + err]
    assert not (stopped.parent / "store" / TOLD).exists()


def test_a_test_message(
    stopped: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    assert call(["tell", str(stopped)]) == 69
    assert "not sent: chat: the environment variable BENCH_TELL is not set" in capfd.readouterr().out
    pytest.importorskip("apprise")
    with serving(Hook()) as hook:
        monkeypatch.setenv("BENCH_TELL", hook.url)
        assert call(["tell", str(stopped)]) == 0
    assert capfd.readouterr().out == "chat: sent\n"
    assert hook.taken[0]["title"] == "small lab: test"
    assert not (stopped.parent / "store").exists()
