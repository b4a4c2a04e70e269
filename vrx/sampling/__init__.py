"""What is not known of the soil, where samples would pay, and the points that a crew walks."""

from vrx.sampling.candidates import candidate_places, usable_ground
from vrx.sampling.crew import bag_labels, cautions, crew_points
from vrx.sampling.layouts import Layout, fill_gaps, grid_layout, long_axis_layout, zone_layout
from vrx.sampling.practice import Practice, practice
from vrx.sampling.probability import judge, probability_below
from vrx.sampling.value import Ranking, disagreement, expected_misapplied, rank_samples
from vrx.sampling.walk import walk, walk_length

__all__ = [
    "Layout",
    "Practice",
    "Ranking",
    "bag_labels",
    "candidate_places",
    "cautions",
    "crew_points",
    "disagreement",
    "expected_misapplied",
    "fill_gaps",
    "grid_layout",
    "judge",
    "long_axis_layout",
    "practice",
    "probability_below",
    "rank_samples",
    "usable_ground",
    "walk",
    "walk_length",
    "zone_layout",
]
