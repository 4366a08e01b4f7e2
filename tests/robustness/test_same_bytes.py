"""The same bytes on every machine: workers, folder, language, time zone and hash seed make no difference."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from stage import contents, write_take

WHERE = ("source.json", "report.html")
"""What says where the take is: the one, and links in the other."""


def run(take: Path, out: Path, *words: str, **env: str) -> dict[str, str]:
    command = [
        sys.executable,
        "-W",
        "ignore",
        "-m",
        "spillgate.cli",
        "run",
        str(take),
        "-o",
        str(out),
        "--quiet",
        *words,
    ]
    result = subprocess.run(
        command, env={**os.environ, **env}, capture_output=True, text=True, timeout=120, cwd=take.parent, check=False
    )
    assert (result.returncode, result.stderr) == (0, "")
    return contents(out)


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_take(tmp_path_factory.mktemp("same") / "take", 1.2)


@pytest.fixture(scope="module")
def plain(take: Path) -> dict[str, str]:
    found = run(take, take.parent / "plain", "--workers", "1", LC_ALL="C", TZ="UTC", PYTHONHASHSEED="0")
    assert any(n.startswith("stems/") for n in found)
    return found


@pytest.mark.parametrize("workers", ["2", "7"])
def test_workers(take: Path, plain: dict[str, str], tmp_path: Path, workers: str) -> None:
    # beside the first one, so that the links in the report are the same, too
    out = take.parent / f"with {workers}"
    found = run(take, out, "--workers", workers, PYTHONHASHSEED=workers)
    assert {n: d for n, d in found.items() if n not in WHERE} == {n: d for n, d in plain.items() if n not in WHERE}


def test_language_and_time_zone(take: Path, plain: dict[str, str], tmp_path: Path) -> None:
    # a comma for the point, a day ahead; where the language is not installed the system falls back to C
    env = {"LC_ALL": "de_DE.UTF-8", "LANG": "de_DE.UTF-8", "TZ": "Pacific/Kiritimati", "PYTHONUTF8": "0"}
    found = run(take, take.parent / "plain elsewhere", "--workers", "1", **env)
    assert {n: d for n, d in found.items() if n not in WHERE} == {n: d for n, d in plain.items() if n not in WHERE}


def test_another_folder(take: Path, plain: dict[str, str], tmp_path: Path) -> None:
    deep = tmp_path / "another place" / "ä ö" / "take"
    shutil.copytree(take, deep)
    for path in deep.iterdir():
        os.utime(path, (0, 0))
    found = run(deep, tmp_path / "somewhere" / "out", "--workers", "2")
    assert {n: d for n, d in found.items() if n not in WHERE} == {n: d for n, d in plain.items() if n not in WHERE}


def test_nothing_in_it_tells_when_where_or_by_whom(take: Path) -> None:
    out = take.parent / "private"
    names = dict.fromkeys(("USER", "LOGNAME", "USERNAME", "HOSTNAME", "COMPUTERNAME"), "some-private-name")
    run(take, out, "--workers", "1", **names)
    for path in out.rglob("*"):
        if path.is_file() and path.name != "source.json":
            data = path.read_bytes()
            for private in (str(take.parent), "some-private-name"):
                assert private.encode() not in data, f"{path.name}: {private}"
