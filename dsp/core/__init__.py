"""Arithmetic on arrays: no files, no command line, no logging.

``hits`` finds strokes and whose they are, ``timing`` when they reach the other mics, ``cleaning`` what of a tom track
is its own ring, ``checks`` what is wrong with a track; ``audio`` holds what any of them may need.
"""
