"""Types of HDF5 datasets that are read: those of real machines, compared with a table.

A damaged type (an exponent out of place, a field that reaches beyond its record) makes the HDF5
library write outside its buffers, and ends the process. So only known types are converted.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from benchpipe.readers.extras import load_extra

_SIZES = ("8", "16", "32", "64")


def is_known(kind: Any) -> bool:
    """Whether a type is numbers or texts of a known layout, or a record of such.

    Parameters
    ----------
    kind : h5py.h5t.TypeID
        As ``dataset.id.get_type()`` gives it.
    """
    h5t = load_extra("h5py", "hdf5").h5t
    what = kind.get_class()
    if what == h5t.COMPOUND:
        return _fits(kind) and all(is_known(kind.get_member_type(n)) for n in range(kind.get_nmembers()))
    if what == h5t.STRING:
        return True
    if what == h5t.ENUM:
        return is_known(kind.get_super())
    return any(kind.equal(known) for known in _numbers(h5t))


def attribute_text(node: Any, name: str, *, sound: Callable[[], None] | None = None) -> str | None:
    """A text that stands beside a dataset; None where there is none.

    Texts of no fixed length are read only where ``sound`` is given, which raises where the heap that
    they stand in is damaged: the library would not come back from it.
    """
    if name not in node.attrs:
        return None
    kind = node.attrs.get_id(name).get_type()
    if kind.get_class() != load_extra("h5py", "hdf5").h5t.STRING or (kind.is_variable_str() and sound is None):
        return None
    if kind.is_variable_str() and sound is not None:
        sound()
    value = node.attrs[name]
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)


def _fits(record: Any) -> bool:
    """Whether the fields of a record follow one another inside it."""
    fields = [(record.get_member_offset(n), record.get_member_type(n).get_size()) for n in range(record.get_nmembers())]
    end = 0
    for offset, size in sorted(fields):
        if offset < end or size <= 0:
            return False
        end = offset + size
    return bool(end <= record.get_size())


def _numbers(h5t: Any) -> list[Any]:
    whole = [getattr(h5t, f"STD_{sign}{size}{order}") for sign in "IU" for size in _SIZES for order in ("LE", "BE")]
    return whole + [getattr(h5t, f"IEEE_F{size}{order}") for size in _SIZES[1:] for order in ("LE", "BE")]
