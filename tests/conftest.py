"""Settings for all tests."""

from __future__ import annotations

import os

from hypothesis import settings

# no deadline: the first call of a kernel compiles it, and machines that run checks are often busy
settings.register_profile("here", deadline=None)
# where checks decide about a change the examples are the same every time
settings.register_profile("ci", deadline=None, derandomize=True, print_blob=True)
settings.load_profile("ci" if os.environ.get("CI") else "here")
