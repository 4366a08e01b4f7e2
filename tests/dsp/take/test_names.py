"""Names of single files.

What a name means in the trade: common practice, no source.  Every row is a name as engineers write it, and what any of
them would take it for; ``?`` marks what they would ask about before going on.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spillgate.dsp.take import vocabulary
from spillgate.dsp.take.kit import guess_names
from spillgate.dsp.take.model import ROLES
from spillgate.dsp.take.tokens import common_parts, tokens

SURE = """
Kick.wav                        kick kick -
KICK IN.WAV                     kick kick in
kick_out.wav                    kick kick out
KickIn.wav                      kick kick in
kickout.flac                    kick kick out
Kick Inside.wav                 kick kick in
Kick-Outside.aif                kick kick out
Kick Sub.wav                    kick kick sub
SubKick.wav                     kick kick sub
01_Kick_Sub.wav                 kick kick sub
BD.wav                          kick kick -
BD in.wav                       kick kick in
BDin.wav                        kick kick in
BD_OUT_01.wav                   kick kick out
KD.wav                          kick kick -
KD IN.wav                       kick kick in
Kik.wav                         kick kick -
KIK OUT.wav                     kick kick out
Kck.wav                         kick kick -
Bass Drum.wav                   kick kick -
bassdrum_in.wav                 kick kick in
BassDrumOut.wav                 kick kick out
Kick Beater.wav                 kick kick batter
Kick Reso.wav                   kick kick out
Kick Front.wav                  kick kick out
K In.wav                        kick kick in
K_out.wav                       kick kick out
Grosse Caisse.wav               kick kick -
GC in.wav                       kick kick in
GC_ext.wav                      kick kick out
Große Trommel.wav               kick kick -
Bassdrum innen.wav              kick kick in
Bassdrum aussen.wav             kick kick out
Bombo.wav                       kick kick -
bombo dentro.wav                kick kick in
Bombo Fuera.wav                 kick kick out
Cassa.wav                       kick kick -
Cassa In.wav                    kick kick in
Gran Cassa.wav                  kick kick -
Bumbo.wav                       kick kick -
Bastrumma.wav                   kick kick -
Basdrum binnen.wav              kick kick in
Basari.wav                      kick kick -
stopa.wav                       kick kick -
Snare.wav                       snare snare -
Snare Top.wav                   snare snare top
SNARE BOTTOM.wav                snare snare bottom
Snare Btm.wav                   snare snare bottom
Snr Btm.wav                     snare snare bottom
03_SnTop.wav                    snare snare top
04_SnBot.wav                    snare snare bottom
SN TOP_07.flac                  snare snare top
SN-BOT-07.flac                  snare snare bottom
SNR.wav                         snare snare -
Snr Up.wav                      snare snare top
Snr Dn.wav                      snare snare bottom
SnareUnder.wav                  snare snare bottom
snare_t.flac                    snare snare top
snare_b.flac                    snare snare bottom
SDT.wav                         snare snare top
SDB.wav                         snare snare bottom
SN.wav                          snare snare -
SD.wav                          snare snare -
snaretop.wav                    snare snare top
Snare Side.wav                  snare snare side
Caisse claire.wav               snare snare -
Caisse Claire dessous.wav       snare snare bottom
CC dessus.wav                   snare snare top
Caja arriba.wav                 snare snare top
Caja Abajo.wav                  snare snare bottom
Redoblante.wav                  snare snare -
Rullante sopra.wav              snare snare top
Rullante Sotto.wav              snare snare bottom
Caixa cima.wav                  snare snare top
Caixa baixo.wav                 snare snare bottom
Kleine Trommel oben.wav         snare snare top
Snare unten.wav                 snare snare bottom
Kleine trom onder.wav           snare snare bottom
Virvel.wav                      snare snare -
Virveltrumma under.wav          snare snare bottom
Virveli.wav                     snare snare -
Werbel.wav                      snare snare -
HH.wav                          hat hat -
HiHat.wav                       hat hat -
Hi-Hat.wav                      hat hat -
hi hat 02.wav                   hat hat -
Hat.wav                         hat hat -
04 Hat.wav                      hat hat -
hats.wav                        hat hat -
Hi-Hats.wav                     hat hat -
Hat bottom.wav                  hat hat bottom
HH top.wav                      hat hat top
Charley.wav                     hat hat -
Charleston.wav                  hat hat -
Chimbal.wav                     hat hat -
Contratempo.wav                 hat hat -
Tom.wav                         tom tom1 -
T1.wav                          tom tom1 -
t2.wav                          tom tom2 -
T 3.wav                         tom tom3 -
Tom 1.wav                       tom tom1 -
Tom_2.wav                       tom tom2 -
tom3.wav                        tom tom3 -
TOM4.wav                        tom tom4 -
05 Rack Tom 1.wav               tom tom1 -
Rack 2.wav                      tom tom2 -
RackTom.wav                     tom tom1 -
RT.wav                          tom tom1 -
RT1.wav                         tom tom1 -
RT 2.wav                        tom tom2 -
Tom 1 Top.wav                   tom tom1 top
Tom1_Btm.wav                    tom tom1 bottom
Tom Hi.wav                      tom tom1 -
HiTom.wav                       tom tom1 -
High Tom.wav                    tom tom1 -
Hängetom.wav                    tom tom1 -
Puka.wav                        tom tom1 -
Tom aigu.wav                    tom tom1 -
Octoban 1.wav                   tom tom1 -
RotoTom.wav                     tom tom1 -
Tom 10.wav                      tom tom1 -
Tom 12".wav                     tom tom1 -
Floor.wav                       tom floor -
FT.wav                          tom floor -
FLT.wav                         tom floor -
Flr Tom.wav                     tom floor -
FlrTom.wav                      tom floor -
Floor Tom_07.flac               tom floor -
FloorTom.wav                    tom floor -
floortom btm.wav                tom floor bottom
FT top.wav                      tom floor top
F Tom.wav                       tom floor -
Standtom.wav                    tom floor -
Stand-Tom.wav                   tom floor -
Tom basse.wav                   tom floor -
Tom de piso.wav                 tom floor -
Golvpuka.wav                    tom floor -
Vloertom.wav                    tom floor -
Tom 16.wav                      tom floor -
Tom 18 inch.wav                 tom floor -
Floor 14.wav                    tom floor -
OH.wav                          overhead - centre
OH L.wav                        overhead - left
09 OH L.wav                     overhead - left
OH_R.wav                        overhead - right
OHL.wav                         overhead - left
OHR.wav                         overhead - right
ohl.wav                         overhead - left
OH.L.wav                        overhead - left
O-H R.wav                       overhead - right
OHs L_07.flac                   overhead - left
OHsR.wav                        overhead - right
Over_L.wav                      overhead - left
over_r.flac                     overhead - right
Overhead Left.wav               overhead - left
OVERHEADS R.wav                 overhead - right
OverheadsLeft.wav               overhead - left
Overhead links.wav              overhead - left
Overhead rechts.wav             overhead - right
OH gauche.wav                   overhead - left
OH G.wav                        overhead - left
OH droite.wav                   overhead - right
OH izq.wav                      overhead - left
OH derecha.wav                  overhead - right
Over sx.wav                     overhead - left
Over dx.wav                     overhead - right
OH vänster.wav                  overhead - left
Overhead höger.wav              overhead - right
OH Mono.wav                     overhead - centre
OH C.wav                        overhead - centre
OH Ride.wav                     overhead - centre
OVHD L.wav                      overhead - left
Aereos R.wav                    overhead - right
Room.wav                        room - -
Room L.wav                      room - left
rm_r.wav                        room - right
Rm L_07.flac                    room - left
RoomR.wav                       room - right
Mono room.wav                   room - centre
Room Mono.wav                   room - centre
Amb L.wav                       room - left
Ambience.wav                    room - -
Ambiente dx.wav                 room - right
Raum links.wav                  room - left
Salle G.wav                     room - left
Kick Room.wav                   room - -
Drum Room Far.wav               room - -
Front.wav                       front - -
Front of Kit.wav                front - -
FOK.wav                         front - -
Ride.wav                        cymbal ride -
Ride Cymbal.wav                 cymbal ride -
Ride under.wav                  cymbal ride bottom
Crash L.wav                     cymbal crash_l -
Crash_R.wav                     cymbal crash_r -
CrashR.wav                      cymbal crash_r -
China.wav                       cymbal china -
Splash.wav                      cymbal splash -
Cymbal.wav                      cymbal - -
Kick Trig.wav                   trigger kick -
Snare Trigger.wav               trigger snare -
T1 Trig.wav                     trigger tom1 -
Perc.wav                        percussion - -
Percussion L.wav                percussion - left
Conga.wav                       percussion - -
Conga Hi.wav                    percussion - -
Bongos.wav                      percussion - -
Shaker.wav                      percussion - -
Cowbell.wav                     percussion - -
Cow Bell.wav                    percussion - -
Tambourine.wav                  percussion - -
Timbales.wav                    percussion - -
Blue Harbour_Kick In_03.wav     kick kick in
Blue Harbour - Snare Top.wav    snare snare top
2024-05-17 Kick.wav             kick kick -
Kick_20240517.wav               kick kick -
Kick-T3.wav                     kick kick -
Snare Top-T3.wav                snare snare top
Rack 1-T12.wav                  tom tom1 -
Kick In.dup1.wav                kick kick in
Kick In take 2.wav              kick kick in
Tom 2 Take 4.wav                tom tom2 -
12-Floor Tom (2).wav            tom floor -
Drums_Kick_Dyn.wav              kick kick -
Dr Snare Bot.wav                snare snare bottom
"""

OTHER = """
Tom Vox.wav
Tomorrow_vox.wav
Bass.wav
Bass DI.wav
BASS AMP.wav
Bajo.wav
Basse DI.wav
Kick-off announcement.wav
Snare Reverb.wav
Hattie vocal.wav
OH my god vox.wav
Overdub gtr.wav
Sub bass synth.wav
Click.wav
Click Track.wav
Talkback.wav
Guide Vox.wav
Gtr L.wav
Gitarre links.wav
Lead Voc.wav
Front Vocal.wav
Floor wedge.wav
Ride Guitar.wav
Crash Keys.wav
Room Vocal.wav
Piano Hi.wav
Audience L.wav
Crowd R.wav
Drum Bus.wav
Drum Reverb L.wav
"""

ASK = """
Room Service.wav
Crash box.wav
Stomp.wav
Symphony.wav
Rideau.wav
Tomorrow.wav
Overdub.wav
Floor L.wav
Sub.wav
Stamp.wav
Hatfield.wav
Overture.wav
Kick Snare.wav
Snare Hat.wav
Kick Sample.wav
Snare comp.wav
Trig.wav
Toms.wav
Front Row.wav
Ride Home.wav
"""

NAMELESS = """
Audio 07.wav
Audio_12-03.wav
Track 3.wav
TRACK01.wav
REC0012_04.wav
Rec 5.wav
07.wav
Take 2_03.wav
Spur 4.wav
Piste 6.wav
Pista 11.wav
Canal 2.wav
20240517_130211_05.wav
Ch 9.wav
Channel 14.wav
Mic 4.wav
"""


def rows(text: str) -> list[str]:
    return [line.strip() for line in text.strip().splitlines()]


def split(row: str) -> tuple[str, str, str | None, str | None]:
    name, rest = row[:32].strip(), row[32:].split()
    assert len(rest) == 3, row
    return name, rest[0], None if rest[1] == "-" else rest[1], None if rest[2] == "-" else rest[2]


def test_the_tables_are_whole() -> None:
    assert len(set(rows(SURE))) == len(rows(SURE)) >= 120
    assert len(rows(OTHER)) >= 25
    assert all(split(r)[1] in ROLES for r in rows(SURE))


@pytest.mark.parametrize("row", rows(SURE))
def test_clear_names(row: str) -> None:
    name, role, drum, position = split(row)
    (guess,) = guess_names([name])
    assert (guess.role, guess.drum, guess.position, guess.doubt) == (role, drum, position, "")


@pytest.mark.parametrize("name", rows(OTHER))
def test_what_is_no_drum_is_left_alone(name: str) -> None:
    (guess,) = guess_names([name])
    assert (guess.role, guess.drum, guess.doubt) == ("other", None, "")


@pytest.mark.parametrize("name", rows(ASK))
def test_doubtful_names_are_questions(name: str) -> None:
    (guess,) = guess_names([name])
    assert guess.doubt
    assert not guess.silent


@pytest.mark.parametrize("name", rows(NAMELESS))
def test_names_that_say_nothing(name: str) -> None:
    (guess,) = guess_names([name])
    assert guess.silent
    assert guess.role == "other"
    assert guess.doubt


@given(st.text(max_size=30))
def test_any_text_is_read(name: str) -> None:
    (guess,) = guess_names([name])
    assert guess.role in ROLES


@given(st.sampled_from(rows(SURE)), st.sampled_from([str.upper, str.lower]))
def test_case_of_separated_names_does_not_matter(row: str, change: object) -> None:
    name, role, drum, _ = split(row)
    if not name.isascii() or len(tokens(name)) != len(name.replace("-", " ").replace("_", " ").split()):
        return  # camel case is told apart by its case
    (guess,) = guess_names([change(name)])  # type: ignore[operator]
    assert (guess.role, guess.drum) == (role, drum)


def test_words_have_one_meaning() -> None:
    both = set(vocabulary.KINDS) & (set(vocabulary.RETURNS) | set(vocabulary.NEUTRAL))
    assert both == set()


def test_what_all_names_share_says_nothing() -> None:
    names = [tokens(n) for n in ("Room Service_Kick_07", "Room Service_Snare_07", "Room Service_OH L_07")]
    assert [[t.text for t in n] for n in common_parts(names)] == [["kick"], ["snare"], ["oh", "l"]]
    toms = [tokens(n) for n in ("Tom 1", "Tom 2", "Tom 3")]
    assert common_parts(toms) == tuple(toms)
