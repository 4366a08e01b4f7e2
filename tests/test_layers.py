"""Imports run one way; the arithmetic at the bottom knows no files and no terminal."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

ALLOWED = {
    "dsp.errors": set(),
    "dsp.params": {"dsp.errors"},
    "dsp.writing": {"dsp.errors"},
    "dsp.reading": set(),
    "dsp.words": set(),
    "dsp.core": {"dsp.errors", "dsp.params"},
    "dsp.take": {"dsp.errors", "dsp.params", "dsp.writing", "dsp.reading", "dsp.words", "dsp.core"},
    "dsp.plan": {"dsp.errors", "dsp.params", "dsp.writing", "dsp.reading", "dsp.words", "dsp.core"},
    "dsp.processor": {"dsp.errors", "dsp.params", "dsp.core", "dsp.take", "dsp.plan"},
}
"""Layer -> layers it may import besides itself, bottom up."""

_LOW = {*ALLOWED}
ALLOWED["dsp.steps"] = _LOW
ALLOWED["dsp.processors"] = _LOW | {"dsp.steps"}
ALLOWED["dsp.synth"] = _LOW
ALLOWED["dsp.registry"] = _LOW | {"dsp.steps"}
_MID = _LOW | {"dsp.steps", "dsp.processors", "dsp.synth", "dsp.registry"}
ALLOWED["dsp.chain"] = _MID
ALLOWED["dsp.running"] = _MID
ALLOWED["dsp.handover"] = _MID | {"dsp.running"}
ALLOWED["dsp.render"] = _MID | {"dsp.chain", "dsp.running", "dsp.handover"}
ALLOWED["dsp.testing"] = _MID | {"dsp.chain", "dsp.running", "dsp.handover", "dsp.render"}
ALLOWED["dsp"] = set(ALLOWED)  # the package's own names, resolved on first use
ALLOWED["cli"] = set(ALLOWED)

NOT_IN_CORE = {
    "click", "glob", "io", "logging", "mido", "os", "pathlib", "rich", "shutil", "soundfile", "subprocess",
    "sys", "tempfile", "tomlkit", "tomllib", "json", "jinja2",
}  # fmt: skip
"""Modules that arithmetic on arrays has no business with."""

FILES = sorted(p for top in ("dsp", "cli") for p in (ROOT / top).rglob("*.py"))


def imports(source: str) -> Iterator[tuple[str, int]]:
    """Every module a source imports, with its line; names of ``from x import y`` both as x and x.y."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno}: relative import"
            for alias in node.names:
                yield f"{node.module}.{alias.name}", node.lineno


def layer(module: str) -> str:
    """``spillgate.dsp.core.delay`` -> ``dsp.core``."""
    parts = module.removeprefix("spillgate.").split(".")
    if parts[0] == "cli":
        return "cli"
    name = ".".join(parts[:2])
    return name if name in ALLOWED else "dsp"


def upward(path: Path, source: str) -> list[str]:
    """Imports of `source` that its layer may not have."""
    own = layer(".".join(path.relative_to(ROOT).with_suffix("").parts))
    wrong = []
    for module, line in imports(source):
        if module.startswith("spillgate."):
            other = layer(module)
            if other != own and other not in ALLOWED[own]:
                wrong.append(f"{path.relative_to(ROOT)}:{line}: {own} imports {module}")
        elif module.split(".")[0] in ("dsp", "cli"):
            wrong.append(f"{path.relative_to(ROOT)}:{line}: bare {module}")
        elif own == "dsp.core" and (module.split(".")[0] in NOT_IN_CORE or module.endswith(".Path")):
            wrong.append(f"{path.relative_to(ROOT)}:{line}: core imports {module}")
    return wrong


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_run_one_way(path: Path) -> None:
    assert upward(path, path.read_text("utf-8")) == []


@pytest.mark.parametrize(
    ("where", "line"),
    [
        ("dsp/core/x.py", "from spillgate.dsp.take.model import Take"),
        ("dsp/core/x.py", "import soundfile"),
        ("dsp/core/x.py", "from pathlib import Path"),
        ("dsp/take/x.py", "from spillgate.dsp.plan.model import Plan"),
        ("dsp/plan/x.py", "import spillgate.dsp.take.model"),
        ("dsp/steps/x.py", "from spillgate.dsp.processors.gate import Gate"),
        ("dsp/processors/x.py", "from spillgate.dsp import chain"),
        ("dsp/synth/x.py", "from spillgate.dsp.render import render"),
        ("dsp/render.py", "from spillgate.cli import main"),
        ("dsp/chain.py", "from spillgate.dsp.render import render"),
        ("cli/x.py", "from dsp.chain import Chain"),
        ("cli/x.py", "import cli.main"),
    ],
)
def test_a_wrong_import_is_seen(where: str, line: str) -> None:
    assert len(upward(ROOT / where, line)) == 1


def test_every_module_has_a_layer() -> None:
    strays = [p.name for p in (ROOT / "dsp").glob("*.py") if p.stem != "__init__" and f"dsp.{p.stem}" not in ALLOWED]
    folders = [
        p.name for p in (ROOT / "dsp").iterdir() if (p / "__init__.py").exists() and f"dsp.{p.name}" not in ALLOWED
    ]
    assert strays + folders == []


def test_one_place_imports_soundfile() -> None:
    users = {
        str(p.relative_to(ROOT).parent)
        for p in FILES
        for m, _ in imports(p.read_text("utf-8"))
        if m.startswith("soundfile")
    }
    # synth writes made recordings, not stems: the only other place
    assert users == {"dsp/take", "dsp/synth"}, "samples go in and out in dsp/take only"


def test_librosa_is_only_compared_with() -> None:
    users = {
        str(p.relative_to(ROOT)) for p in FILES for m, _ in imports(p.read_text("utf-8")) if m.startswith("librosa")
    }
    assert users == set()


def test_tests_import_the_installed_package() -> None:
    wrong = []
    for path in sorted((ROOT / "tests").rglob("*.py")):
        wrong += [f"{path.relative_to(ROOT)}:{n}: {m}" for m, n in imports(path.read_text("utf-8"))
                  if m.split(".")[0] in ("dsp", "cli", "tests")]  # fmt: skip
    assert wrong == []
