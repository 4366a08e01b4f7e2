"""The results of a batch: a table for programs and an overview for people."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, fields
from urllib.parse import quote

from spillgate.cli.many import Outcome
from spillgate.cli.report.build import asset, environment
from spillgate.dsp.plan.tables import table_text
from spillgate.dsp.words import duration

__all__ = ["overview", "ranked", "table"]


def ranked(outcomes: Sequence[Outcome]) -> list[Outcome]:
    """Order outcomes: failed first, then by the question that matters most, then by name."""
    return sorted(outcomes, key=lambda o: (o.state != "failed", -o.loudest_question, -o.questions, o.take))


def table(outcomes: Sequence[Outcome]) -> str:
    """Give the outcomes as CSV, sorted by take; the same whatever the order in which they came."""
    names = [f.name for f in fields(Outcome) if f.name != "state"]
    rows = []
    for o in sorted(outcomes, key=lambda o: o.take):
        row = asdict(o)
        rows.append((o.take, "failed" if o.state == "failed" else "done", *(str(row[n]) for n in names[1:])))
    return table_text(("take", "result", *names[1:]), rows)


def overview(outcomes: Sequence[Outcome], of: int) -> str:
    """Give the outcomes as a page with the worst first.

    Parameters
    ----------
    outcomes : sequence of Outcome
        So far.
    of : int
        How many there will be.

    Returns
    -------
    html : str
    """
    rows = [
        {**asdict(o), "link": quote(f"{o.output}/report.html", errors="surrogateescape"), "length": duration(o.seconds)}
        for o in ranked(outcomes)
    ]
    counts = {"failed": sum(o.state == "failed" for o in outcomes), "asked": sum(o.questions for o in outcomes)}
    page: str = environment().get_template("takes.html").render(rows=rows, of=of, css=asset("report.css"), **counts)
    return page
