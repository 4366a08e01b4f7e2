"""A small take, made once; and the command as a user starts it."""

from __future__ import annotations

import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest
from click.testing import CliRunner

from spillgate.cli.main import main

ROOT = Path(__file__).resolve().parents[2]

Run = Callable[..., "subprocess.CompletedProcess[str]"]


def load(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def small_take_source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder: Path = load(ROOT / "fixtures" / "small_take.py").write(tmp_path_factory.mktemp("small") / "take")
    return folder


@pytest.fixture
def small_take(small_take_source: Path, tmp_path: Path) -> Path:
    """A copy of its own for every test."""
    return Path(shutil.copytree(small_take_source, tmp_path / "take"))


@pytest.fixture
def spillgate(tmp_path: Path) -> Run:
    """Run the real command in a process of its own."""

    def run(*words: str | Path, python_path: Path | None = None, **extra: object) -> subprocess.CompletedProcess[str]:
        env = {**os.environ, "COLUMNS": "80"}
        env.pop("PYTHONPATH", None)
        if python_path is not None:
            env["PYTHONPATH"] = str(python_path)
        command = [sys.executable, "-W", "ignore", "-m", "spillgate.cli", *map(str, words)]
        return subprocess.run(  # type: ignore[call-overload,no-any-return]
            command,
            cwd=tmp_path,
            env=env,
            capture_output=True,
            text=True,
            stdin=subprocess.DEVNULL,
            timeout=300,
            **extra,
        )

    return run


@pytest.fixture
def inside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run the command in this process: the same code without the time to start."""
    monkeypatch.chdir(tmp_path)

    def run(*words: str | Path) -> subprocess.CompletedProcess[str]:
        result = CliRunner().invoke(main, list(map(str, words)), prog_name="spillgate")
        return subprocess.CompletedProcess(words, result.exit_code, result.stdout, result.stderr)

    return run


def snapshot(folder: Path) -> dict[str, tuple[str, int, int]]:
    """Bytes, time and rights of everything below a folder."""
    found = {}
    for path in sorted(folder.rglob("*")):
        stat = path.stat()
        digest = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() and os.access(path, os.R_OK) else ""
        found[str(path.relative_to(folder))] = (digest, stat.st_mtime_ns, stat.st_mode)
    return found


@pytest.fixture
def untouched() -> Callable[[Path], dict[str, tuple[str, int, int]]]:
    return snapshot
