"""What a plug-in does wrong is told in one line that names its distribution, and leaves no output."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from spillgate.dsp import registry

Run = Callable[..., "subprocess.CompletedProcess[str]"]

POINTS = """[spillgate.processors]
faulty = faulty_module:Faulty
[spillgate.steps]
wrong = faulty_module:Wrong
"""

HEAD = """
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar
import numpy as np
from spillgate.dsp import Plan, Processor, Range, Step, StepSpec, Take

@dataclass(frozen=True, kw_only=True)
class Faulty(Processor):
    name: ClassVar[str] = "faulty"
    summary: ClassVar[str] = "does something wrong"
    by_db: Annotated[float, Range(0.0, 6.0, help="how far")] = 1.0

    def decide(self, take, plan):
        {decide}

@dataclass(frozen=True, kw_only=True)
class Wrong(Step):
    name: ClassVar[str] = "wrong"
    summary: ClassVar[str] = "does something wrong"

    def margins(self, sr):
        return {margins}

    def apply(self, block, context):
        {apply}
"""

ASK = 'return plan.with_steps(self.name, {"01 Kick.wav": (StepSpec(step="wrong"),)})'


def install(
    site: Path,
    distribution: str,
    source: str = "",
    points: str = POINTS,
    requires: str = "spillgate",
    module: str = "faulty_module",
) -> None:
    """Lay out what pip would have installed."""
    info = site / f"{distribution.replace('-', '_')}-0.3.dist-info"
    info.mkdir(parents=True)
    text = f"Metadata-Version: 2.1\nName: {distribution}\nVersion: 0.3\nSummary: of a test\nRequires-Dist: {requires}\n"
    (info / "METADATA").write_text(text)
    (info / "entry_points.txt").write_text(points)
    (site / f"{module}.py").write_text(source)


def faulty(decide: str = ASK, apply: str = "return block", margins: str = "(0, 0)") -> str:
    return HEAD.replace("{decide}", decide).replace("{apply}", apply).replace("{margins}", margins)


@pytest.mark.parametrize(
    ("source", "line"),
    [
        (faulty("raise KeyError('drum 9')"), "kit-faulty: processor 'faulty' failed (KeyError: 'drum 9')"),
        (
            faulty("from spillgate.dsp.errors import TakeError; raise TakeError('too few mics')"),
            "kit-faulty: processor 'faulty': too few mics",
        ),
        (faulty("return take"), "kit-faulty: processor 'faulty' returned Take, not a plan"),
        (faulty("return plan.replace(hits=5)"), "kit-faulty: processor 'faulty' made a plan that cannot be used"),
        (
            faulty("return plan.replace(extras={'kit': object()})"),
            "kit-faulty: processor 'faulty' made a plan that cannot be used",
        ),
        (
            faulty("return plan.with_steps(self.name, {'09.wav': (StepSpec(step='wrong'),)})"),
            "kit-faulty: processor 'faulty' made a plan that cannot be used",
        ),
        (faulty(apply="raise ValueError('no room\\nat all')"), "kit-faulty: step 'wrong' on 01 Kick.wav failed"),
        (faulty(apply="return block[:-1]"), "kit-faulty: step 'wrong' on 01 Kick.wav returned shape ("),
        (
            faulty(apply="return np.stack([block, block])"),
            "kit-faulty: step 'wrong' on 01 Kick.wav returned shape (2, ",
        ),
        (faulty(apply="return block * np.nan"), "returned samples that are no finite numbers"),
        (faulty(apply="return block.astype(int)"), "returned samples that are no finite numbers"),
        (faulty(apply="return list(block)"), "kit-faulty: step 'wrong' on 01 Kick.wav returned list instead of"),
        (
            faulty(apply="block[:] = 0; return block"),
            "kit-faulty: step 'wrong' on 01 Kick.wav failed (ValueError: assig",
        ),
        (
            faulty(apply="return block", margins="(0, 0)").replace(
                "    def margins", "    stage = 'later'\n\n    def margins"
            ),
            "kit-faulty: step 'wrong' on 01 Kick.wav has the stage 'later'",
        ),
        (faulty(margins="(-5, 0)"), "kit-faulty: step 'wrong' on 01 Kick.wav has the margins (-5, 0)"),
        (faulty(margins="None"), "kit-faulty: step 'wrong' on 01 Kick.wav has the margins None"),
        ("1 / 0", "kit-faulty: processor 'faulty' cannot be loaded (ZeroDivisionError: division by zero)"),
        ("import kit_that_is_not_there", "kit-faulty: processor 'faulty' cannot be loaded (ModuleNotFoundError"),
        ("raise SystemExit(0)", "kit-faulty: processor 'faulty' cannot be loaded (SystemExit: 0)"),
        ("this is no python", "kit-faulty: processor 'faulty' cannot be loaded (SyntaxError"),
        ("Faulty = 5", "kit-faulty: processor 'faulty' is no subclass of Processor"),
        (
            faulty().replace("    def decide", "    def __init__(self, **k): pass\n\n    def decide"),
            "kit-faulty: processor 'faulty' hides its parameters behind *args or **kwargs",
        ),
    ],
)
def test_a_fault_is_one_line_and_leaves_nothing(
    small_take: Path, tmp_path: Path, inside: Run, monkeypatch: pytest.MonkeyPatch, source: str, line: str
) -> None:
    install(tmp_path / "site", "kit-faulty", source)
    monkeypatch.syspath_prepend(str(tmp_path / "site"))
    monkeypatch.delitem(sys.modules, "faulty_module", raising=False)
    registry.refresh()
    result = inside("run", "take", "-o", "out", "faulty", "--quiet")
    registry.refresh()
    sys.modules.pop("faulty_module", None)
    assert (result.returncode, result.stdout) == (1, "")
    assert len(result.stderr.splitlines()) == 1
    assert line in result.stderr
    assert "Traceback" not in result.stderr
    assert not (tmp_path / "out").exists()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["site", "take"]


def ten(site: Path) -> None:
    """Install ten plug-ins: seven sound ones, one broken, one duplicate, one for another version."""
    alarm = "import pathlib\npathlib.Path(__file__).with_suffix('.imported').touch()\n"
    for k in range(7):
        points = f"[spillgate.processors]\nkit{k} = kit{k}_module:Kit\n[spillgate.steps]\nkit{k} = kit{k}_module:Step\n"
        install(site, f"kit-{k}", alarm, points, module=f"kit{k}_module")
    install(site, "kit-broken", alarm + "1 / 0", "[spillgate.processors]\nbroken = kb:Kit\n", module="kb")
    install(site, "kit-second", alarm, "[spillgate.processors]\ngate = ks:Kit\n", module="ks")
    points = "[spillgate.processors]\nnewer = kn:Kit\n[spillgate.steps]\nnewer = kn:Kit\n"
    install(site, "kit-newer", alarm, points, requires="spillgate>=99", module="kn")


def test_a_fault_in_a_process_of_its_own(small_take: Path, tmp_path: Path, spillgate: Run) -> None:
    install(tmp_path / "site", "kit-faulty", faulty(apply="return block * np.nan"))
    result = spillgate("run", "take", "-o", "out", "faulty", python_path=tmp_path / "site")
    line = "spillgate: kit-faulty: step 'wrong' on 01 Kick.wav returned samples that are no finite numbers\n"
    assert (result.returncode, result.stdout, result.stderr) == (1, "", line)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["site", "take"]


def test_listing_imports_nothing_of_ten_and_warns_once_of_each(tmp_path: Path, spillgate: Run) -> None:
    ten(tmp_path / "site")
    result = spillgate("processors", python_path=tmp_path / "site")
    assert result.returncode == 0
    names = [line.split()[0] for line in result.stdout.splitlines() if line[:1].isalpha()]
    assert {f"kit{k}" for k in range(7)} | {"broken", "gate"} <= set(names)
    assert "newer" not in names
    warned = sorted(result.stderr.splitlines())
    assert warned[0].startswith("spillgate: kit-newer: is left out; it was made for spillgate >=99, this is ")
    assert warned[1:] == ["spillgate: kit-second: processor 'gate' is left out; spillgate has one of that name"]
    assert list((tmp_path / "site").glob("*.imported")) == []


def test_a_run_with_ten_warns_once_of_each_and_imports_none(small_take: Path, tmp_path: Path, spillgate: Run) -> None:
    ten(tmp_path / "site")
    result = spillgate("run", "take", "-o", "out", "offset", "--least-db", "-100", python_path=tmp_path / "site")
    assert result.returncode == 0, result.stderr
    warned = [line for line in result.stderr.splitlines() if "left out" in line]
    assert len(warned) == 2
    assert list((tmp_path / "site").glob("*.imported")) == []


def test_asking_for_the_broken_one_imports_it_alone(tmp_path: Path, spillgate: Run) -> None:
    ten(tmp_path / "site")
    result = spillgate("processors", "broken", python_path=tmp_path / "site")
    assert result.returncode == 1
    line = "spillgate: kit-broken: processor 'broken' cannot be loaded (ZeroDivisionError: division by zero)"
    assert line in result.stderr.splitlines()
    assert [p.name for p in (tmp_path / "site").glob("*.imported")] == ["kb.imported"]


@pytest.mark.bench
@pytest.mark.parametrize("words", [("--help",), ("processors",)])
def test_time_to_start_with_ten_plug_ins(tmp_path: Path, words: tuple[str, ...]) -> None:
    ten(tmp_path / "site")
    env = {**os.environ, "PYTHONPATH": str(tmp_path / "site")}
    times = []
    for _ in range(5):
        begun = time.perf_counter()
        done = subprocess.run([sys.executable, "-m", "spillgate.cli", *words], env=env, capture_output=True, timeout=60)
        times.append(time.perf_counter() - begun)
        assert done.returncode == 0
    print(f"\nspillgate {' '.join(words)}, ten plug-ins installed: {1000 * min(times):.0f} ms (best of 5)")
