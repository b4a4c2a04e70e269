"""The only chain of stages for one field: read, compute, write, commit."""

from vrx.pipeline.answer import answer_field
from vrx.pipeline.check import Checked, check_field
from vrx.pipeline.compare import compare_field
from vrx.pipeline.inputs import Inputs, read_field, read_inputs, read_soil
from vrx.pipeline.new import new_plan
from vrx.pipeline.reconcile import ReconcileResult, reconcile
from vrx.pipeline.run import OUTPUT, RunResult, run_field
from vrx.pipeline.sampling import SamplingResult, plan_sampling
from vrx.pipeline.stages import compute

__all__ = [
    "OUTPUT",
    "Checked",
    "Inputs",
    "ReconcileResult",
    "RunResult",
    "SamplingResult",
    "answer_field",
    "check_field",
    "compare_field",
    "compute",
    "new_plan",
    "plan_sampling",
    "read_field",
    "read_inputs",
    "read_soil",
    "reconcile",
    "run_field",
]
