"""The two example distributions, built as wheels, installed, tested and run like anybody's."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal

ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = ("example-hat-gate", "example-room-expander")

Run = Callable[..., "subprocess.CompletedProcess[str]"]

HAT = np.arange(0.125, 3.9, 0.25)
"""Strokes of the hat, s: between those of the drums."""


@pytest.fixture(scope="module")
def wheels(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("examples")
    for name in EXAMPLES:
        source = shutil.copytree(ROOT / "fixtures" / name, folder / name)
        words = ["wheel", "-q", "--no-deps", "--no-build-isolation", "--no-index", "-w", str(folder / "dist")]
        done = subprocess.run(
            [sys.executable, "-m", "pip", *words, str(source)], capture_output=True, text=True, timeout=180
        )
        assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture(scope="module")
def installed(wheels: Path) -> Path:
    words = ["install", "-q", "--no-deps", "--no-index", "--target", str(wheels / "site")]
    files = sorted(map(str, (wheels / "dist").glob("*.whl")))
    done = subprocess.run([sys.executable, "-m", "pip", *words, *files], capture_output=True, text=True, timeout=180)
    assert done.returncode == 0, done.stderr
    return wheels / "site"


@pytest.fixture
def take(small_take: Path) -> Path:
    """The small take with a hat mic and a room mic."""
    sr = soundfile.info(small_take / "01 Kick.wav").samplerate
    files = [soundfile.read(f, dtype="float64")[0] for f in sorted(small_take.glob("*.wav"))]
    rng = np.random.default_rng(7)
    n = len(files[0])
    own = np.zeros(n)
    for k, t in enumerate(HAT):
        a = round(t * sr)
        burst = np.diff(rng.normal(size=6001)) * np.exp(-np.arange(6000) / (0.02 * sr))
        own[a : a + 6000] += (0.25 + 0.05 * (k % 3)) * burst[: n - a]
    late = round(0.002 * sr)
    hat = 0.9 * own + 0.1 * sum(np.r_[np.zeros(late), x[:-late]] for x in files[:4])
    soundfile.write(small_take / "07 Hat.wav", np.clip(0.8 * hat, -1, 1), sr, subtype="PCM_24")
    tail = rng.normal(size=sr // 2) * np.exp(-np.arange(sr // 2) / (0.03 * sr)) * 0.02
    tail[600] = 0.4
    room = signal.fftconvolve(files[4] + np.r_[np.zeros(200), own[:-200]], tail)[:n]
    soundfile.write(small_take / "08 Room.wav", 0.5 * room / np.abs(room).max(), sr, subtype="PCM_24")
    return small_take


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_wheel_holds_the_package_and_nothing_else(wheels: Path, name: str) -> None:
    package = name.removeprefix("example-").replace("-", "_")
    (wheel,) = (wheels / "dist").glob(f"spillgate_{package}-*.whl")
    held = [n for n in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in n]
    assert sorted(held) == [f"{package}/__init__.py", f"{package}/py.typed"]


@pytest.mark.slow
@pytest.mark.parametrize("name", EXAMPLES)
def test_its_own_tests_pass(wheels: Path, installed: Path, name: str, tmp_path: Path) -> None:
    words = ["-q", "--import-mode=importlib", "-p", "no:cacheprovider", str(wheels / name / "tests")]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", *words],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(installed)},
        timeout=300,
    )
    assert done.returncode == 0, done.stdout
    assert " passed" in done.stdout


def test_both_are_listed(installed: Path, spillgate: Run) -> None:
    told = {e["name"]: e for e in json.loads(spillgate("processors", "--json", python_path=installed).stdout)}
    assert (told["hat-gate"]["distribution"], told["hat-gate"]["version"]) == ("spillgate-hat-gate", "0.2.0")
    assert told["room-expand"]["summary"] == "gently expands room mics downward"
    assert "--down-db" in spillgate("processors", "hat-gate", python_path=installed).stdout


@pytest.mark.slow
def test_both_run_in_a_chain(installed: Path, take: Path, spillgate: Run, tmp_path: Path) -> None:
    chain = (
        "detect",
        "align",
        "--move",
        "none",
        "gate",
        "hat-gate",
        "--down-db",
        "12",
        "room-expand",
        "--under-db",
        "-15",
    )
    result = spillgate("run", "take", "-o", "out", *chain, python_path=installed)
    assert result.returncode == 0, result.stderr
    plan = json.loads((tmp_path / "out" / "plan.json").read_text("utf-8"))
    assert [c["processor"] for c in plan["chain"]] == ["detect", "align", "gate", "hat-gate", "room-expand"]
    assert [s["step"] for s in plan["steps"]["07 Hat.wav"]] == ["mask"]
    assert [s["step"] for s in plan["steps"]["08 Room.wav"]] == ["expand"]

    sr = soundfile.info(take / "07 Hat.wav").samplerate
    x, y = (soundfile.read(f / "07 Hat.wav", dtype="float64")[0] for f in (take, tmp_path / "out" / "stems"))
    strokes = [h["time_s"] for h in plan["hits"] if h["track"] == "07 Hat.wav"]
    assert len(strokes) > 8
    for t in strokes:  # open at every stroke: attacks bit for bit
        a, b = round((t - 0.0004) * sr), round((t + 0.007) * sr)
        assert np.array_equal(x[a:b], y[a:b])
    before = round((strokes[0] - 0.05) * sr)
    # before the first stroke all is at the floor; 24-bit dither is 100 dB under what bleeds in there
    np.testing.assert_allclose(20 * np.log10(np.std(y[:before]) / np.std(x[:before])), -12.0, atol=0.3)
    x, y = (soundfile.read(f / "08 Room.wav", dtype="float64")[0] for f in (take, tmp_path / "out" / "stems"))
    ratio_db = 20 * np.log10(np.abs(y[np.abs(x) > 0.001]) / np.abs(x[np.abs(x) > 0.001]))
    assert -6.1 < ratio_db.min() < -3.0
    assert np.median(ratio_db[np.abs(x[np.abs(x) > 0.001]) > 0.3]) > -0.01

    again = spillgate("render", "out", "--verify", python_path=installed)
    assert again.returncode == 0, again.stderr


def test_the_chain_of_a_run_with_both_goes_through_a_file(installed: Path, take: Path, spillgate: Run) -> None:
    words = ("hat-gate", "--down-db", "12", "room-expand", "--set", "08 Room.wav:room-expand.most_db=3")
    text = spillgate("run", "take", "detect", *words, "--print-chain", python_path=installed).stdout
    (take.parent / "chain.toml").write_text(text, "utf-8")
    again = spillgate("run", "take", "--chain", "chain.toml", "--print-chain", python_path=installed).stdout
    assert text == again
    assert 'processor = "hat-gate"' in text
    assert "most_db = 3.0" in text
