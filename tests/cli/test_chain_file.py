"""A chain goes from words to a file, from the file to a run, and into the plan, and stays the same."""

from __future__ import annotations

import json
import subprocess
import tomllib
from collections.abc import Callable
from pathlib import Path

Run = Callable[..., "subprocess.CompletedProcess[str]"]

WORDS = (
    "offset",
    "--least-db",
    "-70",
    "--set",
    "04 Floor Tom.wav:offset.least_db=-80",
    "--set",
    "kick:offset.least_db=-90",
)


def test_what_is_printed_is_what_runs(small_take: Path, tmp_path: Path, inside: Run) -> None:
    printed = inside("run", "take", *WORDS, "--print-chain").stdout
    (tmp_path / "chain.toml").write_text("# Tuesday\n" + printed.replace("-70.0", "-70.0  # was -60"), "utf-8")
    result = inside("run", "take", "-o", "out", "--chain", "chain.toml", "--quiet")
    assert (result.returncode, result.stderr) == (0, "")
    plan = json.loads((tmp_path / "out" / "plan.json").read_text("utf-8"))
    ran = [{k: v for k, v in entry.items() if k != "version"} for entry in plan["chain"]]
    assert ran == tomllib.loads(printed)["chain"]
    assert ran == [
        {
            "processor": "offset",
            "params": {"least_db": -70.0},
            "tracks": {"04 Floor Tom.wav": {"least_db": -80.0}, "kick": {"least_db": -90.0}},
        }
    ]
    assert inside("run", "take", "-o", "out", *WORDS, "--overwrite", "--quiet").returncode == 0
    assert json.loads((tmp_path / "out" / "plan.json").read_text("utf-8")) == plan


def test_slips_are_one_line_with_the_nearest_name(small_take: Path, tmp_path: Path, inside: Run) -> None:
    good = inside("run", "take", *WORDS, "--print-chain").stdout
    for wrong, line in (
        (good.replace("schema", "shema"), "chain: unknown key 'shema'; did you mean 'schema'?"),
        (good.replace("schema = 1", "schema = 2"), "chain: schema 2 is not known to this version; it reads 1"),
        (good.replace('"offset"', '"ofset"'), "ofset: no such processor is installed; did you mean 'offset'?"),
        (good.replace("[chain.params]", "[chain.parms]"), "offset: unknown key 'parms'; did you mean 'params'?"),
        (
            good.replace("least_db = -70.0", "last_db = -70.0"),
            "offset: unknown parameter 'last_db'; did you mean 'least_db'?",
        ),
        (good.replace("-80.0", "-800"), "04 Floor Tom.wav:offset.least_db: -800 is not allowed; use -100 to -20 dBFS"),
    ):
        assert wrong != good
        (tmp_path / "chain.toml").write_text(wrong, "utf-8")
        result = inside("run", "take", "-o", "out", "--chain", "chain.toml")
        assert (result.returncode, result.stdout, result.stderr) == (2, "", f"spillgate: chain.toml: {line}\n")
    (tmp_path / "chain.toml").write_text(good.replace("04 Floor Tom", "04 Flor Tom"), "utf-8")
    result = inside("run", "take", "-o", "out", "--chain", "chain.toml")
    line = "spillgate: 04 Flor Tom.wav: no such track in take; did you mean '04 Floor Tom.wav'?\n"
    assert (result.returncode, result.stderr) == (2, line)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["chain.toml", "take"]
