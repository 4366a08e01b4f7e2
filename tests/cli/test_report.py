"""The page: what is in it, that nothing of it is taken for markup, and that its pictures are those of the files."""

from __future__ import annotations

import base64
import dataclasses
import html.parser
import json
import re
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
import pytest
import soundfile

from spillgate.cli.report import Pictures, Words, page, write_previews
from spillgate.cli.report.pictures import SAME, exact, packed, peaks, signature, without_same
from spillgate.cli.report.players import players, removed
from spillgate.dsp.core.audio.overview import expand
from spillgate.dsp.plan.model import Finding, Hit, Plan, Question, StepSpec, TrackFacts
from spillgate.dsp.plan.questions import groups, verdict
from spillgate.dsp.render import render
from spillgate.dsp.take.model import AudioFile, Take, Track
from spillgate.dsp.testing import small_take as take_in_memory

NAMES = (
    "<script>alert(1)</script>.wav",
    "\" onclick='alert(1)' x=\".wav",
    "..&amp;.wav",
    "two\nlines\t.wav",
    "🥁 </style></script><!--.wav",
    "{{ 7*7 }}{% raw %}.wav",
    "\u2028\u202e evil.wav",
)


class Parts(html.parser.HTMLParser):
    """What a browser would see: elements with their attributes, and text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.raw: dict[str, list[str]] = {"script": [], "style": []}
        self.inside = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self.inside = tag
        if tag in self.raw:
            self.raw[tag].append("")

    def handle_endtag(self, tag: str) -> None:
        self.inside = ""

    def handle_data(self, data: str) -> None:
        if self.inside in self.raw:
            self.raw[self.inside][-1] += data
        else:
            self.texts.append(data)

    def attributes(self, tag: str, name: str) -> list[str]:
        return [str(a[name]) for t, a in self.elements if t == tag and name in a]


def hostile() -> tuple[Take, Plan]:
    rng = np.random.default_rng(1)
    tracks, audio = [], {}
    for k, name in enumerate(NAMES):
        file = AudioFile(path=Path("/nowhere") / "x", name=name, sr=48000, n_channels=1, n_samples=9600, format="WAV",
                         subtype="PCM_24")  # fmt: skip
        tracks.append(Track(id=name, files=(file,), role="tom", drum=f"tom{k + 1}"))
        audio[name] = rng.normal(0, 0.1, 9600).astype(np.float32)
    take = Take.from_arrays(tracks, audio, 48000, "<img src=x onerror=alert(1)>")
    hits = tuple(Hit(track=n, drum="tom1", time_s=0.05, level_db=0.0, confidence=0.5) for n in NAMES)
    questions = tuple(
        Question(code="detect.hit", text=f"Is the stroke on {n} really one?", track=n, time_s=0.05) for n in NAMES
    )
    findings = tuple(Finding(code="hum", severity="mend", track=n, advice=f"{n} hums") for n in NAMES)
    plan = Plan(sr=48000, n_samples=9600, hits=hits, questions=questions, findings=findings)
    return take, plan


@pytest.mark.parametrize("base", ["", "/token"])
def test_names_are_text_whatever_they_hold(base: str, tmp_path: Path) -> None:
    take, plan = hostile()
    words = Words(changed="<b>x</b>", tracks={n: f"<i>{n}" for n in NAMES}, footer="</p><script>")
    parts = Parts(page(take, plan, take, tmp_path, words, base=base))
    tags = [t for t, _ in parts.elements]
    assert tags.count("script") == (4 if base else 2)
    assert not {"img", "b", "i", "iframe", "object"} - {"b", "i"} & set(tags)
    assert tags.count("style") == 1
    assert not any(name.startswith("on") for _, attributes in parts.elements for name in attributes)
    for name in NAMES:
        label = Path(name).stem
        assert any(label in text for text in parts.texts), name
    labels = [t["label"] for t in json.loads(parts.raw["script"][0])["tracks"]]
    assert labels == [Path(n).stem for n in NAMES]
    assert "49" not in " ".join(parts.texts[:40])


def test_the_page_needs_nothing_from_elsewhere(finished: Path) -> None:
    text = (finished / "report.html").read_text("utf-8")
    parts = Parts(text)
    assert not re.findall(r"(?:https?:)?//[a-z0-9-]+\.[a-z]", text)
    assert "@import" not in text
    assert parts.attributes("link", "href") == ["data:,"]  # no picture: browsers would ask for one
    assert not parts.attributes("script", "src")
    policy = next(a["content"] for t, a in parts.elements if t == "meta" and "http-equiv" in a)
    assert policy is not None
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    sources = parts.attributes("audio", "src")
    assert sources
    for source in sources:
        assert (finished / unquote(source)).is_file() or "take" in source, source
    assert set(parts.attributes("audio", "preload")) == {"none"}
    assert not parts.attributes("audio", "autoplay")


def test_the_first_lines_and_their_order(finished: Path) -> None:
    parts = Parts((finished / "report.html").read_text("utf-8"))
    text = "\n".join(parts.texts)
    order = [
        text.index(w) for w in ("6 drum tracks, 4 s", "cleaned", "01 Kick", "uestions", "whole take", "Settings and")
    ]
    assert order == sorted(order)
    first = re.search(r"<h1>(.*?) <span", (finished / "report.html").read_text("utf-8"))
    assert first is not None
    assert re.fullmatch(r"(Ready|Mend \d+ things?)(, with \d+ questions?)?", first[1])


def test_the_verdict_counts_what_is_to_mend_and_to_answer() -> None:
    mend = Finding(code="hum", severity="mend")
    note = Finding(code="x", severity="note")
    asked = Question(code="x", text="x?")
    assert verdict(Plan()) == "Ready"
    assert verdict(Plan(findings=(note,), questions=(asked,))) == "Ready, with 1 question"
    two = dataclasses.replace(asked, text="y?")
    assert verdict(Plan(findings=(mend, mend, note), questions=(asked, two))) == "Mend 2 things, with 2 questions"


def test_alike_questions_are_asked_once_the_weightiest_first() -> None:
    asked = [
        Question(code="detect.hit", text="a?", track="t1", time_s=1.0, weight=0.2),
        Question(code="detect.hit", text="b?", track="t2", time_s=2.0, weight=0.5),
        Question(code="detect.hit", text="c?", track="t1", time_s=3.0, weight=0.9),
        Question(code="detect.drum", text="d?", track="t3", weight=10.0),
        Question(code="gate.doubtful", text="e?", track="t3", weight=1000.0),
        Question(code="inputs.role", text="f?", track="t1", weight=20.0),
        Question(code="inputs.role", text="g?", track="t1", weight=19.0),
    ]
    found = [[q.text for q in g.members] for g in groups(asked)]
    assert found == [["e?"], ["f?"], ["g?"], ["c?", "a?"], ["b?"]]
    answers = {g.first.text: [do for do, _ in g.answers] for g in groups(asked)}
    assert answers["c?"] == ["keep", "leave out"]
    assert answers["e?"] == ["track keep", "track silence"]
    assert answers["f?"] == []


def test_pictures_hold_the_extremes_of_every_millisecond() -> None:
    take = take_in_memory()
    track = take.tracks[2]
    x = take.read(track)
    pairs = expand(peaks(take, track, 0))
    pieces = x[: len(x) // 48 * 48].reshape(-1, 48)  # 1 ms at 48 kHz
    # square-root scale in steps of 2/127 of the height, rounded away from zero
    got, want = np.sqrt(np.abs(pairs[: len(pieces)])), np.sqrt(np.minimum(np.abs([pieces.min(1), pieces.max(1)]), 1)).T
    assert np.max(np.abs(got - want)) <= 2 / 127 + 1e-6
    later = expand(peaks(take, track, 4800))
    np.testing.assert_array_equal(later[:-100], expand(peaks(take, track, 0))[100:])


def test_what_looks_the_same_costs_nothing_and_comes_back() -> None:
    rng = np.random.default_rng(2)
    before = rng.integers(-127, 128, (5000, 2)).astype(np.int8)
    after = before.copy()
    after[1000:1500] = 0
    coded = without_same(after, before)
    assert (coded[:1000] == SAME).all()
    back = np.where(coded == SAME, before, coded)
    assert np.max(np.abs(back.astype(int) - after)) <= 2
    assert len(packed(coded)) < len(packed(after)) / 5
    flat = np.frombuffer(zlib.decompress(base64.b64decode(packed(before))), np.int8)
    np.testing.assert_array_equal(flat.reshape(2, -1).T, before)


def test_exact_samples_are_those_of_the_take() -> None:
    take = take_in_memory()
    (piece,) = exact(take, take.tracks[2], [0.34], 7)
    got = np.frombuffer(base64.b64decode(piece["samples"]), "<i2") / 32767
    start = piece["start"]
    assert (start, len(got)) == (round(0.33 * 48000), round(0.06 * 48000))
    want = take.read(take.tracks[2], start + 7, start + 7 + len(got))
    np.testing.assert_allclose(got, want, atol=0.51 / 32767)


def test_only_what_changed_is_drawn_again(finished: Path) -> None:
    from spillgate.cli.desk import open_desk
    from spillgate.cli.job import page_of

    desk = open_desk(finished)
    reads: list[str] = []
    reader = desk.take.reader

    def counting(track: Track, start: int, stop: int, dtype: str) -> Any:
        reads.append(track.id)
        return reader(track, start, stop, dtype)

    take = desk.take.replace(reader=counting)
    held = Pictures()
    first = page_of(take, desk.plan, finished, "/t", "n", held)
    assert {t.id for t in take.drum_tracks} <= set(reads)
    reads.clear()
    assert page_of(take, desk.plan, finished, "/t", "n", held) == first
    assert reads == []
    assert page_of(take, desk.plan, finished, "/t", "n", Pictures()) == first
    track = take.track("03 Rack Tom")
    before = signature(track)
    data, sr = soundfile.read(track.file.path)
    soundfile.write(track.file.path, data * 0.5, sr, "PCM_24")
    assert signature(track) != before


def test_previews_are_what_was_taken_away(finished: Path, tmp_path: Path) -> None:
    from spillgate.cli.desk import open_desk
    from spillgate.cli.job import stems_of

    desk = open_desk(finished)
    stems = stems_of(desk.take, finished / "stems", plan=desk.plan)
    there = sorted(p.name for p in (finished / "previews").iterdir())
    assert [n.split("-")[-1] for n in there] == ["removed.flac"] * 2  # two toms
    written = write_previews(desk.take, desk.plan, stems, tmp_path, None)
    assert sorted(p.name for p in written) == there
    assert write_previews(desk.take, desk.plan, stems, tmp_path, set(), finished) == []
    # the same masks without the delays, rendered apart
    still = {t: tuple(s for s in specs if s.step != "move") for t, specs in desk.plan.steps.items()}
    render(desk.take, desk.plan.replace(steps=still), tmp_path / "still")
    for track in desk.take.of_role("tom"):
        source = next(p["src"] for p in players(track, desk.plan, finished) if p["which"] == "removed")
        x, sr = soundfile.read(finished / unquote(source))
        assert sr == desk.take.sr
        assert len(x) == track.stop - track.start
        whole = desk.take.read(track) - soundfile.read(tmp_path / "still/stems" / track.file.name, dtype="float32")[0]
        move = next(a for a in desk.plan.alignments if a.track == track.id)
        shift = desk.plan.shift_of(track.id)
        want = move.polarity * np.r_[np.zeros(max(shift, 0)), whole[max(-shift, 0) :], np.zeros(max(-shift, 0))]
        np.testing.assert_allclose(x, want[: len(x)], atol=1.01 / 32768 * (1 + 1e-3))
        exactly = removed(desk.take, desk.plan, stems, track, track.start, track.stop)
        assert np.sum((x - exactly) ** 2) < 0.2 * np.sum(exactly**2)  # half a sample apart at most
        peak = next(t.peak for t in desk.plan.tracks if t.track == track.id)
        assert np.max(np.abs(x)) <= peak + 0.5 / 32768


def test_formats_that_browsers_do_not_play_get_previews(tmp_path: Path) -> None:
    x = np.random.default_rng(3).normal(0, 0.1, 4800)
    (tmp_path / "take").mkdir()
    soundfile.write(tmp_path / "take" / "Tom.aiff", x, 48000, "PCM_24")
    file = AudioFile(path=tmp_path / "take" / "Tom.aiff", name="Tom.aiff", sr=48000, n_channels=1, n_samples=4800,
                     format="AIFF", subtype="PCM_24")  # fmt: skip
    take = take_in_memory()
    track = Track(id="Tom.aiff", files=(file,), role="tom", drum="tom1")
    take = Take.from_arrays([track], {"Tom.aiff": x}, 48000)
    peak = float(np.max(np.abs(x)))
    facts = TrackFacts(track="Tom.aiff", file="Tom.aiff", channel=0, role="tom", drum="tom1", position=None, sr=48000,
                       n_samples=4800, start=0, peak=peak)  # fmt: skip
    loud = Plan(sr=48000, n_samples=4800, tracks=(facts,), steps={"Tom.aiff": (StepSpec(step="mask"),)})
    kinds = [p["which"] for p in players(track, loud, tmp_path)]
    assert kinds == ["before", "after", "removed"]
    stems = Take.from_arrays([track], {"Tom.aiff": 3 * x}, 48000)  # louder than the original: cut off at its peak
    paths = write_previews(take, loud, stems, tmp_path, None)
    peaks_of = {p.stem.rsplit("-", 1)[1]: float(np.max(np.abs(soundfile.read(p)[0]))) for p in paths}
    assert set(peaks_of) == {"before", "after", "removed"}
    assert max(peaks_of.values()) <= peak + 0.5 / 32768
    assert [p["src"] for p in players(track, loud, tmp_path)] == [f"previews/{p.name}" for p in paths]


def test_the_same_run_gives_the_same_page(small_take: Path, inside: Callable[..., Any]) -> None:
    pages = []
    for name in ("a", "b"):
        assert inside("run", "take", "-o", name, "--quiet").returncode == 0
        pages.append((small_take.parent / name / "report.html").read_bytes())
    assert pages[0] == pages[1]
