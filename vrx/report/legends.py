"""Classes and colours of the page's maps as plain values, for files that carry styles."""

from __future__ import annotations

from itertools import pairwise

from vrx.formats.legend import Legend, error_key
from vrx.model import ANALYTES, Field, Job, PassRates, Prescription, Surface
from vrx.report import frame as frames
from vrx.report.colours import MOST_CLASSES, error_ramp, nice_classes, surface_ramp
from vrx.report.maps import inside_values, rate_classes


def legends(job: Job) -> tuple[tuple[str, Legend], ...]:
    """Legends of all rates, soil-test maps and their standard errors.

    Keyed by rate column, analyte, and `vrx.formats.legend.error_key` of the analyte.
    """
    return (
        *rate_legends(job.prescription),
        *((key, _of_surface(job.field, one)) for key, one in job.surfaces.items()),
        *((error_key(key), _of_surface(job.field, one, error=True))
          for key, one in job.surfaces.items()),
    )


def rate_legends(prescription: Prescription) -> tuple[tuple[str, Legend], ...]:
    """Legends of all rates, keyed by their column."""
    return tuple((one.column, _of_rates(one)) for one in prescription.passes)


def _of_rates(rates: PassRates) -> Legend:
    _, words, colours = rate_classes(rates)
    different = sorted({int(s) for s in rates.steps})
    if len(different) <= MOST_CLASSES:
        low = high = tuple(s * rates.step for s in different)
    else:
        edges = nice_classes(rates.rates).edges
        low, high = edges[:-1], edges[1:]
    return Legend(
        name=f"{rates.number} {rates.material.id}, {rates.material.unit}", low=low, high=high,
        colours=colours, words=tuple(words))


def _of_surface(field: Field, surface: Surface, *, error: bool = False) -> Legend:
    values = surface.standard_error if error else surface.values
    classes = nice_classes(inside_values(field, surface, values))
    edges = [frames.edge_text(classes, i) for i in range(classes.count + 1)]
    known = ANALYTES.get(surface.analyte)
    name = known.label if known else f"{surface.analyte}, {surface.unit}"
    return Legend(
        name=f"standard error of {name}" if error else name,
        low=classes.edges[:-1], high=classes.edges[1:],
        colours=(error_ramp if error else surface_ramp)(classes.count),
        words=tuple(f"{a} to {b} {surface.unit}" for a, b in pairwise(edges)))
