"""The only chain of stages for one field: read, compute, write, commit."""

from vrx.pipeline.inputs import Inputs, read_field, read_inputs, read_soil
from vrx.pipeline.run import OUTPUT, RunResult, compute, run_field

__all__ = [
    "OUTPUT",
    "Inputs",
    "RunResult",
    "compute",
    "read_field",
    "read_inputs",
    "read_soil",
    "run_field",
]
