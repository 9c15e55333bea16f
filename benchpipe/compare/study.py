"""The study file: runs with their factors, the measures to compare, the reference, the margin, the question."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Self

from pydantic import Field, model_validator

from benchpipe.config.model import (
    AnyDifference,
    AtKeyError,
    ConfigModel,
    CycleCount,
    Many,
    Pair,
    PathText,
    Quantity,
    Ratio,
    Seconds,
    load_model,
)
from benchpipe.config.renamed import MeasureName
from benchpipe.config.toml import TomlFile
from benchpipe.errors import nearest

StudyQuestion = Literal["difference", "equivalence", "ranking", "life"]
Family = Literal["dunnett", "tukey", "holm", "single"]
NOTICEABLE = 0.077
"""Just noticeable difference of ankle stiffness, 7.7 ± 1.3 % (Shepherd et al. 2018, J. NeuroEng. Rehabil. 15,
doi 10.1186/s12984-018-0432-5, abstract)."""


class StudyMeasureConfig(ConfigModel):
    """A measure to compare: where it is taken, and at which stage.

    ``stage``: ``baseline`` (the block's own baseline cycles), ``after`` (the last ``window`` of the first ``cycles``),
    ``last`` (the last ``window``). Holds, sweeps and other kinds have no stage: all of the block count.
    ``scale = "ratio"`` compares logarithms: right for stiffness, loss and life, which are above zero.
    """

    name: MeasureName
    block: str
    stage: Literal["baseline", "after", "last"] = "last"
    cycles: CycleCount | None = None
    window: CycleCount = 100
    at_time: Seconds | None = Field(default=None, gt=0)
    scale: Literal["ratio", "difference"] = "ratio"
    margin: AnyDifference | None = None
    better: Literal["higher", "lower"] | None = None

    @model_validator(mode="after")
    def _stage_and_margin(self) -> Self:
        if (self.stage == "after") != (self.cycles is not None):
            raise ValueError("'cycles' goes with stage = \"after\": the stage is reached after so many")
        if self.cycles is not None and self.cycles < self.window:
            raise AtKeyError(f"window = {self.window}: more cycles than the {self.cycles} of the stage", "window")
        if self.scale == "difference" and self.margin is None:
            raise ValueError('scale = "difference" needs its own margin, in the measure\'s unit')
        if self.margin is not None:
            if self.margin.value <= 0.0:
                raise AtKeyError("the margin must be above zero", "margin")
            if (self.margin.quantity == "ratio") != (self.scale == "ratio"):
                unit = "a share such as '7.7 %'" if self.scale == "ratio" else "a value in the measure's unit"
                raise AtKeyError(f'scale = "{self.scale}" goes with a margin that is {unit}', "margin")
        return self


class StudyRunConfig(ConfigModel):
    """A run and its factors.

    ``rig`` empty: the name in the rig file. ``include``: take it although it is unfinished or failing. ``failed`` and
    ``cycles`` are of its life: whether it ended in a failure, and at which cycle (empty: all it did).
    """

    plan: PathText
    variant: str = Field(min_length=1)
    specimen: str = Field(min_length=1)
    bumper_set: str = ""
    rig: str = ""
    day: str = ""
    operator: str = ""
    order: int | None = None
    include: Many[Literal["unfinished", "failing"]] = ()
    failed: bool | None = None
    cycles: CycleCount | None = None


class StudyConfig(ConfigModel):
    """A study file: the whole of it. Question, margin and family are stated before the test."""

    name: str
    note: str = ""
    question: StudyQuestion = "difference"
    variants: Many[str] = Field(min_length=2)
    reference: str
    margin: Ratio = Field(default=NOTICEABLE, gt=0, lt=1)
    family: Family = "dunnett"
    pairs: Many[Pair[str]] = ()
    confidence: Ratio = Field(default=0.95, ge=0.5, lt=1)
    block: Literal["", "none", "specimen", "rig", "day", "operator", "bumper_set"] = ""
    weibull_shape: float | None = Field(default=None, gt=0)
    measure: Many[StudyMeasureConfig] = ()
    run: Many[StudyRunConfig] = Field(min_length=1)

    @model_validator(mode="after")
    def _names_fit(self) -> Self:
        known = list(self.variants)
        if len(set(known)) != len(known):
            raise AtKeyError("the names of variants must differ", "variants")
        if self.reference not in known:
            raise AtKeyError(
                f"the reference '{self.reference}' is no variant; {nearest(self.reference, known)}", "reference"
            )
        for i, one in enumerate(self.run):
            if one.variant not in known:
                raise AtKeyError(f"'{one.variant}' is no variant; {nearest(one.variant, known)}", "run", i, "variant")
        empty = [name for name in known if not any(one.variant == name for one in self.run)]
        if empty:
            raise AtKeyError(f"no run is of variant '{empty[0]}': add a [[run]] or remove the variant", "variants")
        for i, one in enumerate(self.run):
            if self.block in ("day", "operator", "bumper_set") and not getattr(one, self.block).strip():
                raise AtKeyError(f'block = "{self.block}", and this run states none', "run", i)
        for i, pair in enumerate(self.pairs):
            if pair[0] == pair[1] or not set(pair) <= set(known):
                raise AtKeyError("a pair names two different variants", "pairs", i)
        return self

    @model_validator(mode="after")
    def _question_fits(self) -> Self:
        if self.question == "life":
            for i, one in enumerate(self.run):
                if one.failed is None:
                    raise AtKeyError("the question is life: say failed = true or false (a run-out)", "run", i)
        elif not self.measure:
            raise ValueError("no measure to compare: add a [[measure]]")
        if self.question == "ranking":
            for i, measure in enumerate(self.measure):
                if measure.better is None:
                    raise AtKeyError("the question is ranking: say which is better, higher or lower", "measure", i)
        if self.pairs and self.family in ("dunnett", "tukey"):
            raise AtKeyError(f'family = "{self.family}" has its own pairs; a few stated ones go with holm', "pairs")
        if self.family == "single" and len(self.compared) != 1:
            raise AtKeyError(f"{len(self.compared)} comparisons are a family: dunnett, tukey or holm", "family")
        return self

    @property
    def compared(self) -> tuple[tuple[str, str], ...]:
        """Pairs of variants, the second one the reference of the first."""
        if self.pairs:
            return tuple(self.pairs)
        if self.family == "tukey":
            names = self.variants
            return tuple((b, a) for i, a in enumerate(names) for b in names[i + 1 :])
        return tuple((name, self.reference) for name in self.variants if name != self.reference)

    def margin_of(self, measure: StudyMeasureConfig) -> Quantity:
        """Margin that matters for a measure: its own, else that of the study."""
        return measure.margin or Quantity(self.margin, "ratio")


@dataclass(frozen=True)
class Study:
    """A study file and where it is."""

    config: StudyConfig
    file: TomlFile

    def plan_of(self, run: StudyRunConfig) -> Path:
        """Plan file of a run: paths start from the study file."""
        return run.plan if run.plan.is_absolute() else (self.file.path.parent / run.plan).absolute()


def load_study(path: Path) -> Study:
    """Read a study file.

    Raises
    ------
    ConfigError
        It is missing or wrong: file, line, key.
    """
    return Study(*load_model(StudyConfig, path))
