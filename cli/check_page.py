"""The check's one page: verdict, channels, bleed as a picture, spectra, and where the delays say the mics hang."""

from __future__ import annotations

import html
import math
from typing import TYPE_CHECKING

from spillgate.cli.check_screen import headline, rows, sections

if TYPE_CHECKING:
    from spillgate.dsp.plan.model import Plan
    from spillgate.dsp.take.model import Take, Track

__all__ = ["page"]

STYLE = """
:root{color-scheme:light dark;--line:#8886;--bad:#c0392b;--look:#b7791f}
body{font:15px/1.45 system-ui,sans-serif;max-width:60rem;margin:2rem auto;padding:0 1rem}
h1{font-size:1.35rem}h2{font-size:1.05rem;margin-top:2rem}
table{border-collapse:collapse;width:100%}
th,td{text-align:left;padding:.25rem .6rem;border-bottom:1px solid var(--line)}
table.pair{width:auto;margin-bottom:1.2em}table.pair th,table.pair td{padding-left:2em}th.n{text-align:right}
td.n{text-align:right;font-variant-numeric:tabular-nums}td.mend{color:var(--bad);font-weight:700}
td.look{color:var(--look);font-weight:600}svg{max-width:100%;height:auto}svg text{fill:currentColor;font:11px system-ui}
.small{font-size:.85rem;opacity:.8}li{margin:.3rem 0}
@media print{body{margin:0}}
"""

CELL_W, CELL_H = 62, 24
SPECTRUM_W, SPECTRUM_H = 170, 60
SOUND_CM_PER_MS = 34.32
LISTEN_S = 1.5
"""Stretch from the loudest hit on that a channel's spectrum is taken from."""
RECALL = ("mic", "pattern", "pad_db", "low_cut_hz", "distance_cm", "height_cm", "note")


def page(take: Take, plan: Plan) -> str:
    """Build the page.

    Parameters
    ----------
    take : Take
    plan : Plan
        After `check`.

    Returns
    -------
    text : str
        HTML in one file: no script, no network.
    """
    parts = [
        "<!doctype html><html lang=en><meta charset=utf-8>"
        '<meta name=viewport content="width=device-width, initial-scale=1">',
        f"<title>{_e(take.name)}: check</title><style>{STYLE}</style>",
        f"<h1>{_e(headline(take, plan))}</h1><p class=small>{_e(take.name)}, {take.n_samples / take.sr:.0f} s, "
        f"{take.sr} Hz. Limits are rules of the trade; a finding says: look.</p>",
        _channels(take, plan),
    ]
    for title, lines in sections(take, plan):
        items = "".join(f"<li>{_e(line)}</li>" for line in lines)
        parts.append(f"<h2>{title}</h2><ul>{items}</ul>")
    parts += [_bleed(take, plan), _pairs(take, plan), _spectra(take, plan), _layout(take, plan), _recall(take)]
    return "\n".join(p for p in parts if p) + "\n"


def _e(text: object) -> str:
    return html.escape(str(text))


def _channels(take: Take, plan: Plan) -> str:
    body = "".join(
        f"<tr><td class={mark.lower() or 'ok'}>{mark or 'ok'}</td><td>{_e(name)}</td><td>{_e(what)}</td>"
        f"<td class=n>{_e(peak)}</td><td>{_e(worst)}</td><td>{_e(said)}</td></tr>"
        for mark, name, what, peak, worst, said in rows(take, plan)
    )
    head = "<tr><th></th><th>track</th><th></th><th>peak dBFS</th><th>worst bleed dB</th><th></th></tr>"
    return f"<h2>Channels, the most urgent first</h2><table>{head}{body}</table>"


def _bleed(take: Take, plan: Plan) -> str:
    """Bleed matrix: the darker, the louder; every cell has its figure."""
    matrix: dict[str, dict[str, float | None]] = plan.figures.get("check", {}).get("bleed_db", {})
    drums = list(dict.fromkeys(d for row in matrix.values() for d in row))
    if not drums:
        return ""
    labels = {t.id: t for t in take.tracks}
    left, top = 150, 24
    cells = []
    for j, drum in enumerate(drums):
        cells.append(f'<text x="{left + j * CELL_W + CELL_W / 2}" y="16" text-anchor="middle">{_e(drum)}</text>')
    for i, (track, row) in enumerate(matrix.items()):
        y = top + i * CELL_H
        own = labels[track].drum if labels[track].is_close else "snare"
        cells.append(f'<text x="{left - 6}" y="{y + 16}" text-anchor="end">{_e(labels[track].label[:22])}</text>')
        for j, drum in enumerate(drums):
            value = row.get(drum)
            x = left + j * CELL_W
            shade = 0.0 if value is None else max(0.0, min(1.0, (value + 50.0) / 50.0))
            colour = "#2b6cb0" if drum == own else "#c0392b"
            frame = ' stroke="currentColor"' if drum == own else ""
            cells.append(
                f'<rect x="{x + 1}" y="{y + 1}" width="{CELL_W - 2}" height="{CELL_H - 2}" fill="{colour}" '
                f'fill-opacity="{0.75 * shade:.2f}"{frame}/>'
                f'<text x="{x + CELL_W / 2}" y="{y + 16}" text-anchor="middle">'
                f"{'?' if value is None else f'{value:.0f}'}</text>"
            )
    w, h = left + CELL_W * len(drums) + 4, top + CELL_H * len(matrix) + 4
    return (
        "<h2>Who hears whom</h2><p class=small>dB re the mic's own drum (framed); overheads and rooms re the snare. "
        "? = not heard apart from the rest.</p>"
        f'<svg viewBox="0 0 {w} {h}" width="{w}" role="img" aria-label="bleed matrix">{"".join(cells)}</svg>'
    )


def _pairs(take: Take, plan: Plan) -> str:
    """What the left and the right mic of each pair hear of every drum."""
    labels = {t.id: t.label for t in take.tracks}
    out = []
    for pair in plan.figures.get("check", {}).get("pairs", {}).values():
        lines = []
        for drum, (left, right) in pair["re_snare_db"].items():
            shown = [_db(v) for v in (left, right, pair["left_minus_right_db"][drum])]
            lines.append(f"<tr><td>{_e(drum)}</td>{''.join(f'<td class=n>{v}</td>' for v in shown)}</tr>")
        head = [_e(labels.get(pair[side], pair[side])) for side in ("left", "right")]
        heads = "".join(f"<th scope=col class=n>{h}</th>" for h in (*head, "left minus right"))
        out.append(
            f"<table class=pair><thead><tr><th scope=col>dB</th>{heads}</tr></thead>"
            f"<tbody>{''.join(lines)}</tbody></table>"
        )
    if not out:
        return ""
    note = "Re the snare in the same mic, and the difference of the levels as recorded; cymbals by their treble, "
    note += "on average between the strokes."
    return f"<h2>Left and right</h2><p class=small>{note} No verdict: it is a matter of taste.</p>{''.join(out)}"


def _db(value: float | None) -> str:
    return "?" if value is None else f"{round(value, 1) + 0.0:+.1f}"  # no minus nought


def _spectra(take: Take, plan: Plan) -> str:
    """Third-octave spectrum and peak of every channel."""
    from spillgate.dsp.core.checks.spectrum import third_octave_levels, third_octaves

    levels = plan.figures.get("levels", {}).get("tracks", {})
    loudest: dict[str, float] = {}
    for h in sorted(plan.hits, key=lambda h: h.level_db):
        loudest[h.track] = h.time_s
    first = plan.hits[0].time_s if plan.hits else 0.0
    mid, _ = third_octaves(take.sr)
    n = round(LISTEN_S * take.sr)
    out = []
    for t in take.tracks:
        if t.id not in levels or levels[t.id]["peak_db"] <= -200:
            continue
        at = round(loudest.get(t.id, first) * take.sr)
        db = third_octave_levels(take.read(t, max(at - n // 8, 0), at + n), take.sr)
        top = float(db.max())
        bars = "".join(
            f'<rect x="{4 + k * (SPECTRUM_W - 8) / len(db):.1f}" y="{14 + s:.1f}" '
            f'width="{(SPECTRUM_W - 8) / len(db) - 1:.1f}" height="{SPECTRUM_H - 14 - s:.1f}" fill="currentColor" '
            'fill-opacity=".55"/>'
            for k, v in enumerate(db)
            for s in [(SPECTRUM_H - 16) * min(1.0, max(0.0, (top - v) / 60.0))]
        )
        f = levels[t.id]
        words = f"{t.label}: peak {f['peak_db']:.1f}, true peak {f['true_peak_db']:.1f}, noise {f['noise_db']:.0f}"
        out.append(
            f'<svg viewBox="0 0 {SPECTRUM_W} {SPECTRUM_H}" width="{SPECTRUM_W}" role="img" aria-label="{_e(words)}">'
            f"<title>{_e(words)} dBFS</title>"
            f'<text x="4" y="10">{_e(t.label[:18])} {round(f["peak_db"], 1) + 0.0:.1f}</text>{bars}</svg>'
        )
    if not out:
        return ""
    span = f"{mid[0]:.0f} Hz to {mid[-1] / 1000:.0f} kHz in thirds of an octave, 60 dB high, from the loudest hit on"
    return f"<h2>Level and spectrum</h2><p class=small>Peak in dBFS; {span}.</p>{''.join(out)}"


def _layout(take: Take, plan: Plan) -> str:
    """Top view: each drum where its ways to both overheads put it, if the overheads hang at one height."""
    pairs = plan.figures.get("align", {}).get("pairs", {})
    late = {f.track: f.value or 0.0 for f in plan.findings if f.code in ("late", "early")}
    spots = []
    for t in take.tracks:
        row = pairs.get(t.id, {})
        if {"left", "right"} <= set(row) and "unsure" not in (row["left"]["confidence"], row["right"]["confidence"]):
            lags_ms = [1000.0 * row[s]["lag_samples"] / take.sr + late.get(t.id, 0.0) for s in ("left", "right")]
            ways = [ms * SOUND_CM_PER_MS for ms in lags_ms]
            spots.append((t, *ways))
    if len(spots) < 2:
        return ""
    scale = 2.2
    w, h = 520, 46 + 26 * len(spots)
    marks = [
        f'<text x="20" y="18">left overhead</text><text x="{w - 20}" y="18" text-anchor="end">right overhead</text>',
        f'<line x1="{w / 2}" y1="26" x2="{w / 2}" y2="{h - 6}" stroke="currentColor" stroke-opacity=".3"/>',
    ]
    for k, (t, left, right) in enumerate(spots):
        y = 46 + 26 * k
        x = w / 2 + scale * max(-100.0, min(100.0, (left - right)))
        marks.append(
            f'<circle cx="{x:.1f}" cy="{y - 4}" r="6" fill="currentColor" fill-opacity=".6"/>'
            f'<text x="{x + 10:.1f}" y="{y}">{_e(_name(t))} {left:.0f} / {right:.0f} cm</text>'
        )
    return (
        "<h2>Where the delays put the drums</h2><p class=small>From above, seen by the drummer: farther right = nearer "
        "to the right overhead. Ways to the left and the right overhead in cm; a late channel is put where it would be "
        "in time.</p>"
        f'<svg viewBox="0 0 {w} {h}" width="{w}" role="img" aria-label="drums between the overheads">'
        f"{''.join(marks)}</svg>"
    )


def _name(t: Track) -> str:
    return " ".join(w for w in (t.drum or t.label, t.position) if w)


def _recall(take: Take) -> str:
    """Recall sheet, if the input list has anything to recall."""
    known = [k for k in RECALL if any(t.recall.get(k) not in (None, "") for t in take.tracks)]
    if not known:
        return ""
    head = "".join(f"<th>{_e(k.replace('_', ' '))}</th>" for k in known)
    body = "".join(
        f"<tr><td>{_e(t.label)}</td>{''.join(f'<td>{_e(_plain(t.recall.get(k)))}</td>' for k in known)}</tr>"
        for t in take.tracks
    )
    return f"<h2>Recall sheet</h2><table><tr><th>track</th>{head}</tr>{body}</table>"


def _plain(value: object) -> str:
    if value is None:
        return ""
    return f"{value:g}" if isinstance(value, float) and math.isfinite(value) else str(value)
