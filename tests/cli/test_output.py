"""The output folder is filled wholly or not at all, and nothing that is not ours is touched."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from spillgate.cli.output import aside, check_output, fill, settle
from spillgate.dsp.errors import OutputError


@pytest.fixture
def take(tmp_path: Path) -> Path:
    folder = tmp_path / "songs" / "take"
    folder.mkdir(parents=True)
    (folder / "Kick.wav").write_bytes(b"kick")
    return folder


def finished(out: Path, *stems: str) -> Path:
    """An output as a run leaves it."""
    with fill(out) as (new, _):
        (new / "stems").mkdir()
        for name in stems:
            (new / "stems" / name).write_text(f"stem {name}")
        (new / "plan.json").write_text(json.dumps({"tracks": [{"file": s} for s in stems]}))
    return out


def half_way(out: Path) -> None:
    """A run that fails after it has written something."""
    with fill(out) as (new, work):
        (new / "stems").mkdir()
        (new / "stems" / "Kick.wav").write_text("half")
        (work / "features.f32").write_text("half")
        raise RuntimeError("half way")


def everything(folder: Path) -> set[str]:
    return {str(p.relative_to(folder)) for p in folder.rglob("*")}


@pytest.mark.parametrize(
    ("out", "line"),
    [
        ("songs/take", "is the take itself; choose another folder for the output"),
        ("songs/../songs/take", "is the take itself; choose another folder for the output"),
        ("songs/take/out", "lies inside the take; choose a folder outside"),
        ("songs", "holds the take; choose a folder that does not"),
        ("songs/take/Kick.wav", "lies inside the take; choose a folder outside"),
    ],
)
def test_what_would_harm_the_take_is_refused(take: Path, tmp_path: Path, out: str, line: str) -> None:
    with pytest.raises(OutputError) as caught:
        check_output(tmp_path / out, take, overwrite=True)
    assert str(caught.value).startswith(f"{tmp_path / out}: {line}")


def test_a_link_to_the_take_is_the_take(take: Path, tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(take, target_is_directory=True)
    with pytest.raises(OutputError, match="is the take itself"):
        check_output(tmp_path / "link", take, overwrite=False)


def test_stems_that_lead_into_the_take_are_refused(take: Path, tmp_path: Path) -> None:
    out = finished(tmp_path / "out")
    (out / "stems").symlink_to(take, target_is_directory=True)
    with pytest.raises(OutputError, match="leads into the take; remove that link"):
        check_output(out, take, overwrite=True)


def test_a_folder_beside_with_a_longer_name_is_fine(take: Path, tmp_path: Path) -> None:
    check_output(tmp_path / "songs" / "take clean", take, overwrite=False)


def test_a_file_is_refused(take: Path, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine")
    with pytest.raises(OutputError, match="is a file; choose a folder"):
        check_output(tmp_path / "out", take, overwrite=True)


def test_an_earlier_output_is_replaced_only_when_asked(take: Path, tmp_path: Path) -> None:
    out = finished(tmp_path / "out", "Kick.wav")
    with pytest.raises(OutputError, match="exists and is not empty; choose another folder or add --overwrite"):
        check_output(out, take, overwrite=False)
    check_output(out, take, overwrite=True)


def test_a_folder_of_other_things_is_never_overwritten(take: Path, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "notes.txt").write_text("mine")
    with pytest.raises(OutputError, match="holds files but no earlier output"):
        check_output(tmp_path / "out", take, overwrite=True)


def test_what_a_killed_run_left_counts_as_empty(take: Path, tmp_path: Path) -> None:
    (tmp_path / "out" / ".work" / "new" / "stems").mkdir(parents=True)
    (tmp_path / "out" / ".lock").touch()
    check_output(tmp_path / "out", take, overwrite=False)
    assert everything(finished(tmp_path / "out", "Kick.wav")) == {"plan.json", "stems", "stems/Kick.wav"}


def test_folders_above_are_made_and_taken_away_again_on_failure(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError, match="half way"):
        half_way(tmp_path / "a" / "b" / "out")
    assert everything(tmp_path) == set()


def test_a_folder_that_was_there_stays_on_failure(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    with pytest.raises(RuntimeError, match="half way"):
        half_way(tmp_path / "out")
    assert everything(tmp_path) == {"out"}


def test_a_failed_second_run_leaves_the_first_output_whole(tmp_path: Path) -> None:
    out = finished(tmp_path / "out", "Kick.wav", "Snare.wav")
    before = {p: p.read_bytes() for p in out.rglob("*") if p.is_file()}
    with pytest.raises(RuntimeError, match="half way"):
        half_way(out)
    assert {p: p.read_bytes() for p in out.rglob("*") if p.is_file()} == before


def test_overwriting_removes_stems_of_the_earlier_run_and_nothing_else(tmp_path: Path) -> None:
    out = finished(tmp_path / "out", "Kick.wav", "Old.wav")
    (out / "model").mkdir()
    (out / "model" / "x.npz").write_text("learned")
    (out / "corrections.toml").write_text("mine")
    (out / "stems" / "my bounce.wav").write_text("mine, too")
    finished(out, "Kick.wav")
    assert everything(out) == {"plan.json", "corrections.toml", "stems", "stems/Kick.wav", "stems/my bounce.wav"}


def test_two_runs_into_one_output(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from spillgate.cli.output import fill\n"
        "with fill(Path(sys.argv[1])): print('in', flush=True); sys.stdin.read()"
    )
    command = [sys.executable, "-c", code, str(tmp_path / "out")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "in\n"
        with pytest.raises(OutputError, match="another run is writing to it"), fill(tmp_path / "out"):
            pytest.fail("not reached")
        assert (tmp_path / "out" / ".work" / "new").is_dir(), "the other run's files are left alone"
        other.communicate("")
    assert other.returncode == 0
    finished(tmp_path / "out")


def test_the_lock_of_a_killed_run_does_not_hold(tmp_path: Path) -> None:
    code = (
        "import os, sys; from pathlib import Path; from spillgate.cli.output import fill\n"
        "with fill(Path(sys.argv[1])): os._exit(9)"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path / "out")], check=False, timeout=60)
    assert (tmp_path / "out" / ".lock").exists()
    assert everything(finished(tmp_path / "out", "Kick.wav")) == {"plan.json", "stems", "stems/Kick.wav"}


def test_rendering_some_stems_again_leaves_the_others(tmp_path: Path) -> None:
    out = finished(tmp_path / "out", "Kick.wav", "Snare.wav")
    with fill(out, whole=False) as (new, _):
        (new / "stems").mkdir()
        (new / "stems" / "Kick.wav").write_text("new")
    assert (out / "stems" / "Kick.wav").read_text() == "new"
    assert (out / "stems" / "Snare.wav").read_text() == "stem Snare.wav"
    assert everything(out) == {"plan.json", "stems", "stems/Kick.wav", "stems/Snare.wav"}


def test_what_is_only_looked_at_leaves_nothing(tmp_path: Path) -> None:
    out = finished(tmp_path / "out", "Kick.wav")
    with aside(out) as folder:
        (folder / "anything").write_text("x")
    assert everything(out) == {"plan.json", "stems", "stems/Kick.wav"}


def killed_half_way(out: Path, after: int, *, whole: bool = True) -> None:
    """A process that fills the output with two new stems and dies after so many of its files are in place."""
    code = (
        "import os, sys; from pathlib import Path; from spillgate.cli import output\n"
        "left = [int(sys.argv[2])]; move = output._move\n"
        "def counted(a, b):\n"
        "    if left[0] == 0: os._exit(9)\n"
        "    left[0] -= 1; move(a, b)\n"
        "output._move = counted\n"
        "with output.fill(Path(sys.argv[1]), whole=sys.argv[3] == 'True') as (new, work):\n"
        "    (new / 'stems').mkdir(); (new / 'model').mkdir()\n"
        "    for name in ('stems/Kick.wav', 'stems/Tom.wav', 'model/gate.npz'): (new / name).write_text('new')\n"
        '    (new / \'plan.json\').write_text(\'{"tracks": [{"file": "Kick.wav"}, {"file": "Tom.wav"}]}\')\n'
    )
    words = [sys.executable, "-c", code, str(out), str(after), str(whole)]
    assert subprocess.run(words, check=False, timeout=60).returncode == 9


NEW = {"model", "model/gate.npz", "plan.json", "stems", "stems/Kick.wav", "stems/Tom.wav"}


@pytest.mark.parametrize("after", range(4))
def test_putting_in_place_goes_on_where_it_was_killed(tmp_path: Path, take: Path, after: int) -> None:
    out = tmp_path / "out"
    killed_half_way(out, after)
    check_output(out, take, overwrite=False)  # its own first run counts as nothing yet
    settle(out)
    assert everything(out) == NEW
    with pytest.raises(OutputError, match="exists and is not empty"):
        check_output(out, take, overwrite=False)
    settle(out)


@pytest.mark.parametrize("after", range(4))
@pytest.mark.parametrize("whole", [True, False])
def test_an_earlier_output_is_replaced_in_full_or_not(tmp_path: Path, take: Path, after: int, whole: bool) -> None:
    out = finished(tmp_path / "out", "Kick.wav", "Old.wav")
    (out / "model").mkdir()
    (out / "model" / "old.npz").write_text("old")
    killed_half_way(out, after, whole=whole)
    with pytest.raises(OutputError, match="exists and is not empty"):
        check_output(out, take, overwrite=False)
    with fill(out, whole=False) as (new, _):
        assert everything(out) - {".lock"} == NEW | {".work", ".work/new"} | (set() if whole else {"stems/Old.wav"})
        (new / "stems").mkdir()
    assert (out / "stems" / "Kick.wav").read_text() == "new"


def test_a_journal_that_lies_harms_nothing(tmp_path: Path) -> None:
    out = finished(tmp_path / "out", "Kick.wav")
    (tmp_path / "mine").write_text("mine")
    before = everything(tmp_path)
    for text in (
        '{"files": ["../mine", "/mine"], "gone": ["../mine", "stems/../../mine", "stems", "", 5], "first": true}',
        '{"files": 5, "gone": [], "first": true}',
        "[" * 100_000,
        "",
    ):
        (out / ".work").mkdir()
        (out / ".work" / "placing.json").write_text(text)
        with fill(out, whole=False):
            pass
        assert everything(tmp_path) == before


@pytest.mark.parametrize("folder", ["stems", "previews", "model", "removed", ".work"])
def test_links_into_the_take_are_refused(take: Path, tmp_path: Path, folder: str) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / folder).symlink_to(take, target_is_directory=True)
    with pytest.raises(OutputError, match=f"{folder}: leads into the take; remove that link"):
        check_output(tmp_path / "out", take, overwrite=True)


def test_a_work_folder_elsewhere_is_refused(tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "text").write_text("mine")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / ".work").symlink_to(tmp_path / "mine", target_is_directory=True)
    with pytest.raises(OutputError, match="is a link; remove it"), fill(tmp_path / "out"):
        pytest.fail("not reached")
    assert (tmp_path / "mine" / "text").read_text() == "mine"


def test_a_lock_file_that_was_taken_away_meanwhile_locks_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # between our opening and our locking the other run ends and removes its lock file
    import fcntl

    out = tmp_path / "out"
    out.mkdir()
    flock, taken = fcntl.flock, []

    def late(stream: object, how: int) -> None:
        if not taken:
            (out / ".lock").unlink()
            taken.append(1)
        flock(stream, how)  # type: ignore[arg-type]

    monkeypatch.setattr(fcntl, "flock", late)
    with fill(out), pytest.raises(OutputError, match="another run is writing"), fill(out):
        pytest.fail("not reached")


def test_overwriting_removes_previews_of_the_earlier_run_rendering_again_keeps_them(tmp_path: Path) -> None:
    out = finished(tmp_path / "out", "Kick.wav")
    (out / "previews").mkdir()
    for name in ("Tom-1b12-removed.flac", "my own.flac"):
        (out / "previews" / name).write_text("sound")
    with fill(out, whole=False):
        pass
    assert (out / "previews" / "Tom-1b12-removed.flac").exists()
    finished(out, "Kick.wav")
    assert everything(out / "previews") == {"my own.flac"}


def test_a_file_that_is_gone_before_it_is_put_in_place_is_told(tmp_path: Path) -> None:
    out = tmp_path / "out"
    plan = json.dumps({"figures": {"render": {"files": {"Kick.wav": ["stems/Kick.wav"]}}}, "tracks": []})
    with pytest.raises(OutputError, match="gone before it was put in place"), fill(out) as (new, _):
        (new / "plan.json").write_text(plan)
    assert not (out / "plan.json").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="no such names there")
def test_a_backslash_in_a_name_is_a_character_like_others(tmp_path: Path) -> None:
    out = tmp_path / "out"
    with fill(out) as (new, _):
        (new / "stems").mkdir()
        (new / "stems" / "Tom\\1.wav").write_text("sound")
    assert (out / "stems" / "Tom\\1.wav").read_text() == "sound"


def test_previews_that_the_page_no_longer_shows_go(tmp_path: Path) -> None:
    out = finished(tmp_path / "out", "Kick.wav")
    (out / "previews").mkdir()
    for name in ("Tom-1b12-removed.flac", "Tom-2b12-removed.flac"):
        (out / "previews" / name).write_text("sound")
    with fill(out, whole=False) as (new, _):
        (new / "report.html").write_text("previews/Tom-2b12-removed.flac")
    assert everything(out / "previews") == {"Tom-2b12-removed.flac"}
