"""Lab files: where the store is, which runs there are, and which tests they make."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from benchpipe.config.engine import EngineConfig
from benchpipe.config.lab_tests import LabTestConfig
from benchpipe.config.model import ConfigModel, Many, PathText, Seconds, StoreText
from benchpipe.config.signing import SignerConfig, SigningConfig
from benchpipe.config.watching import HealthConfig, PageConfig, TellConfig, VerifyConfig


class RetentionConfig(ConfigModel):
    """What ``nightly`` lets go of a run that a person has signed off. Without it everything is kept."""

    drop_samples_after: Seconds | None = Field(default=None, ge=0.0)
    keep_failed: bool = True


class LabConfig(ConfigModel):
    """A lab file: the whole of it. Paths are relative to the file."""

    name: str
    store: StoreText
    plans: Many[PathText] = Field(min_length=1)
    retention: RetentionConfig = RetentionConfig()
    health: HealthConfig = HealthConfig()
    engine: EngineConfig = EngineConfig()
    page: PageConfig | None = None
    verify: VerifyConfig = VerifyConfig()
    tell: Many[TellConfig] = ()
    test: Many[LabTestConfig] = ()
    signing: SigningConfig = SigningConfig()
    signer: Many[SignerConfig] = ()

    @model_validator(mode="after")
    def _plans_differ(self) -> Self:
        if len(set(self.plans)) != len(self.plans):
            raise ValueError("a plan is listed twice")
        for table, some in (("tell", self.tell), ("test", self.test)):
            names = [one.name for one in some]
            if len(set(names)) != len(names):
                raise ValueError(f"the names of [[{table}]] must differ: {', '.join(names)}")
        if len({one.key for one in self.signer}) != len(self.signer):
            raise ValueError("a key of [[signer]] is listed twice: each person has a key of their own")
        return self
