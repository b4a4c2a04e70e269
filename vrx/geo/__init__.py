"""Field CRS, geodesic acres, grids, polygon coverages, rasterise and trace."""

from vrx.geo.area import area_ac, lonlat_area_m2
from vrx.geo.coverage import (
    coverage_trouble,
    dissolve,
    edges_match,
    require_coverage,
    round_coverage,
    shared_edges,
)
from vrx.geo.crs import (
    WGS84,
    centre_of,
    field_crs,
    from_lonlat,
    parse_crs,
    to_lonlat,
    transform,
    transform_points,
)
from vrx.geo.faults import (
    CoverageFaults,
    Fault,
    coverage_faults,
    fault_place,
    valid_polygon,
    width_across_m,
    width_m,
)
from vrx.geo.grid import cell_at, cells_within, grid_over
from vrx.geo.mend import CLOSE_M, MadeCoverage, coverage_from_polygons, coverage_of_layers
from vrx.geo.overlay import Repeated, SharedAreas, repeated_ground, shared_areas
from vrx.geo.swaths import swath_polygons
from vrx.geo.trace import SIMPLIFY_CELLS, trace_coverage
from vrx.geo.zonal import zonal_mean, zone_cells

__all__ = [
    "CLOSE_M",
    "SIMPLIFY_CELLS",
    "WGS84",
    "CoverageFaults",
    "Fault",
    "MadeCoverage",
    "Repeated",
    "SharedAreas",
    "area_ac",
    "cell_at",
    "cells_within",
    "centre_of",
    "coverage_faults",
    "coverage_from_polygons",
    "coverage_of_layers",
    "coverage_trouble",
    "dissolve",
    "edges_match",
    "fault_place",
    "field_crs",
    "from_lonlat",
    "grid_over",
    "lonlat_area_m2",
    "parse_crs",
    "repeated_ground",
    "require_coverage",
    "round_coverage",
    "shared_areas",
    "shared_edges",
    "swath_polygons",
    "to_lonlat",
    "trace_coverage",
    "transform",
    "transform_points",
    "valid_polygon",
    "width_across_m",
    "width_m",
    "zonal_mean",
    "zone_cells",
]
