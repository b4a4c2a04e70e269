"""The steps of the job, in its order; a step that is not there yet is not in the list."""

from vrx.app.step import Step
from vrx.app.steps import files, hand_over, needs, zones

STEPS: tuple[Step, ...] = (files.STEP, zones.STEP, needs.STEP, hand_over.STEP)

__all__ = ["STEPS"]
