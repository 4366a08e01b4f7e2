"""The same decisions and, within a stated bound, the same samples: with and without the compiler, with older libraries.

Byte for byte the output is the same only with the same versions: compilers and libraries round functions like the
exponential in their last bit as they like.
"""

from __future__ import annotations

import csv
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

sys.path.insert(0, str(Path(__file__).parent))
from stage import write_take

TIME_S = 2e-6
"""Hits move by no more than a tenth of a sample; the table has steps of half that."""

LEVEL_DB = 0.01
DELAY_SAMPLES = 0.001
STEM_DB = -100.0
"""Largest difference of a stem re full scale; masks have 16 bits: one step of gain is −96 dB of what it multiplies."""

OTHER = os.environ.get("OTHER_PYTHON", "")
"""An interpreter with other versions of the libraries; ``.ci/run`` gives the lowest that are supported."""


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_take(tmp_path_factory.mktemp("numbers") / "take", 3.0)


def run(take: Path, out: Path, python: str = sys.executable, **env: str) -> Path:
    words = [python, "-W", "ignore", "-m", "spillgate.cli", "run", take, "-o", out, "--quiet", "--workers", "2"]
    plain = {k: v for k, v in os.environ.items() if k != "PYTHONPATH" or python == sys.executable}
    done = subprocess.run(
        list(map(str, words)), env={**plain, **env}, capture_output=True, text=True, cwd=out.parent, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
    return out


def rows(path: Path) -> list[dict[str, str]]:
    with open(path, encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def alike(a: Path, b: Path) -> str:
    """Check that two outputs are the same within the bounds; what was seen."""
    worst = {"time_s": 0.0, "level_db": 0.0, "delay_samples": 0.0}
    for name, numbers in (("hits.csv", ("time_s", "level_db")), ("alignment.csv", ("delay_samples",))):
        first, second = rows(a / name), rows(b / name)
        assert len(first) == len(second) > 0, name
        for x, y in zip(first, second, strict=True):
            assert {k: x[k] for k in ("track", "piece", "polarity") if k in x} == {
                k: y[k] for k in ("track", "piece", "polarity") if k in y
            }
            for key in numbers:
                worst[key] = max(worst[key], abs(float(x[key]) - float(y[key])))
    assert worst["time_s"] <= TIME_S, worst
    assert worst["level_db"] <= LEVEL_DB, worst
    assert worst["delay_samples"] <= DELAY_SAMPLES, worst
    top = 0.0
    stems = sorted(p.name for p in (a / "stems").iterdir())
    assert stems == sorted(p.name for p in (b / "stems").iterdir())
    for name in stems:
        x, y = (soundfile.read(out / "stems" / name)[0] for out in (a, b))
        assert x.shape == y.shape
        top = max(top, float(np.max(np.abs(x - y))))
    worst["stem_db"] = 20 * np.log10(max(top, 1e-12))
    assert worst["stem_db"] <= STEM_DB, worst
    return str(worst)


@pytest.mark.slow
def test_without_the_compiler(take: Path, tmp_path: Path) -> None:
    print(alike(run(take, tmp_path / "on"), run(take, tmp_path / "off", NUMBA_DISABLE_JIT="1")))


@pytest.mark.slow
@pytest.mark.skipif(not OTHER, reason="no other versions at hand (OTHER_PYTHON)")
def test_other_versions_of_the_libraries(take: Path, tmp_path: Path) -> None:
    print(alike(run(take, tmp_path / "these"), run(take, tmp_path / "others", OTHER)))
