"""Values of planning as bytes for another process of the same version, and back.

The bytes are a pickle: a job is a tree of dozens of kinds of values and arrays that no text form has. Reading it makes
only values of alertd and arrays, so a forged one cannot call anything else (docs.python.org, "Restricting Globals").
"""

import io
import pickle
from collections.abc import Callable
from copyreg import __newobj__  # type: ignore[attr-defined]
from dataclasses import fields, is_dataclass
from enum import Enum
from operator import attrgetter
from typing import Any, Final

from pydantic import BaseModel

from alertd.errors import InputError

_PLAIN: Final = {
    "datetime": {"date", "datetime", "time", "timedelta", "timezone"},
    "builtins": {"set", "frozenset", "slice"},
    "collections": {"OrderedDict"},
    "pydantic_core._pydantic_core": {"TzInfo"},  # of times that came as JSON
    "numpy": {"dtype", "ndarray"},
    "numpy._core.numeric": {"_frombuffer"},
    "numpy._core.multiarray": {"_reconstruct", "scalar"},
}


_PROTOCOL: Final = 5


def value_to_bytes(value: object) -> bytes:
    """Any value of planning."""
    file = io.BytesIO()
    _ValueWriter(file, protocol=_PROTOCOL).dump(value)
    return file.getvalue()


def read_value(data: bytes) -> Any:
    """The value of these bytes. Raises InputError for bytes of another version or that name anything but values."""
    return ValueReader(io.BytesIO(data)).read()


def refused(why: str) -> InputError:
    """The error of bytes that are no values of this version."""
    return InputError("planning data", "", why, "run the same version of alertd in all processes of a store")


class ValueReader(pickle.Unpickler):
    """Reads values and nothing else."""

    def find_class(self, module: str, name: str) -> Any:
        plain = name in _PLAIN.get(module, ())
        if plain or module.startswith("alertd."):
            found = super().find_class(module, name)
            is_value = isinstance(found, type) and (is_dataclass(found) or issubclass(found, Enum | BaseModel | tuple))
            if plain or is_value:
                return found
        raise pickle.UnpicklingError(f"{module}.{name} is not a value of planning")

    def read(self) -> Any:
        """The value. Raises InputError."""
        try:
            return self.load()
        except Exception as exc:  # any kind, from a damaged or foreign pickle
            raise refused(f"cannot be read ({exc})") from exc


class _Reducers(dict[type, Callable[[Any], Any]]):
    """How the values of each type are pickled; found at its first value.

    Dataclasses with slots look up their fields again for each object, which takes half the time of a plan.
    """

    def __missing__(self, kind: type) -> Callable[[Any], Any]:
        if issubclass(kind, type):
            raise KeyError(kind)  # a class is pickled by its name
        found: Callable[[Any], Any] = lambda value: value.__reduce_ex__(_PROTOCOL)  # noqa: E731
        names = [f.name for f in fields(kind)] if is_dataclass(kind) else []
        own_state = getattr(kind.__dict__.get("__getstate__"), "__module__", "") == "dataclasses"
        if own_state and len(names) > 1:  # attrgetter returns no tuple of one
            state = attrgetter(*names)
            found = lambda value: (__newobj__, (kind,), state(value))  # noqa: E731
        self[kind] = found
        return found


class _ValueWriter(pickle.Pickler):
    dispatch_table = _Reducers()
