"""A take: the audio files of one recording and what is known about them."""

from spillgate.dsp.take.model import AudioFile, Reader, Take, Track

__all__ = ["AudioFile", "Reader", "Take", "Track"]
