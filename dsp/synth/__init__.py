"""Takes made by the program itself, with exact truth."""

from spillgate.dsp.synth.console import Faults
from spillgate.dsp.synth.cymbals import Cymbal
from spillgate.dsp.synth.demo import demo, demo_truth
from spillgate.dsp.synth.kits import KITS, Kit, Piece, kit_named
from spillgate.dsp.synth.making import MadeTake, make_take
from spillgate.dsp.synth.membranes import Drum
from spillgate.dsp.synth.mics import Layout
from spillgate.dsp.synth.performance import STYLES, Performance, Stroke, perform
from spillgate.dsp.synth.playing import PLAYING, further_sounds, play
from spillgate.dsp.synth.room import Room
from spillgate.dsp.synth.training import random_take, training_takes
from spillgate.dsp.synth.writing import write_take

__all__ = [
    "KITS",
    "PLAYING",
    "STYLES",
    "Cymbal",
    "Drum",
    "Faults",
    "Kit",
    "Layout",
    "MadeTake",
    "Performance",
    "Piece",
    "Room",
    "Stroke",
    "demo",
    "demo_truth",
    "further_sounds",
    "kit_named",
    "make_take",
    "perform",
    "play",
    "random_take",
    "training_takes",
    "write_take",
]
