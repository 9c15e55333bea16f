"""Drawn changes of a signed lab, each of which verification must name: 505 draws of fixed seeds, some of each kind in
every test run, all of them in ``make soak``; and figures that were forged before they were signed."""

from __future__ import annotations

import random
import shutil
from pathlib import Path

import pytest

from benchpipe.ledger.chain import read_ledger
from benchpipe.ledger.heads import NOTE
from benchpipe.verify.line import Line, Status, code_of
from tests.store.kept import tree
from tests.verify.labs import RUNS, SignedLab, make_signed_lab, verified
from tests.verify.tampering import KINDS, Lab
from tests.verify.tampering_documents import NOTED
from tests.verify.tampering_settings import forge_a_figure

pytest.importorskip("typst")
assert NOTED  # the kinds of this module are among KINDS

SHARE = 8  # of the draws in every test run, at least one of each kind


@pytest.fixture(scope="module")
def made(sample_lab: Path, tmp_path_factory: pytest.TempPathFactory) -> SignedLab:
    return make_signed_lab(sample_lab, tmp_path_factory.mktemp("signed"), documents=True)


def named(lines: list[Line], place: str) -> bool:
    """Whether a line says that a place changed."""
    return any(
        line.status is Status.CHANGED and (f"{line.run}: {line.what}" if line.run else line.what).startswith(place)
        for line in lines
    )


def test_what_was_not_changed_holds(made: SignedLab) -> None:
    lines = verified(made.lab)
    assert {line.status for line in lines} == {Status.HOLDS}
    assert code_of(lines) == 0


def test_there_are_enough_draws() -> None:
    assert sum(count for _, count in KINDS.values()) >= 500


@pytest.mark.parametrize("name", KINDS)
def test_each_drawn_change_is_named(made: SignedLab, tmp_path: Path, name: str) -> None:
    assert missed(made, tmp_path, name, max(1, KINDS[name][1] // SHARE)) == []


@pytest.mark.soak
@pytest.mark.parametrize("name", KINDS)
def test_each_of_all_drawn_changes_is_named(made: SignedLab, tmp_path: Path, name: str) -> None:
    assert missed(made, tmp_path, name, KINDS[name][1]) == []


def missed(made: SignedLab, tmp_path: Path, name: str, count: int) -> list[object]:
    """Draws of a kind of change that verification does not name, and what it says instead."""
    tamper, _ = KINDS[name]
    missed: list[object] = []
    for draw in range(count):
        lab = Lab(made, tmp_path / str(draw))
        place = tamper(lab, random.Random(f"{name} {draw}"))
        lines = verified(lab.lab)
        if not named(lines, place) or code_of(lines) != 13:
            missed.append((draw, place, [str(line) for line in lines if line.status is not Status.HOLDS]))
        shutil.rmtree(tmp_path / str(draw))
    return missed


def forged(made: SignedLab, tmp_path: Path, draws: int) -> list[object]:
    """Draws of a figure that was forged before it was noted, and that is not named when it is made again."""
    missed: list[object] = []
    for draw in range(draws):
        lab, rng = Lab(made, tmp_path / str(draw)), random.Random(f"forged {draw}")
        run = rng.choice(RUNS)
        table = forge_a_figure(lab, run, rng)
        assert code_of(verified(lab.lab)) != 13  # all of it is consistent, and noted outside the store
        lines = verified(lab.lab, recompute=True)
        text = [line.text for line in lines if (line.run, line.what, line.status) == (run, "figures", Status.CHANGED)]
        if code_of(lines) != 13 or not text or f"{table}: 1 value(s) differ" not in text[0]:
            missed.append((draw, run, table, [str(line) for line in lines if line.status is not Status.HOLDS]))
        shutil.rmtree(tmp_path / str(draw))
    return missed


def test_a_forged_figure_is_found_by_making_it_again(made: SignedLab, tmp_path: Path) -> None:
    assert forged(made, tmp_path, 2) == []


@pytest.mark.soak
def test_each_of_many_forged_figures_is_found_by_making_it_again(made: SignedLab, tmp_path: Path) -> None:
    assert forged(made, tmp_path, 25) == []


def test_figures_that_were_not_changed_are_made_again_to_the_last_bit(made: SignedLab) -> None:
    before = tree(made.lab.parent)
    lines = verified(made.lab, recompute=True)
    assert {line.status for line in lines} == {Status.HOLDS}
    assert [line.run for line in lines if line.what == "figures"] == list(RUNS)
    assert tree(made.lab.parent) == before


@pytest.mark.parametrize("moment", [0, 1])
def test_without_a_head_outside_a_rollback_is_not_known_and_never_holds(
    made: SignedLab, tmp_path: Path, moment: int
) -> None:
    lab = Lab(made, tmp_path)
    lab.back(moment)
    (lab.lab.parent / NOTE).unlink()
    lines = verified(lab.lab)
    assert code_of(lines) == 11
    assert {line.status for line in lines} == {Status.UNKNOWN, Status.HOLDS}


def test_the_head_of_a_record_or_a_message_is_enough_for_what_was_signed(made: SignedLab, tmp_path: Path) -> None:
    lab = Lab(made, tmp_path)
    head = read_ledger(lab.store).head
    assert head is not None
    assert code_of(verified(lab.lab, anchored=False)) == 11
    assert code_of(verified(lab.lab, anchored=False, head=head)) == 0
    lab.back(1)
    lines = verified(lab.lab, anchored=False, head=head)
    assert code_of(lines) == 13
    assert named(lines, "ledger")


@pytest.mark.parametrize("change", [{"who": "C. Other"}, {"deviation": ""}, {"note": "x"}, {"entry_sha256": "0" * 64}])
def test_a_manifest_that_says_otherwise_of_a_sign_off_is_named_without_a_head(
    made: SignedLab, tmp_path: Path, change: dict[str, str]
) -> None:
    lab = Lab(made, tmp_path)
    manifest = lab.manifest("wearing")
    edited = manifest.signed[-1].model_copy(update=change)
    lab.reseal("wearing", manifest.model_copy(update={"signed": (*manifest.signed[:-1], edited)}), copy=True)
    assert named(verified(lab.lab, anchored=False), "wearing: sign-off of state 5")


def test_a_person_who_is_not_in_the_lab_file_is_not_known(made: SignedLab, tmp_path: Path) -> None:
    lab = Lab(made, tmp_path)
    text = lab.lab.read_text(encoding="utf-8")
    lab.lab.write_text(text[: text.rindex("[[signer]]")], encoding="utf-8")
    (line,) = [line for line in verified(lab.lab) if line.status is not Status.HOLDS]
    assert (line.status, line.what) == (Status.UNKNOWN, "signer B. Quality")


def test_a_cut_end_is_found_by_the_manifests_too(made: SignedLab, tmp_path: Path) -> None:
    lab = Lab(made, tmp_path)
    lab.write_lines(lab.lines()[:5])
    texts = [line.text for line in verified(lab.lab, anchored=False) if line.status is Status.CHANGED]
    assert sorted(texts) == [
        "the ledger ends with entry 5, and had 6 entries: its end was cut (the manifest of run 'creeping-lock' names "
        "it)",
        "the manifest names entry 6 of the ledger, which is not there as it was signed",
    ]
