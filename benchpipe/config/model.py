"""The base of every config model, typed values with units, and errors that name the key."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer, ValidationError, ValidationInfo

from benchpipe.config.questions import open_questions
from benchpipe.config.toml import KeyPath, TomlFile, key_text, read_toml
from benchpipe.errors import ConfigError, nearest
from benchpipe.mirrors import store_place
from benchpipe.units import INSIDE_UNIT, parse_quantity, parse_value

T = TypeVar("T")
ModelT = TypeVar("ModelT", bound="ConfigModel")
FROM_FILE = "file"  # context of a validation: numbers need their unit


class ConfigModel(BaseModel):
    """Frozen and strict: an unknown key or a value of another type is an error."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, arbitrary_types_allowed=True, allow_inf_nan=False
    )


class AtKeyError(ValueError):
    """What is wrong in a table because of one of its keys: ``keys`` leads to that one from the table."""

    def __init__(self, message: str, *keys: str | int) -> None:
        super().__init__(message)
        self.keys = keys


LONGEST_PATTERN = 500  # letters: looking for files by it takes time, and stack for each folder in it


def _portable(value: object) -> object:
    """Refuse what a Windows path leaves in a TOML string, and such a path where there is no Windows."""
    if isinstance(value, str):
        if any(ord(letter) < 32 for letter in value):
            raise ValueError("a backslash in \"…\" starts an escape in TOML: write the path with /")
        if "\\" in value:
            raise ValueError(f"write the path with /, on Windows too: '{_with_slashes(value)}'")
        if os.name != "nt" and re.match("[A-Za-z]:|//", value):
            raise ValueError("a drive or share of Windows: mount it here, and write the path that it has then")
    return value


def _store(value: object) -> object:
    """The mirror of a store on an object store; else a path."""
    if isinstance(value, str) and not re.match("[A-Za-z]:", value) and (mirror := store_place(value)) is not None:
        return mirror
    return _portable(value)


def _with_slashes(path: str) -> str:
    """The same path with /, a doubled one in its middle once; that of a share stays doubled at its beginning."""
    path = path.replace("\\", "/")
    return path[:1] + re.sub("/+", "/", path[1:])


def _pattern(value: object) -> object:
    """A pattern of log files, which starts from the plan's folder."""
    if isinstance(_portable(value), str) and re.match("[A-Za-z]:|/", str(value)):
        raise ValueError("a pattern starts from the plan's folder: put the plan above its logs, and write 'logs/*.csv'")
    if isinstance(value, str) and len(value) > LONGEST_PATTERN:
        raise ValueError(f"a pattern of {len(value):,} letters: at most {LONGEST_PATTERN}")
    return value


Many = Annotated[tuple[T, ...], Field(strict=False)]
Pair = Annotated[tuple[T, T], Field(strict=False)]
PathText = Annotated[Path, Field(strict=False), BeforeValidator(_portable)]
StoreText = Annotated[Path, Field(strict=False), BeforeValidator(_store)]
PatternText = Annotated[str, BeforeValidator(_pattern)]


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
    def read(value: object, info: ValidationInfo) -> float:
        if isinstance(value, float) and info.context != FROM_FILE:
            return value  # already inside: made by a program
        try:
            return parse_quantity(_as_text(value, quantity), quantity)
        except ConfigError as error:
            raise ValueError(_one_line(error)) from None

    return BeforeValidator(read)


def _any_of(*quantities: str, difference: bool = False) -> BeforeValidator:
    def read(value: object) -> Quantity:
        if isinstance(value, Quantity):
            return value
        try:
            return Quantity(*parse_value(_as_text(value, quantities), quantities, difference=difference))
        except ConfigError as error:
            raise ValueError(_one_line(error)) from None

    return BeforeValidator(read)


MOST_OTHERS = 12  # problems of a file that are shown besides the first


def _one_line(error: ConfigError) -> str:
    got = f"; got {error.got}" if error.got else ""
    return error.what + (f"; {error.expected}" if error.expected else "") + got


_plain = PlainSerializer(lambda q: [q.value, q.quantity], return_type=list)

Seconds = Annotated[float, _in("time")]


LONGEST_PAUSE_S = 100 * 365.25 * 86400.0


def _stated_pause(value: object, info: ValidationInfo) -> object:
    """A time, or the words ``file times``."""
    if value is None or value == "file times" or (isinstance(value, float) and info.context != FROM_FILE):
        return value
    try:
        pause = parse_quantity(_as_text(value, "time"), "time")
    except ConfigError as error:
        raise ValueError(f"write a time such as '20 min', or 'file times'; {_one_line(error)}") from None
    if not 0.0 <= pause <= LONGEST_PAUSE_S:
        raise ValueError("a pause must lie between 0 s and 100 years")
    return pause


StatedPause = Annotated[float | Literal["file times"] | None, BeforeValidator(_stated_pause)]
Hertz = Annotated[float, _in("frequency")]
Ratio = Annotated[float, _in("ratio")]
Load = Annotated[Quantity, _any_of("torque", "force"), _plain]
Motion = Annotated[Quantity, _any_of("angle", "length"), _plain]
MotionRate = Annotated[Quantity, _any_of("angle rate", "length rate"), _plain]
LoadRate = Annotated[Quantity, _any_of("torque rate", "force rate"), _plain]
Stiffness = Annotated[Quantity, _any_of("stiffness (angular)", "stiffness (linear)"), _plain]
LoadOrMotion = Annotated[Quantity, _any_of("torque", "force", "angle", "length"), _plain]
Millimetres = Annotated[float, _in("length")]
Degrees = Annotated[float, _in("angle")]
Newtons = Annotated[float, _in("force")]
AnyQuantity = Annotated[Quantity, _any_of(*INSIDE_UNIT), _plain]
AnyDifference = Annotated[Quantity, _any_of(*INSIDE_UNIT, difference=True), _plain]


def load_model(kind: type[ModelT], path: Path) -> tuple[ModelT, TomlFile]:
    """Read and check a TOML file as ``kind``.

    Raises
    ------
    ConfigError
        Every wrong key at once: file, line, key path, the value, what is allowed
        and the nearest known key.
    """
    file = read_toml(path)
    asked = open_questions(file)
    try:
        model = kind.model_validate(file.values, context=FROM_FILE)
    except ValidationError as error:
        raise _config_error(kind, file, error, asked) from None
    if asked:
        raise together(list(asked.values()))
    return model, file


def _config_error(
    kind: type[ConfigModel], file: TomlFile, error: ValidationError, asked: dict[KeyPath, ConfigError]
) -> ConfigError:
    """One error of all that is wrong in a file; questions that it still asks first."""
    found = dict(asked)
    for item in error.errors(include_url=False):
        keys = _keys_in(file.values, item)
        if _short_pair(item, keys):
            keys = keys[:-1]
        if item["type"] == "too_short" and _value_at(file.values, keys):
            continue  # its items are wrong and reported one by one
        if any(keys == one[: len(keys)] for one in asked):
            continue  # what is wrong with a table may be its open question alone
        found.setdefault(keys, _problem(kind, file, keys, item))
    return together(list(found.values()))


def _short_pair(item: Any, keys: KeyPath) -> bool:
    """Whether the problem is a value that a list of two lacks."""
    return bool(item["type"] == "missing" and keys and isinstance(item["loc"][-1], int))


def together(problems: list[ConfigError]) -> ConfigError:
    """One error of several: the first in full, each of the others in a line."""
    first, *others = problems
    also = [f"{_one_line(p)} ({p.where})" for p in others[:MOST_OTHERS]]
    also += [f"{len(others) - MOST_OTHERS} more"] if len(others) > MOST_OTHERS else []
    return ConfigError(
        first.what, where=first.where, expected=first.expected, got=first.got,
        do_next=first.do_next or "correct the file", also=tuple(also),
    )  # fmt: skip


def _problem(kind: type[ConfigModel], file: TomlFile, keys: KeyPath, item: Any) -> ConfigError:
    where, name = file.where(keys), key_text(keys) or "the file"
    problem, allowed = item["type"], _allowed(kind, item)
    if problem == "extra_forbidden":
        return ConfigError(
            f"unknown key '{keys[-1]}'",
            where=where,
            expected=nearest(str(keys[-1]), _known_keys(kind, item["loc"][:-1])),
            got=_short(item["input"]),
            do_next="correct or remove the key",
        )
    if _short_pair(item, item["loc"]) or problem == "too_long":
        many = 2 if problem == "missing" else item["ctx"]["max_length"]
        return ConfigError(
            f"'{name}' has too {'few' if problem == 'missing' else 'many'} values",
            where=where,
            expected=f"a list of {many} values",
            got=_short(_value_at(file.values, keys)),
            do_next="correct the list",
        )
    if problem in ("missing", "union_tag_not_found"):
        expected = nearest("", allowed) if allowed else None
        return ConfigError(
            f"the key '{name}' is missing", where=file.where(keys[:-1]), expected=expected, do_next=f"add '{keys[-1]}'"
        )
    raw = _value_at(file.values, keys)
    got = None if isinstance(raw, dict) else _short(raw)
    if allowed:
        return ConfigError(f"'{name}' cannot be used", where=where, expected=nearest(str(raw), allowed), got=got)
    message = item["msg"].removeprefix("Value error, ").replace("valid tuple", "list").replace("Tuple", "List")
    message = re.sub("valid dictionary or instance of .*", "table", message)
    return ConfigError(f"'{name}' cannot be used: {message}", where=where, got=got)


def _allowed(kind: type[ConfigModel], item: Any) -> list[str]:
    """The words that may stand there, where only some may."""
    if item["type"] == "literal_error":
        return re.findall("'([^']*)'", item["ctx"]["expected"])
    if item["type"].startswith("union_tag"):
        return [tag for model in _models_at(kind, item["loc"]) for tag in _tags(model)]
    return []


def _short(value: object) -> str:
    text = re.sub(r"(\w+://)[^\s'\"]+", r"\1…", repr(value))  # URLs hold secrets
    return text if len(text) <= 120 else text[:117] + "…"


def _keys_in(values: Any, item: Any) -> KeyPath:
    """Key path in the file: without what pydantic adds for the members of a union."""
    loc, absent = list(item["loc"]), item["type"] == "missing"
    if item["type"].startswith("union_tag"):
        loc.append(item["ctx"]["discriminator"].strip("'"))
        absent = True
    kept: list[str | int] = []
    for i, key in enumerate(loc):
        inside = _value_at(values, (*kept, key)) is not None
        if inside or (absent and i == len(loc) - 1):
            kept.append(key)
    return (*kept, *getattr(item.get("ctx", {}).get("error"), "keys", ()))


def _value_at(values: Any, keys: KeyPath) -> Any:
    """The value at a key path; None where nothing does (TOML has no null)."""
    for key in keys:
        try:
            values = None if isinstance(values, str) else values[key]
        except (KeyError, IndexError, TypeError):
            return None
    return values


def _known_keys(kind: type[BaseModel], keys: KeyPath) -> list[str]:
    """Field names that are allowed at a path below ``kind``."""
    return sorted({name for model in _models_at(kind, keys) for name in model.model_fields})


def _models_at(kind: type[BaseModel], keys: KeyPath) -> list[type[BaseModel]]:
    """Models that may stand at a path below ``kind``; the tag of a union chooses one."""
    models: list[type[BaseModel]] = [kind]
    for key in keys:
        inner: list[type[BaseModel]] = []
        for model in models:
            field = model.model_fields.get(str(key))
            inner += _models_in(field.annotation) if field else []
        models = inner or [m for m in models if key in _tags(m)] or models
    return models


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [m for arg in getattr(annotation, "__args__", ()) for m in _models_in(arg)]


def _tags(model: type[BaseModel]) -> tuple[str, ...]:
    """What tells a member of a union: its ``kind``."""
    field = model.model_fields.get("kind")
    return getattr(field.annotation, "__args__", ()) if field else ()


CycleCount = Annotated[int, Field(ge=1)]
