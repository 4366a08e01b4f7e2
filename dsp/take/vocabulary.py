"""The words that file names of drum tracks are made of, in the languages and habits of the trade.

Sources: common practice, no source; spelling checked for English, German, French, Spanish, Italian, Portuguese,
Dutch, Swedish, Danish, Norwegian, Finnish, Polish and Czech from memory.  All words are lower case without accents.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

__all__ = [
    "COMMON",
    "DRUM_NAMES",
    "FOREIGN",
    "HEIGHTS",
    "KINDS",
    "NEUTRAL",
    "PHRASES",
    "POSITIONS",
    "RETURNS",
    "SECOND",
    "SHORT",
    "words",
]


def _table(rows: Mapping[str, str]) -> Mapping[str, str]:
    return MappingProxyType({word: meaning for meaning, words in rows.items() for word in words.split()})


def words(text: str) -> frozenset[str]:
    """Set of the words of a line."""
    return frozenset(text.split())


KINDS: Final = _table(
    {
        "kick": "kick kicks kik kic kck kickdrum kikdrum kd bd bdr bassdrum bassdrums basedrum bombo bmb bumbo cassa "
        "grancassa grossecaisse gc fusstrommel basstrommel basdrum bastrumma baskagge kagge stortromme basstromme "
        "bassorumpu basari stopa kopak velkybuben",
        "snare": "snare snares snar snre snr sn sd snaredrum snrdrum caisseclaire cc caja redoblante tarola "
        "rullante rull caixa virvel virveltrumma virveli lilletromme skarptromme werbel virbl kleinetrommel "
        "kleinetrom sidedrum",
        "hat": "hat hats hh hihat hihats hihatt hht hithat highhat highhats hiat charley charleys charleston charly "
        "charles chimbal chimbau contratempo contratiempo pratodechoque",
        "tom": "tom toms tt rack racks racktom racktoms rk rt rck tomtom haengetom hangetom hangtom hangpuka puka "
        "pukor tam tamtam tamme tomi tomit tomy kociol",
        "floor": "floor floors ft flt flr flrtom floortom floortoms standtom vloertom golvpuka gulvtam lattiatomi "
        "piso chao goliat timpano",
        "high": "octoban octobans rototom rototoms roto rotos octo",
        "cymbal": "cymbal cymbals cym cyms becken piatto piatti plato platos platillo platillos prato pratos cymbale "
        "cymbales bekken talerz talerze cinel stack stacker bell",
        "ride": "ride rides rd ryde",
        "crash": "crash crashes crsh crs cr",
        "china": "china chinas chn chna chinese",
        "splash": "splash splashes spl splsh",
        "overhead": "oh ohs overhead overheads overhd overhds over overs ovh ovhd ovhds ovr ohd ohds aerien aeriens "
        "aereo aereos panoramici panoramiche uberkopf",
        "room": "room rooms rm rms rom amb ambs ambi ambience ambient ambience ambiance ambiente ambienti ambientes "
        "raum raume salle sala ruimte rum kamer stanza pokoj hall hallway stairwell stairs corridor",
        "front": "front fok frontofkit foh kitmic knee",
        "trigger": "trig trigs trigger triggers trg trigg triggered",
        "percussion": "perc percs percussion percussions percusion percusiones percussioni percussao perkussion "
        "slagverk slagwerk conga congas bongo bongos shaker shakers tamb tambo tambourine tamburin cowbell cowbells "
        "timbale timbales djembe cajon cajones clap claps handclap handclaps triangle guiro cabasa clave claves udu "
        "tabla tablas agogo surdo maraca maracas windchimes chimes woodblock woodblocks darbuka pandeiro cuica "
        "stomp stomps stomps tambor",
    }
)
"""Word -> kind of track."""

SHORT: Final = frozenset({"rt", "cc", "gc", "cr", "rd", "hall", "rom", "tam", "tt", "sd", "bell", "stack", "rum"})
"""Words that mean something else outside drum recording; they need to stand without foreign or unknown company."""

COMMON: Final = words(
    "room rooms floor front over overs ride rides crash hat hats rack racks hall bell stack stairs knee plato "
    "caja china chinese caixa sala piso salle cassa kicks "
)
"""Kinds whose word is an everyday word too: with an unknown word beside it the name may mean something else."""

PHRASES: Final = {
    ("bass", "drum"): "kick",
    ("base", "drum"): "kick",
    ("b", "drum"): "kick",
    ("k", "drum"): "kick",
    ("grosse", "caisse"): "kick",
    ("gran", "cassa"): "kick",
    ("grosse", "trommel"): "kick",
    ("fuss", "trommel"): "kick",
    ("bas", "trumma"): "kick",
    ("big", "drum"): "kick",
    ("caisse", "claire"): "snare",
    ("kleine", "trommel"): "snare",
    ("kleine", "trom"): "snare",
    ("side", "drum"): "snare",
    ("s", "drum"): "snare",
    ("hi", "hat"): "hat",
    ("hi", "hats"): "hat",
    ("high", "hat"): "hat",
    ("high", "hats"): "hat",
    ("h", "hat"): "hat",
    ("h", "h"): "hat",
    ("prato", "de", "choque"): "hat",
    ("o", "h"): "overhead",
    ("over", "head"): "overhead",
    ("over", "heads"): "overhead",
    ("over", "hds"): "overhead",
    ("uber", "kopf"): "overhead",
    ("stand", "tom"): "floor",
    ("staande", "tom"): "floor",
    ("vloer", "tom"): "floor",
    ("golv", "puka"): "floor",
    ("tom", "basse"): "floor",
    ("tom", "de", "piso"): "floor",
    ("tom", "de", "chao"): "floor",
    ("tom", "base"): "floor",
    ("f", "tom"): "floor",
    ("fl", "tom"): "floor",
    ("r", "tom"): "tom",
    ("tom", "aereo"): "tom",
    ("tom", "aereos"): "tom",
    ("hange", "tom"): "tom",
    ("haenge", "tom"): "tom",
    ("front", "of", "kit"): "front",
    ("kit", "mic"): "front",
    ("kit", "mono"): "front",
    ("mono", "kit"): "front",
    ("wind", "chimes"): "percussion",
    ("hand", "claps"): "percussion",
    ("cow", "bell"): "percussion",
    ("wood", "block"): "percussion",
}
"""Words that belong together -> kind of track."""

POSITIONS: Final = _table(
    {
        "in": "in inside inner innen int dentro interior interno binnen inne i",
        "out": "out outside outer ext exterior exterieur esterno fuera aussen fuori fora buiten ute hole reso resonant "
        "resonance port o",
        "sub": "sub",
        "batter": "batter beater schlag schlagfell attack att click",
        "top": "top tp up upper oben haut dessus arriba sopra sup superiore cima boven ovan over t",
        "bottom": "bottom bottm btm bot bott bttm under underside lower unten bas dessous abajo sotto inf inferiore "
        "baixo bordonera onder timbre wires dn down low b",
        "left": "left sl lft links gauche izq izquierda izquierdo sx sinistra sinistro esq esquerda esquerdo vanster "
        "venstre lewy leva l",
        "right": "right sr rgt rght rechts droite droit drt der derecha derecho dx destra destro direita direito "
        "hoger hoyre prawy prava r",
        "centre": "centre center ctr cntr cent mitte centro milieu mono c m",
        "side": "side sides",
        "mid": "mid",
    }
)
"""Word -> position; which of them count depends on the kind, see `spillgate.dsp.take.names`."""

HEIGHTS: Final[Mapping[str, float]] = MappingProxyType(
    {
        **dict.fromkeys(
            ["hi", "high", "higher", "hoch", "alto", "aigu", "agudo", "small", "sm", "hoog", "hog", "primo"], 0.0
        ),
        **dict.fromkeys(["himid", "midhi"], 0.75),
        **dict.fromkeys(
            ["mid", "middle", "med", "medium", "medio", "mi", "mitte", "mittel", "midden", "mellan", "secondo"], 1.0
        ),
        **dict.fromkeys(["lomid", "midlo", "lowmid", "midlow"], 1.25),
        **dict.fromkeys(
            [
                "low",
                "lo",
                "lower",
                "tief",
                "bas",
                "grave",
                "bajo",
                "basso",
                "big",
                "laag",
                "lag",
                "lg",
                "large",
                "terzo",
            ],
            2.0,
        ),
    }
)
"""Word -> how low a tom is, high to low."""

DRUM_NAMES: Final[Mapping[str, tuple[str, float]]] = MappingProxyType(
    {
        **dict.fromkeys(("ht", "htom", "hitom"), ("tom", 0.0)),
        **dict.fromkeys(("mt", "mtom"), ("tom", 1.0)),
        **dict.fromkeys(("lt", "ltom", "lotom"), ("tom", 2.0)),
    }
)
"""Words that say kind and height at once."""

SECOND: Final = frozenset(["aux", "side", "second", "piccolo", "2nd", "extra", "alt"])
"""Words for a second drum of its kind."""

RETURNS: Final = words(
    "reverb verb rev fx delay dly echo plate spring return rtn send bus buss aux mix mixdown submix stem print "
    "parallel comp compressed nyc loop loops midi click "
)
"""Words for something made from drum tracks: no mic, unless the word is a position of that drum."""

FOREIGN: Final = words(
    "vox vocal vocals vocalist voc vocs voice voices voix voz vozes voce voci stimme gesang sang zang spiew vokal "
    "bvox bv bvs bgv bgvs bgvox leadvox backing choir chor coro choeur singer rap guitar guitars gtr gtrs git "
    "guit guitare guitarra chitarra gitarre gitarr gitara gitaar agtr egtr acgtr elgtr acoustic electric bass "
    "basse basso bajo baixo bas bassgtr bassdi di amp cab cabinet synth synths keys key keyboard keyboards "
    "tastiera clavier piano pno organ orgel organo pad pads strings string violin violins "
    "viola cello fiddle brass horn horns trumpet trompete trombone sax saxophone flute clarinet accordion banjo "
    "mandolin mando ukulele uke harp harmonica lead solo guide scratch metronome metronom klick clic talkback "
    "talk tb slate announcement announce ansage mc host audience aud crowd applause publikum publik public "
    "publico pubblico playback pb timecode tc ltc smpte sfx sample samples pedal steel lap sequencer "
    "seq sequence program arp noise fader monitor wedge iem dialogue dialog interview camera cam boom lav "
    "lavalier turntable dj marimba vibraphone vibes timpani pauken glockenspiel contrabass "
    "kontrabass upright count countin cue master ref reference scene narration "
)
"""Words for what is no drum."""

NEUTRAL: Final = words(
    "inch zoll "
    "drum drums drm drms dr kit drumkit trommel trommeln batterie bateria batteria schlagzeug trummor trommer mic "
    "mics mike edge rim smack shell head stage dark bright fat open closed rear back close near far dist distant "
    "wide take tk tak song lied titel part pt rec recording record track trk tr spur piste pista canal kanal "
    "channel chan ch audio aud file wav clip region stereo st mono main live raw dry edit edited cons "
    "consolidated bounce bounced export final new old alt dup copy kopie copie copia v ver version session sess "
    "day room1 the and of with dyn dynamic cond condenser ribbon bndry boundary pair xy ortf ab ms blumlein "
    "spaced verse chorus intro outro bridge a d e und et y con jan feb mar apr may jun jul aug sep oct nov dec am "
    "pm "
)
"""Words that say nothing about the role."""
