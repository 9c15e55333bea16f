"""A new lab folder, made from the templates that the documentation shows."""

from __future__ import annotations

from pathlib import Path

from benchpipe.errors import ConfigError

README = """\
# A lab of benchpipe

What to edit first:

1. `logs/`: copy the rig's logs here, or let the rig write here. They are only read.
2. `rig.toml`: how the rig writes its logs. It is drafted from the logs, and so is the plan:
   `benchpipe inspect {folder}/logs --write-rig {folder}/rig.toml --write-plan {folder}/plan.toml`.
   Then add what no log says: range, certificate, due day and uncertainty of each channel.
3. `plan.toml`: the specimen and its test. Compare each value with the test's protocol, and remove
   its key from `drafted` when it is right: until then no limit is judged on it. Add `planned_cycles`.
4. `limits/`: limit files. Replace every value by your own, or compare it with its source.
5. `targets/`: torque and stiffness to choose bumpers by (`benchpipe bumper choose`). The shipped table is
   of able-bodied people and not verified: verify it against its source, or write your own (`own = true`).
6. `lab.toml`: where the tables are kept, the plans (one a specimen), what is kept after a sign-off.

`every-key/` shows every key of rig, plan, bumper and scenario files.

Then, from the folder above: `benchpipe doctor {folder}` says what is still missing, and
`benchpipe nightly {folder}` does the work. Each night: `benchpipe init {folder} --timer`, or `--cron`.
"""


def templates() -> Path:
    """Folder of the templates: in the installed package, or beside it in a checkout.

    Raises
    ------
    ConfigError
        Neither is there.
    """
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "configs", package.parent / "configs"):
        if (folder / "lab.toml").is_file():
            return folder
    raise ConfigError("the templates are not there", where=package / "configs", do_next="install benchpipe again")


def starter_files(folder: str) -> dict[str, str]:
    """Text of each file of a new lab folder, by its path in it; ``folder`` is its name, for the README."""
    source = templates()
    texts = {p.relative_to(source).as_posix(): p.read_text(encoding="utf-8") for p in sorted(source.rglob("*.toml"))}
    files = {"README.md": README.format(folder=folder), "lab.toml": texts["lab.toml"]}
    files |= {name: text for name, text in texts.items() if name.startswith(("limits/", "targets/"))}
    files |= {f"every-key/{name}": texts[name] for name in ("rig.toml", "plan.toml", "bumpers.toml", "scenario.toml")}
    return files
