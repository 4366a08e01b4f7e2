"""Opening a folder of recordings as a take."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

from spillgate.dsp.errors import AudioFileError, DspError, PlanError, TakeError, about, nearest
from spillgate.dsp.take.audio import SUFFIXES, FileReader, Probe, probe
from spillgate.dsp.take.model import AudioFile, Progress, Take, Track

__all__ = ["open_take"]

RATES_HZ = (44_100, 192_000)
"""Lowest and highest sample rate of a recording (the rates that recorders offer; common practice, no source)."""

SHORTEST_SHARE = 0.5
"""A drum file without TimeReference that is shorter than this share of the longest one belongs to something else
(common practice, no source: a recorder stops all its tracks together)."""

_PART = re.compile(r"^(?P<stem>.+)_(?P<part>\d{3})$")


def open_take(
    folder: Path | str,
    *,
    inputs: Path | str | None = None,
    leave_out: Iterable[str] = (),
    workers: int = 1,
    progress: Progress | None = None,
    unfit: dict[str, DspError] | None = None,
) -> Take:
    """Open the recordings in a folder as one take.

    Parameters
    ----------
    folder : Path or str
        Its audio files are the take; hidden files, other files and folders inside are passed over.
    inputs : Path or str, optional
        Input list that overrules what is guessed.
    leave_out : iterable of str
        Names of audio files in the folder that are not looked at, besides those that the input list leaves out.
    workers : int
        Threads that `Take.map` uses.
    progress : Progress, optional
        Told about long work.
    unfit : dict of str to DspError, optional
        If given, files that do not fit (unreadable, of another rate, of another length) are left out too, and added
        here with the reason; else the first of them is raised.

    Returns
    -------
    take : Take
        Roles guessed, or as the input list says.

    Raises
    ------
    TakeError
        No folder, no audio in it, no drum track, rates or lengths that do not fit together.
    AudioFileError
        A file that cannot be used.
    PlanError
        The input list does not say what it should, or it or `leave_out` names what is not there.

    Notes
    -----
    *Place.*  Files with a TimeReference are placed by it, relative to the earliest of them; files without one start
    with the earliest.  A file that does not overlap the others (precisely: the one that overlaps most others)
    is an error, however far away it is; but a TimeReference of 0 that fits nowhere counts as none, since editors write
    it when they know nothing.

    *Parts.*  ``Kick_001.wav``, ``Kick_002.wav`` are one track if each begins where the one before ends by its
    TimeReference; or, without any, if all but the last are of one length, the last is shorter, and either another
    track of the folder has parts of the same lengths or a whole file is as long as the parts together.  Two numbered
    toms, or a take whose nameless files are numbered, never fulfil that.

    *Length.*  Shorter files are silent where they end; but a drum file without TimeReference that is shorter than half
    the longest one is an error.
    """
    folder = Path(folder)
    wanted = None
    if inputs is not None:
        from spillgate.dsp.take.inputlist import read_inputlist
        from spillgate.dsp.take.overruling import apply

        wanted = read_inputlist(Path(inputs))
    without = tuple(sorted({*leave_out, *(wanted.leave_out if wanted is not None else ())}))
    probes = _one_rate(_probed(folder, without, unfit), unfit)
    groups = _placed(_grouped(probes), unfit)
    tracks, names = _tracks(groups)
    timed = {p.file.name for p in probes if p.time_reference is not None}
    reader = FileReader()
    sr = probes[0].file.sr
    tracks = _roled(tracks, names, reader, sr, _end(tracks))
    view, layout = "drummer", None
    if wanted is not None:
        tracks = tuple(apply(wanted, tracks, {*without, *(unfit or ())}))
        view, layout = wanted.view, wanted.layout
    tracks = _long_enough(tracks, timed, unfit)
    if not any(t.is_drum for t in tracks):
        raise TakeError(
            f"{folder.name}: no drum track recognised among {len(tracks)} tracks; name them in an input list "
            "(--inputs) and try again"
        )
    return Take(
        name=folder.resolve().name,
        sr=sr,
        n_samples=_end(tracks),
        tracks=tracks,
        folder=folder,
        reader=reader,
        workers=workers,
        progress=progress,
        view=view,
        layout=layout,
        left_out=without,
    )


def _end(tracks: Sequence[Track]) -> int:
    return max(t.stop for t in tracks)


_Unfit = dict[str, DspError] | None


def _tell(name: str, error: DspError, unfit: _Unfit) -> None:
    if name.isprintable():  # else it cannot be named
        about(name, error)
    if unfit is None:
        raise error
    unfit[name if name.isprintable() else f"{name!a}"] = error


def _probed(folder: Path, without: Sequence[str], unfit: _Unfit) -> list[Probe]:
    if not _writable_as_text(folder):
        raise TakeError(f"{str(folder)!a}: its path holds characters that cannot be written; rename the folder")
    try:
        if not folder.exists():
            raise TakeError(f"{folder}: no such folder; check the path")
        if not folder.is_dir():
            raise TakeError(f"{folder}: is a file; give the folder that holds the recordings")
        paths = sorted(
            p for p in folder.iterdir() if p.suffix.lower() in SUFFIXES and not p.name.startswith(".") and p.is_file()
        )
    except PermissionError as error:
        raise TakeError(f"{folder}: no permission to look into it; change its access rights") from error
    if not paths:
        inside = sum(1 for p in folder.glob("*/*") if p.suffix.lower() in SUFFIXES)
        hint = "the recordings seem to be one folder deeper" if inside else "it needs WAV, AIFF, FLAC, CAF or W64 files"
        raise TakeError(f"{folder}: no audio file in this folder; {hint}")
    names = {p.name for p in paths}
    for name in without:
        if name not in names:
            raise PlanError(
                f"{folder.name}: to be left out: {name} is not among its audio files; {nearest(name, names)}"
            )
    paths = [p for p in paths if p.name not in without]
    if not paths:
        raise TakeError(f"{folder.name}: all of its audio files are left out; leave one in")
    found = []
    for path in paths:
        try:
            if not path.name.isprintable():
                raise AudioFileError(f"{path.name!a}: its name holds characters that cannot be written; rename it")
            found.append(probe(path))
        except AudioFileError as error:
            _tell(path.name, error, unfit)
    if not found:
        raise TakeError(f"{folder}: none of its {len(paths)} audio files can be read; copy the take again")
    return found


def _writable_as_text(path: Path) -> bool:
    """Whether a path can be handed to libraries and written into texts: names on disk are bytes, not always UTF-8."""
    try:
        str(path.absolute()).encode()
    except UnicodeEncodeError:
        return False
    return True


def _one_rate(probes: list[Probe], unfit: _Unfit) -> list[Probe]:
    counts = Counter(p.file.sr for p in probes)
    # of two rates that are equally common the higher one counts
    usual = max(counts, key=lambda sr: (counts[sr], sr))
    like = next(p.file.name for p in probes if p.file.sr == usual)
    for p in probes:
        if p.file.sr != usual:
            many = f"{like} and {counts[usual] - 1} more have" if counts[usual] > 1 else f"{like} has"
            text = f"{p.file.name}: sample rate {p.file.sr} Hz, but {many} {usual} Hz; convert it first"
            _tell(p.file.name, TakeError(text), unfit)
    low, high = RATES_HZ
    if not low <= usual <= high:
        raise TakeError(f"{like}: sample rate {usual} Hz; a take has {low} to {high} Hz")
    usable = [p for p in probes if p.file.sr == usual]
    return [replace(p, file=replace(p.file, start=p.time_reference or 0)) for p in usable]


def _grouped(probes: list[Probe]) -> list[list[Probe]]:
    """Join the parts of one recording; every other file stands alone."""
    numbered: dict[tuple[str, str], list[Probe]] = defaultdict(list)
    for p in probes:
        match = _PART.match(Path(p.file.name).stem)
        if match:
            numbered[match["stem"], Path(p.file.name).suffix.lower()].append(p)
    rows = {k: v for k, v in numbered.items() if len(v) > 1 and _in_a_row(v)}
    lengths = Counter(tuple(p.file.n_samples for p in v) for v in rows.values())
    whole = {p.file.n_samples for p in probes}
    joined: dict[str, list[Probe]] = {}
    for parts in rows.values():
        if all(p.time_reference is not None for p in parts):
            if all(b.file.start == a.file.start + a.file.n_samples for a, b in pairwise(parts)):
                joined[parts[0].file.name] = parts
            continue
        sizes = tuple(p.file.n_samples for p in parts)
        alike = len(set(sizes[:-1])) == 1 and sizes[-1] < sizes[0]
        if alike and (lengths[sizes] > 1 or sum(sizes) in whole):
            at, placed = parts[0].file.start, []
            for p in parts:
                placed.append(replace(p, file=replace(p.file, start=at)))
                at += p.file.n_samples
            joined[parts[0].file.name] = placed
    inner = {p.file.name for parts in joined.values() for p in parts[1:]}
    return [joined.get(p.file.name, [p]) for p in probes if p.file.name not in inner]


def _in_a_row(parts: list[Probe]) -> bool:
    numbers = [int(Path(p.file.name).stem[-3:]) for p in parts]
    kinds = {(p.file.n_channels, p.file.format, p.file.subtype) for p in parts}
    return numbers == list(range(numbers[0], numbers[0] + len(parts))) and len(kinds) == 1


def _placed(groups: list[list[Probe]], unfit: _Unfit) -> list[list[Probe]]:
    """Move every recording to its place, the earliest to 0; until now a file's start is its TimeReference."""
    timed = [g for g in groups if g[0].time_reference is not None]
    if not timed:
        return groups

    def gap(one: list[Probe], other: list[Probe]) -> int:
        """Samples between two recordings; 0 or less if they touch or overlap."""
        (a, b), (c, d) = _span(one), _span(other)
        return max(a - d, c - b)

    def weight(group: list[Probe]) -> tuple[int, bool, int, str]:
        company = sum(1 for g in timed if gap(g, group) <= 0)
        return company, group[0].time_reference != 0, _span(group)[1] - _span(group)[0], group[0].file.name

    anchor = max(timed, key=weight)
    stray = [g for g in timed if gap(g, anchor) > 0 and g[0].time_reference == 0]
    far = [g for g in timed if gap(g, anchor) > 0 and g not in stray]
    for g in far:
        hours = gap(g, anchor) / g[0].file.sr / 3600
        apart = f"{hours * 60:.1f} minutes" if hours < 1 else f"{hours:.1f} hours"
        text = (
            f"{g[0].file.name}: by its TimeReference it lies {apart} away from {anchor[0].file.name}; "
            "give every take a folder of its own"
        )
        _tell(g[0].file.name, TakeError(text), unfit)
    earliest = min(_span(g)[0] for g in timed if g not in stray and g not in far)
    placed = []
    for g in groups:
        if g not in far:
            by = _span(g)[0] if g in stray or g[0].time_reference is None else earliest
            placed.append([replace(p, file=replace(p.file, start=p.file.start - by)) for p in g])
    return placed


def _span(group: list[Probe]) -> tuple[int, int]:
    return group[0].file.start, group[-1].file.start + group[-1].file.n_samples


def _tracks(groups: list[list[Probe]]) -> tuple[tuple[Track, ...], dict[str, str]]:
    tracks, names = [], {}
    for group in groups:
        files: tuple[AudioFile, ...] = tuple(p.file for p in group)
        first = files[0]
        for channel in range(first.n_channels):
            track_id = first.name if first.n_channels == 1 else f"{first.name}:{channel}"
            name = group[0].channel_names.get(channel, "")
            tracks.append(Track(id=track_id, files=files, channel=channel, name=name))
            if name:
                names[track_id] = name
    return tuple(tracks), names


def _roled(
    tracks: tuple[Track, ...], names: Mapping[str, str], reader: FileReader, sr: int, n_samples: int
) -> tuple[Track, ...]:
    from spillgate.dsp.take.content import guess_tracks

    return tuple(guess_tracks(tracks, names, reader, sr, n_samples))


def _long_enough(tracks: tuple[Track, ...], timed: set[str], unfit: _Unfit) -> tuple[Track, ...]:
    drums = [t for t in tracks if t.is_drum]
    if not drums:
        return tracks
    longest = max(drums, key=lambda t: t.stop - t.start)
    limit = SHORTEST_SHARE * (longest.stop - longest.start)
    short = {
        t.file.name: (t.stop - t.start) / t.file.sr
        for t in drums
        if t.stop - t.start < limit and t.file.name not in timed
    }
    if 2 * len(short) > len(drums):  # the odd one out is the long one
        usual = sorted(short.values())[len(short) // 2]
        odd = {t.file.name: (t.stop - t.start) / t.file.sr for t in drums if t.file.name not in {*short, *timed}}
        for name, seconds in odd.items():
            text = f"{name}: lasts {seconds:.1f} s, but most others {usual:.1f} s; it seems to belong to another take"
            _tell(name, TakeError(text), unfit)
        return tuple(t for t in tracks if t.file.name not in odd)
    for name, seconds in short.items():
        _tell(
            name,
            TakeError(
                f"{name}: lasts {seconds:.1f} s, but {longest.file.name} "
                f"{(longest.stop - longest.start) / longest.file.sr:.1f} s; it seems to belong to another take"
            ),
            unfit,
        )
    return tuple(t for t in tracks if t.file.name not in short)
