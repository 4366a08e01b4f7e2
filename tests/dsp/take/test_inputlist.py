"""The input list: written, read, laid over the guesses, brought up to date."""

from __future__ import annotations

import dataclasses
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp.errors import PlanError
from spillgate.dsp.take.inputlist import (
    LAYOUTS,
    POSITIONS,
    VIEWS,
    parse_inputlist,
    read_inputlist,
)
from spillgate.dsp.take.inputwriting import to_toml, update
from spillgate.dsp.take.kit import kit_order
from spillgate.dsp.take.model import AudioFile, Track
from spillgate.dsp.take.overruling import apply, check_processors

DRUMS = {
    "kick": ("kick", "kick2"),
    "snare": ("snare", "snare2"),
    "hat": ("hat",),
    "tom": ("tom1", "tom2", "tom11", "floor", "floor2"),
    "cymbal": ("ride", "crash_l", "china", None),
    "trigger": ("kick", "tom1", None),
}


def track(name: str, role: str, n_channels: int = 1, channel: int = 0, **more: object) -> Track:
    file = AudioFile(
        path=Path(name), name=name, sr=48000, n_channels=n_channels, n_samples=10, format="WAV", subtype="PCM_24"
    )
    track_id = name if n_channels == 1 else f"{name}:{channel}"
    made = Track(id=track_id, files=(file,), channel=channel, role=role)
    return dataclasses.replace(made, **more)  # type: ignore[arg-type]


KIT = (
    track("Kick.wav", "kick", drum="kick", position="in"),
    track("SN.wav", "snare", drum="snare", doubt="a mic, or a mix?"),
    track("T1.wav", "tom", drum="tom1"),
    track("OH.wav", "overhead", 2, 0, position="left"),
    track("OH.wav", "overhead", 2, 1, position="right"),
    track("Vox.wav", "other"),
)

names = st.text(st.characters(exclude_categories=("Cs",), exclude_characters="/\x00"), min_size=1, max_size=12)
words = st.text(st.characters(exclude_categories=("Cs",)), max_size=20)
recall = st.fixed_dictionaries(
    {},
    optional={
        "mic": words,
        "pattern": words,
        "pad_db": st.floats(-60, 60),
        "low_cut_hz": st.integers(0, 1000),
        "distance_cm": st.floats(0, 10_000),
        "height_cm": st.floats(0, 3000),
        "note": words,
    },
)
parameters = st.dictionaries(
    st.sampled_from(["gate", "detect", "spill-more"]),
    st.dictionaries(
        st.sampled_from(["floor_db", "ring", "on"]), st.floats(-60, 60) | st.booleans() | st.just("off"), min_size=1
    ),
    max_size=2,
)


@st.composite
def takes(draw: st.DrawFn) -> tuple[Track, ...]:
    out = []
    for name in draw(st.lists(names, unique=True, min_size=1, max_size=6)):
        n_channels = draw(st.sampled_from([1, 1, 2, 3]))
        for channel in range(n_channels):
            role = draw(
                st.sampled_from(["kick", "snare", "hat", "tom", "cymbal", "overhead", "room", "other", "trigger"])
            )
            out.append(
                track(
                    name,
                    role,
                    n_channels,
                    channel,
                    drum=draw(st.sampled_from(DRUMS.get(role, (None,)))),
                    position=draw(st.sampled_from([None, *POSITIONS])),
                    recall=draw(recall),
                    parameters=draw(parameters),
                    intended=draw(st.lists(words, max_size=2).map(tuple)),
                    explains=draw(st.booleans()),
                )
            )
    overheads = [t.id for t in out if t.role == "overhead"]
    if overheads:
        out = [dataclasses.replace(t, target=draw(st.sampled_from([None, *overheads]))) for t in out]
    return kit_order(out)


@settings(max_examples=25, deadline=None)
@given(takes(), st.sampled_from(VIEWS), st.sampled_from([None, *LAYOUTS]))
def test_what_is_written_is_read_and_laid_over_unchanged(
    tracks: tuple[Track, ...], view: str, layout: str | None
) -> None:
    text = to_toml(tracks, view, layout)
    inputs = parse_inputlist(text)
    assert (inputs.view, inputs.layout) == (view, layout)
    # over tracks of which nothing is known
    bare = tuple(Track(id=t.id, files=t.files, channel=t.channel) for t in tracks)
    assert apply(inputs, bare) == tracks


@settings(max_examples=25, deadline=None)
@given(takes())
def test_the_text_is_what_another_toml_reader_reads(tracks: tuple[Track, ...]) -> None:
    data = tomllib.loads(to_toml(tracks))  # Python's own reader
    assert [(t["file"], t["role"], t.get("drum")) for t in data["track"]] == [
        (t.file.name, t.role, t.drum) for t in tracks
    ]


@settings(max_examples=25, deadline=None)
@given(takes(), takes())
def test_updating_says_the_new_thing(tracks: tuple[Track, ...], others: tuple[Track, ...]) -> None:
    old = {t.id: t for t in others if t.file.n_channels == 1}
    start = tuple(dataclasses.replace(old.get(t.id, t), files=t.files, parameters=t.parameters) for t in tracks)
    start = tuple(dataclasses.replace(t, target=None) for t in start)
    bare = tuple(Track(id=t.id, files=t.files, channel=t.channel) for t in tracks)
    assert apply(parse_inputlist(update(to_toml(start), tracks)), bare) == tracks


def test_doubts_are_questions_beside_the_track() -> None:
    text = to_toml(KIT)
    block = text.split("[[track]]")[2]
    assert "# ? taken as snare: a mic, or a mix?" in block
    assert text.count("# ?") == 1


HAND = """\
# our kit, autumn
view = "audience"   # as the desk is wired
layout = 'spaced'

[[track]]
file = "Kick.wav"
role = "kick"
position = "out"    # moved for the second song
mic = "dynamic, large"
distance_cm = 12.5

[[track]]
file = "SN.wav"
role = "snare"
gate.floor_db = -18
[track.detect]
softest_db = -30
"""


def test_a_list_written_by_hand() -> None:
    inputs = parse_inputlist(HAND, "list.toml")
    tracks = {t.id: t for t in apply(inputs, KIT)}
    assert inputs.view == "audience"
    assert (tracks["Kick.wav"].drum, tracks["Kick.wav"].position) == ("kick", "out")
    assert tracks["Kick.wav"].recall == {"mic": "dynamic, large", "distance_cm": 12.5}
    assert tracks["SN.wav"].parameters == {"gate": {"floor_db": -18}, "detect": {"softest_db": -30}}
    assert tracks["SN.wav"].doubt == ""
    # what the list does not name keeps its guess and says so
    assert tracks["T1.wav"].drum == "tom1"
    assert "not in list.toml" in tracks["T1.wav"].doubt


def test_updating_keeps_comments_and_order() -> None:
    changed = [dataclasses.replace(KIT[0], position="in", recall={"mic": "dynamic, large"})]
    text = update(HAND, changed)
    assert text.replace('position = "in"', 'position = "out"').replace('drum = "kick"\n', "") == HAND.replace(
        "distance_cm = 12.5\n", ""
    )
    assert "# moved for the second song" in text
    grown = update(HAND, [KIT[2]])
    assert grown.startswith(HAND.rstrip())
    assert [e.file for e in parse_inputlist(grown).tracks] == ["Kick.wav", "SN.wav", "T1.wav"]


def test_one_entry_for_a_stereo_file_keeps_left_and_right() -> None:
    inputs = parse_inputlist('[[track]]\nfile = "OH.wav"\nrole = "overhead"\n')
    assert [t.position for t in apply(inputs, KIT) if t.role == "overhead"] == ["left", "right"]
    inputs = parse_inputlist('[[track]]\nfile = "OH.wav"\nrole = "room"\n')
    assert [t.position for t in apply(inputs, KIT) if t.role == "room"] == ["left", "right"]


def test_a_new_role_takes_the_old_guess_away() -> None:
    inputs = parse_inputlist('[[track]]\nfile = "Kick.wav"\nrole = "other"\n')
    (kick,) = (t for t in apply(inputs, KIT) if t.id == "Kick.wav")
    assert (kick.role, kick.drum, kick.position) == ("other", None, None)


def test_order_is_that_of_the_kit_after_the_correction() -> None:
    inputs = parse_inputlist('[[track]]\nfile = "Vox.wav"\nrole = "tom"\ndrum = "floor"\n')
    assert [t.id for t in apply(inputs, KIT)] == ["Kick.wav", "SN.wav", "T1.wav", "Vox.wav", "OH.wav:0", "OH.wav:1"]


T = '[[track]]\nfile = "Kick.wav"\n'


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('vew = "drummer"', "list.toml, line 1: unknown key 'vew'; did you mean 'view'?"),
        ('\nview = "drumer"', "list.toml, line 2: view 'drumer' is not known; did you mean 'drummer'?"),
        ('layout = "space"', "list.toml, line 1: layout 'space' is not known; did you mean 'spaced'?"),
        ('role = "kick"', "list.toml, line 1: unknown key 'role'; put [[track]] above the keys of a track"),
        (T + 'rol = "kick"', "list.toml, line 3: unknown key 'rol' of Kick.wav; did you mean 'role'?"),
        (T + 'role = "kik"', "list.toml, line 3: role of Kick.wav: 'kik' is not known; did you mean 'kick'?"),
        (T + 'drum = "flor"', "list.toml, line 3: drum of Kick.wav: 'flor' is not known; did you mean 'floor'?"),
        (T + 'drum = "tom"', "list.toml, line 3: drum of Kick.wav: 'tom' is not known; did you mean 'tom1'?"),
        (T + 'position = "botom"', "list.toml, line 3: position of Kick.wav: 'botom' is not known; did you mean"),
        (T + "distance_cm = -3", "list.toml, line 3: distance_cm of Kick.wav: -3 is not allowed; use 0 to 10000"),
        (T + 'distance_cm = "12cm"', "list.toml, line 3: distance_cm of Kick.wav: '12cm' is not allowed; use 0 to"),
        (T + "mic = 57", "list.toml, line 3: mic of Kick.wav: 57 is not allowed; use words in quotes"),
        (T + "channel = -1", "list.toml, line 3: channel of Kick.wav: -1 is not allowed; count channels from 0"),
        (T + "explains = 1", "list.toml, line 3: explains of Kick.wav: 1 is not allowed; use true or false"),
        (T + 'intended = "flipped"', "list.toml, line 3: intended of Kick.wav: a list of words"),
        (T + 'role = "snare"\ndrum = "tom1"', "list.toml, line 4: drum of Kick.wav: 'tom1' is no snare"),
        (T + "role = [1]", "list.toml, line 3: role of Kick.wav: [1] is not known"),
        (T + "gate.ring = [1, 2]", "list.toml, line 3: gate of Kick.wav: ring must be a number"),
        ('[[track]]\nrole = "kick"', "list.toml, line 1: a track without file"),
        (T + T, "list.toml, line 3: Kick.wav is in the list twice; keep one entry"),
        (T + "channel = 1\n" + T, "list.toml, line 4: Kick.wav is in the list twice; keep one entry"),
        ('[track]\nfile = "Kick.wav"', "list.toml, line 1: write every track as [[track]]"),
        ('view = "drummer', "list.toml, line 1: "),
        (T + 'role = "kick"\nrole = "snare"', "list.toml"),
    ],
)
def test_slips_are_named_with_their_line(text: str, message: str) -> None:
    with pytest.raises(PlanError) as caught:
        parse_inputlist(text, "list.toml")
    assert str(caught.value).startswith(message)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('[[track]]\nfile = "Kik.wav"', "list.toml, line 1: Kik.wav is not in the folder; did you mean 'Kick.wav'?"),
        ('[[track]]\nfile = "OH.wav"\nchannel = 2', "list.toml, line 1: OH.wav has no channel 2"),
        (T + 'target = "OH.wav:2"', "list.toml, line 1: target of Kick.wav: no track 'OH.wav:2'; did you mean"),
        (T + 'target = "T1.wav"', "list.toml, line 1: target of Kick.wav: T1.wav is no overhead"),
        (T + 'role = "tom"', "list.toml, line 1: which tom is Kick.wav?"),
    ],
)
def test_what_does_not_fit_the_folder_is_named(text: str, message: str) -> None:
    with pytest.raises(PlanError) as caught:
        apply(parse_inputlist(text, "list.toml"), KIT)
    assert str(caught.value).startswith(message)


def test_parameters_of_unknown_processors_are_named() -> None:
    tracks = apply(parse_inputlist(T + "gaet.ring = 1.0"), KIT)
    with pytest.raises(PlanError, match=r"Kick\.wav: parameters of 'gaet', .*; did you mean 'gate'"):
        check_processors(tracks, ["detect", "align", "gate"])
    check_processors(tracks, ["gaet"])


def test_unreadable_lists(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match=r"^none\.toml: cannot be read"):
        read_inputlist(tmp_path / "none.toml")
    (tmp_path / "bad.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(PlanError, match=r"^bad\.toml: cannot be read \(no UTF-8 text"):
        read_inputlist(tmp_path / "bad.toml")
    (tmp_path / "ok.toml").write_text("\ufeff" + HAND, encoding="utf-8")
    assert len(read_inputlist(tmp_path / "ok.toml").tracks) == 2
