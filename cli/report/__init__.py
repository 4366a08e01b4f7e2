"""The report: one page that opens from disk and shows every decision as a picture, a sound and a line in a table."""

from spillgate.cli.report.build import Words, page, write_report
from spillgate.cli.report.pictures import Pictures
from spillgate.cli.report.players import Removed, write_previews

__all__ = ["Pictures", "Removed", "Words", "page", "write_previews", "write_report"]
