"""The command `check` as a user meets it: verdict first, exit code 3, what changed, the newest take."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

from spillgate.cli.check import ORDER
from spillgate.cli.check_screen import changes, headline
from spillgate.cli.main import main
from spillgate.cli.newest import newest
from spillgate.dsp.errors import TakeError
from spillgate.dsp.plan.model import Finding, Plan, TrackFacts
from spillgate.dsp.take.model import Take


def run(*words: object) -> Result:
    return CliRunner().invoke(main, ["check", *(str(w) for w in words)], prog_name="spillgate")


def alter(path: Path, how: Any) -> None:
    x, sr = soundfile.read(path)
    soundfile.write(path, how(x), sr, "PCM_24")


@pytest.fixture(scope="module")
def broken(small_take_source: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small take with a clipped kick and a dead floor tom."""
    folder = Path(shutil.copytree(small_take_source, tmp_path_factory.mktemp("broken") / "take"))
    alter(folder / "01 Kick.wav", lambda x: np.clip(4.0 * x / np.abs(x).max(), -1, 1))
    alter(folder / "04 Floor Tom.wav", lambda x: 0.0 * x)
    return folder


def test_help_and_order() -> None:
    assert "Exit code 3" in run("--help").output
    result = run("--order")
    assert result.exit_code == 0
    assert result.output == ORDER + "\n"


def test_verdict_first_and_exit_code_3(broken: Path, tmp_path: Path) -> None:
    before = {p.name: (p.stat().st_mtime_ns, p.read_bytes()) for p in broken.iterdir()}
    out = tmp_path / "out"
    result = run(broken, "-o", out)
    assert result.exit_code == 3
    first = result.output.splitlines()[0]
    assert first.startswith("Mend ")
    assert "01 Kick clips" in " ".join(result.output.split())
    assert "04 Floor Tom silent" in " ".join(result.output.split())
    assert max(len(line) for line in result.output.splitlines() if "Written" not in line) <= 80
    # the figure that made it so, and the caution beside the advice
    assert "turn down at least" in " ".join(result.output.split())
    assert "phantom power off" in " ".join(result.output.split())
    document = json.loads((out / "check.json").read_text("utf-8"))
    assert document["clipped"] == ["01 Kick.wav"]
    assert document["silent"] == ["04 Floor Tom.wav"]
    assert {f["code"] for f in document["findings"] if f["severity"] == "mend"} >= {"clipped", "silent"}
    page = (out / "check.html").read_text("utf-8")
    assert "<svg" in page
    assert "http" not in page  # nothing from outside
    assert not [p for p in out.iterdir() if p.name.startswith(".")]
    assert before == {p.name: (p.stat().st_mtime_ns, p.read_bytes()) for p in broken.iterdir()}
    # the same again: an earlier check is not lost unasked
    again = run(broken, "-o", out)
    assert again.exit_code == 1
    assert "--overwrite" in again.output
    assert run(broken, "-o", out, "--overwrite", "--quiet").exit_code == 3
    # what a check that was killed leaves stands in nobody's way
    left = out.with_name("killed") / ".check-abc"
    left.mkdir(parents=True)
    assert run(broken, "-o", left.parent, "--quiet").exit_code == 3
    assert not left.exists()


def test_json_says_the_same(broken: Path) -> None:
    result = run(broken, "--json")
    document = json.loads(result.stdout)
    assert document["verdict"].startswith("Mend ")
    assert document["levels"]["01 Kick.wav"]["peak_db"] == pytest.approx(0.0, abs=0.01)
    assert document["left_out"] == []


def test_a_file_of_another_rate_is_named_and_the_rest_judged(small_take: Path) -> None:
    x, _ = soundfile.read(small_take / "03 Rack Tom.wav")
    soundfile.write(small_take / "03 Rack Tom.wav", x, 44_100, "PCM_24")
    result = run(small_take)
    assert result.exit_code == 3
    assert "03 Rack Tom.wav" in result.output
    assert "44100" in result.output
    assert "01 Kick" in result.output


def test_broken_files_are_to_be_mended_and_the_rest_is_judged(small_take: Path, tmp_path: Path) -> None:
    tom = small_take / "03 Rack Tom.wav"
    tom.write_bytes(tom.read_bytes()[:3000])
    snare = small_take / "02 Snare.wav"
    x, sr = soundfile.read(snare)
    x[1000] = np.nan  # found only when samples are read
    soundfile.write(snare, x, sr, "FLOAT")
    result = run(small_take, "-o", tmp_path / "out")
    assert result.exit_code == 3, result.output
    said = " ".join(result.output.split())
    assert "02 Snare.wav cannot be used, 03 Rack Tom.wav cannot be used" in said
    assert "03 Rack Tom.wav: is cut short" in said
    assert "02 Snare.wav: sample 1000 (at 0.021 s) is not a finite number" in said
    found = json.loads((tmp_path / "out" / "check.json").read_text("utf-8"))["findings"]
    assert [(f["code"], f["severity"], f["track"]) for f in found[:2]] == [
        ("unfit", "mend", snare.name),
        ("unfit", "mend", tom.name),
    ]
    assert "03 Rack Tom.wav: is cut short" in (tmp_path / "out" / "check.html").read_text("utf-8")
    # left out by the input list: said, but nothing to mend
    inputs = tmp_path / "list.toml"
    inputs.write_text(f'leave_out = ["{snare.name}", "{tom.name}"]\n', "utf-8")
    result = run(small_take, "--inputs", inputs, "--json")
    found = json.loads(result.stdout)["findings"]
    assert [(f["severity"], f["track"]) for f in found if f["code"] == "left_out"] == [
        ("note", snare.name),
        ("note", tom.name),
    ]
    assert "unfit" not in {f["code"] for f in found}


def test_what_changed(small_take: Path, broken: Path, tmp_path: Path) -> None:
    assert run(broken, "-o", tmp_path / "old", "--quiet").exit_code == 3
    result = run(small_take, "--against", tmp_path / "old")
    words = " ".join(result.output.split())
    assert "mended: 01 Kick clips" in words
    assert "mended: 04 Floor Tom silent" in words
    same = run(broken, "--against", tmp_path / "old")
    assert "nothing changed" in same.output
    nothing = run(broken, "--against", tmp_path)
    assert nothing.exit_code == 1
    assert "holds no check.json" in nothing.output


def plan_with(lags_ms: tuple[float, float], findings: tuple[Finding, ...] = (), **figures: Any) -> Plan:
    sr = 48_000
    row = {
        side: {"overhead": f"OH {side}.wav", "lag_samples": ms * sr / 1000, "confidence": "sure"}
        for side, ms in zip(("left", "right"), lags_ms, strict=True)
    }
    facts = TrackFacts(
        track="Snare.wav", file="Snare.wav", channel=0, role="snare", drum="snare", position="top", sr=sr,
        n_samples=sr, start=0,
    )  # fmt: skip
    align = {"pairs": {"Snare.wav": row}}
    return Plan(sr=sr, tracks=(facts,), findings=findings, figures={"align": align, "check": figures})


def test_which_overhead_moved_and_what_got_louder() -> None:
    take = Take(name="t", sr=48_000, n_samples=48_000, tracks=())
    old = plan_with((3.0, 3.5))
    new = plan_with(
        (3.14, 3.5), oh_snare_mismatch_cm=0.5, uncertainty_cm=1.0, bleed_db={"Snare.wav": {"hat": -10.0, "kick": -39.0}}
    )
    document = {
        "oh_snare_mismatch_cm": 5.3,
        "findings": [{"track": "OH left.wav", "code": "overhead_distance", "severity": "mend"}],
        "bleed_db": {"Snare.wav": {"hat": -16.0, "kick": -50.0}},
    }
    lines = " ".join(changes(take, new, (document, old)))
    # 0.14 ms at 343.2 m/s are 4.8 cm
    assert "OH left.wav moved 4.8 cm farther from the snare" in lines
    assert "OH right" not in lines
    assert "was +5.3 cm, is +0.5 cm, now equal" in lines
    assert "hat 6 dB louder in Snare.wav" in lines
    assert "kick" not in lines  # 39 dB down: of no account


def test_headline_counts() -> None:
    take = Take(name="t", sr=48_000, n_samples=48_000, tracks=())
    look = Finding(code="hot", severity="advise", track="a.wav")
    assert headline(take, Plan()) == "Ready (take): nothing to mend."
    assert headline(take, Plan(findings=(look,))) == "Ready (take), with 1 thing to look at."
    mend = Finding(code="clipped", severity="mend", track="a.wav")
    assert headline(take, Plan(findings=(mend, look))) == "Mend 1 thing (take): a.wav clips."


# ---- wrong use


@pytest.mark.parametrize(
    ("words", "code", "text"),
    [
        ((), 2, "which take?"),
        (("nowhere",), 1, "no such folder"),
        (("{take}", "-o", "{take}"), 1, "lies in the take"),
        (("{take}", "-o", "{take}/out"), 1, "lies in the take"),
        (("{take}", "--kind", "gig"), 2, "gig"),
    ],
)
def test_wrong_use_is_one_line(small_take: Path, words: tuple[str, ...], code: int, text: str) -> None:
    result = run(*(w.format(take=small_take) for w in words))
    assert result.exit_code == code
    assert text in result.output
    assert len(result.output.strip().splitlines()) == 1
    assert not (small_take / "out").exists()


def test_a_full_folder_is_refused(small_take: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "notes.txt").write_text("mine")
    result = run(small_take, "-o", out)
    assert result.exit_code == 1
    assert "is not empty" in result.output
    assert [p.name for p in out.iterdir()] == ["notes.txt"]


# ---- the newest take


def touch(path: Path, when: float) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"")
    os.utime(path, (when, when))
    return path


def test_newest_of_several_folders(tmp_path: Path) -> None:
    for name, when in (("Song 1", 1000.0), ("Song 2", 5000.0), ("Song 3", 3000.0)):
        touch(tmp_path / "day" / name / "Kick.wav", when)
    found, note = newest(tmp_path / "day", tmp_path / "links")
    assert found.name == "Song 2"
    assert "Song 2" in note


def test_newest_by_the_number_in_the_name(tmp_path: Path) -> None:
    for number, when in (("06", 1000.0), ("07", 1020.0)):
        for mic in ("Kick", "Snare", "OH L"):
            touch(tmp_path / "day" / f"{mic}_{number}.wav", when)
    found, note = newest(tmp_path / "day", tmp_path / "links")
    assert sorted(p.name for p in found.iterdir()) == ["Kick_07.wav", "OH L_07.wav", "Snare_07.wav"]
    assert "07" in note


def test_newest_by_time_alone(tmp_path: Path) -> None:
    # two rack toms are numbered too, but are no takes
    for mic in ("Kick", "Tom 1", "Tom 2", "Snare"):
        touch(tmp_path / "day" / f"{mic}.wav", 9000.0)
    for mic in ("old kick", "old snare"):
        touch(tmp_path / "day" / f"{mic}.wav", 1000.0)
    found, _ = newest(tmp_path / "day", tmp_path / "links")
    assert sorted(p.name for p in found.iterdir()) == ["Kick.wav", "Snare.wav", "Tom 1.wav", "Tom 2.wav"]


def test_newest_of_one_take_is_the_folder(tmp_path: Path) -> None:
    for mic in ("Kick", "Snare"):
        touch(tmp_path / "day" / f"{mic}.wav", 9000.0)
    assert newest(tmp_path / "day", tmp_path / "links")[0] == tmp_path / "day"
    (tmp_path / "empty").mkdir()
    with pytest.raises(TakeError, match="no recording"):
        newest(tmp_path / "empty", tmp_path / "links")


def test_latest_is_checked_and_named(small_take: Path) -> None:
    for path in list(small_take.iterdir()):
        if path.suffix == ".wav":
            path.rename(path.with_name(f"{path.stem}_07.wav"))
            shutil.copy(small_take / f"{path.stem}_07.wav", small_take / f"{path.stem}_06.wav")
            os.utime(small_take / f"{path.stem}_06.wav", (1000.0, 1000.0))
    result = run(small_take, "--latest")
    assert "their names end in 07" in " ".join(result.output.split())
    assert "01 Kick_07" in result.output
    assert "_06" not in result.output
