"""Whole folders: what their names say about the kit.

The listings are made up after the habits of studios, live desks and recorders (common practice, no source).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from spillgate.dsp.take.kit import Named, NameGuess, guess_names, kit_order
from spillgate.dsp.take.model import AudioFile, Track

FOLDERS = {
    "numbered, spelt out": """
        01 Kick.wav: kick kick -
        02 Snare Top.wav: snare snare top
        03 Snare Btm.wav: snare snare bottom
        04 Hat.wav: hat hat -
        05 Rack Tom 1.wav: tom tom1 -
        06 Rack Tom 2.wav: tom tom2 -
        07 Rack Tom 3.wav: tom tom3 -
        08 Floor Tom.wav: tom floor -
        09 OH L.wav: overhead - left
        10 OH R.wav: overhead - right
        11 Room L.wav: room - left
        12 Room R.wav: room - right
    """,
    "take number behind": """
        Floor Tom_07.flac: tom floor -
        HH_07.flac: hat hat -
        Kick In_07.flac: kick kick in
        OHs L_07.flac: overhead - left
        OHs R_07.flac: overhead - right
        Rm L_07.flac: room - left
        Rm R_07.flac: room - right
        SN BOT_07.flac: snare snare bottom
        SN TOP_07.flac: snare snare top
        Tom Hi_07.flac: tom tom1 -
        Tom Low_07.flac: tom tom3 -
        Tom Mid_07.flac: tom tom2 -
    """,
    "lower case, four toms by number": """
        hihat.flac: hat hat -
        kick.flac: kick kick -
        over_l.flac: overhead - left
        over_r.flac: overhead - right
        room_l.flac: room - left
        room_r.flac: room - right
        snare_b.flac: snare snare bottom
        snare_t.flac: snare snare top
        tom_1.flac: tom tom1 -
        tom_2.flac: tom tom2 -
        tom_3.flac: tom tom3 -
        tom_4.flac: tom tom4 -
    """,
    "racks and floor": """
        Floor.wav: tom floor -
        HiHat.wav: hat hat -
        Kick.wav: kick kick -
        Overhead Left.wav: overhead - left
        Overhead Right.wav: overhead - right
        Rack 1.wav: tom tom1 -
        Rack 2.wav: tom tom2 -
        Rack 3.wav: tom tom3 -
        Snr Bottom.wav: snare snare bottom
        Snr Top.wav: snare snare top
    """,
    "terse": """
        BD.wav: kick kick -
        FT.wav: tom floor -
        HH.wav: hat hat -
        OHL.wav: overhead - left
        OHR.wav: overhead - right
        SD.wav: snare snare -
        T1.wav: tom tom1 -
        T2.wav: tom tom2 -
    """,
    "camel case and others": """
        01_KickIn.wav: kick kick in
        02_KickOut.wav: kick kick out
        03_SnTop.wav: snare snare top
        04_SnBot.wav: snare snare bottom
        Bass DI.wav: other - -
        FlrTom.wav: tom floor -
        Guide Vox.wav: other - -
        RackTom.wav: tom tom1 -
    """,
    "song in front that reads like a room": """
        Room Service_01_Kick In_T3.wav: kick kick in
        Room Service_02_Kick Sub_T3.wav: kick kick sub
        Room Service_03_Snare_T3.wav: snare snare -
        Room Service_04_Tom 1_T3.wav: tom tom1 -
        Room Service_05_Tom 2_T3.wav: tom tom2 -
        Room Service_06_OH L_T3.wav: overhead - left
        Room Service_07_OH R_T3.wav: overhead - right
        Room Service_08_Room_T3.wav: room - -
    """,
    "inches": """
        Tom 10.wav: tom tom1 -
        Tom 12.wav: tom tom2 -
        Tom 14.wav: tom tom3 -
        Tom 16.wav: tom floor -
    """,
    "two floor toms in inches": """
        Rack 10.wav: tom tom1 -
        Rack 12.wav: tom tom2 -
        Floor 14.wav: tom floor -
        Floor 16.wav: tom floor2 -
        Floor 16 Btm.wav: tom floor2 bottom
    """,
    "two floor toms by number": """
        T1.wav: tom tom1 -
        FT1.wav: tom floor -
        FT2.wav: tom floor2 -
    """,
    "floor tom counted as the third": """
        Tom 1.wav: tom tom1 -
        Tom 2.wav: tom tom2 -
        Floor Tom 3.wav: tom floor -
    """,
    "both heads of each tom": """
        Tom 1 Top.wav: tom tom1 top
        Tom 1 Btm.wav: tom tom1 bottom
        Tom 2 Top.wav: tom tom2 top
        Tom 2 Btm.wav: tom tom2 bottom
    """,
    "heights in German": """
        Tom hoch.wav: tom tom1 -
        Tom mitte.wav: tom tom2 -
        Tom tief.wav: tom tom3 -
        Standtom.wav: tom floor -
    """,
    "heights in French": """
        Tom aigu.wav: tom tom1 -
        Tom médium.wav: tom tom2 -
        Tom basse.wav: tom floor -
    """,
    "octobans above": """
        Octoban 1.wav: tom tom1 -
        Octoban 2.wav: tom tom2 -
        Tom 1.wav: tom tom3 -
        Tom 2.wav: tom tom4 -
    """,
    "four heights": """
        Hi Tom.wav: tom tom1 -
        Hi Mid Tom.wav: tom tom2 -
        Low Mid Tom.wav: tom tom3 -
        Low Tom.wav: tom tom4 -
    """,
    "two bass drums with two mics": """
        Kick 1 In.wav: kick kick in
        Kick 1 Out.wav: kick kick out
        Kick 2 In.wav: kick kick2 in
        Kick 2 Out.wav: kick kick2 out
    """,
    "second snare": """
        Snare Top.wav: snare snare top
        Snare Btm.wav: snare snare bottom
        Side Snare.wav: snare snare2 -
    """,
    "mid and side": """
        OH Mid.wav: overhead - mid
        OH Side.wav: overhead - side
        Room M.wav: room - mid
        Room S.wav: room - side
    """,
    "three overheads": """
        OH L.wav: overhead - left
        OH C.wav: overhead - centre
        OH R.wav: overhead - right
    """,
    "cymbals by name": """
        Ride.wav: cymbal ride -
        Crash L.wav: cymbal crash_l -
        Crash R.wav: cymbal crash_r -
        China.wav: cymbal china -
        Splash.wav: cymbal splash -
    """,
    "triggers": """
        Kick.wav: kick kick -
        Kick Trig.wav: trigger kick -
        T1.wav: tom tom1 -
        T2.wav: tom tom2 -
        T2 Trig.wav: trigger tom2 -
    """,
    "letters": """
        Tom A.wav: tom tom1 -
        Tom B.wav: tom tom2 -
        Tom C.wav: tom tom3 -
    """,
    "zero-padded toms": """
        Snare_01.wav: snare snare -
        Tom_01.wav: tom tom1 -
        Tom_02.wav: tom tom2 -
        Tom_03.wav: tom tom3 -
    """,
}


def expected(folder: str) -> dict[str, tuple[str, ...]]:
    lines = [line.strip().rsplit(": ", 1) for line in FOLDERS[folder].strip().splitlines()]
    return {name: tuple(words.split()) for name, words in lines}


def said(guess: NameGuess) -> tuple[str, ...]:
    return (guess.role, guess.drum or "-", guess.position or "-")


@pytest.mark.parametrize("folder", FOLDERS)
def test_folder(folder: str) -> None:
    want = expected(folder)
    guesses = dict(zip(want, guess_names(list(want)), strict=True))
    assert {name: said(g) for name, g in guesses.items()} == want
    assert [g.doubt for g in guesses.values() if g.doubt] == []


@pytest.mark.parametrize("folder", FOLDERS)
def test_order_of_the_files_does_not_matter(folder: str) -> None:
    names = list(expected(folder))
    assert guess_names(names[::-1]) == guess_names(names)[::-1]


@pytest.mark.parametrize(
    ("names", "doubtful"),
    [
        (["Floor L.wav", "Floor R.wav", "Audience L.wav"], [True, True, False]),
        (["Floor L.wav", "Floor Tom.wav", "Kick.wav"], [True, False, False]),
        (["Kick 1.wav", "Kick 2.wav", "Snare.wav"], [True, True, False]),
        (["Snare 1.wav", "Snare 2.wav"], [True, True]),
        (["Kick L.wav", "Kick R.wav"], [True, True]),
        (["05 Tom.wav", "06 Tom.wav", "07 Floor Tom.wav"], [True, True, False]),
        (["Tom 1.wav", "Tom Low.wav"], [True, True]),
        (["OH 1.wav", "OH 2.wav"], [True, True]),
        (["OH Hat side.wav", "OH Ride side.wav"], [True, True]),
        (["Guitar Song Kick.wav"], [True]),
        (["PZM Floor.wav"], [True]),
        (["Cymbals L.wav", "Cymbals R.wav"], [True, True]),
        (["Snare A.wav", "Snare B.wav"], [True, True]),
    ],
)
def test_questions(names: list[str], doubtful: list[bool]) -> None:
    assert [bool(g.doubt) for g in guess_names(names)] == doubtful


def test_floor_mics_of_a_hall_are_not_gated() -> None:
    assert [g.role for g in guess_names(["Floor L.wav", "Floor R.wav", "Crowd L.wav", "Kick.wav"])] == [
        "other",
        "other",
        "other",
        "kick",
    ]


def test_toms_counted_in_front_keep_that_order() -> None:
    assert [g.drum for g in guess_names(["07 Tom.wav", "05 Tom.wav", "06 Tom.wav"])] == ["tom3", "tom1", "tom2"]


def stereo(name: str) -> list[tuple[str, ...]]:
    return [said(g) for g in guess_names([Named(file=name, channel=c, n_channels=2) for c in (0, 1)])]


def test_stereo_files() -> None:
    assert stereo("OH.wav") == [("overhead", "-", "left"), ("overhead", "-", "right")]
    assert stereo("Room.wav") == [("room", "-", "left"), ("room", "-", "right")]
    assert stereo("Overhead MS.wav") == [("overhead", "-", "mid"), ("overhead", "-", "side")]
    assert stereo("Kick In Out.wav") == [("kick", "kick", "in"), ("kick", "kick", "out")]
    assert stereo("Snare T+B.wav") == [("snare", "snare", "top"), ("snare", "snare", "bottom")]
    assert [row[:2] for row in stereo("Guide Vox.wav")] == [("other", "-")] * 2


def test_stereo_file_of_one_drum_is_a_question() -> None:
    guesses = guess_names([Named(file="Kick.wav", channel=c, n_channels=2) for c in (0, 1)])
    assert all(g.drum == "kick" and g.doubt for g in guesses)


def test_channel_names_of_a_multichannel_file() -> None:
    inside = ["Kick", "Sn T", "Sn B", "Tom 1", "Floor", "OH L", "OH R", "Gtr"]
    guesses = guess_names(
        [Named(file="Night 2.wav", channel=k, n_channels=8, channel_name=n) for k, n in enumerate(inside)]
    )
    assert [said(g)[0] for g in guesses] == ["kick", "snare", "snare", "tom", "tom", "overhead", "overhead", "other"]
    assert [g.position for g in guesses][5:7] == ["left", "right"]


def test_channel_name_helps_a_useless_file_name_and_questions_another() -> None:
    assert said(guess_names([Named(file="Audio 07.wav", channel_name="Kick In")])[0]) == ("kick", "kick", "in")
    assert guess_names([Named(file="Snare.wav", channel_name="Kick In")])[0].doubt
    assert not guess_names([Named(file="Snare.wav", channel_name="Track 4")])[0].doubt


def track(name: str, guess: NameGuess) -> Track:
    file = AudioFile(path=Path(name), name=name, sr=48000, n_channels=1, n_samples=1, format="WAV", subtype="PCM_24")
    return Track(id=name, files=(file,), role=guess.role, drum=guess.drum, position=guess.position)


def test_kit_order() -> None:
    text = "Vox|Perc|Trig Kick|Front|Room R|Room L|OH R|OH L|Crash L|Ride|FT2|FT|T2|T1|HH|Sn B|Sn T|Side Snare|Kick Out"
    names = [*text.split("|"), "Kick In"]
    tracks = [track(f"{n}.wav", g) for n, g in zip(names, guess_names(names), strict=True)]
    assert [t.id[:-4] for t in kit_order(tracks)] == [
        *("Kick In", "Kick Out", "Sn T", "Sn B", "Side Snare", "HH", "T1", "T2", "FT", "FT2", "Ride", "Crash L"),
        *("OH L", "OH R", "Room L", "Room R", "Front", "Trig Kick", "Perc", "Vox"),
    ]
