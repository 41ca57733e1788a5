"""Any frozen record <-> plain JSON values plus its arrays, without loss.

A record becomes nested dicts and lists; each array is pulled out into a list and leaves its place number behind;
``pack`` turns that list into bytes. What comes back is equal to what went in, arrays byte for byte. The types come from
the records' own annotations: a new field with a default needs nothing here, an older record is read with the default.
"""

from __future__ import annotations

import dataclasses
import enum
import functools
import json
import math
import types
import typing
import zlib
from collections.abc import Callable, Container, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from edgeinspect.errors import StoreError

Arrays = list[NDArray[Any]]
ZLIB_LEVEL = 2  # levels of a picture are mostly noise: 6 takes half as long again and saves a hundredth
_HEADER_LIMIT = 1_000_000  # bytes: far above any real header, so that a damaged file is noticed


def to_plain(value: object, arrays: Arrays) -> Any:
    """``value`` as JSON values; its arrays are appended to ``arrays``. TypeError for a type that no record holds."""
    kind: Any = type(value)
    if kind is float:
        return value if math.isfinite(typing.cast(float, value)) else repr(value)  # JSON knows neither nan nor inf
    if kind is str or value is None or kind is bool or kind is int:
        return value
    if names := _field_names(kind):
        return {name: to_plain(getattr(value, name), arrays) for name in names}
    if isinstance(value, enum.Enum):
        return value.value
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, str):
        return str(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        return to_plain(float(value), arrays)
    if isinstance(value, np.ndarray):
        arrays.append(value)
        return {"array": len(arrays) - 1}
    if isinstance(value, frozenset):
        return sorted((to_plain(item, arrays) for item in value), key=str)
    if isinstance(value, (tuple, list)):
        return [to_plain(item, arrays) for item in value]
    if isinstance(value, Mapping):
        return {str(key): to_plain(item, arrays) for key, item in value.items()}
    raise TypeError(f"a record cannot hold a {type(value).__name__}")


@functools.cache
def _field_names(kind: type[Any]) -> tuple[str, ...]:
    """Of a record; () of anything else."""
    return tuple(item.name for item in dataclasses.fields(kind)) if dataclasses.is_dataclass(kind) else ()


def from_plain(kind: Any, plain: Any, arrays: Sequence[NDArray[Any]]) -> Any:
    """The value of annotated type ``kind`` that ``to_plain`` made ``plain`` and ``arrays`` of.

    Raises StoreError if the two do not fit: a record of another version of edgeinspect, or a damaged one.
    """
    try:
        return _reader(kind)(plain, arrays)
    except (KeyError, TypeError, ValueError, IndexError, AttributeError) as error:
        raise StoreError(
            f"a stored record does not fit this edgeinspect ({error}): read it with the version that wrote it"
        ) from error


@functools.cache
def _reader(kind: Any) -> Callable[[Any, Sequence[NDArray[Any]]], Any]:
    """How to read a value of an annotated type: found out once for each, because a record has thousands."""
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin in (typing.Union, types.UnionType):
        (kind,) = (choice for choice in inner if choice is not type(None))  # records use Optional only
        read = _reader(kind)
        return lambda plain, arrays: None if plain is None else read(plain, arrays)
    if origin is np.ndarray:
        return lambda plain, arrays: arrays[plain["array"]]
    if origin is tuple:
        if len(inner) == 2 and inner[1] is Ellipsis:
            read = _reader(inner[0])
            return lambda plain, arrays: tuple(read(item, arrays) for item in plain)
        each = [_reader(one) for one in inner]
        return lambda plain, arrays: tuple(read(item, arrays) for read, item in zip(each, plain, strict=True))
    if origin is frozenset:
        read = _reader(inner[0])
        return lambda plain, arrays: frozenset(read(item, arrays) for item in plain)
    if origin is dict:
        read = _reader(inner[1])
        return lambda plain, arrays: {key: read(item, arrays) for key, item in plain.items()}
    if isinstance(kind, type) and dataclasses.is_dataclass(kind):
        fields = {name: _reader(hint) for name, hint in _hints(kind).items() if name in kind.__dataclass_fields__}
        return lambda plain, arrays: kind(**{name: fields[name](item, arrays) for name, item in plain.items()})
    if kind in (bool, int, str, float) or (isinstance(kind, type) and issubclass(kind, enum.Enum)):
        return lambda plain, _: kind(plain)
    raise TypeError(f"no way to read a {kind}")


@functools.cache
def _hints(kind: type) -> dict[str, Any]:
    return typing.get_type_hints(kind)


def pack(arrays: Sequence[NDArray[Any]]) -> bytes:
    """Arrays as bytes: one line of JSON (dtype and shape of each), then a zlib stream of their bytes, plane by plane.

    Plane by plane: all first bytes of the values, then all second bytes, ...: like lies by like, which saves a fifth.
    """
    header = json.dumps([{"dtype": array.dtype.str, "shape": array.shape} for array in arrays])
    planes = [
        np.ascontiguousarray(array).reshape(-1).view(np.uint8).reshape(-1, array.dtype.itemsize).T.tobytes()
        for array in arrays
    ]
    return header.encode() + b"\n" + zlib.compress(b"".join(planes), ZLIB_LEVEL)


def unpack(content: bytes) -> Arrays:
    """The arrays of ``pack``, read-only. Raises StoreError if the bytes are damaged."""
    return list(unpack_some(content).values())


def unpack_some(content: bytes, which: Container[int] | None = None) -> dict[int, NDArray[Any]]:
    """The arrays of ``pack`` by their number, read-only; only those of ``which``, in a fraction of the time.

    Raises StoreError if the bytes are damaged.
    """
    try:
        end = content.index(b"\n", 0, _HEADER_LIMIT)
        header, body = json.loads(content[:end]), zlib.decompress(content[end + 1 :])
        arrays, start = {}, 0
        for number, item in enumerate(header):
            dtype, shape = np.dtype(item["dtype"]), tuple(item["shape"])
            size = math.prod(shape) * dtype.itemsize
            if which is None or number in which:
                planes = np.frombuffer(body, np.uint8, count=size, offset=start).reshape(dtype.itemsize, -1)
                array = np.ascontiguousarray(planes.T).reshape(-1).view(dtype).reshape(shape)
                array.setflags(write=False)
                arrays[number] = array
            start += size
        if start != len(body):
            raise ValueError("its length is wrong")
        return arrays
    except (ValueError, KeyError, TypeError, zlib.error) as error:
        raise StoreError(f"stored arrays are damaged ({error}): take the record from the last back-up") from error
