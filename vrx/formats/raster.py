"""Facts of rasters that are handed out, for their writers and readers.

TIFF 6.0 (Adobe, 1992) sections 2, 13, 14, 15; floating-point predictor: Adobe Photoshop TIFF
Technical Note 3 (2005); tags of place: OGC GeoTIFF 1.1 (19-008r4) sections 7.1 and 7.5; layout of a
Cloud-Optimised GeoTIFF: OGC 21-026. From memory of these, tested against two readers.
"""

from __future__ import annotations

NODATA = -9999.0
"""Outside the field; never 0, which is a rate."""

FOLDER = "geotiff"
BLOCK = 256

CELL_M = 5.0
"""Cells of rates where no map sets them."""
MOST_CELLS = 4_000_000
"""Of one raster of rates: a field of 10,000 ha at 5 m."""

ZONES = "zones"
ZONE_BAND = "ZONE_ID"
"""The raster of zones beside those of rates: its file (without ending) and its only band."""
ZONE_WORDS = "ZONE_RATES"
"""The word with all zones: "1 A 230 2.0757; 2 B ...": number, letter, rate, acres; in the raster of
zones the rate is 0."""
