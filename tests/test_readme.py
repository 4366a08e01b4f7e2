"""The README says what is true; run this file to write its table of processors anew."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import pytest

from spillgate.cli import processors as listing
from spillgate.cli.main import COMMANDS, main
from spillgate.cli.options import build_chain, split_words
from spillgate.dsp import registry

ROOT = Path(__file__).resolve().parent.parent
README = ROOT / "README.md"
BEGIN, END = "<!-- table of processors: python tests/test_readme.py writes it -->\n", "<!-- end of table -->\n"


def table() -> str:
    lines = []
    for name in registry.PROCESSORS:
        cls = registry.get_processor(name)
        lines += [f"**{name}**: {cls.summary}", "", "| option | allowed | default | meaning |", "|---|---|---|---|"]
        lines += ["| `{}` | {} | {} | {} |".format(*row) for row in listing.parameter_rows(cls)]
        lines.append("")
    return "\n".join(lines)


def written() -> str:
    text = README.read_text("utf-8")
    before, rest = text.split(BEGIN)
    _, after = rest.split(END)
    return f"{before}{BEGIN}{table()}{END}{after}"


def commands() -> list[str]:
    """Indented lines that start with the command's name, without what is said about them."""
    found = re.findall(r"^    (spillgate .*?)(?:\s{2,}.*)?$", README.read_text("utf-8"), re.MULTILINE)
    assert len(found) >= 6
    return found


def test_the_table_of_processors_is_current() -> None:
    assert README.read_text("utf-8") == written(), "run python tests/test_readme.py"


@pytest.mark.parametrize("line", commands())
def test_every_command_in_it_parses(line: str) -> None:
    _, name, *words = shlex.split(line.split(" > ")[0])
    assert name in COMMANDS
    group = main
    assert isinstance(group, click.Group)
    command = group.get_command(click.Context(group), name)
    assert command is not None
    existing = [str(README) if w.endswith(".toml") else w for w in words]
    context = command.make_context(name, existing)
    if name == "run":
        take, parts = split_words(context.params["words"])
        assert take == "Song 3"
        build_chain(parts, context.params["settings"])


def test_every_command_is_in_it() -> None:
    text = README.read_text("utf-8")
    assert [n for n in COMMANDS if f"spillgate {n}" not in text] == []


def test_two_commands_for_a_fresh_machine() -> None:
    lines = [x for x in README.read_text("utf-8").splitlines() if x.lstrip().startswith("python3 -m venv ")]
    assert len(lines) == 2
    assert "spillgate demo" in lines[0]
    assert "pytest" in lines[1]


if __name__ == "__main__":
    README.write_text(written(), "utf-8")
