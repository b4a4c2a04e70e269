"""What a machine applied against what was planned: by zone, by place, and what is left."""

from vrx.applied.cells import rate_cells
from vrx.applied.compare import compare_applied
from vrx.applied.left import left_rates
from vrx.applied.tell import compare_findings

__all__ = ["compare_applied", "compare_findings", "left_rates", "rate_cells"]
