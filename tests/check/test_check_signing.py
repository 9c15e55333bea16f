"""What a signature is of, and when an approval counts: what every screen and record says of it (invented runs)."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from benchpipe.check.signing import (
    judged_rows,
    sign_offs,
    signed_words,
    standing,
    state_to_sign,
    why_not_approved,
)
from benchpipe.errors import ConfigError
from benchpipe.ledger.entry import Person, SignedState, SignOffEntry
from benchpipe.store.manifest import Manifest, SignOff, Step, key_of
from benchpipe.store.record_note import WrittenRecord, note_record
from benchpipe.store.run_store import MANIFEST, RunStore
from tests.check.judged import cycles, judge, limit, run_with

LIMITS = (limit("peak_load", "90 N*m"), limit("energy_j", "1 J"), limit("creep_end", "1 deg", block="held"))
CHANGED = "its figures or verdicts have changed since it was signed off"


class Made(NamedTuple):
    """A judged run: its store, and its manifest without a signature."""

    store: RunStore
    manifest: Manifest

    def signed(self, *how: dict[str, Any]) -> Manifest:
        """The manifest with these sign-offs, each of the state as it is unless it says otherwise."""
        now = {
            "process": self.manifest.steps["process"].key, "verdicts": key_of(judged_rows(self.store, self.manifest)),
            "when": "2031-06-02T09:30:00Z", "note": "seen", "sequence": 4, "manifest_sha256": "0" * 64,
            "verdict": "fail", "role": "test engineer", "entry": 7,
        }  # fmt: skip
        return self.manifest.model_copy(update={"signed": tuple(SignOff(**(now | one)) for one in how)})


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    run = run_with(tmp_path_factory.mktemp("judged"), *LIMITS)
    judge(run, cycles=cycles(600, energy_j=2.0))
    store = RunStore(run.store, run.name)
    return Made(store, store.manifest())


A = {"who": "A. Tester"}
B = {"who": "B. Tester"}
OTHER = {"process": "another"}
WITHDRAWN = {"meaning": "withdrawn", "note": "the cell was read wrong"}


def test_a_signature_is_of_the_figures_the_verdicts_and_the_manifest(made: Made) -> None:
    document = (made.store.folder / MANIFEST).read_bytes()
    rows = judged_rows(made.store, made.manifest)
    assert [sorted(row) for row in rows] == [
        ["block", "due", "limit", "limits_file", "operator", "unit", "value", "verdict"]
    ] * 3
    assert [(row["limit"], row["verdict"], row["due"]) for row in rows] == [
        ("peak_load", "pass", True), ("energy_j", "fail", True), ("creep_end", "not evaluated", False)
    ]  # fmt: skip
    assert state_to_sign(made.store, made.manifest) == SignedState(
        sequence=made.manifest.sequence, manifest=hashlib.sha256(document).hexdigest(),
        process=made.manifest.steps["process"].key, verdicts=key_of(rows), verdict="fail",
        configuration=made.manifest.configuration["check"], record=None,
    )  # fmt: skip


def test_what_is_not_due_makes_no_signed_verdict_worse(tmp_path: Path) -> None:
    run = run_with(tmp_path, LIMITS[0], LIMITS[2])
    judge(run, cycles=cycles(600))
    store = RunStore(run.store, run.name)
    assert state_to_sign(store, store.manifest()).verdict == "pass"


def test_the_record_of_the_state_is_signed_with_it(tmp_path: Path) -> None:
    run = run_with(tmp_path, LIMITS[0])
    judge(run, cycles=cycles(600))
    store = RunStore(run.store, run.name)
    document = hashlib.sha256((store.folder / MANIFEST).read_bytes()).hexdigest()
    for manifest, record in (("1" * 64, None), (document, "2" * 64)):
        new = WrittenRecord(file=f"{manifest[:4]}.pdf", state=1, manifest=manifest, sha256="2" * 64, bytes=9)
        note_record(store.folder.parent, store.run, new)
        assert state_to_sign(store, store.manifest()).record == record


def test_a_run_that_was_not_judged_cannot_be_signed(made: Made) -> None:
    steps = {"process": made.manifest.steps["process"]}
    with pytest.raises(ConfigError) as caught:
        state_to_sign(made.store, made.manifest.model_copy(update={"steps": steps}))
    assert caught.value.what == "run 'one' was not judged yet: there is nothing to sign"
    assert caught.value.where == str(made.store.folder)
    assert caught.value.do_next == "work on it first: benchpipe nightly LAB"


def test_a_manifest_says_of_an_entry_who_signed_what(made: Made) -> None:
    state = SignedState(sequence=4, manifest="1" * 64, process="figures", verdicts="2" * 64, verdict="fail")
    persons = (
        Person(name="A. Tester", role="test engineer", key="3" * 64),
        Person(name="B. Tester", role="head of the lab", key="4" * 64),
    )
    entry = SignOffEntry(
        number=7, previous="5" * 64, when="2031-06-02T09:30:00Z", signers=persons, run="one", specimen="S-1",
        meaning="reviewed", reason="seen", deviation="a small one", persons=2, state=state,
    )  # fmt: skip
    first, second = sign_offs(entry, "6" * 64)
    expected = {
        "who": "A. Tester", "role": "test engineer", "key": "3" * 64, "when": "2031-06-02T09:30:00Z", "note": "seen",
        "meaning": "reviewed", "deviation": "a small one", "persons": 2, "entry": 7, "entry_sha256": "6" * 64,
        "sequence": 4, "manifest_sha256": "1" * 64, "process": "figures", "verdicts": "2" * 64, "verdict": "fail",
    }  # fmt: skip
    assert first.model_dump() == expected
    assert second.model_dump() == expected | {"who": "B. Tester", "role": "head of the lab", "key": "4" * 64}


REVIEWED = A | {"meaning": "reviewed"}


@pytest.mark.parametrize(
    ("signed", "why"),
    [
        ([], "it is not signed off"),
        ([A], ""),
        ([A, A | WITHDRAWN], "its sign-off was withdrawn"),
        ([A, A | WITHDRAWN, B], ""),
        ([A | WITHDRAWN, A, B | WITHDRAWN, REVIEWED], "it was reviewed, and is not approved yet"),
        ([A | OTHER], CHANGED),
        ([A | {"verdicts": "0"}], CHANGED),
        ([A | OTHER, B], ""),
        ([A, B | OTHER], ""),  # that of this state counts, whatever was signed of another
        ([REVIEWED], "it was reviewed, and is not approved yet"),
        ([A | {"persons": 2}], "1 of 2 persons have signed it"),
        ([A | {"persons": 2}, {"who": " a. TESTER", "persons": 2}], "1 of 2 persons have signed it"),
        ([A | {"persons": 2}, B | {"persons": 2}], ""),
        ([REVIEWED, B | {"persons": 2}], ""),
        ([A | {"persons": 3}, B | {"persons": 2}], ""),  # the last says how many
        ([A | {"persons": 2}, B | {"persons": 3}], "2 of 3 persons have signed it"),
        ([A | OTHER | {"persons": 2}, B | {"persons": 2}], "1 of 2 persons have signed it"),
    ],
)
def test_an_approval_counts_while_all_is_as_it_was_signed(made: Made, signed: list[dict[str, Any]], why: str) -> None:
    manifest = made.signed(*signed)
    assert why_not_approved(made.store, manifest) == why
    counts = standing(made.store, manifest)
    assert (counts is None) is bool(why)
    if counts is not None:
        now = [one for one in manifest.signed if one.process != "another" and one.meaning == "approved"]
        assert counts == now[-1]


def test_a_run_that_was_not_judged_has_no_approval(made: Made) -> None:
    for step in ("process", "check"):
        steps = {name: one for name, one in made.manifest.steps.items() if name != step}
        manifest = made.signed(A).model_copy(update={"steps": steps})
        assert standing(made.store, manifest) is None
        assert why_not_approved(made.store, manifest) == CHANGED
    more = made.manifest.steps | {"drift": Step(key="0", version=1, parts=())}
    assert standing(made.store, made.signed(A).model_copy(update={"steps": more})) is not None


ON = "on 2031-06-02 09:30:00Z"


@pytest.mark.parametrize(
    ("signed", "words"),
    [
        ([], ""),
        ([A], f"fail, approved by A. Tester, test engineer {ON} (state 4, ledger entry 7)"),
        ([A | {"deviation": "a small one"}],
         f"fail, approved by A. Tester, test engineer {ON} (state 4, ledger entry 7); deviation: a small one"),
        ([B, A | WITHDRAWN],
         f"sign-off withdrawn by A. Tester, test engineer {ON}: the cell was read wrong (ledger entry 7)"),
        ([A | {"entry": None}], f"fail, signed off by A. Tester {ON} (state 4), unsigned by key"),
        ([A | {"entry": None, "deviation": "none"}], f"fail, signed off by A. Tester {ON} (state 4), unsigned by key"),
        ([A | OTHER],
         f"fail, approved by A. Tester, test engineer {ON} (state 4, ledger entry 7); figures or verdicts have "
         "changed since: sign off again"),
        ([A | {"persons": 2}],
         f"fail, approved by A. Tester, test engineer {ON} (state 4, ledger entry 7); 1 of 2 persons have signed it"),
        ([REVIEWED], f"fail, reviewed by A. Tester, test engineer {ON} (state 4, ledger entry 7)"),
    ],
)  # fmt: skip
def test_the_last_signature_in_a_line(made: Made, signed: list[dict[str, Any]], words: str) -> None:
    assert signed_words(made.store, made.signed(*signed)) == words
