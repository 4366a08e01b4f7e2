"""What is in the folders is what gets installed."""

from __future__ import annotations

import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))


def test_every_folder_with_code_is_a_named_package() -> None:
    folders = {p.parent for top in ("dsp", "cli") for p in (ROOT / top).rglob("*.py")}
    found = {"spillgate." + ".".join(f.relative_to(ROOT).parts) for f in folders}
    assert sorted(PROJECT["tool"]["setuptools"]["packages"]) == sorted(found)


def test_every_package_has_its_init() -> None:
    folders = {p.parent for top in ("dsp", "cli") for p in (ROOT / top).rglob("*.py")}
    assert [str(f.relative_to(ROOT)) for f in sorted(folders) if not (f / "__init__.py").exists()] == []


def test_both_halves_are_typed() -> None:
    for top in ("dsp", "cli"):
        assert (ROOT / top / "py.typed").is_file()
        assert "py.typed" in PROJECT["tool"]["setuptools"]["package-data"][f"spillgate.{top}"]


def test_data_files_are_named_as_package_data() -> None:
    data = PROJECT["tool"]["setuptools"]["package-data"]
    lost = []
    for top in ("dsp", "cli"):
        for path in sorted((ROOT / top).rglob("*")):
            if path.is_dir() or path.suffix in (".py", ".pyc", ".nbi", ".nbc"):
                continue
            packages = [p for p in path.parents if (p / "__init__.py").exists()]
            named = any(
                path in set(p.glob(pattern))
                for p in packages
                for pattern in data.get("spillgate." + ".".join(p.relative_to(ROOT).parts), [])
            )
            if not named:
                lost.append(str(path.relative_to(ROOT)))
    assert lost == []


def test_top_level_holds_only_what_belongs_there() -> None:
    named = {
        "README.md",
        "DEVELOPERS.md",
        "CHANGELOG.md",
        "LICENSE",
        "pyproject.toml",
        "dsp",
        "cli",
        "tests",
        "fixtures",
    }
    made = {"build", "dist", "spillgate.egg-info", "spillgate-demo"}  # by tools and by the README, not kept
    found = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")}
    assert found - made <= named


def test_the_changelog_has_a_place_for_this_version() -> None:
    assert f"## {PROJECT['project']['version']}" in (ROOT / "CHANGELOG.md").read_text("utf-8")
