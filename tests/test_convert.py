"""Promises about plain data for JSON."""

from __future__ import annotations

import doctest
import json
from dataclasses import asdict, dataclass, field
from typing import Any, ClassVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faulttree import convert
from faulttree.convert import Plain, to_data


@dataclass(frozen=True, slots=True)
class Inner(Plain):
    COMPUTED: ClassVar[tuple[str, ...]] = ("double",)
    size: int

    @property
    def double(self) -> int:
        return 2 * self.size


@dataclass(frozen=True, slots=True)
class Outer(Plain):
    RENAMED: ClassVar[dict[str, str]] = {"id": "case"}
    LEFT_OUT: ClassVar[frozenset[str]] = frozenset({"hidden"})
    id: str
    inner: tuple[Inner, ...] = ()
    by_name: dict[str, Inner] = field(default_factory=dict)
    hidden: object = None


def test_computed_renamed_and_hidden_fields_at_every_depth() -> None:
    one = Inner(2)
    assert Outer("a", (one,), {"b": one}, hidden=object()).as_dict() == {
        "case": "a",
        "inner": [{"size": 2, "double": 4}],
        "by_name": {"b": {"size": 2, "double": 4}},
    }


PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(),
    lambda inner: st.lists(inner) | st.tuples(inner) | st.dictionaries(st.text(), inner),
)


@dataclass
class Holder(Plain):
    value: Any


@given(PLAIN)
def test_data_of_json_is_what_the_standard_library_makes_of_it(value: Any) -> None:
    # Peer: dataclasses.asdict and json of the standard library.
    holder = Holder(value)
    assert json.dumps(holder.as_dict()) == json.dumps(asdict(holder))


def test_what_json_cannot_hold_is_refused() -> None:
    with pytest.raises(TypeError):
        to_data(object())


def test_the_examples_are_right() -> None:
    assert doctest.testmod(convert).failed == 0
