"""An output opened again: what it refuses, and how little a correction touches."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from spillgate.cli.desk import changed_files, open_desk
from spillgate.dsp.errors import PlanError
from spillgate.dsp.plan.corrections import Corrections

Run = Callable[..., "subprocess.CompletedProcess[str]"]


def test_what_is_no_output_of_a_run(tmp_path: Path, finished: Path) -> None:
    with pytest.raises(PlanError, match=r"plan\.json is missing"):
        open_desk(tmp_path)
    (finished / "source.json").write_text("{}", "utf-8")
    with pytest.raises(PlanError, match="add --take TAKE"):
        open_desk(finished)
    open_desk(finished, finished.parent / "take")
    with pytest.raises(PlanError, match="no longer there"):
        open_desk(finished, finished.parent / "elsewhere")


def test_a_recording_that_has_changed_is_refused(finished: Path) -> None:
    tom = finished.parent / "take" / "03 Rack Tom.wav"
    data = bytearray(tom.read_bytes())
    data[-1] ^= 1
    tom.write_bytes(data)
    with pytest.raises(PlanError, match=r"03 Rack Tom\.wav: has changed since"):
        open_desk(finished)


def test_nothing_to_correct_renders_nothing_and_keeps_every_byte(finished: Path) -> None:
    desk = open_desk(finished)
    assert desk.render() == set()  # the report's links now lead to where the take lies
    before = {p: p.read_bytes() for p in finished.rglob("*") if p.is_file()}
    assert desk.render() == set()
    assert {p: p.read_bytes() for p in finished.rglob("*") if p.is_file()} == before


def test_a_stem_that_was_deleted_comes_back(finished: Path) -> None:
    stem = finished / "stems" / "01 Kick.wav"
    data = stem.read_bytes()
    stem.unlink()
    assert open_desk(finished).render() == {"01 Kick.wav"}
    assert stem.read_bytes() == data


def test_a_stem_that_was_spoiled_comes_back(small_take: Path, tmp_path: Path, inside: Run) -> None:
    out = tmp_path / "out"
    assert inside("run", small_take, "-o", out, "--quiet").returncode == 0
    stems = {p: p.read_bytes() for p in sorted((out / "stems").iterdir())}
    cut, overwritten, gone = list(stems)[:3]
    os.truncate(cut, 2000)
    overwritten.write_bytes(bytes(len(stems[overwritten])))
    os.utime(overwritten, (overwritten.stat().st_atime, overwritten.stat().st_mtime + 60))
    gone.unlink()
    names = ", ".join(p.name for p in (cut, overwritten, gone))
    result = inside("render", out)
    assert result.returncode == 0, result.stderr
    assert result.stdout.startswith(f"Gone, changed or copied since they were written: {names}\nRendered: {names}\n")
    assert {p: p.read_bytes() for p in stems} == stems
    assert inside("render", out).stdout.startswith("Nothing to change")


def test_a_correction_changes_its_own_drum_and_answers_its_question(finished: Path) -> None:
    desk = open_desk(finished)
    old = desk.plan
    hit = old.hits_of("04 Floor Tom.wav")[1]
    edits = {"schema": 1, "hit": [{"track": "floor", "time_s": hit.time_s, "do": "leave out"}]}
    (finished / "corrections.toml").write_text(Corrections.from_dict(edits).to_toml(), "utf-8")
    assert desk.render() == {"04 Floor Tom.wav"}
    assert changed_files(old, desk.plan) == {"04 Floor Tom.wav"}
    assert hit not in desk.plan.hits
    assert desk.plan.hits_of("03 Rack Tom.wav") == old.hits_of("03 Rack Tom.wav")
    assert desk.plan.figures["gate"]["03 Rack Tom.wav"] == old.figures["gate"]["03 Rack Tom.wav"]
    assert not [q for q in desk.plan.questions if q.time_s is not None and abs(q.time_s - hit.time_s) < 0.015]
    assert json.loads((finished / "plan.json").read_text("utf-8"))["figures"]["corrections"]["found"]


def test_a_stroke_that_is_added_has_the_level_it_has(finished: Path) -> None:
    desk = open_desk(finished)
    soft = min((h for h in desk.plan.hits_of("04 Floor Tom.wav") if h.confidence > 0.9), key=lambda h: h.level_db)
    edits = {"schema": 1, "hit": [{"track": "floor", "time_s": soft.time_s, "do": "leave out"},
                                  {"track": "floor", "time_s": soft.time_s, "do": "add"}]}  # fmt: skip
    (finished / "corrections.toml").write_text(Corrections.from_dict(edits).to_toml(), "utf-8")
    desk.render()
    (added,) = [h for h in desk.plan.hits if h.source == "added"]
    assert soft.level_db < -3.0
    assert added.level_db == pytest.approx(soft.level_db, abs=2.5)  # that one is told by bands, this one by the whole


def test_a_take_that_has_moved_is_found_again(finished: Path) -> None:
    take = finished.parent / "take"
    moved = take.rename(take.with_name("elsewhere"))
    with pytest.raises(PlanError, match="add --take TAKE"):
        open_desk(finished)
    open_desk(finished, moved).render()
    assert open_desk(finished).take.tracks  # where it is now has been noted


def test_a_role_that_was_corrected_is_what_the_page_shows(finished: Path) -> None:
    (finished / "corrections.toml").write_text('[[role]]\ntrack = "03 Rack Tom"\nrole = "other"\n', "utf-8")
    open_desk(finished).render()
    page = (finished / "report.html").read_text("utf-8")
    row = page[page.index(">03 Rack Tom") :]
    assert "<td>no drum</td>" in row[: row.index("</tr>")]


def test_a_silenced_span_is_silent_in_the_stem_and_a_kept_one_is_the_recording(finished: Path) -> None:
    import numpy as np
    import soundfile

    edits = {"schema": 1, "span": [{"track": "tom1", "from_s": 1.0, "to_s": 1.3, "do": "silence"},
                                   {"track": "floor", "from_s": 0.2, "to_s": 0.6, "do": "keep"}],
             "delay": [{"track": "tom1", "samples": 0}, {"track": "floor", "samples": 0}]}  # fmt: skip
    (finished / "corrections.toml").write_text(Corrections.from_dict(edits).to_toml(), "utf-8")
    open_desk(finished).render()
    take = finished.parent / "take"
    stem, sr = soundfile.read(finished / "stems" / "03 Rack Tom.wav", dtype="int32")
    inside = slice(round(1.03 * sr), round(1.27 * sr))  # fades lie inside the span
    assert not stem[inside].any()
    stem, _ = soundfile.read(finished / "stems" / "04 Floor Tom.wav", dtype="int32")
    original, _ = soundfile.read(take / "04 Floor Tom.wav", dtype="int32")
    kept = slice(round(0.2 * sr), round(0.6 * sr))
    assert np.max(np.abs(stem[kept].astype(np.int64) - original[kept])) <= 2 << 8  # two steps of 24 bit


def test_a_ring_kept_longer_is_in_the_stem(finished: Path) -> None:
    import numpy as np
    import soundfile

    desk = open_desk(finished)
    hit = desk.plan.hits_of("03 Rack Tom.wav")[-1]
    edits = {
        "schema": 1,
        "hit": [{"track": "tom1", "time_s": hit.time_s, "do": "ring", "ring_until_s": hit.time_s + 1.2}],
    }
    before, sr = soundfile.read(finished / "stems" / "03 Rack Tom.wav")
    (finished / "corrections.toml").write_text(Corrections.from_dict(edits).to_toml(), "utf-8")
    assert desk.render() == {"03 Rack Tom.wav"}
    after, _ = soundfile.read(finished / "stems" / "03 Rack Tom.wav")
    late = slice(round((hit.time_s + 0.9) * sr), round((hit.time_s + 1.1) * sr))
    assert np.sum(after[late] ** 2) > 10 * np.sum(before[late] ** 2)


def test_a_parameter_correction_taken_out_again_is_undone(finished: Path) -> None:
    stem = finished / "stems" / "03 Rack Tom.wav"
    before = stem.read_bytes()
    text = '[[parameter]]\ntrack = "03 Rack Tom"\nprocessor = "gate"\nname = "floor_db"\nvalue = -9.0\n'
    (finished / "corrections.toml").write_text(text, "utf-8")
    assert open_desk(finished).render() == {stem.name}
    assert stem.read_bytes() != before
    (finished / "corrections.toml").unlink()
    assert open_desk(finished).render() == {stem.name}
    assert stem.read_bytes() == before


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('[[hit]]\ntrack = "03 Rack Tm"\ntime_s = 1.0\ndo = "keep"',
         "[[hit]] 1: 03 Rack Tm: no such track in take; did you mean '03 Rack Tom'?"),
        ('[[span]]\ntrack = "03 Rack Tm"\nfrom_s = 1.0\nto_s = 2.0\ndo = "keep"',
         "[[span]] 1: 03 Rack Tm: no such track in take; did you mean '03 Rack Tom'?"),
        ('[[delay]]\ntrack = "03 Rack Tom"\nsamples = 1.0\n[[delay]]\ntrack = "03 Rack Tm"\nsamples = 1.0',
         "[[delay]] 2: 03 Rack Tm: no such track in take; did you mean '03 Rack Tom'?"),
        ('[[role]]\ntrack = "03 Rack Tom"\nrole = "tim"', "[[role]] 1: role 'tim' is not known; did you mean 'tom'?"),
        ('[[role]]\ntrack = "03 Rack Tom"\nrole = "tom"\ndrum = "tmo1"',
         "[[role]] 1: drum 'tmo1' is not known; did you mean 'tom1'?"),
        ('[[role]]\ntrack = "03 Rack Tom"\nrole = "kick"\ndrum = "tom1"', "[[role]] 1: drum 'tom1' is no kick"),
        ('[[role]]\ntrack = "01 Kick"\nrole = "tom"',
         "[[role]] 1: which tom is 01 Kick.wav? Write drum = \"tom1\" or \"floor\""),
        ('[[parameter]]\ntrack = "03 Rack Tom"\nprocessor = "gat"\nname = "ring"\nvalue = 1',
         "[[parameter]] 1: gat: no such processor is installed; did you mean 'gate'?"),
        ('[[parameter]]\ntrack = "03 Rack Tom"\nprocessor = "gate"\nname = "rnig"\nvalue = 1',
         "[[parameter]] 1: 03 Rack Tom:gate: unknown parameter 'rnig'; did you mean 'ring'?"),
        ('[[parameter]]\ntrack = "03 Rack Tom"\nprocessor = "gate"\nname = "ring"\nvalue = 9',
         "[[parameter]] 1: 03 Rack Tom:gate.ring: 9 is not allowed; use 0.1 to 4"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_correction_is_told_with_its_place(
    finished: Path, inside: Run, text: str, line: str
) -> None:
    (finished / "corrections.toml").write_text(text + "\n", "utf-8")
    result = inside("render", finished)
    assert (result.returncode, result.stderr) == (1, f"spillgate: corrections.toml: {line}\n")


def test_a_parameter_of_a_processor_that_was_not_run_is_a_question(finished: Path, inside: Run) -> None:
    text = '[[parameter]]\ntrack = "03 Rack Tom"\nprocessor = "spill"\nname = "limit_db"\nvalue = 6\n'
    (finished / "corrections.toml").write_text(text, "utf-8")
    result = inside("render", finished)
    assert "[[parameter]] 1: spill was not run, so limit_db of 03 Rack Tom was not set" in " ".join(
        result.stdout.split()
    )


def test_a_recording_that_is_a_link_into_the_output_is_refused(finished: Path, inside: Run) -> None:
    take = finished.parent / "linked"
    take.mkdir()
    for stem in (finished / "stems").glob("*.wav"):
        (take / stem.name).symlink_to(stem)
    before = {p: p.read_bytes() for p in (finished / "stems").iterdir()}
    result = inside("run", take, "-o", finished, "--overwrite", "--quiet")
    assert result.returncode == 1
    assert "into the output; choose another folder for it" in result.stderr
    assert {p: p.read_bytes() for p in (finished / "stems").iterdir()} == before


def test_corrections_that_cannot_be_read_are_not_no_corrections(finished: Path, inside: Run) -> None:
    (finished / "corrections.toml").symlink_to(finished / "not there")
    result = inside("render", finished)
    assert result.returncode == 1
    assert "cannot be read as a file" in result.stderr


def test_a_hit_moved_out_of_the_recording_stays_and_is_asked_about(finished: Path, inside: Run) -> None:
    hit = open_desk(finished).plan.hits_of("03 Rack Tom.wav")[1]
    text = f'[[hit]]\ntrack = "tom1"\ntime_s = {hit.time_s}\ndo = "move"\nto_s = -0.5\n'
    text += '[[hit]]\ntrack = "05 OH L"\ntime_s = 1.0\ndo = "add"\n'
    (finished / "corrections.toml").write_text(text, "utf-8")
    result = inside("render", finished)
    assert "tom1 has no -0.500 s (it lasts 4.000 s), so the hit was not moved; is it still wanted?" in result.stdout
    assert "is the mic of no drum and has no hits; is it still wanted?" in result.stdout
    assert hit in open_desk(finished).plan.hits
