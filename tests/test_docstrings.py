"""Every public name of the library says what goes in, what comes out, and of which type."""

from __future__ import annotations

import ast
import dataclasses
import importlib
import inspect
import re
from pathlib import Path
from typing import Any

import pytest

import spillgate.dsp
import spillgate.dsp.synth

ROOT = Path(__file__).resolve().parent.parent

MODULES = sorted(
    "spillgate." + ".".join(p.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    for p in (ROOT / "dsp").rglob("*.py")
)

OFFERED = tuple(
    f"spillgate.dsp.{m}"
    for m in ("core.", "chain", "errors", "params", "plan.corrections", "plan.model", "plan.store", "processor.",
              "registry", "steps.", "take.features", "take.model", "take.opening", "testing")
)  # fmt: skip
"""Modules whose names others may use."""


def sections(text: str) -> dict[str, str]:
    """Sections of a numpydoc docstring by title."""
    parts = re.split(r"^(\w[\w ]*)\n-{3,}\n", inspect.cleandoc(text), flags=re.MULTILINE)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def named(section: str) -> set[str]:
    """Names that a section describes: what stands unindented before a colon or alone on its line."""
    found: set[str] = set()
    for line in section.splitlines():
        if line and not line[0].isspace():
            found |= {w.strip(" *") for w in line.split(" : ")[0].split(",")}
    return found


def faults_of_function(func: Any, label: str, of_class: bool = False) -> list[str]:
    faults = []
    doc = func.__doc__ or ""
    if not doc.strip():
        return [f"{label}: no docstring"]
    signature = inspect.signature(func)
    told = sections(doc)
    parameters = [p for p in signature.parameters if p not in ("self", "cls")]
    missing = [p for p in parameters if p not in named(told.get("Parameters", ""))]
    if missing and not of_class:
        faults.append(f"{label}: says nothing of {', '.join(missing)}")
    returns = signature.return_annotation not in (None, "None", "NoReturn", inspect.Signature.empty)
    if returns and not of_class and not {"Returns", "Yields"} & set(told):
        faults.append(f"{label}: has no Returns")
    hints = [p for p in parameters if signature.parameters[p].annotation is inspect.Parameter.empty]
    if hints:
        faults.append(f"{label}: no type of {', '.join(hints)}")
    if signature.return_annotation is inspect.Signature.empty:
        faults.append(f"{label}: no type of what it returns")
    return faults


def faults_of_class(cls: type[Any], label: str) -> list[str]:
    doc = cls.__doc__ or ""
    if not doc.strip() or doc.startswith(f"{cls.__name__}("):
        return [f"{label}: no docstring"]
    faults = []
    told = named(sections(doc).get("Parameters", "")) | named(sections(doc).get("Attributes", ""))
    if dataclasses.is_dataclass(cls):
        from spillgate.dsp import Processor, Step, params

        is_form = issubclass(cls, Processor | Step)
        # parameters say themselves what they are
        declared = {p.name for p in params.parameters(cls) if p.help} if is_form else set()
        inherited = {f.name for base in cls.__mro__[1:] if dataclasses.is_dataclass(base) for f in
                     dataclasses.fields(base)}  # fmt: skip
        fields = [f.name for f in dataclasses.fields(cls) if not f.name.startswith("_")]
        missing = [f for f in fields if f not in told | declared | inherited]
        if missing:
            faults.append(f"{label}: says nothing of {', '.join(missing)}")
    for name, member in vars(cls).items():
        if name.startswith("_") or not (inspect.isfunction(member) or isinstance(member, classmethod | staticmethod)):
            continue
        func = member.__func__ if isinstance(member, classmethod | staticmethod) else member
        # a method stands in the picture its class gives: a line of its own and types are enough
        faults += faults_of_function(func, f"{label}.{name}", of_class=True)
    return faults


def faults(module: str) -> list[str]:
    there = importlib.import_module(module)
    found = []
    for name in there.__all__:
        value = getattr(there, name)
        if getattr(value, "__module__", module) != module:
            continue  # checked where it is written
        if inspect.isclass(value):
            found += faults_of_class(value, f"{module}.{name}")
        elif callable(value) and hasattr(value, "__doc__") and inspect.isfunction(value):
            found += faults_of_function(value, f"{module}.{name}")
    return found


def constants_without_word(module: str) -> list[str]:
    """Public constants that no string follows to say what they are."""
    tree = ast.parse(Path(importlib.import_module(module).__file__ or "").read_text("utf-8"))
    public = importlib.import_module(module).__all__
    found = []
    for node, after in zip(tree.body, [*tree.body[1:], None], strict=True):
        target = node.targets[0] if isinstance(node, ast.Assign) else getattr(node, "target", None)
        if isinstance(target, ast.Name) and target.id in public and target.id.isupper():
            said = isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant)
            if not said:
                found.append(f"{module}.{target.id}")
    return found


@pytest.mark.parametrize("module", MODULES)
def test_every_module_says_what_it_offers(module: str) -> None:
    there = importlib.import_module(module)
    assert there.__doc__, f"{module} has no docstring"
    if not hasattr(there, "__all__"):
        assert (there.__file__ or "").endswith("__init__.py"), f"{module} has no __all__"
        return
    assert [n for n in there.__all__ if not hasattr(there, n)] == []
    # between modules of ours a line and types are enough
    bare = ("no docstring", "no type")
    assert [f for f in faults(module) if any(word in f for word in bare)] == []


@pytest.mark.parametrize("module", [m for m in MODULES if f"{m}.".startswith(OFFERED)])
def test_what_others_may_use_is_described(module: str) -> None:
    if hasattr(importlib.import_module(module), "__all__"):
        assert faults(module) == []
        assert constants_without_word(module) == []


def test_the_promised_names_and_those_of_made_takes_are_described() -> None:
    found = []
    for package in (spillgate.dsp, spillgate.dsp.synth):
        for name in package.__all__:
            value = getattr(package, name)
            if inspect.isclass(value):
                found += faults_of_class(value, name)
            elif inspect.isfunction(value):
                found += faults_of_function(value, name)
    assert found == []


def test_what_is_missing_is_found() -> None:
    def bad(x: int, y) -> int:  # type: ignore[no-untyped-def]
        """Add.

        Parameters
        ----------
        x : int
        """
        return x + int(y)

    def good(x: int, *rest: int) -> int:
        """Add.

        Parameters
        ----------
        x, *rest : int

        Returns
        -------
        total : int
        """
        return x + sum(rest)

    @dataclasses.dataclass
    class Bad:
        """Two numbers.

        Attributes
        ----------
        a : int
        """

        a: int
        b: int

    assert faults_of_function(bad, "bad") == ["bad: says nothing of y", "bad: has no Returns", "bad: no type of y"]
    assert faults_of_function(good, "good") == []
    assert faults_of_class(Bad, "Bad") == ["Bad: says nothing of b"]
