"""A small take, made once; and the command as a user starts it."""

from __future__ import annotations

import contextlib
import hashlib
import importlib.util
import os
import shutil
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

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


@pytest.fixture(scope="session")
def finished_source(small_take_source: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The small take and what the main job makes of it."""
    from spillgate.cli.job import main_job
    from spillgate.dsp.chain import Chain

    out = tmp_path_factory.mktemp("finished") / "out"
    main_job(small_take_source, out, Chain.from_names(), quiet=True, workers=2)
    return small_take_source, out


@pytest.fixture
def finished(finished_source: tuple[Path, Path], tmp_path: Path) -> Path:
    """An output of its own, whose take is not shared either."""
    import json

    take, out = finished_source
    take = Path(shutil.copytree(take, tmp_path / "take"))
    out = Path(shutil.copytree(out, tmp_path / "out"))
    (out / "source.json").write_text(json.dumps({"schema": 1, "take": str(take)}), "utf-8")
    return out


@contextlib.contextmanager
def serving(out: Path) -> Iterator[tuple[Any, str]]:
    """The review server of an output, really listening; gives the review and its address."""
    import uvicorn

    from spillgate.cli.desk import open_desk
    from spillgate.cli.server import Review, make_app

    review = Review(open_desk(out, workers=2))
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        port = listening.getsockname()[1]
        server = uvicorn.Server(uvicorn.Config(make_app(review, port), log_level="error", access_log=False))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        try:
            yield review, f"http://127.0.0.1:{port}/{review.token}"
        finally:
            server.should_exit = True
            thread.join(10)


@pytest.fixture
def serve() -> Callable[[Path], Any]:
    return serving
