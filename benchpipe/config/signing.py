"""Sections of a lab file on who may sign."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from benchpipe.config.model import ConfigModel

Name = Annotated[str, Field(min_length=1)]


class SignerConfig(ConfigModel):
    """A person who may sign. ``key`` is the print of the key: SHA-256 of its public key; ``document_key`` that of the
    key with which the person signs records, where there is one."""

    name: Name
    role: Name
    key: str = Field(pattern="^[0-9a-f]{64}$")
    document_key: str | None = Field(default=None, pattern="^[0-9a-f]{64}$")


class SigningConfig(ConfigModel):
    """``persons``: so many different persons must have signed a state before an approval of it counts."""

    persons: int = Field(default=1, ge=1, le=9)
