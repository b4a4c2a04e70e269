"""Facts of the GeoPackage that is handed out, for its writer and its readers.

OGC GeoPackage 1.2 (12-128r14): header and tables of contents; OGC 17-066r2: gridded coverages.
Nothing here needs a later version, of which programs of earlier years warn. The table
`layer_styles` is an open convention of desktop GIS programs, no part of the standard: one row a
style, `f_geometry_column` empty for a raster (an issue thread of such a program of 2024 says that
rasters of a GeoPackage take their default style from it too; one of 2022 was seen not to).
"""

from __future__ import annotations

FILE = "field.gpkg"
VERSION = "1.2"
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
