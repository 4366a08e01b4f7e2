"""The plan: every decision about a take as plain, immutable data."""

from spillgate.dsp.plan.model import Alignment, DrumState, Finding, Hit, Plan, Question, Span, StepSpec, TrackFacts

__all__ = ["Alignment", "DrumState", "Finding", "Hit", "Plan", "Question", "Span", "StepSpec", "TrackFacts"]
