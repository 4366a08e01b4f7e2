"""The report: one page that opens from disk and shows every decision as a picture, a sound and a line in a table."""

from spillgate.cli.report.build import Words, page, write_report

__all__ = ["Words", "page", "write_report"]
