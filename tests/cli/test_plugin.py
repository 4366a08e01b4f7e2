"""A processor of a separately installed distribution runs in a chain like one of ours."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

ROOT = Path(__file__).resolve().parents[2]

Run = Callable[..., "subprocess.CompletedProcess[str]"]


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder that pip installed the stub plug-in into, without a network."""
    folder = tmp_path_factory.mktemp("plugin")
    source = shutil.copytree(ROOT / "fixtures" / "stub-plugin", folder / "source")
    pip = [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--no-build-isolation", "--no-index"]
    done = subprocess.run(
        [*pip, "--target", str(folder / "site"), str(source)], capture_output=True, text=True, timeout=180
    )
    assert done.returncode == 0, done.stderr
    return folder / "site"


def test_it_is_listed_with_its_distribution(installed: Path, spillgate: Run) -> None:
    told = json.loads(spillgate("processors", "--json", python_path=installed).stdout)
    stub = next(e for e in told if e["name"] == "turn_down")
    assert (stub["distribution"], stub["version"]) == ("spillgate-stub", "1.2.3")
    assert stub["summary"] == "turns the tom tracks down; an example of a plug-in"
    page = spillgate("processors", "turn_down", python_path=installed).stdout
    assert "--by-db" in page
    assert "--[no-]idle" in page


def test_it_runs_in_a_chain(installed: Path, small_take: Path, spillgate: Run) -> None:
    words = ("run", "take", "-o", "out", "turn_down", "--by-db", "20", "--set", "04 Floor Tom.wav:turn_down.idle=yes")
    result = spillgate(*words, python_path=installed)
    assert result.returncode == 0, result.stderr
    out = small_take.parent / "out"
    before, _ = soundfile.read(small_take / "03 Rack Tom.wav", dtype="float64")
    after, _ = soundfile.read(out / "stems" / "03 Rack Tom.wav", dtype="float64")
    # 20 dB are a factor of 10; a 24-bit stem with TPDF dither is off by less than two steps
    assert np.max(np.abs(after - before / 10.0)) < 2.0 * 2.0**-23
    for name in ("01 Kick.wav", "04 Floor Tom.wav", "05 OH L.wav"):
        assert (out / "stems" / name).read_bytes() == (small_take / name).read_bytes()
    plan = json.loads((out / "plan.json").read_text("utf-8"))
    assert [(c["processor"], c["version"]) for c in plan["chain"]] == [("turn_down", "1.2.3")]
    assert plan["extras"]["spillgate-stub"] == {"turned_down": ["03 Rack Tom.wav"]}


def test_it_stands_among_ours(installed: Path, small_take: Path, spillgate: Run) -> None:
    result = spillgate(
        "run", "take", "-o", "out", "detect", "align", "gate", "turn_down", "--json", python_path=installed
    )
    assert result.returncode == 0, result.stderr
    plan = json.loads((small_take.parent / "out" / "plan.json").read_text("utf-8"))
    assert [c["processor"] for c in plan["chain"]] == ["detect", "align", "gate", "turn_down"]
    steps = [s["step"] for s in plan["steps"]["04 Floor Tom.wav"]]
    assert "stub_gain" in steps
    assert "mask" in steps


@pytest.mark.slow
def test_its_output_is_rendered_again_only_where_it_is_installed(
    installed: Path, small_take: Path, spillgate: Run
) -> None:
    assert spillgate("run", "take", "-o", "out", "turn_down", python_path=installed).returncode == 0
    assert spillgate("render", "out", "--verify", python_path=installed).returncode == 0
    result = spillgate("render", "out", "--verify")
    assert result.returncode != 0
    assert result.stderr.startswith("spillgate: turn_down: no such processor is installed")
