"""The base of every config model, typed values with units, and errors that name the key."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer, ValidationError

from benchpipe.config.toml import KeyPath, TomlFile, key_text, read_toml
from benchpipe.errors import ConfigError, nearest
from benchpipe.units import INSIDE_UNIT, parse_quantity, parse_value

T = TypeVar("T")
ModelT = TypeVar("ModelT", bound="ConfigModel")


class ConfigModel(BaseModel):
    """Frozen and strict: an unknown key or a value of another type is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, arbitrary_types_allowed=True)


Many = Annotated[tuple[T, ...], Field(strict=False)]
Pair = Annotated[tuple[T, T], Field(strict=False)]
PathText = Annotated[Path, Field(strict=False)]


@dataclass(frozen=True)
class Quantity:
    """A value with a unit whose quantity the file chose: ``value`` is in :attr:`unit`."""

    value: float
    quantity: str

    @property
    def unit(self) -> str:
        """Inside unit of the quantity, such as ``"N*m"``."""
        return INSIDE_UNIT[self.quantity]


def _as_text(value: object, quantity: str | tuple[str, ...]) -> str:
    if not isinstance(value, str):
        first = quantity if isinstance(quantity, str) else quantity[0]
        raise ValueError(f"write it as text with a unit, such as '{value} {INSIDE_UNIT[first]}'")
    return value


def _in(quantity: str) -> BeforeValidator:
    def read(value: object) -> float:
        if isinstance(value, float) and not isinstance(value, bool):
            return value  # already inside: a model copied from a model
        try:
            return parse_quantity(_as_text(value, quantity), quantity)
        except ConfigError as error:
            raise ValueError(_one_line(error)) from None

    return BeforeValidator(read)


def _any_of(*quantities: str) -> BeforeValidator:
    def read(value: object) -> Quantity:
        if isinstance(value, Quantity):
            return value
        try:
            return Quantity(*parse_value(_as_text(value, quantities), quantities))
        except ConfigError as error:
            raise ValueError(_one_line(error)) from None

    return BeforeValidator(read)


def _one_line(error: ConfigError) -> str:
    return error.what + (f"; expected {error.expected}" if error.expected else "")


_plain = PlainSerializer(lambda q: [q.value, q.quantity], return_type=list)

Seconds = Annotated[float, _in("time")]
Hertz = Annotated[float, _in("frequency")]
Ratio = Annotated[float, _in("ratio")]
Load = Annotated[Quantity, _any_of("torque", "force"), _plain]
Motion = Annotated[Quantity, _any_of("angle", "length"), _plain]
LoadOrMotion = Annotated[Quantity, _any_of("torque", "force", "angle", "length"), _plain]
Millimetres = Annotated[float, _in("length")]
AnyQuantity = Annotated[Quantity, _any_of(*INSIDE_UNIT), _plain]


def load_model(kind: type[ModelT], path: Path) -> tuple[ModelT, TomlFile]:
    """Read and check a TOML file as ``kind``.

    Raises
    ------
    ConfigError
        Every wrong key at once: file, line, key path, the value, what is allowed
        and the nearest known key.
    """
    file = read_toml(path)
    try:
        return kind.model_validate(file.values), file
    except ValidationError as error:
        raise _config_error(kind, file, error) from None


def _config_error(kind: type[ConfigModel], file: TomlFile, error: ValidationError) -> ConfigError:
    problems = [_problem(kind, file, item) for item in error.errors(include_url=False)]
    first = problems[0]
    more = "".join(f"\n  and: {p.what} ({p.where})" for p in problems[1:])
    return ConfigError(first.what, where=first.where, expected=first.expected, got=first.got, do_next=(
        (first.do_next or "correct the file") + more
    ))  # fmt: skip


def _problem(kind: type[ConfigModel], file: TomlFile, item: Any) -> ConfigError:
    raw: KeyPath = tuple(item["loc"])
    keys = _drop_tags(file.values, raw)
    where = file.where(keys)
    name = key_text(keys) or "the file"
    if item["type"] == "extra_forbidden":
        known = _known_keys(kind, raw[:-1])
        return ConfigError(
            f"unknown key '{keys[-1]}'",
            where=where,
            expected=nearest(str(keys[-1]), known),
            got=repr(item["input"]),
            do_next="correct or remove the key",
        )
    if item["type"] == "missing":
        return ConfigError(f"the key '{name}' is missing", where=file.where(keys[:-1]), do_next=f"add '{keys[-1]}'")
    message = item["msg"].removeprefix("Value error, ")
    return ConfigError(f"'{name}' cannot be used: {message}", where=where, got=_short(item["input"]))


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 120 else text[:117] + "…"


def _drop_tags(values: Any, keys: KeyPath) -> KeyPath:
    """Leave out what pydantic adds to a path: the tag of a union of block kinds."""
    kept: list[str | int] = []
    node = values
    for i, key in enumerate(keys):
        last = i == len(keys) - 1
        if isinstance(node, dict) and key not in node and not last and isinstance(key, str):
            continue
        kept.append(key)
        try:
            node = node[key]
        except (KeyError, IndexError, TypeError):
            node = None
    return tuple(kept)


def _known_keys(kind: type[BaseModel], keys: KeyPath) -> list[str]:
    """Field names that are allowed at a path below ``kind``."""
    models: list[type[BaseModel]] = [kind]
    for key in keys:
        if isinstance(key, int):
            continue
        inner: list[type[BaseModel]] = []
        for model in models:
            field = model.model_fields.get(key)
            inner += _models_in(field.annotation) if field else []
        tagged = [m for m in models if any(f.default == key for f in m.model_fields.values())]
        models = inner or tagged or models
    return sorted({name for model in models for name in model.model_fields})


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [m for arg in getattr(annotation, "__args__", ()) for m in _models_in(arg)]
