"""What people read: pages, sheets, charts, workbooks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lawnscore.report.write import ReportSummary, write_reports

__all__ = ["ReportSummary", "write_reports"]


def __getattr__(name: str) -> Any:
    """Load a public name when it is first asked for, so that the command line starts quickly."""
    if name in __all__:
        from lawnscore.report import write

        return getattr(write, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
