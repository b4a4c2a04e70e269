"""Re-read exported prescriptions with other parsers and work every acre and pound out again."""

from vrx.audit.lone import audit_file, audit_files
from vrx.audit.run import audit_run
from vrx.audit.stated import (
    AMOUNT_UNITS,
    NOTHING_STATED,
    NUTRIENTS,
    RATE_UNITS,
    ColumnStated,
    ProductStated,
    Statement,
    TableStated,
)
from vrx.model.audit import AuditedFile, AuditResult, AuditRow

__all__ = [
    "AMOUNT_UNITS",
    "NOTHING_STATED",
    "NUTRIENTS",
    "RATE_UNITS",
    "AuditResult",
    "AuditRow",
    "AuditedFile",
    "ColumnStated",
    "ProductStated",
    "Statement",
    "TableStated",
    "audit_file",
    "audit_files",
    "audit_run",
]
