"""The fleet report: one HTML file that needs no network, no script and no other file."""

from hubtack.fleet.report.page import report_html

__all__ = ["report_html"]
