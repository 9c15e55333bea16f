"""A lab folder to begin with, made of the templates: the same files that the documentation shows."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Literal

from benchpipe.errors import ConfigError

Loads = Literal["torque", "force"]
# Keys of the cyclic block that many rigs need not have: they stand there as comments.
OPTIONAL = ("mode", "low", "high")
OPTIONAL_TABLE = "[[block.temperature]]"
LIMITS = {"torque": "limits/lockable-ankle.toml", "force": "limits/drift.toml"}
UNITS = {"N*m/s": "N/s", "N*m": "N", "deg": "mm"}

README = """\
# A lab of benchpipe

What to edit first:

1. `logs/`: copy the rig's logs here, or let the rig write here. They are only read.
2. `rig.toml`: how the rig writes its logs. It is drafted from a log:
   `benchpipe inspect {folder}/logs --write-rig {folder}/rig.toml`. Then add what no log says:
   range, certificate, due day and uncertainty of each channel.
3. `plan.toml`: the specimen and its test. Edit `name`, `specimen`, and in `[[block]]` the targets,
   `frequency` and `planned_cycles`. Other kinds of block stand below as comments.
4. `limits/`: limit files. Replace every value by your own, or hold it against its source.
5. `lab.toml`: where the tables are kept, the plans (one a specimen), what is kept after a sign-off.

`every-key/` shows every key of rig, plan and scenario files.

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


def starter_files(loads: Loads, folder: str) -> dict[str, str]:
    """Text of each file of a new lab folder, by its path in it.

    Parameters
    ----------
    loads : str
        ``torque``: torque against angle; ``force``: force against displacement.
    folder : str
        Name of the lab folder, for the README.
    """
    source = templates()
    texts = {p.relative_to(source).as_posix(): p.read_text(encoding="utf-8") for p in sorted(source.rglob("*.toml"))}
    files = {"README.md": README.format(folder=folder), "lab.toml": texts["lab.toml"]}
    files["plan.toml"] = starter_plan(texts["plan.toml"], loads)
    files |= {name: text for name, text in texts.items() if name.startswith("limits/")}
    files |= {f"every-key/{name}": texts[name] for name in ("rig.toml", "plan.toml", "scenario.toml")}
    return files


def starter_plan(template: str, loads: Loads) -> str:
    """The plan template with its cyclic block alone; the other blocks stand below as comments."""
    head, *blocks = re.split(r"(?m)^(?=\[\[block\]\]$)", template)
    head = re.sub(r"(?m)^logs = .*$", 'logs = ["logs/*"]', head)
    head = re.sub(r"(?m)^limits = .*$", f'limits = ["{LIMITS[loads]}"]', head)
    cyclic = [block for block in blocks if re.search(r'(?m)^kind = "cyclic"$', block)]
    others = [block for block in blocks if block not in cyclic]
    chosen = re.sub(rf"(?m)^(?=(?:{'|'.join(OPTIONAL)}) = )", "# ", cyclic[0])
    keys, table, rest = chosen.partition(OPTIONAL_TABLE)
    chosen = keys + _commented(table + rest)
    below = "".join(_commented(block) for block in others)
    note = "# Other kinds of block. To use one, remove the '# ' in front of its lines, and edit it.\n\n"
    plan = f"{head}{chosen.rstrip()}\n\n{note}{below}".rstrip() + "\n"
    return plan if loads == "torque" else _in_force(plan)


def _commented(text: str) -> str:
    return "".join(f"# {line}\n" if line.strip() else "\n" for line in text.splitlines())


def _in_force(plan: str) -> str:
    """Torques and angles as forces and displacements: the numbers are for a person to replace anyway."""
    units = "|".join(map(re.escape, UNITS))
    return re.sub(rf'(?<=[0-9] )({units})(?=")', lambda found: UNITS[found[1]], plan)
