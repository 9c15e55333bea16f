"""Ways to tamper with a signed lab, each with how often it is drawn; each returns the place that must be named."""

from __future__ import annotations

import base64
import hashlib
import json
import random
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

from benchpipe.ledger.chain import read_ledger
from benchpipe.ledger.entry import read_line, signed_line
from benchpipe.store.ledger_file import LEDGER, name_of, read_lines
from benchpipe.store.manifest import Manifest, canonical, sealed
from benchpipe.store.run_store import RunStore
from tests.ledger.signers import REVIEWER, make_person
from tests.verify.labs import RUNS, SignedLab, flipped, write_kept

Tamper = Callable[["Lab", random.Random], str]
Kind = Callable[[Tamper], Tamper]
KINDS: dict[str, tuple[Tamper, int]] = {}


class Lab:
    """A copy of the signed lab that a change is made in."""

    def __init__(self, made: SignedLab, folder: Path) -> None:
        self.made = made
        self.lab = Path(shutil.copytree(made.lab.parents[1], folder, dirs_exist_ok=True)) / "sample_runs" / "lab.toml"
        self.store = self.lab.parent / "store"

    def folder(self, run: str) -> Path:
        return self.store / run

    def manifest(self, run: str) -> Manifest:
        return RunStore(self.store, run).manifest()

    def lines(self) -> list[bytes]:
        return read_lines(self.store)[0]

    def write_lines(self, lines: list[bytes]) -> None:
        (self.store / LEDGER).write_bytes(b"".join(line + b"\n" for line in lines))

    def reseal(self, run: str, manifest: Manifest, *, copy: bool) -> None:
        """Write an edited manifest with a seal that holds, and its copy too."""
        _, data = sealed(manifest)
        (self.folder(run) / "manifest.json").write_bytes(data)
        if copy:
            (self.folder(run) / "history" / f"{manifest.sequence:06d}.json").write_bytes(data)

    def back(self, moment: int, *names: str) -> None:
        """Put the store, or some of it, back as it was."""
        for name in names or [path.name for path in self.store.iterdir()]:
            there, here = self.made.moments[moment] / name, self.store / name
            shutil.rmtree(here) if here.is_dir() else here.unlink(missing_ok=True)
            if there.is_dir():
                shutil.copytree(there, here)
            elif there.is_file():
                shutil.copy2(there, here)


def kind(count: int) -> Kind:
    """Register a kind of change, and how often it is drawn."""

    def registered(tamper: Tamper) -> Tamper:
        KINDS[tamper.__name__] = (tamper, count)
        return tamper

    return registered


def drawn(rng: random.Random, paths: Iterator[Path]) -> Path:
    return rng.choice(sorted(paths))


def flip(path: Path, rng: random.Random) -> None:
    data = path.read_bytes()
    write_kept(path, flipped(data, rng.randrange(len(data)), rng.randrange(8)))


@kind(48)
def log_byte(lab: Lab, rng: random.Random) -> str:
    run = rng.choice(RUNS)
    path = drawn(rng, (lab.lab.parent / run / "logs").iterdir())
    flip(path, rng)
    return f"{run}: log logs/{path.name}"


@kind(5)
def log_cut(lab: Lab, rng: random.Random) -> str:
    run = rng.choice(RUNS)
    path = drawn(rng, (lab.lab.parent / run / "logs").iterdir())
    write_kept(path, path.read_bytes()[: -rng.randrange(1, 1000)])
    return f"{run}: log logs/{path.name}"


@kind(64)
def part_byte(lab: Lab, rng: random.Random) -> str:
    run = rng.choice(RUNS)
    path = drawn(rng, lab.folder(run).glob("*/*.parquet"))
    flip(path, rng)
    return f"{run}: part {path.parent.name}/{path.name}"


@kind(13)
def part_removed(lab: Lab, rng: random.Random) -> str:
    run = rng.choice(RUNS)
    path = drawn(rng, lab.folder(run).glob("*/*.parquet"))
    path.unlink()
    return f"{run}: part {path.parent.name}/{path.name}"


@kind(13)
def part_cut(lab: Lab, rng: random.Random) -> str:
    run = rng.choice(RUNS)
    path = drawn(rng, lab.folder(run).glob("*/*.parquet"))
    write_kept(path, path.read_bytes()[:-1])
    return f"{run}: part {path.parent.name}/{path.name}"


@kind(13)
def part_of_another_run(lab: Lab, rng: random.Random) -> str:
    one, other = rng.sample(RUNS, 2)
    path = drawn(rng, lab.folder(one).glob("verdicts/*.parquet"))
    write_kept(path, drawn(rng, lab.folder(other).glob("verdicts/*.parquet")).read_bytes())
    return f"{one}: part verdicts/{path.name}"


@kind(32)
def manifest_byte(lab: Lab, rng: random.Random) -> str:
    run = rng.choice(RUNS)
    flip(lab.folder(run) / "manifest.json", rng)
    return f"{run}: manifest.json"


@kind(32)
def manifest_edited_with_a_new_seal(lab: Lab, rng: random.Random) -> str:
    run = rng.choice(RUNS)
    manifest = lab.manifest(run)
    step = rng.choice(sorted(manifest.steps))
    source = manifest.sources[0]
    edits = [
        {"steps": {**manifest.steps, step: manifest.steps[step].model_copy(update={"key": "f" * 64})}},
        {"steps": {**manifest.steps, step: manifest.steps[step].model_copy(update={"remarks": ()})}},
        {"sources": (source.model_copy(update={"rows": source.rows + 1}), *manifest.sources[1:])},
        {"signed": manifest.signed[:-1]}, {"signed": ()}, {"code": "9.9"}, {"made_with": {}}, {"ledger": None},
        {"signed": (*manifest.signed[:-1], manifest.signed[-1].model_copy(update={"who": "C. Other"}))},
        {"signed": (*manifest.signed[:-1], manifest.signed[-1].model_copy(update={"deviation": ""}))},
    ]  # fmt: skip
    edited = [manifest.model_copy(update=edit) for edit in edits]
    lab.reseal(run, rng.choice([one for one in edited if one != manifest]), copy=rng.random() < 0.5)
    return f"{run}: manifest"


@kind(10)
def verdict_and_manifest_edited_with_a_new_seal(lab: Lab, rng: random.Random) -> str:
    """A forged part that its manifest names: all of the run is consistent."""
    run = rng.choice(RUNS)
    manifest = lab.manifest(run)
    check = manifest.steps["check"]
    part = check.parts[0]
    path = lab.folder(run) / part.path
    path.write_bytes(path.read_bytes() + bytes(rng.randrange(1, 9)))
    data = path.read_bytes()
    forged = part.model_copy(update={"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()})
    step = check.model_copy(update={"parts": (forged, *check.parts[1:])})
    lab.reseal(run, manifest.model_copy(update={"steps": {**manifest.steps, "check": step}}), copy=True)
    return f"{run}: manifest"


@kind(19)
def history_byte(lab: Lab, rng: random.Random) -> str:
    run = rng.choice(RUNS)
    path = drawn(rng, (lab.folder(run) / "history").iterdir())
    flip(path, rng)
    return f"{run}: history/{path.name}"


@kind(10)
def history_removed(lab: Lab, rng: random.Random) -> str:
    run = rng.choice(RUNS)
    path = drawn(rng, (lab.folder(run) / "history").iterdir())
    path.unlink()
    return f"{run}: history/{path.name}"


@kind(10)
def history_swapped(lab: Lab, rng: random.Random) -> str:
    run = rng.choice(RUNS)
    one, other = rng.sample(sorted((lab.folder(run) / "history").iterdir()), 2)
    data = one.read_bytes()
    write_kept(one, other.read_bytes())
    write_kept(other, data)
    return f"{run}: history/{one.name}"


@kind(10)
def history_edited_with_a_new_seal(lab: Lab, rng: random.Random) -> str:
    run = rng.choice(RUNS)
    path = sorted((lab.folder(run) / "history").iterdir())[rng.randrange(2)]
    manifest = Manifest.model_validate_json(path.read_bytes())
    path.write_bytes(sealed(manifest.model_copy(update={"code": "9.9"}))[1])
    return f"{run}: history/"


@kind(48)
def ledger_byte(lab: Lab, rng: random.Random) -> str:
    flip(lab.store / LEDGER, rng)
    return "ledger"


@kind(10)
def entry_removed(lab: Lab, rng: random.Random) -> str:
    lines = lab.lines()
    del lines[rng.randrange(len(lines))]
    lab.write_lines(lines)
    return "ledger"


@kind(10)
def entries_swapped(lab: Lab, rng: random.Random) -> str:
    lines = lab.lines()
    one, other = rng.sample(range(len(lines)), 2)
    lines[one], lines[other] = lines[other], lines[one]
    lab.write_lines(lines)
    return "ledger entry"


@kind(10)
def entry_doubled(lab: Lab, rng: random.Random) -> str:
    lines = lab.lines()
    place = rng.randrange(len(lines))
    lab.write_lines([*lines[: place + 1], *lines[place:]])
    return "ledger entry"


@kind(10)
def end_cut(lab: Lab, rng: random.Random) -> str:
    lab.write_lines(lab.lines()[: rng.randrange(6)])
    return "ledger"


@kind(6)
def entry_torn(lab: Lab, rng: random.Random) -> str:
    data = (lab.store / LEDGER).read_bytes()
    (lab.store / LEDGER).write_bytes(data[: -rng.randrange(1, 300)])
    return "ledger"


@kind(6)
def signature_stripped(lab: Lab, rng: random.Random) -> str:
    lines = lab.lines()
    place = rng.randrange(len(lines))
    envelope = json.loads(lines[place])
    lines[place] = canonical(envelope | {"signatures": envelope["signatures"][1:]})
    lab.write_lines(lines)
    return f"ledger entry {place + 1}"


@kind(10)
def entry_edited(lab: Lab, rng: random.Random) -> str:
    """Another name, role, time, meaning, reason or deviation, in canonical form, and all later entries named again."""
    lines = lab.lines()
    place = rng.randrange(2, len(lines))
    envelope = json.loads(lines[place])
    body = json.loads(base64.b64decode(envelope["payload"]))
    body |= rng.choice([{"when": "2030-01-01T00:00:00+00:00"}, {"reason": "other"}, {"deviation": ""}, {"persons": 1},
                        {"meaning": "withdrawn"}, {"run": "healthy"}])  # fmt: skip
    lines[place] = canonical(envelope | {"payload": base64.b64encode(canonical(body)).decode()})
    lab.write_lines(lines)
    return f"ledger entry {place + 1}"


@kind(3)
def whole_ledger_forged(lab: Lab, rng: random.Random) -> str:
    """Another key with the name of a signer, and a chain that holds by itself."""
    stranger = make_person(lab.lab.parents[1].with_name(f"stranger-{rng.randrange(10**9)}"), REVIEWER)
    before, lines = "0" * 64, []
    public = base64.b64encode(stranger.public).decode()
    for line in lab.lines():
        body = read_line(line).payload.model_dump(mode="json")
        if body["number"] == 2:
            break
        person = body["signers"][-1] | {"key": stranger.print}
        body |= {"previous": before, "signers": [person], "signer": person, "public_key": public}
        payload = type(read_line(line).payload).model_validate(body)
        lines.append(signed_line(payload, (stranger,)))
        before = name_of(lines[-1])
    lab.write_lines(lines)
    assert read_ledger(lab.store).troubles == []
    return "ledger"


@kind(3)
def folders_exchanged(lab: Lab, rng: random.Random) -> str:
    one, other = (lab.folder(run) for run in RUNS)
    away = lab.store / "away"
    one.rename(away)
    other.rename(one)
    away.rename(other)
    return f"{rng.choice(RUNS)}: manifest.json"


@kind(6)
def store_rolled_back(lab: Lab, rng: random.Random) -> str:
    lab.back(rng.randrange(2))
    return "ledger"


@kind(6)
def run_rolled_back(lab: Lab, rng: random.Random) -> str:
    run = rng.choice(RUNS)
    lab.back(0 if run == RUNS[0] else rng.randrange(2), run)
    return f"{run}: manifest"


@kind(6)
def ledger_rolled_back(lab: Lab, rng: random.Random) -> str:
    lab.back(rng.randrange(2), LEDGER)
    return "ledger"


@kind(3)
def run_removed(lab: Lab, rng: random.Random) -> str:
    run = rng.choice(RUNS)
    shutil.rmtree(lab.folder(run))
    return f"{run}: store"


@kind(3)
def signer_renamed_in_the_lab_file(lab: Lab, rng: random.Random) -> str:
    old = rng.choice(["A. Reviewer", "B. Quality"])
    lab.lab.write_text(lab.lab.read_text(encoding="utf-8").replace(f'name = "{old}"', 'name = "C. Other"'))
    return f"signer {old}"
