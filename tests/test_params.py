"""Parameters are declared once; everything else follows from the declaration."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Annotated

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spillgate.dsp import params
from spillgate.dsp.errors import ParameterError
from spillgate.dsp.params import Choice, Flag, Range


@dataclass(frozen=True, kw_only=True)
class Example:
    ring: Annotated[float, Range(0.4, 2.0, help="how much ring")] = 0.85
    floor_db: Annotated[
        float | None, Range(-60, 0, unit="dB", none="silence", words=(("tight", None), ("natural", -18.0)))
    ] = None
    taps: Annotated[int, Range(4, 64)] = 32
    move: Annotated[str, Choice(("close", "overheads", "none"))] = "close"
    whole: Annotated[bool, Flag(help="whole samples")] = False
    plain: int = 3

    def __post_init__(self) -> None:
        params.validate(self, "example")


def declared(name: str) -> params.Parameter:
    return next(p for p in params.parameters(Example) if p.name == name)


def test_fields_without_a_constraint_are_no_parameters() -> None:
    assert [p.name for p in params.parameters(Example)] == ["ring", "floor_db", "taps", "move", "whole"]


@given(
    st.floats(0.4, 2.0),
    st.none() | st.floats(-60, 0),
    st.integers(4, 64),
    st.sampled_from(("close", "none")),
    st.booleans(),
)
def test_plain_data_and_back(ring: float, floor_db: float | None, taps: int, move: str, whole: bool) -> None:
    made = Example(ring=ring, floor_db=floor_db, taps=taps, move=move, whole=whole)
    assert Example(**params.from_dict(Example, params.to_dict(made), "example")) == made  # type: ignore[arg-type]


@given(st.floats(0.4, 2.0), st.none() | st.floats(-60, 0), st.integers(4, 64), st.booleans())
def test_text_and_back(ring: float, floor_db: float | None, taps: int, whole: bool) -> None:
    for name, value in {"ring": ring, "floor_db": floor_db, "taps": taps, "whole": whole}.items():
        text = "off" if value is None else str(value).lower()
        assert params.parse(declared(name), text, "") == value


@given(st.floats(allow_nan=True, allow_infinity=True))
def test_a_range_admits_exactly_what_lies_in_it(value: float) -> None:
    inside = math.isfinite(value) and 0.4 <= value <= 2.0
    if inside:
        assert Example(ring=value).ring == value
    else:
        with pytest.raises(ParameterError, match=r"example\.ring: .* is not allowed; use 0\.4 to 2"):
            Example(ring=value)


@pytest.mark.parametrize(
    ("values", "line"),
    [
        ({"ring": 3.0}, "example.ring: 3.0 is not allowed; use 0.4 to 2"),
        ({"ring": True}, "example.ring: True is not allowed; use 0.4 to 2"),
        ({"ring": None}, "example.ring: None is not allowed; use 0.4 to 2"),
        ({"taps": 4.5}, "example.taps: 4.5 is not allowed; use 4 to 64"),
        (
            {"floor_db": -61},
            "example.floor_db: -61 is not allowed; use -60 to 0 dB, tight (silence), natural (-18)",
        ),
        ({"move": "all"}, "example.move: 'all' is not allowed; use close, overheads, none"),
        ({"whole": 1}, "example.whole: 1 is not allowed; use true or false"),
        ({"rign": 1.0}, "example: unknown parameter 'rign'; did you mean 'ring'?"),
        ({"plain": 1}, "example: unknown parameter 'plain'; known: floor_db, move, ring, taps, whole"),
    ],
)
def test_what_is_refused_and_how(values: dict[str, object], line: str) -> None:
    with pytest.raises(ParameterError) as caught:
        params.from_dict(Example, values, "example")
    assert str(caught.value) == line


def test_words_stand_for_values() -> None:
    assert Example(floor_db="natural").floor_db == -18.0  # type: ignore[arg-type]
    assert params.parse(declared("floor_db"), "tight", "") is None
    assert params.from_dict(Example, {"floor_db": "natural"}, "x") == {"floor_db": -18.0}


def test_off_is_none_only_where_that_is_allowed() -> None:
    assert params.from_dict(Example, {"floor_db": "off"}, "x") == {"floor_db": None}
    with pytest.raises(ParameterError):
        params.from_dict(Example, {"ring": "off"}, "x")


def test_whole_numbers_may_be_written_as_floats() -> None:
    made = Example(taps=16.0)  # type: ignore[arg-type]
    assert made.taps == 16
    assert isinstance(made.taps, int)


def test_a_parameter_without_default_is_known_as_such() -> None:
    @dataclass(frozen=True, kw_only=True)
    class Strict:
        gain: Annotated[float, Range(0, 1)]

    assert params.parameters(Strict)[0].default is dataclasses.MISSING
