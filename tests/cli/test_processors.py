"""`spillgate processors`: what is installed and what can be set."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner, Result

from spillgate.cli.main import main
from spillgate.dsp import params, registry


def run(*words: str) -> Result:
    return CliRunner().invoke(main, ["processors", *words], prog_name="spillgate")


def test_the_list() -> None:
    result = run()
    assert result.exit_code == 0
    for name in registry.PROCESSORS:
        assert any(line.startswith(name) for line in result.output.splitlines())
    assert max(len(line.rstrip()) for line in result.output.splitlines()) <= 80


@pytest.mark.parametrize("name", registry.PROCESSORS)
def test_every_parameter_is_an_option(name: str) -> None:
    result = run(name)
    assert result.exit_code == 0
    lines = result.output.splitlines()
    assert lines[0].startswith(f"{name} (spillgate ")
    assert max(len(line.rstrip()) for line in lines) <= 80
    for p in params.parameters(registry.get_processor(name)):
        assert ("--[no-]" if p.type is bool else "--") + p.name.replace("_", "-") in result.output


@pytest.mark.parametrize("name", registry.PROCESSORS)
def test_the_same_for_scripts(name: str) -> None:
    told = json.loads(run(name, "--json").output)
    assert told["name"] == name
    assert [p["name"] for p in told["parameters"]] == [p.name for p in params.parameters(registry.get_processor(name))]


def test_an_unknown_one() -> None:
    result = run("gaet")
    line = "spillgate: gaet: no such processor is installed; did you mean 'gate'?\n"
    assert (result.exit_code, result.stderr) == (2, line)
