"""How fast files are read and stems are rendered; prints, never fails on time."""

import time

import numpy as np
import pytest
import soundfile as sf

from spillgate.dsp.plan.model import Plan, StepSpec
from spillgate.dsp.render import render
from spillgate.dsp.take.audio import FileReader, probe
from spillgate.dsp.take.model import Take, Track

SECONDS, SR = 120, 48_000


@pytest.mark.bench
@pytest.mark.slow
@pytest.mark.parametrize(("container", "subtype"), [("WAV", "PCM_24"), ("FLAC", "PCM_24"), ("WAV", "FLOAT")])
def test_reading_and_moving(tmp_path, container, subtype):
    (tmp_path / "take").mkdir()
    path = tmp_path / "take/Tom.bin"
    n = SECONDS * SR
    sf.write(path, np.random.default_rng(0).standard_normal(n) * 0.05, SR, format=container, subtype=subtype)
    track = Track(id=path.name, files=(probe(path).file,), role="tom")
    take = Take(name="take", sr=SR, n_samples=n, tracks=(track,), reader=FileReader())
    plan = Plan(steps={track.id: (StepSpec(step="move", params={"delay_samples": 100.37}),)})

    def seconds(job):
        began = time.process_time()
        job()
        return time.process_time() - began

    reading = seconds(lambda: [take.read(track, a, min(a + (1 << 18), n)) for a in range(0, n, 1 << 18)])
    render(take, plan, tmp_path / "first")  # compiles
    moving = seconds(lambda: render(take, plan, tmp_path / "second"))
    assert len(sf.read(tmp_path / "second/stems/Tom.bin")[0]) == n
    print(
        f"\n{container} {subtype}: read {SECONDS / reading:.0f}×, moved {SECONDS / moving:.0f}× real time on one core; "
        f"a 10-minute track: {600 / SECONDS * reading:.2f} s and {600 / SECONDS * moving:.2f} s"
    )
    take.reader.close()
