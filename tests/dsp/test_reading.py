"""Texts made to break a parser are refused in one line, quickly; all others read as the standard library reads them."""

from __future__ import annotations

import json
import time
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spillgate.dsp import reading

DEEP = 100_000


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("x = " + "[" * DEEP, "too deeply nested"),
        ("x = " + "[" * 60 + "]" * 60, "too deeply nested"),
        ("x = " + "{a=" * DEEP, "too deeply nested"),
        ("a" + ".a" * DEEP + " = 1", "hundreds of parts"),
        ("[a" + ".a" * DEEP + "]", "hundreds of parts"),
        ("x = {a" + '."b c"' * DEEP + " = 1}", "hundreds of parts"),
        ("x = " + "9" * 30, "beyond 64 bits"),
        ("x = 0x" + "f" * DEEP, "beyond 64 bits"),
        ("x = " + "9" * DEEP, "digits"),
        ('x = "' + "y" * 20_001 + '"', "a text of 20001 characters"),
        ("y" * 20_001 + " = 1", "a text of 20001 characters"),
    ],
)
def test_hostile_toml_is_refused_at_once(text: str, why: str) -> None:
    began = time.monotonic()
    with pytest.raises(ValueError, match=why) as caught:
        reading.from_toml(text)
    assert "\n" not in str(caught.value)
    assert time.monotonic() - began < 5


@pytest.mark.parametrize(
    ("text", "why"),
    [("[" * DEEP, "too deeply nested"), ("[" * 60 + "]" * 60, "too deeply nested"), ("1" * 30, "beyond 64 bits"),
     ('"' + "y" * 20_001 + '"', "20001 characters"), ('{"a": "\\ud800"}', "half a character"), ("{", "Expecting")],
)  # fmt: skip
def test_hostile_json_is_refused(text: str, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        reading.from_json(text)


plain = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False) | st.integers(-(2**63), 2**63 - 1) | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=4),
    max_leaves=20,
)


@given(plain)
def test_everything_else_reads_as_it_was_written(data: object) -> None:
    assert reading.from_json(json.dumps(data)) == data


def test_toml_reads_as_the_standard_library_reads_it() -> None:
    text = 'a.b.c = 1\n[[t]]\nx = "..........."\n[[t]]\nx = {y = [1, 2.5, true]}\n'
    assert reading.from_toml(text) == tomllib.loads(text)


def test_files_are_bounded_and_may_have_a_byte_order_mark(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_bytes(b"\xef\xbb\xbfa = 1")
    assert reading.read_text(path) == "a = 1"
    with pytest.raises(ValueError, match="larger than"):
        reading.read_text(path, 7)
    path.write_bytes(b"a = \xff")
    with pytest.raises(ValueError, match="no UTF-8 text at byte 4"):
        reading.read_text(path)
