"""Section of a lab file on where its runs are worked on."""

from __future__ import annotations

import re
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from benchpipe.config.model import ConfigModel, Seconds

ADDRESS = re.compile(r"(?:tcp|tls)://\S+:\d+")


class EngineConfig(ConfigModel):
    """Where runs are worked on: processes of this machine, or the workers of a dask scheduler.

    ``memory_mb`` and ``longest_run`` are what one run may take; without them it takes what it needs. The memory of
    dask's workers is limited where they are started.
    """

    kind: Literal["local", "dask"] = "local"
    scheduler: str | None = None
    memory_mb: Annotated[float, Field(gt=0)] | None = None
    longest_run: Annotated[Seconds, Field(gt=0)] | None = None

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.kind == "dask" and (self.scheduler is None or not ADDRESS.fullmatch(self.scheduler)):
            raise ValueError('kind = "dask" needs the address of its scheduler: scheduler = "tcp://HOST:8786"')
        if self.kind == "local" and self.scheduler is not None:
            raise ValueError('scheduler is for kind = "dask": remove it, or name the kind')
        if self.kind == "dask" and self.memory_mb is not None:
            raise ValueError("memory_mb is for kind = \"local\": start dask's workers with --memory-limit instead")
        return self
