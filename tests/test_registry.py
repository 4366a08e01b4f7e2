"""Built-ins and plug-ins by name; a broken plug-in never breaks more than itself."""

from __future__ import annotations

import sys
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from spillgate.dsp import registry
from spillgate.dsp.errors import PluginError, PluginWarning, UnknownProcessorError

Install = Callable[..., None]

GOOD = """
from dataclasses import dataclass
from typing import ClassVar
from spillgate.dsp import Processor

@dataclass(frozen=True, kw_only=True)
class Extra(Processor):
    name: ClassVar[str] = "extra"
"""


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Install]:
    """Make a distribution look installed: a module and a dist-info folder on the path."""

    def add(
        distribution: str, points: str, source: str = "", group: str = "spillgate.processors", requires: str = ""
    ) -> None:
        folder = tmp_path / distribution
        info = folder / f"{distribution.replace('-', '_')}-0.3.dist-info"
        info.mkdir(parents=True)
        (info / "METADATA").write_text(
            f"Metadata-Version: 2.1\nName: {distribution}\nVersion: 0.3\nSummary: of a test\n"
            + (f"Requires-Dist: {requires}\n" if requires else "")
        )
        (info / "entry_points.txt").write_text(f"[{group}]\n{points}\n")
        (folder / f"{distribution.replace('-', '_')}_module.py").write_text(source)
        monkeypatch.syspath_prepend(str(folder))
        registry.refresh()

    registry.refresh()
    yield add
    registry.refresh()
    for name in [m for m in sys.modules if m.endswith("_module")]:
        del sys.modules[name]


def test_built_ins_come_first_in_the_order_of_the_main_job() -> None:
    assert list(registry.listing())[:3] == ["detect", "align", "gate"]
    assert {e.distribution for n, e in registry.listing().items() if n in registry.PROCESSORS} == {"spillgate"}


@pytest.mark.parametrize("name", registry.PROCESSORS)
def test_every_built_in_processor_loads(name: str) -> None:
    assert registry.get_processor(name).name == name


@pytest.mark.parametrize("name", registry.STEPS)
def test_every_built_in_step_loads(name: str) -> None:
    assert registry.get_step(name).name == name


def test_a_plug_in_is_listed_without_being_imported(install: Install) -> None:
    install("kit-extra", "extra = kit_extra_module:Extra", "raise SystemExit('imported!')")
    entry = registry.listing()["extra"]
    assert (entry.distribution, entry.version, entry.target) == ("kit-extra", "0.3", "kit_extra_module:Extra")
    assert "kit_extra_module" not in sys.modules


def test_a_plug_in_loads_by_name(install: Install) -> None:
    install("kit-extra", "extra = kit_extra_module:Extra", GOOD)
    assert registry.get_processor("extra").name == "extra"


def test_a_name_that_is_taken_is_left_out_with_one_warning(install: Install) -> None:
    install("kit-extra", "gate = kit_extra_module:Extra", GOOD)
    with pytest.warns(PluginWarning) as caught:
        entry = registry.listing()["gate"]
    assert entry.distribution == "spillgate"
    assert [str(w.message) for w in caught] == [
        "kit-extra: processor 'gate' is left out; spillgate has one of that name"
    ]


def test_of_two_plug_ins_with_one_name_the_first_by_name_stays(install: Install) -> None:
    install("kit-b", "extra = kit_b_module:Extra", GOOD)
    install("kit-a", "extra = kit_a_module:Extra", GOOD)
    with pytest.warns(PluginWarning, match="kit-b: processor 'extra' is left out; kit-a has one of that name"):
        assert registry.listing()["extra"].distribution == "kit-a"


def test_the_same_plug_in_found_twice_is_no_clash(install: Install, tmp_path: Path) -> None:
    install("kit-extra", "extra = kit_extra_module:Extra", GOOD)
    sys.path.insert(0, str(tmp_path / "kit-extra"))
    try:
        registry.refresh()
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            assert registry.listing()["extra"].distribution == "kit-extra"
    finally:
        sys.path.pop(0)


@pytest.mark.parametrize(
    ("source", "line"),
    [
        ("import nowhere_to_be_found", "cannot be loaded (ModuleNotFoundError: No module named 'nowhere_to_be_found')"),
        ("1 / 0", "cannot be loaded (ZeroDivisionError: division by zero)"),
        ("", "cannot be loaded (AttributeError: module 'kit_extra_module' has no attribute 'Extra')"),
        ("Extra = 5", "is no subclass of Processor"),
        (GOOD.replace('"extra"', '"other"'), "calls itself 'other'"),
        (
            GOOD + "    def __init__(self, **settings): pass\n",
            "hides its parameters behind *args or **kwargs; declare them as fields",
        ),
        (
            GOOD.replace("@dataclass(frozen=True, kw_only=True)\n", ""),
            "is no frozen dataclass; put @dataclass(frozen=True, kw_only=True) over it",
        ),
    ],
)
def test_a_broken_plug_in_names_its_distribution(install: Install, source: str, line: str) -> None:
    install("kit-extra", "extra = kit_extra_module:Extra", source)
    with pytest.raises(PluginError) as caught:
        registry.get_processor("extra")
    assert str(caught.value) == f"kit-extra: processor 'extra' {line}"


def test_a_broken_plug_in_leaves_the_built_ins_alone(install: Install) -> None:
    install("kit-extra", "extra = kit_extra_module:Extra", "1 / 0")
    assert registry.get_processor("gate").name == "gate"


def test_an_unknown_name_gets_the_nearest() -> None:
    with pytest.raises(
        UnknownProcessorError, match=r"^detct: no such processor is installed; did you mean 'detect'\?$"
    ):
        registry.get_processor("detct")
    with pytest.raises(UnknownProcessorError, match=r"^xyzzy: no such step is installed; known: "):
        registry.get_step("xyzzy")


@pytest.mark.parametrize(
    ("requires", "why"),
    [
        ("spillgate>=99", "it was made for spillgate >=99, this is {}"),
        ("spillgate<0.0.1", "it was made for spillgate <0.0.1, this is {}"),
        ("Spillgate ==99.*; python_version >= '3'", "it was made for spillgate ==99.*, this is {}"),
        ("spillgate is nice", "its requirement 'spillgate is nice' cannot be read"),
    ],
)
def test_a_plug_in_for_another_version_is_left_out(install: Install, requires: str, why: str) -> None:
    install("kit-extra", "extra = kit_extra_module:Extra", GOOD, requires=requires)
    with pytest.warns(PluginWarning) as caught:
        assert "extra" not in registry.listing()
    assert [str(w.message) for w in caught] == [f"kit-extra: is left out; {why.format(registry.version())}"]


@pytest.mark.parametrize("requires", ["spillgate", "spillgate>=0.0.1,<99", "spillgate-else>=99", "numpy>=1"])
def test_a_plug_in_for_this_version_stays(install: Install, requires: str) -> None:
    install("kit-extra", "extra = kit_extra_module:Extra", GOOD, requires=requires)
    assert registry.listing()["extra"].distribution == "kit-extra"


def test_summaries_come_from_metadata(install: Install) -> None:
    install("kit-extra", "extra = kit_extra_module:Extra", "raise SystemExit('imported!')")
    assert registry.summary(registry.listing()["extra"]) == "of a test"
    assert registry.summary(registry.listing()["gate"]) == registry.get_processor("gate").summary
    assert registry.summary(registry.listing("step")["move"]) == registry.get_step("move").summary
    assert registry.summary(registry.Entry("lost", "lost:Lost", "kit-not-there", "")) == ""


def test_a_distribution_without_metadata_is_still_listed(install: Install, tmp_path: Path) -> None:
    install("kit-extra", "extra = kit_extra_module:Extra", GOOD)
    next((tmp_path / "kit-extra").glob("*.dist-info/METADATA")).write_text("")
    registry.refresh()
    assert registry.listing()["extra"].distribution == "a distribution without a name"
