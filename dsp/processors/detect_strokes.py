"""Toms that are played without clear strokes: told by `detect`, obeyed by whatever makes masks."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import TYPE_CHECKING

from spillgate.dsp.plan.model import DrumState
from spillgate.dsp.take.model import Take, Track

if TYPE_CHECKING:
    from spillgate.dsp.core.hits.decide import Decision
    from spillgate.dsp.core.hits.scene import Scene

__all__ = ["with_passages", "without_the_unstruck"]

LIKELY, UNLIKELY = 0.5, 0.39
"""Candidates by which a tom is judged, and what is left of them if they are the neighbours': under what makes a hit."""

PLAYED = 0.97
"""A drum whose surest candidate is under this was probably never hit."""

WHOLE_SHARE = 0.5
"""A tom without a clear stroke outside passages that take up this share of the take has no clear strokes at all."""


def without_the_unstruck(take: Take, scene: Scene, decision: Decision) -> Decision:
    """Take back what was found on drums that were never struck.

    Those of which nothing exceeds what other drums leak, and toms that never sound louder in their own mic than their
    neighbours do there.

    Parameters
    ----------
    take : Take
    scene : Scene
    decision : Decision

    Returns
    -------
    decision : Decision
        In which no candidate of such a drum reaches a half, and a tom that certainly was struck has one by which it
        counts as played.
    """
    import numpy as np

    from spillgate.dsp.core.hits.strokes import LEAST_LEAD_DB, averaged, lead_db
    from spillgate.dsp.core.hits.struck import was_struck

    kit, c = scene.kit, scene.candidates
    toms = [d for d, kind in enumerate(kit.kinds) if kind == "tom"]
    levels = dict(zip(toms, take.map(lambda d: averaged(scene.energies[kit.own[d][0]]), toms), strict=True))
    p = decision.probability.copy()
    for d in toms:
        mine = c.drum == d
        likely = c.frame[mine & (p >= LIKELY)]
        lead = lead_db(levels[d], [levels[o] for o in toms if o != d], likely)
        if len(likely) and lead.max() < LEAST_LEAD_DB:
            p[mine] = np.minimum(p[mine], UNLIKELY)
    for d in range(len(kit.drums)):
        struck = was_struck(scene, decision.sources, decision.probability, d)
        if struck is False:
            p[c.drum == d] = np.minimum(p[c.drum == d], UNLIKELY)
        elif struck and d in toms and p[c.drum == d].max() >= LIKELY:
            surest = np.flatnonzero(c.drum == d)[np.argmax(p[c.drum == d])]
            p[surest] = max(p[surest], PLAYED)
    return dataclasses.replace(decision, probability=p)


def with_passages(
    take: Take, mics: Sequence[Track], scene: Scene, decision: Decision, drums: Sequence[DrumState]
) -> tuple[DrumState, ...]:
    """Say of each tom where it is played without clear strokes.

    Parameters
    ----------
    take : Take
    mics : sequence of Track
        Those of the scene.
    scene : Scene
    decision : Decision
    drums : sequence of DrumState

    Returns
    -------
    drums : tuple of DrumState
        With `strokes` and `unclear_s`.
    """
    import numpy as np

    from spillgate.dsp.core.hits.envelopes import frame_length
    from spillgate.dsp.core.hits.strokes import Strokes, averaged, clicks, passages

    kit, c = scene.kit, scene.candidates
    main = [own[0] for own in kit.own]
    levels = take.map(lambda m: averaged(scene.energies[m]), main)
    frame_s = frame_length(take.sr) / take.sr
    # where no other mic is there, nothing can tell a drum's strokes from what leaks into its mic
    alone = len(kit.drums) == 1 and not any(kit.overhead)
    found = {}
    for d, drum in enumerate(kit.drums):
        if kit.kinds[d] != "tom":
            continue
        mine = np.flatnonzero(c.drum == d)
        at, p = c.frame[mine], decision.probability[mine]
        strokes = Strokes(at, p, clicks(scene.energies[main[d]], scene.mics[main[d]], at))
        others = [o for o in range(len(kit.drums)) if o != d]
        toms = [levels[o] for o in others if kit.kinds[o] == "tom"]
        found[drum] = passages(levels[d], [levels[o] for o in others], toms, strokes, frame_s)
    states = []
    for state in drums:
        if state.drum in found and len(found[state.drum].spans):
            seconds = np.minimum(found[state.drum].spans * frame_s, take.n_samples / take.sr)
            share = float(np.sum(seconds[:, 1] - seconds[:, 0])) * take.sr / take.n_samples
            if found[state.drum].clear_outside == 0 and share >= WHOLE_SHARE:
                state = dataclasses.replace(state, strokes="unclear")
            else:
                times = tuple(round(float(s), 3) for s in seconds.ravel())
                state = dataclasses.replace(state, unclear_s=times)
        if alone and state.drum in found and state.played != "yes":
            state = dataclasses.replace(state, played="yes", strokes="unclear")
        states.append(state)
    return tuple(states)
