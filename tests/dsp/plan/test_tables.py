"""Tables: columns, whose first sample a time counts from, and what a delay does to it."""

import csv
import json

import pytest

from spillgate.dsp.plan.model import Alignment, Hit, Plan, TrackFacts
from spillgate.dsp.plan.tables import write_alignment, write_hits, write_hits_json


def fact(track, file, channel=0, start=0):
    return TrackFacts(
        track=track,
        file=file,
        channel=channel,
        role="tom",
        drum="tom1",
        position=None,
        sr=48_000,
        n_samples=9,
        start=start,
    )


def hit(track, time_s, **how):
    return Hit(**{"track": track, "drum": "tom1", "time_s": time_s, "level_db": -3.14159, "confidence": 0.98765, **how})


def alignment(track, measured, applied, **how):
    given = {
        "measured_samples": measured,
        "measured_polarity": -1,
        "delay_samples": measured if applied else 0.0,
        "polarity": -1 if applied else 1,
        "target": "OH L.wav",
        "margin": 2.5,
        "confidence": "sure",
    }
    return Alignment(track=track, applied=applied, **{**given, **how})


PLAN = Plan(
    sr=48_000,
    n_samples=480_000,
    tracks=(
        fact("Tom 1.wav", "Tom 1.wav", start=4800),
        fact("Multi.wav:3", "Multi.wav", 3),
        fact("OH L.wav", "OH L.wav"),
    ),
    hits=(
        hit("Tom 1.wav", 1.0),
        hit("Multi.wav:3", 1.5, source="added", level_db=-0.001),
        hit("Tom 1.wav", 3.0, drum='odd, "drum"'),
    ),
    alignments=(
        alignment("Tom 1.wav", 139.8601, True),
        alignment("Multi.wav:3", -96.0, False, confidence="unsure"),
        alignment("OH L.wav", -0.00001, True, target=""),
    ),
    figures={"gate": {"Tom 1.wav": {"spans": [[0.9985, 1.8], [2.0, 2.1]]}, "settings": 3}},
)


def rows(path):
    with open(path, newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def test_hits(tmp_path):
    write_hits(PLAN, tmp_path / "hits.csv")
    head = (tmp_path / "hits.csv").read_text().splitlines()[0]
    assert head == "track,time_s,stem_time_s,piece,level_db,confidence,source,open_s,close_s"
    one, two, three = rows(tmp_path / "hits.csv")
    # the file begins 0.1 s into the take; the stem is 139.8601 samples later
    assert float(one["time_s"]) == pytest.approx(0.9, abs=5e-7)
    assert float(one["stem_time_s"]) == pytest.approx(0.9 + 139.8601 / 48_000, abs=1e-6)
    assert (float(one["open_s"]), float(one["close_s"])) == pytest.approx((0.8985, 1.7), abs=1e-6)
    assert (one["track"], one["piece"], one["level_db"], one["confidence"], one["source"]) == (
        "Tom 1.wav", "tom1", "-3.14", "0.9877", "found",
    )  # fmt: skip
    # what is not applied moves nothing; a channel goes by the name of its file
    assert (two["track"], two["time_s"], two["stem_time_s"]) == ("Multi.wav", "1.500000", "1.500000")
    assert (two["open_s"], two["close_s"], two["source"], two["level_db"]) == ("", "", "added", "0.00")
    assert (three["piece"], three["open_s"]) == ('odd, "drum"', "")  # no stretch holds it


def test_hits_for_programs(tmp_path):
    write_hits_json(PLAN, tmp_path / "hits.json")
    held = json.loads((tmp_path / "hits.json").read_text("utf-8"))
    assert (held["schema"], held["sr"]) == (1, 48_000)
    write_hits(PLAN, tmp_path / "hits.csv")
    for row, other in zip(held["hits"], rows(tmp_path / "hits.csv"), strict=True):
        assert row["track"] == other["track"]
        assert (row["time_s"], row["stem_time_s"]) == (float(other["time_s"]), float(other["stem_time_s"]))
        assert abs(row["stem_sample"] - row["stem_time_s"] * 48_000) <= 0.55  # the second is rounded to a microsecond
        # General MIDI Level 1: 50 is the high tom; DLS: level = 40 lg(velocity / 127)
        assert row["note"] == (50 if row["drum"] == "tom1" else None)
        assert row["velocity"] == round(127 * 10 ** (row["level_db"] / 40))
    assert [r["channel"] for r in held["hits"]] == [0, 3, 0]
    write_hits_json(Plan(), tmp_path / "hits.json")
    assert json.loads((tmp_path / "hits.json").read_text())["hits"] == []


def test_spill_has_the_last_word_on_spans(tmp_path):
    figures = {**PLAN.figures, "spill": {"Tom 1.wav": {"spans": [[0.5, 5.0]]}}}
    write_hits(PLAN.replace(figures=figures), tmp_path / "hits.csv")
    assert rows(tmp_path / "hits.csv")[0]["close_s"] == "4.900000"


def test_alignment(tmp_path):
    write_alignment(PLAN, tmp_path / "alignment.csv")
    head = (tmp_path / "alignment.csv").read_text().splitlines()[0]
    assert head == (
        "track,channel,delay_samples,delay_ms,distance_cm,polarity,target,margin,confidence,applied,"
        "measured_samples,measured_polarity"
    )
    tom, multi, oh = rows(tmp_path / "alignment.csv")
    # 139.8601 samples at 48 kHz are 2.91375 ms, 1.00 m at 343.2 m/s [closed form]; at 21 °C and 50 % humidity sound
    # goes 344.6 m/s (Cramer 1993: 343.987 at 20 °C, 347.127 at 25 °C)
    assert float(tom["delay_ms"]) == pytest.approx(2.91375, abs=1e-5)
    assert float(tom["distance_cm"]) == pytest.approx(100 * 344.615 / 343.2, abs=0.02)
    assert (tom["delay_samples"], tom["polarity"], tom["applied"]) == ("139.8601", "-1", "1")
    assert (multi["track"], multi["channel"], multi["applied"], multi["confidence"]) == (
        "Multi.wav",
        "3",
        "0",
        "unsure",
    )
    # not applied: what was measured is listed
    assert (multi["delay_samples"], multi["polarity"], multi["delay_ms"]) == ("-96.0000", "-1", "-2.00000")
    assert float(multi["distance_cm"]) < 0
    assert (oh["delay_samples"], oh["distance_cm"], oh["target"]) == ("0.0000", "0.00", "")


def test_an_empty_plan_has_empty_tables(tmp_path):
    write_hits(Plan(), tmp_path / "hits.csv")
    write_alignment(Plan(), tmp_path / "alignment.csv")
    assert rows(tmp_path / "hits.csv") == rows(tmp_path / "alignment.csv") == []
