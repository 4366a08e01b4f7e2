"""Arithmetic on arrays: no files, no command line, no logging."""
