"""Signing a run: of a state that is what it was, completed after a job that was killed, and nothing lost."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchpipe.errors import DamageError, StoreError
from benchpipe.ledger.heads import keep_heads
from benchpipe.signing import Request, sign_run
from benchpipe.store.run_store import RunStore
from benchpipe.verify.line import Status, code_of
from tests.ledger.signers import place_of
from tests.verify.labs import RUNS, SPECIMENS, SignedLab, make_signed_lab, verified
from tests.verify.tampering import Lab

RUN = RUNS[0]
AGAIN = Request("approved", "seen again", "an invented deviation")


@pytest.fixture(scope="module")
def made(sample_lab: Path, tmp_path_factory: pytest.TempPathFactory) -> SignedLab:
    return make_signed_lab(sample_lab, tmp_path_factory.mktemp("signed"))


def test_a_state_that_was_forged_or_put_back_is_not_signed(made: SignedLab, tmp_path: Path) -> None:
    lab = Lab(made, tmp_path)
    store = RunStore(lab.store, RUN)
    lab.reseal(RUN, store.manifest().model_copy(update={"code": "9.9"}), copy=True)
    for why in ("is not the one that was noted", "it was put back to an older one"):
        before = lab.lines()
        with pytest.raises(DamageError, match=why):
            sign_run(store, SPECIMENS[RUN], made.keys[:1], AGAIN, place_of(lab.lab))
        assert lab.lines() == before
        lab.back(0, RUN)


def test_what_a_killed_job_left_out_of_the_manifest_is_completed_by_the_next(
    made: SignedLab, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lab = Lab(made, tmp_path)
    store = RunStore(lab.store, RUN)

    def full(*_: object) -> None:
        raise StoreError("it cannot be written there: No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(RunStore, "commit", full)
        with pytest.raises(StoreError, match="No space left"):
            sign_run(store, SPECIMENS[RUN], made.keys[:1], AGAIN, place_of(lab.lab))
    assert len(lab.lines()) == 7  # nothing is lost
    keep_heads(lab.lab, lab.store, RUNS)
    lines = verified(lab.lab)
    assert code_of(lines) == 11
    (line,) = [line for line in lines if line.status is not Status.HOLDS]
    assert (line.run, line.what) == (RUN, "ledger entry 7")
    assert "the manifest does not name it: a job was killed over it" in line.text
    sign_run(store, SPECIMENS[RUN], made.keys[1:], AGAIN, place_of(lab.lab))
    assert [one.entry for one in store.manifest().signed] == [3, 4, 7, 8]
    keep_heads(lab.lab, lab.store, RUNS)
    assert code_of(verified(lab.lab)) == 0
