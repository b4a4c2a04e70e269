"""Re-read exported prescriptions with other parsers and work every acre and pound out again."""

from vrx.audit.lone import audit_file
from vrx.audit.result import AuditResult, AuditRow
from vrx.audit.run import audit_run

__all__ = ["AuditResult", "AuditRow", "audit_file", "audit_run"]
