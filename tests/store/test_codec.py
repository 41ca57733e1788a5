"""What comes out of the record is what went in: every field, every bit of every array."""

from __future__ import annotations

import contextlib
import dataclasses
import enum
import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import hypothesis.extra.numpy as arrays_of
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as some

from edgeinspect.errors import StoreError
from edgeinspect.inspection import Inspection
from edgeinspect.store.codec import Arrays, from_plain, pack, to_plain, unpack


def there_and_back(kind: Any, value: Any) -> Any:
    arrays: Arrays = []
    text = json.dumps(to_plain(value, arrays), allow_nan=False)
    return from_plain(kind, json.loads(text), unpack(pack(arrays)))


def assert_same(got: Any, want: Any, where: str = "record") -> None:
    """Equality to the bit, nan included, and of the same types: == on records with arrays says nothing."""
    assert type(got) is type(want), where
    if isinstance(want, np.ndarray):
        assert (got.dtype, got.shape) == (want.dtype, want.shape), where
        assert got.tobytes() == want.tobytes(), where
        assert not got.flags.writeable, where
    elif dataclasses.is_dataclass(want):
        for item in dataclasses.fields(want):
            assert_same(getattr(got, item.name), getattr(want, item.name), f"{where}.{item.name}")
    elif isinstance(want, tuple):
        assert len(got) == len(want), where
        for at, (one, other) in enumerate(zip(got, want, strict=True)):
            assert_same(one, other, f"{where}[{at}]")
    elif isinstance(want, float):
        assert np.float64(got).tobytes() == np.float64(want).tobytes(), where
    else:
        assert got == want, where


def test_an_inspection_comes_back_to_the_last_bit(make_inspection: Callable[..., Inspection]) -> None:
    inspection = make_inspection()
    assert_same(there_and_back(Inspection, inspection), inspection)


def test_the_comparison_of_this_test_sees_a_single_bit(make_inspection: Callable[..., Inspection]) -> None:
    inspection = make_inspection()
    ribbon = inspection.measurement.ribbons[0]
    levels = ribbon.levels.copy()
    levels[2, 2] = np.nextafter(levels[2, 2], np.float32(1))
    changed = dataclasses.replace(
        inspection,
        measurement=dataclasses.replace(inspection.measurement, ribbons=(dataclasses.replace(ribbon, levels=levels),)),
    )
    with pytest.raises(AssertionError, match=r"ribbons\[0\]\.levels"):
        assert_same(there_and_back(Inspection, changed), inspection)


NUMBERS = arrays_of.arrays(
    some.sampled_from([np.float64, np.float32, np.uint8, np.uint16, np.int32, np.bool_, ">f8"]),
    arrays_of.array_shapes(min_dims=0, max_dims=3, min_side=0, max_side=7),
)


@given(some.lists(NUMBERS, max_size=4))
def test_any_arrays_come_back_to_the_last_bit(arrays: Arrays) -> None:
    for got, want in zip(unpack(pack(arrays)), arrays, strict=True):
        assert (got.dtype, got.shape, got.tobytes()) == (want.dtype, want.shape, want.tobytes())


@given(some.floats(allow_nan=True, allow_infinity=True))
def test_any_number_comes_back_to_the_last_bit(value: float) -> None:
    got = there_and_back(float, value)
    assert got == value or (np.isnan(got) and np.isnan(value))


class Colour(enum.StrEnum):
    ORANGE = "orange"


class Bits(enum.IntFlag):
    A = 1
    B = 2


@dataclass(frozen=True)
class Older:
    words: str


@dataclass(frozen=True)
class Newer:
    words: str
    colour: Colour = Colour.ORANGE
    bits: Bits = Bits.A | Bits.B
    sizes: dict[str, tuple[float, ...]] | None = None
    names: frozenset[Colour] = frozenset({Colour.ORANGE})


def test_a_field_added_later_takes_its_default() -> None:
    assert from_plain(Newer, to_plain(Older("x"), []), []) == Newer("x")


def test_every_kind_of_field_comes_back() -> None:
    record = Newer("ä\n\"'", Colour.ORANGE, Bits.B, {"a": (1.0, float("inf"))}, frozenset())
    assert_same(there_and_back(Newer, record), record)


def test_a_record_of_another_version_is_one_sentence() -> None:
    with pytest.raises(StoreError, match="does not fit this edgeinspect") as caught:
        from_plain(Older, to_plain(Newer("x"), []), [])
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("damage", [b"", b"no header", b"[]\nno zlib"])
def test_damaged_arrays_are_one_sentence(damage: bytes) -> None:
    with pytest.raises(StoreError, match="damaged"):
        unpack(damage)


@given(some.integers(0, 10_000), some.integers(1, 255))
def test_no_damage_to_stored_arrays_changes_a_number_unnoticed(at: int, change: int) -> None:
    """zlib's Adler-32 covers the numbers (RFC 1950, section 2.2); a bit of its stream may mean nothing."""
    arrays = [np.arange(300.0), np.arange(7, dtype=np.uint8)]
    content = bytearray(pack(arrays))
    at = content.index(b"\n") + 1 + at % (len(content) - content.index(b"\n") - 1)
    content[at] ^= change
    with contextlib.suppress(StoreError):
        for got, want in zip(unpack(bytes(content)), arrays, strict=True):
            assert np.array_equal(got, want)


def test_no_other_type_slips_into_a_record() -> None:
    with pytest.raises(TypeError, match="cannot hold a set"):
        to_plain({1, 2}, [])
