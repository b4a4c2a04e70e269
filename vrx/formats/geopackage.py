"""Facts of the GeoPackage that is handed out, for its writer and its readers.

OGC GeoPackage 1.4 (12-128r19): header and tables of contents; OGC 17-066r2: gridded coverages. The
table `layer_styles` is an open convention of desktop GIS programs, no part of the standard: one row
a style, `f_geometry_column` empty for a raster (from memory; issue threads of such a program say
that rasters of a GeoPackage take their style from it as well).
"""

from __future__ import annotations

FILE = "field.gpkg"
PINNED_TIME = "2000-01-01T00:00:00.000Z"
"""Written in place of a clock, so that the same run gives the same bytes."""

BOUNDARY = "boundary"
ZONES = "zones"
PRESCRIPTION = "prescription"
SAMPLES = "samples"
PASSES = "passes"
ORDER = "order_lines"
FINDINGS = "findings"
COLUMNS = "column_meanings"
RECORD = "run_record"
STYLES = "layer_styles"
GEOMETRY = "geom"

KNOWN = {0: "measured", -1: "below the limit", 1: "above the limit"}
"""How well a sample's value is known, by the model's sign."""
