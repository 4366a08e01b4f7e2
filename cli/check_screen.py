"""What the terminal says after a check: verdict, table, advice; and what changed since an earlier one."""

from __future__ import annotations

import json
from collections.abc import Sequence
from math import ceil
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spillgate.cli.screen import console

if TYPE_CHECKING:
    from spillgate.dsp.plan.model import Finding, Plan
    from spillgate.dsp.take.model import Take, Track

__all__ = ["changes", "headline", "rows", "sections", "show", "summary"]

WORDS = {
    "silent": "silent",
    "dead": "dead, only noise",
    "over_full_scale": "over full scale",
    "hot": "a little hot",
    "very_quiet": "far too quiet",
    "quiet": "quiet",
    "clipped": "clips",
    "flat_tops": "flat tops",
    "hum": "hum",
    "dc_offset": "offset",
    "noise": "noise",
    "dropout": "holes",
    "crackle": "crackles",
    "click": "click",
    "rumble": "rumble",
    "cut_end": "cut at the end",
    "overhead_distance": "distance",
    "tape_differs": "tape and sound differ",
    "balance": "balance",
    "swapped": "left/right swapped",
    "flipped": "reversed polarity",
    "late": "late",
    "early": "early",
    "bottom_turned": "bottom already turned",
    "exchanged": "names exchanged?",
    "two_mics": "two different mics",
    "odd_length": "other length",
    "foreign": "wrong drum",
    "bleed": "bleed",
    "three_to_one": "bleed",
    "duplicate": "same as another",
    "kick_polarity": "kick polarity",
    "room_distance": "room",
    "not_heard": "not heard",
    "no_overhead": "no overhead",
    "unfit": "cannot be used",
    "left_out": "left out",
}
"""A few words for each finding, for the table."""

QUIET_CODES = {"kick_polarity", "room_distance", "three_to_one", "no_overhead"}
"""Notes that stand below but not in the table."""

SHOWN_UNITS = {"dB", "dBFS", "cm", "ms"}
RANK = {"mend": 0, "advise": 1, "note": 2}
MOVE_CM = 0.5
LEVEL_DB = 3.0
SOUND_CM_PER_MS = 34.32


def headline(take: Take, plan: Plan) -> str:
    """Say in one line whether it is ready."""
    what = "line check" if kind_of(plan) == "line" else "take"
    mend = _gravest(plan, "mend")
    advise = len({(f.code, f.track) for f in plan.findings if f.severity == "advise"})
    n = len(mend)
    if n:
        named = [f"{_label(take, f.track)} {_brief(f)}".strip() for f in mend]
        shown = ", ".join(named[:4]) + (f" and {len(named) - 4} more" if len(named) > 4 else "")
        return f"Mend {n} thing{'' if n == 1 else 's'} ({what}): {shown}."
    if advise:
        return f"Ready ({what}), with {advise} thing{'' if advise == 1 else 's'} to look at."
    return f"Ready ({what}): nothing to mend."


def kind_of(plan: Plan) -> str:
    """Which limits held."""
    return str(plan.figures.get("levels", {}).get("kind", "take"))


def _gravest(plan: Plan, severity: str) -> list[Finding]:
    """Findings of one severity; a pair of tracks with the same fault counts once."""
    out: list[Finding] = []
    for f in plan.findings:
        if f.severity == severity and not (f.code == "swapped" and any(g.code == "swapped" for g in out)):
            out.append(f)
    return out


def _label(take: Take, track: str) -> str:
    return next((t.label for t in take.tracks if t.id == track), track)


def rows(take: Take, plan: Plan) -> list[tuple[str, str, str, str, str, str]]:
    """Give per channel, the most urgent first: mark, name, what it is, peak, worst bleed, what there is to say."""
    levels = plan.figures.get("levels", {}).get("tracks", {})
    bleed = plan.figures.get("check", {}).get("bleed_db", {})
    out = []
    for k, t in enumerate(take.tracks):
        if t.id not in levels:
            continue
        mine = [f for f in plan.findings if f.track == t.id]
        rank = min((RANK[f.severity] for f in mine), default=2)
        said = [_brief(f) for f in mine if f.code not in QUIET_CODES]
        what = " ".join(w for w in (t.drum or t.role, t.position) if w)
        peak = round(levels[t.id]["peak_db"], 1)
        row = (
            {0: "MEND", 1: "look", 2: ""}[rank],
            t.label,
            what,
            "–" if peak <= -200 else f"{peak + 0.0:.1f}",
            _worst(t, bleed.get(t.id, {})),
            ", ".join(dict.fromkeys(said)) or "fine",
        )
        out.append((rank, k, row))
    return [row for _, _, row in sorted(out)]


def _brief(f: Finding) -> str:
    word = WORDS.get(f.code, f.code)
    if f.code == "clipped" and f.value is not None:  # as the advice says: at least so much
        return f"{word} by {max(1, ceil(f.value))} dB"
    if f.value is None or f.unit not in SHOWN_UNITS:
        return word
    if f.code == "overhead_distance" and f.severity != "note":
        return f"{abs(f.value):.1f} cm farther away"
    digits = 0 if f.unit in ("dB", "dBFS") else 1
    value = abs(f.value) if f.unit in ("cm", "ms") else f.value
    return f"{word} {value:.{digits}f} {f.unit}"


def _worst(t: Track, row: dict[str, float | None]) -> str:
    others = {d: v for d, v in row.items() if v is not None and d != t.drum}
    if not t.is_close or not others:
        return ""
    worst = max(others, key=lambda d: others[d] or 0.0)
    return f"{worst} {others[worst]:.0f}"


def show(take: Take, plan: Plan, said: Sequence[str], note: str, out: Path | None) -> None:
    """Print the screen."""
    from rich.table import Table
    from rich.text import Text

    screen = console()
    screen.print(Text(headline(take, plan), style="bold"))
    if note:
        screen.print(Text(note))
    for line in said:
        screen.print(Text(f"  {line}"))
    screen.print()
    table = Table(box=None, padding=(0, 1), show_edge=False, header_style="dim")
    for name, more in (
        ("", {"no_wrap": True, "min_width": 4}),
        ("track", {"no_wrap": True, "max_width": 20, "overflow": "ellipsis"}),
        ("", {"no_wrap": True, "style": "dim"}),
        ("peak", {"no_wrap": True, "justify": "right"}),
        ("worst bleed", {"no_wrap": True}),
        ("", {"overflow": "fold"}),
    ):
        table.add_column(name, **more)
    for mark, *rest in rows(take, plan):
        style = {"MEND": "bold red", "look": "yellow"}.get(mark, "")
        table.add_row(Text(mark, style=style), *map(Text, rest))
    screen.print(table)
    for title, lines in sections(take, plan):
        screen.print()
        screen.print(Text(f"{title}:", style="bold"))
        for line in lines:
            _hang(screen, line)
    if out is not None:
        screen.print()
        screen.print(Text(f"Written: {out / 'check.html'} (a page to look at), {out / 'check.json'}."), soft_wrap=True)


def _hang(screen: Any, line: str) -> None:
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=(0, 1))
    grid.add_column(no_wrap=True)
    grid.add_column()
    grid.add_row(Text("-"), Text(line))
    screen.print(Padding(grid, (0, 0, 0, 1)))


def sections(take: Take, plan: Plan) -> list[tuple[str, list[str]]]:
    """Give the advice under its titles, and the cautions once before those who act on it."""
    cautions: set[str] = set()
    titles = (("To mend", "mend"), ("To look at", "advise"), ("Also", "note"))
    told = [(title, _advice(take, plan, severity, cautions)) for title, severity in titles]
    told.insert(2, ("Before you touch anything", sorted(cautions)))
    return [(title, lines) for title, lines in told if lines]


def _advice(take: Take, plan: Plan, severity: str, cautions: set[str]) -> list[str]:
    """Give the advice of one severity, alike advice on many channels in one line; its cautions go to the set."""
    from spillgate.dsp.processors.check_kit import CAUTION_MOVE, CAUTION_PLUG

    lines: list[str] = []
    done: set[str] = set()
    for f in _gravest(plan, severity):
        text = f.advice
        for action, caution in (("Moving a mic", CAUTION_MOVE), ("Re-plugging", CAUTION_PLUG)):
            if text.endswith(caution):
                text = text[: -len(caution)].rstrip()
                cautions.add(f"{action}: {caution[0].lower()}{caution[1:]}")
        alike = [g for g in plan.findings if g.code == f.code and g.severity == severity]
        if len(alike) > 2 and f.code in ("hot", "quiet", "noise", "not_heard", "dc_offset"):
            if f.code not in done:
                done.add(f.code)
                lines.append(_together(take, alike))
        elif f.track and _label(take, f.track) not in text:
            lines.append(f"{_label(take, f.track)}: {text}")
        else:
            lines.append(text)
    return lines


def _together(take: Take, alike: Sequence[Finding]) -> str:
    names = [_label(take, f.track) for f in alike]
    values = [f.value for f in alike if f.value is not None]
    span = f" ({min(values):.0f} to {max(values):.0f} {alike[0].unit})" if values and alike[0].unit == "dBFS" else ""
    what = {
        "hot": "peak high" + span + ": turn these gains down; drummers hit 3 to 6 dB harder in the take",
        "quiet": "peak low" + span + ": these gains can go up",
        "noise": "are noisy between the hits" + span + ": gain too high, or a noisy room?",
        "not_heard": "were not heard: hit them three or four times and check again",
        "dc_offset": "have a DC offset: harmless by itself, a low cut takes it away",
    }[alike[0].code]
    return f"{', '.join(names[:-1])} and {names[-1]} {what}" + ("" if what.endswith("?") else ".")


# ---- since an earlier check


def changes(take: Take, plan: Plan, old: tuple[dict[str, Any], Plan | None]) -> list[str]:
    """Say what is different from an earlier check.

    Parameters
    ----------
    take : Take
    plan : Plan
        Of the new check.
    old : (check.json, plan or None)

    Returns
    -------
    lines : list of str
        Moved overheads first, then what was mended, what is new, then levels and bleed.
    """
    document, old_plan = old
    lines = _moved(take, plan, old_plan)
    figures = plan.figures.get("check", {})
    was, now = document.get("oh_snare_mismatch_cm"), figures.get("oh_snare_mismatch_cm")
    if was is not None and now is not None and abs(now - was) >= MOVE_CM:
        sure = figures.get("uncertainty_cm") or 0.0
        equal = ", now equal" if abs(now) <= sure < abs(was) or abs(now) <= 1.0 < abs(was) else ""
        lines.append(f"overheads: right minus left was {was:+.1f} cm, is {now:+.1f} cm{equal}")
    before = {(f["track"], f["code"]): f["severity"] for f in document["findings"]}
    after = {(f.track, f.code): f for f in plan.findings}
    there = {t.id for t in take.tracks} | {""}
    for (track, code), severity in before.items():
        if severity != "note" and track in there and _rank(after.get((track, code))) > RANK[severity]:
            lines.append(f"mended: {_label(take, track)} {WORDS.get(code, code)}")
        elif severity != "note" and track not in there:
            lines.append(f"gone: {track} is not in this take")
    for key, f in after.items():
        if f.severity != "note" and RANK.get(before.get(key, "note"), 2) > RANK[f.severity]:
            lines.append(f"new: {_label(take, f.track)} {_brief(f)}")
    lines += _louder(take, plan, document, old_plan)
    return [f"Since then: {line}." for line in dict.fromkeys(lines)] or ["Since then: nothing changed."]


def _rank(f: Finding | None) -> int:
    return 3 if f is None else RANK[f.severity]


def _ways(plan: Plan) -> dict[str, float]:
    """Way of the snare to each overhead in ms, where it is known."""
    snares = [t.track for t in plan.tracks if t.role == "snare" and t.position != "bottom"]
    pairs = plan.figures.get("align", {}).get("pairs", {})
    row: dict[str, Any] = next((pairs[t] for t in snares if t in pairs), {})
    return {v["overhead"]: 1000.0 * v["lag_samples"] / plan.sr for v in row.values() if v["confidence"] != "unsure"}


def _moved(take: Take, plan: Plan, old: Plan | None) -> list[str]:
    if old is None:
        return []
    was, now = _ways(old), _ways(plan)
    out = []
    for track, ms in now.items():
        if track in was:
            cm = (ms - was[track]) * SOUND_CM_PER_MS
            if abs(cm) >= MOVE_CM:
                word = "farther from" if cm > 0 else "nearer to"
                out.append(f"{_label(take, track)} moved {abs(cm):.1f} cm {word} the snare")
    return out


def _louder(take: Take, plan: Plan, document: dict[str, Any], old: Plan | None) -> list[str]:
    out = []
    now = plan.figures.get("check", {}).get("bleed_db", {})
    for track, row in document.get("bleed_db", {}).items():
        for drum, was in row.items():
            value = now.get(track, {}).get(drum)
            # what is far under the own drum is of no account, however it changed
            if was is None or value is None or abs(value - was) < LEVEL_DB or max(value, was) < -25.0:
                continue
            word = "louder" if value > was else "softer"
            out.append(f"{drum} {abs(value - was):.0f} dB {word} in {_label(take, track)}")
    levels: dict[str, dict[str, float]] = plan.figures.get("levels", {}).get("tracks", {})
    earlier = old.figures.get("levels", {}).get("tracks", {}) if old is not None else {}
    for track, row in levels.items():
        if track in earlier:
            step = row["peak_db"] - earlier[track]["peak_db"]
            if LEVEL_DB <= abs(step) < 150.0:
                out.append(f"{_label(take, track)} peaks {abs(step):.0f} dB {'higher' if step > 0 else 'lower'}")
    return out


def summary(take: Take, plan: Plan, said: Sequence[str]) -> str:
    """Give the same as JSON."""
    from spillgate.dsp.processors.check import check_json

    document = {
        "schema": 1,
        "take": take.name,
        "kind": kind_of(plan),
        "verdict": headline(take, plan),
        "left_out": [f.track for f in plan.findings if f.code in ("unfit", "left_out")],
        "changes": list(said),
        "levels": {t: dict(v) for t, v in plan.figures.get("levels", {}).get("tracks", {}).items()},
        **check_json(plan),
    }
    return json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)
