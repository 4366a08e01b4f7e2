"""Every example in a docstring runs."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

import spillgate.dsp

MODULES = sorted(m.name for m in pkgutil.walk_packages(spillgate.dsp.__path__, "spillgate.dsp."))


def test_there_are_modules() -> None:
    assert "spillgate.dsp.plan.notes" in MODULES


@pytest.mark.parametrize("name", MODULES)
def test_examples_of_module(name: str) -> None:
    result = doctest.testmod(importlib.import_module(name), optionflags=doctest.NORMALIZE_WHITESPACE)
    assert result.failed == 0
