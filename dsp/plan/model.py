"""The plan and the records it is made of.

Times are seconds and delays samples on the *input's* timeline.  What a delay does to a time is worked out in one
place, where tables for people are written (`spillgate.dsp.plan.tables`).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["Alignment", "DrumState", "Finding", "Hit", "Plan", "Question", "Span", "StepSpec", "TrackFacts"]

SCHEMA = 1

Confidence = Literal["sure", "likely", "unsure"]
Severity = Literal["mend", "advise", "note"]
Json = Any


@dataclass(frozen=True, kw_only=True)
class TrackFacts:
    """What the plan was made from: one track of the take.

    Attributes
    ----------
    track : str
        Track id: the file name, with ``:channel`` behind it in files of several channels.
    file, channel : str, int
        Where the samples are.
    role, drum, position : str
        As in the input list.
    sr, n_samples, start : int
        Rate in Hz, length and place on the take's timeline in samples.
    fingerprint : str
        Hash of the file's bytes.
    peak : float
        Largest absolute sample, 1.0 = full scale.
    label : str
        Short name for people; empty in plans of old.
    """

    track: str
    file: str
    channel: int
    role: str
    drum: str | None
    position: str | None
    sr: int
    n_samples: int
    start: int
    fingerprint: str = ""
    peak: float = 0.0
    label: str = ""


@dataclass(frozen=True, kw_only=True)
class Hit:
    """One stroke as one close mic of its drum hears it.

    Attributes
    ----------
    track, drum : str
    time_s : float
        Arrival on the take's timeline, seconds (that of the earliest file's first sample).
    level_db : float
        Re the drum's loudest hit in that track.
    confidence : float
        Probability that it is a hit of this drum, 0…1.
    source : {'found', 'added', 'moved'}
    ring_until_s : float or None
        Until when the engineer wants its ring kept, on the take's timeline; None: as long as it is heard.
    """

    track: str
    drum: str
    time_s: float
    level_db: float
    confidence: float
    source: str = "found"
    ring_until_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class Span:
    """A stretch of one track that the engineer keeps or silences; whatever makes masks obeys it.

    Attributes
    ----------
    track : str
    start_s, stop_s : float
        On the take's timeline.
    keep : bool
        True: as in the recording; False: silence.
    """

    track: str
    start_s: float
    stop_s: float
    keep: bool


@dataclass(frozen=True, kw_only=True)
class DrumState:
    """What is known of one drum as a whole.

    Attributes
    ----------
    drum : str
    tracks : tuple of str
        Its close mics.
    best_confidence : float
        Of its most certain candidate, whether or not that became a hit.
    played : {'yes', 'no', 'doubtful'}
        By design: 'no' under 0.5, 'doubtful' under 0.97.
    strokes : {'clear', 'unclear'}
        'unclear': brushes, mallet rolls, swells; the track is left open.
    unclear_s : tuple of float
        Where a drum that is else played clearly has no clear strokes: begin, end, begin, end… on the take's timeline;
        the track is left open there.
    """

    drum: str
    tracks: tuple[str, ...]
    best_confidence: float
    played: str = "yes"
    strokes: str = "clear"
    unclear_s: tuple[float, ...] = ()

    @property
    def passages(self) -> tuple[tuple[float, float], ...]:
        """Begin and end of each passage without clear strokes, s."""
        return tuple(zip(self.unclear_s[::2], self.unclear_s[1::2], strict=False))


@dataclass(frozen=True, kw_only=True)
class Alignment:
    """Delay and polarity of one track.

    Attributes
    ----------
    track : str
    measured_samples, measured_polarity : float, int
        What the sound says: by how much the track must be delayed to meet `target`, and its sign against it.
    delay_samples, polarity : float, int
        What the render does to the track; 0 and 1 where nothing is applied.
    target : str
        Track id of the mic it was measured against.
    margin : float
        Lead of the best answer over the next one (natural log units); 0 where none was found.
    confidence : {'sure', 'likely', 'unsure'}
    applied : bool
        Whether the render moves or turns this track.
    reason : str
        In plain words, why it got this delay ("own delay", "moves with the snare", …).
    """

    track: str
    measured_samples: float
    measured_polarity: int
    delay_samples: float
    polarity: int
    target: str
    margin: float
    confidence: Confidence
    applied: bool
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class StepSpec:
    """One operation of the render on one track, as plain data.

    Attributes
    ----------
    step : str
        Name of a registered step.
    params : mapping
        Its parameters.
    arrays : mapping of str to str
        Names the step uses -> names in `Plan.arrays`.
    by : str
        Processor that asked for it.
    """

    step: str
    params: Mapping[str, Json] = field(default_factory=dict)
    arrays: Mapping[str, str] = field(default_factory=dict)
    by: str = ""


@dataclass(frozen=True, kw_only=True)
class Question:
    """Something the engineer should decide.

    Attributes
    ----------
    code : str
        Kind of question, the same for alike ones.
    text : str
        One plain sentence ending with a question mark.
    track : str
    time_s : float or None
    weight : float
        Loudness × doubt: the larger, the earlier it is asked.
    """

    code: str
    text: str
    track: str = ""
    time_s: float | None = None
    weight: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Finding:
    """Something the check says about a track or the take.

    Attributes
    ----------
    code : str
    severity : {'mend', 'advise', 'note'}
    track : str
        Empty: the whole take.
    value, unit, limit : float, str, float
        The figure that made it so, and the limit it was held against.
    advice : str
        One plain sentence.
    """

    code: str
    severity: Severity
    track: str = ""
    value: float | None = None
    unit: str = ""
    limit: float | None = None
    advice: str = ""


_EMPTY: Mapping[str, Any] = MappingProxyType({})


@dataclass(frozen=True, kw_only=True)
class Plan:
    """Every decision about one take.

    Attributes
    ----------
    sr, n_samples : int
        The take's rate in Hz and the length of its timeline in samples.
    tracks : tuple of TrackFacts
    chain : tuple of mapping
        ``{"processor", "version", "params", "tracks"}`` of each processor that has decided.
    drums : tuple of DrumState
    hits : tuple of Hit
        Sorted by time, then track.
    spans : tuple of Span
        What the engineer keeps or silences, in the order of the corrections.
    alignments : tuple of Alignment
    steps : mapping of str to tuple of StepSpec
        Per track id, in the order of the render.
    questions : tuple of Question
    findings : tuple of Finding
    figures : mapping
        Plain figures by processor, for reports (``{"gate": {"Floor.wav": {...}}}``).
    extras : mapping
        Data of third parties under the name of their distribution.
    arrays : mapping of str to ndarray
        Named ``"<processor>/<name>"``; kept beside the JSON in ``OUT/model``.
    """

    sr: int = 0
    n_samples: int = 0
    tracks: tuple[TrackFacts, ...] = ()
    chain: tuple[Mapping[str, Json], ...] = ()
    drums: tuple[DrumState, ...] = ()
    hits: tuple[Hit, ...] = ()
    spans: tuple[Span, ...] = ()
    alignments: tuple[Alignment, ...] = ()
    steps: Mapping[str, tuple[StepSpec, ...]] = field(default_factory=dict)
    questions: tuple[Question, ...] = ()
    findings: tuple[Finding, ...] = ()
    figures: Mapping[str, Json] = field(default_factory=dict)
    extras: Mapping[str, Json] = field(default_factory=dict)
    arrays: Mapping[str, NDArray[Any]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("steps", "figures", "extras", "arrays"):
            object.__setattr__(self, name, MappingProxyType(dict(getattr(self, name))))
        for array in self.arrays.values():
            array.setflags(write=False)

    def replace(self, **changes: Any) -> Plan:
        """Return a plan with some fields changed."""
        return dataclasses.replace(self, **changes)

    def hits_of(self, track: str) -> tuple[Hit, ...]:
        """Return the hits of one track in order of time."""
        return tuple(h for h in self.hits if h.track == track)

    def shift_of(self, track: str) -> int:
        """Whole samples by which the alignment makes the stem of a track later; what it shows lies so much behind."""
        move = next((a for a in self.alignments if a.track == track), None)
        return round(move.delay_samples) if move is not None and move.applied else 0

    def with_hits(self, hits: tuple[Hit, ...]) -> Plan:
        """Return a plan with `hits` instead, sorted by time, then track."""
        return self.replace(hits=tuple(sorted(hits, key=lambda h: (h.time_s, h.track))))

    def with_steps(
        self, by: str, steps: Mapping[str, tuple[StepSpec, ...]], arrays: Mapping[str, NDArray[Any]] = _EMPTY
    ) -> Plan:
        """Return a plan in which processor `by` asks for these steps, in place of those it asked for before.

        Parameters
        ----------
        by : str
            Name of the processor.
        steps : mapping of str to tuple of StepSpec
            Per track id.
        arrays : mapping of str to ndarray
            Arrays the steps name; keys start with ``"<by>/"``.
        """
        merged = {t: tuple(s for s in specs if s.by != by) for t, specs in self.steps.items()}
        for track, specs in steps.items():
            merged[track] = merged.get(track, ()) + tuple(dataclasses.replace(s, by=by) for s in specs)
        kept = {k: v for k, v in self.arrays.items() if not k.startswith(f"{by}/")}
        return self.replace(steps={t: s for t, s in merged.items() if s}, arrays={**kept, **arrays})

    def with_questions(self, prefix: str, questions: tuple[Question, ...]) -> Plan:
        """Return a plan in which all questions with a code starting with `prefix` are these."""
        kept = tuple(q for q in self.questions if not q.code.startswith(prefix))
        order = sorted(kept + questions, key=lambda q: (-q.weight, q.code, q.track, q.time_s or 0.0))
        return self.replace(questions=tuple(order))

    def with_figures(self, by: str, figures: Mapping[str, Json]) -> Plan:
        """Return a plan with the figures of processor `by` set."""
        return self.replace(figures={**self.figures, by: dict(figures)})


def time_in_track(time_s: float, start: int, sr: int) -> float:
    """Turn a time on the take's timeline into one from a file's first sample, both in seconds."""
    return float(np.float64(time_s) - start / sr)
