"""Words of the command line become a chain."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from spillgate.cli.main import main


def run(*words: str) -> Result:
    return CliRunner().invoke(main, ["run", *words], prog_name="spillgate")


def chain(*words: str) -> list[dict[str, object]]:
    result = run(*words, "--print-chain")
    assert result.exit_code == 0, result.stderr
    told = tomllib.loads(result.output)
    assert told["schema"] == 1
    entries: list[dict[str, object]] = told["chain"]
    return entries


def params(entries: list[dict[str, object]], name: str) -> dict[str, object]:
    found = next(e["params"] for e in entries if e["processor"] == name)
    assert isinstance(found, dict)
    return found


def test_without_processors_it_is_the_main_job() -> None:
    assert [e["processor"] for e in chain("take")] == ["detect", "align", "gate"]
    assert chain() == chain("take", "detect", "align", "gate")


@pytest.mark.parametrize(
    "words",
    [
        ("take", "-o", "out", "detect", "gate", "--floor-db", "-40"),
        ("-o", "out", "take", "detect", "gate", "--floor-db", "-40"),
        ("take", "detect", "gate", "--floor-db", "-40", "-o", "out"),
        ("take", "detect", "gate", "-o", "out", "--floor-db", "-40"),
        ("take", "detect", "--quiet", "gate", "--floor-db=-40", "--workers", "2"),
        ("--workers", "2", "take", "detect", "gate", "--floor_db", "-40"),
    ],
)
def test_common_options_may_stand_anywhere(words: tuple[str, ...]) -> None:
    entries = chain(*words)
    assert [e["processor"] for e in entries] == ["detect", "gate"]
    assert params(entries, "gate")["floor_db"] == -40.0


def test_each_processor_has_its_own_options() -> None:
    entries = chain(
        "take",
        "detect",
        "--softest-db",
        "-45",
        "--spacing-ms",
        "20",
        "align",
        "--move",
        "none",
        "--whole-samples",
        "gate",
    )
    assert params(entries, "detect")["softest_db"] == -45.0
    assert params(entries, "detect")["spacing_ms"] == 20.0
    assert params(entries, "align")["move"] == "none"
    assert params(entries, "align")["whole_samples"] is True
    assert params(chain("take", "detect", "align", "--no-whole-samples"), "align")["whole_samples"] is False


def test_off_stands_for_no_value() -> None:
    assert params(chain("take", "detect", "gate", "--floor-db", "off"), "gate")["floor_db"] == "tight"
    assert params(chain("take", "detect", "--softest-db", "off"), "detect")["softest_db"] == "off"


@pytest.mark.parametrize(("word", "value"), [("tight", "tight"), ("natural", -18.0), ("open", -9.0)])
def test_words_for_how_clean(word: str, value: object) -> None:
    assert params(chain("take", "detect", "gate", "--floor-db", word), "gate")["floor_db"] == value


def test_settings_of_single_tracks() -> None:
    entries = chain(
        "take",
        "--set",
        "Floor.wav:gate.floor_db=-18",
        "--set",
        "OH a=b.wav:1:align.move=none",
        "--set",
        "tom1:gate.ring=2",
    )
    by_name = {e["processor"]: e for e in entries}
    assert by_name["gate"]["tracks"] == {"Floor.wav": {"floor_db": -18.0}, "tom1": {"ring": 2.0}}
    assert by_name["align"]["tracks"] == {"OH a=b.wav:1": {"move": "none"}}


def test_a_printed_chain_is_read_back_the_same(tmp_path: Path) -> None:
    words = ("take", "detect", "gate", "--floor-db", "-40", "--set", "Floor.wav:gate.floor_db=off")
    first = run(*words, "--print-chain").output
    (tmp_path / "chain.toml").write_text(first, "utf-8")
    assert run("--chain", str(tmp_path / "chain.toml"), "--print-chain").output == first


@pytest.mark.parametrize(
    ("words", "code", "line"),
    [
        (("gate", "take", "-o", "out"), 2,
         "gate: is a processor, but the take comes first: spillgate run TAKE -o OUT detect gate …"),
        (("--floor-db", "-40", "take", "-o", "out"), 2,
         "--floor-db: belongs behind its processor, gate: "
         "spillgate run TAKE -o OUT detect align gate --floor-db -40"),
        (("take", "-o", "out", "--floor-db", "-40"), 2,
         "--floor-db: belongs behind its processor, gate: "
         "spillgate run take -o OUT detect align gate --floor-db -40"),
        (("my take", "-o", "out", "--limit-db=6"), 2,
         "--limit-db=6: belongs behind its processor, spill: "
         "spillgate run 'my take' -o OUT detect spill --limit-db=6"),
        (("take", "-o", "out", "--no-whole-samples"), 2,
         "--no-whole-samples: belongs behind its processor, align: "
         "spillgate run take -o OUT detect align --no-whole-samples gate"),
        (("take", "-o", "out", "--later-ms"), 2,
         "--later-ms: belongs behind its processor, rooms: "
         "spillgate run take -o OUT detect align rooms --later-ms VALUE"),
        (("take", "-o", "out", "overheads"), 2, "overheads: needs delays; put detect align before it"),
        (("take", "--florr-db", "-40"), 2,
         "--florr-db: no such option; see spillgate run --help and spillgate processors NAME"),
        (("take", "-o", "out", "gate"), 2, "gate: needs hits; put detect before it"),
        (("take", "-o", "out", "detect", "detect"), 2, "detect: stands in the chain twice; name it once"),
        (("take", "-o", "out", "detetc"), 2, "detetc: no such processor is installed; did you mean 'detect'?"),
        (("take", "-o", "out", "detect", "--sftest-db", "3"), 2,
         "detect: no such option --sftest-db; did you mean 'softest-db'?"),
        (("take", "-o", "out", "detect", "--softest-db"), 2,
         "detect: --softest-db needs a value: -60 to 0 dB, or off; see spillgate run --help"),
        (("take", "-o", "out", "detect", "--softest-db", "loud"), 2,
         "detect.softest_db: 'loud' is not allowed; use -60 to 0 dB, or off (automatic)"),
        (("take", "-o", "out", "detect", "--spacing-ms", "nan"), 2,
         "detect.spacing_ms: nan is not allowed; use 5 to 200 ms"),
        (("take", "-o", "out", "align", "--move", "all"), 2,
         "align.move: 'all' is not allowed; use close, overheads, none"),
        (("take", "-o", "out", "--set", "Floor.wav"), 2,
         "--set Floor.wav: should be TRACK:processor.parameter=value, e.g. --set \"Floor.wav:gate.floor_db=-18\""),
        (("take", "-o", "out", "--set", "Floor.wav:gtae.floor_db=-18"), 2,
         "--set Floor.wav:gtae.floor_db=-18: 'gtae' is not in the chain; did you mean 'gate'?"),
        (("take", "-o", "out", "--set", "Floor.wav:gate.flor_db=-18"), 2,
         "Floor.wav:gate: unknown parameter 'flor_db'; did you mean 'floor_db'?"),
        (("take", "-o", "out", "--set", "Floor.wav:gate.floor_db=-99"), 2,
         "Floor.wav:gate.floor_db: -99.0 is not allowed; use -60 to 0 dB, tight (silence), natural (-18), "
         "open (-9)"),
        (("take",), 2, "where to? spillgate run take -o OUT"),
        (("-o", "out"), 2, "which take? spillgate run TAKE -o OUT"),
        (("nowhere", "-o", "out"), 1, "nowhere: no such folder; check the path"),
        (("take", "-o", "out", "--chain", "none.toml"), 2,
         "none.toml: No such file or directory; write one with --print-chain"),
    ],
)  # fmt: skip
def test_slips_and_what_is_said_about_them(
    words: tuple[str, ...], code: int, line: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = run(*words)
    assert (result.exit_code, result.stderr, result.stdout) == (code, f"spillgate: {line}\n", "")


def test_a_folder_that_is_called_like_a_processor_is_a_take(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("gate").mkdir()
    result = run("gate", "-o", "out")
    assert (result.exit_code, "no audio file in this folder" in result.stderr) == (1, True)


def test_a_chain_file_and_processors_exclude_one_another(tmp_path: Path) -> None:
    path = tmp_path / "chain.toml"
    path.write_text('chain = [{processor = "detect"}]', "utf-8")
    result = run("take", "-o", "out", "--chain", str(path), "gate")
    assert (result.exit_code, result.stderr) == (
        2, f"spillgate: --chain {path}: already names the processors; leave out gate\n"
    )  # fmt: skip


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("chain = [", "is no TOML"),
        ('chain = [{processor = "detect", params = {softest = 3}}]', "detect: unknown parameter 'softest'"),
        ("[[chian]]\n", "chain: unknown key 'chian'; did you mean 'chain'?"),
        ('chain = "detect"', "chain: 'detect' is no list of processors"),
        ("chain = 3", "chain: 3 is no list of processors"),
    ],
)
def test_a_broken_chain_file(tmp_path: Path, text: str, line: str) -> None:
    path = tmp_path / "chain.toml"
    path.write_text(text, "utf-8")
    result = run("take", "-o", "out", "--chain", str(path))
    assert result.exit_code == 2
    assert line in result.stderr
    assert result.stderr.count("\n") == 1
