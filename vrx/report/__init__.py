"""Values to one page: maps (SVG) and HTML for screen, phone and paper; computes nothing."""

from vrx.report.application import application_pages
from vrx.report.applied import applied_page
from vrx.report.audit_page import audit_page
from vrx.report.crew import crew_sheet
from vrx.report.legends import legends, rate_legends
from vrx.report.page import page, page_views, sheet, with_files
from vrx.report.pdf import pdf_bytes, require_pdf

__all__ = [
    "application_pages",
    "applied_page",
    "audit_page",
    "crew_sheet",
    "legends",
    "page",
    "page_views",
    "pdf_bytes",
    "rate_legends",
    "require_pdf",
    "sheet",
    "with_files",
]
