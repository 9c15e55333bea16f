"""Names of stores on an object store, and of the local folder that each has on this machine.

A store ``s3://bucket/prefix`` has a *mirror*: a folder below the user's cache that looks like a store in a folder. It
holds notes and manifests as they were last read, and parts as far as they were used. Its name is the address, so that
every message can show the address instead of the folder.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

HOME = "BENCHPIPE_CACHE"  # environment variable: folder of the mirrors
KIND = "s3"
_BUCKET = re.compile(r"[a-z0-9][a-z0-9.-]{1,61}[a-z0-9]")
_PREFIX = re.compile(r"[A-Za-z0-9!_.*'()-]+(/[A-Za-z0-9!_.*'()-]+)*")
_SCHEME = re.compile(r"([A-Za-z][A-Za-z0-9+.-]+)://")
_START = f"{KIND}%3A%2F%2F"
MOST_LETTERS = 200  # of an address: it becomes the name of a folder


def mirrors_home() -> Path:
    """Folder of all mirrors of this user on this machine."""
    named = os.environ.get(HOME)
    if named:
        return Path(named).absolute()
    base = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    try:
        return (Path(base) if base else Path.home() / ".cache") / "benchpipe" / "stores"
    except RuntimeError:  # no home
        return Path("benchpipe-stores").absolute()


def kind_of_store(text: str) -> str | None:
    """``s3`` of ``s3://bucket``; None for a folder. A drive of Windows is none either."""
    found = _SCHEME.match(text)
    return found[1].lower() if found else None


def store_place(text: str) -> Path | None:
    """Mirror of a store on an object store; None where the text names a folder.

    Raises
    ------
    ValueError
        The kind of store is not known, or the address is none. The address is not repeated: it may hold a password.
    """
    kind = kind_of_store(text)
    if kind is None:
        return None
    if kind != KIND or not text.lower().startswith(f"{KIND}://"):
        raise ValueError(f"the kind of store '{kind}' is not known: give a folder, or s3://BUCKET/PREFIX")
    address = text[len(KIND) + 3 :].rstrip("/")
    if "@" in address or "?" in address or "#" in address:
        raise ValueError(
            "an address of a store is s3://BUCKET/PREFIX and nothing else: keys are read from the environment "
            "(AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY), never from a file or a command"
        )
    bucket, _, prefix = address.partition("/")
    if not _BUCKET.fullmatch(bucket):
        raise ValueError("the name of a bucket has 3 to 63 small letters, digits, dots and hyphens")
    if prefix and (not _PREFIX.fullmatch(prefix) or {".", ".."} & set(prefix.split("/"))):
        raise ValueError("a prefix has letters, digits and !_.*'()- between single slashes")
    if len(address) > MOST_LETTERS:
        raise ValueError(f"the address of a store has at most {MOST_LETTERS} letters")
    return mirrors_home() / (_START + address.replace("/", "%2F"))


def address_of(store: Path) -> str | None:
    """Address of the store that a folder is the mirror of; None for a folder that is a store itself."""
    return _plain(store.name) if store.name.startswith(_START) else None


def mirror_over(path: Path) -> Path | None:
    """The mirror that a path is in, or is."""
    if _START not in str(path):
        return None
    return next((one for one in (path, *path.parents) if one.name.startswith(_START)), None)


def store_name(store: Path) -> str:
    """One name for a store on every machine: its address, or the absolute path of its folder."""
    return address_of(store) or os.path.normpath(store.absolute())


def spelled(text: str) -> str:
    """A text with the address of a store in the place of its mirror."""
    if _START not in text:
        return text
    return re.sub(rf"{re.escape(str(mirrors_home()))}/({_START}[^/\s'\"]*)", lambda found: _plain(found[1]), text)


def _plain(name: str) -> str:
    return name.replace("%3A", ":").replace("%2F", "/")
