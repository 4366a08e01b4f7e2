"""The library as somebody else uses it: five lines, from a file anywhere, and every name that is promised."""

from __future__ import annotations

import dataclasses
import doctest
import importlib.util
import os
import re
import subprocess
import sys
import textwrap
from pathlib import Path
from types import ModuleType

import pytest

import spillgate.dsp
from spillgate.cli.options import read_chain
from spillgate.dsp import Chain, testing

ROOT = Path(__file__).resolve().parent.parent


def load(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def song(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a take called Song 3, which is the working directory."""
    load(ROOT / "fixtures" / "small_take.py").write(tmp_path / "Song 3")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_readme_s_lines_are_true(song: Path) -> None:
    text = (ROOT / "README.md").read_text("utf-8")
    test = doctest.DocTestParser().get_doctest(text, {}, "README.md", "README.md", 0)
    assert len(test.examples) >= 9
    told: list[str] = []
    result = doctest.DocTestRunner().run(test, out=told.append, clear_globs=False)
    assert (result.failed, "".join(told)) == (0, "")
    made = test.globs
    assert len(made["plan"].hits) >= 10
    assert sorted(p.name for p in (song / "Song 3 clean" / "stems").iterdir()) == sorted(
        p.name for p in (song / "Song 3").iterdir()
    )
    assert {s.file for s in made["report"].stems} == {p.name for p in (song / "Song 3").iterdir()}


def test_the_processor_in_the_developers_page_keeps_the_contract(monkeypatch: pytest.MonkeyPatch) -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    block = re.search(r"^    from dataclasses import.*?(?=^1\. )", text, re.DOTALL | re.MULTILINE)
    assert block is not None
    module = ModuleType("hat_late_of_the_page")
    monkeypatch.setitem(sys.modules, module.__name__, module)
    exec(textwrap.dedent(block.group()), module.__dict__)
    testing.check_processor(module.HatLate)
    take = testing.small_take()
    take = take.replace(tracks=tuple(dataclasses.replace(t, role="hat") if t.role == "tom" else t for t in take.tracks))
    testing.check_processor(module.HatLate, take)
    plan = module.HatLate(by_ms=2.0).decide(take, Chain().decide(take))
    assert plan.steps["tom.wav"][0].params == {"delay_samples": 96.0}


def test_the_chain_file_in_the_developers_page_is_read(tmp_path: Path) -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    block = re.search(r"^    # chain\.toml.*?(?=^`--print-chain)", text, re.DOTALL | re.MULTILINE)
    assert block is not None
    (tmp_path / "chain.toml").write_text(textwrap.dedent(block.group()), "utf-8")
    chain = Chain.from_dict(read_chain(tmp_path / "chain.toml"))
    assert [p.name for p in chain.processors] == ["detect", "gate"]
    assert dict(chain.processors[1].tracks["Floor Tom.wav"]) == {"floor_db": -9.0}


def test_five_lines_from_a_file_outside_the_repository(song: Path) -> None:
    lines = re.findall(r"^    ((?:from|take|plan|print|render).*)$", spillgate.dsp.__doc__ or "", re.MULTILINE)
    assert len(lines) == 5
    (song / "five.py").write_text("\n".join(lines) + "\n", "utf-8")
    env = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
    done = subprocess.run(
        [sys.executable, "-W", "error", "-I", "five.py"], cwd=song, env=env, capture_output=True, text=True, timeout=300
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert re.fullmatch(r"\d+ hits, \[.*\]\n", done.stdout)
    assert (song / "Song 3 clean" / "stems" / "04 Floor Tom.wav").is_file()


@pytest.mark.parametrize("name", spillgate.dsp.__all__)
def test_every_promised_name_is_there(name: str) -> None:
    value = getattr(spillgate.dsp, name)
    assert value is getattr(spillgate.dsp, name)  # also after the modules have been imported
    assert callable(value)
    assert value.__doc__
    assert name in dir(spillgate.dsp)


def test_no_promised_name_is_that_of_a_module() -> None:
    # such a name would mean the function or the module, whichever was imported last
    modules = {p.stem for p in (ROOT / "dsp").iterdir() if p.is_dir() or p.suffix == ".py"}
    assert sorted(modules & set(spillgate.dsp.__all__)) == []


def test_importing_the_library_imports_nothing_heavy() -> None:
    code = "import sys, spillgate.dsp; print(sorted({'numpy', 'scipy', 'numba', 'soundfile'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout == "[]\n"


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match=r"module 'spillgate\.dsp' has no attribute 'rendr'"):
        spillgate.dsp.rendr  # noqa: B018
