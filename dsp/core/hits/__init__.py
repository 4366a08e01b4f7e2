"""Hits and whose they are: from band energies to strokes with a drum, a time and a confidence."""
