"""Levels, faults and bleed: what the check says about tracks."""
