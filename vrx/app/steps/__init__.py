"""The steps of the job, in its order."""

from vrx.app.step import Step
from vrx.app.steps import files, hand_over, maps, needs, samples, season, zones

STEPS: tuple[Step, ...] = (
    files.STEP, samples.STEP, maps.STEP, zones.STEP, needs.STEP, season.STEP, hand_over.STEP)

__all__ = ["STEPS"]
