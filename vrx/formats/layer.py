"""Facts of an exported prescription layer that writer and auditor share; no code of either.

Shapefile attributes: at most 10 bytes a name (dBASE III), letters, digits and underscore, starting
with a letter. Coordinates: WGS 84 longitude, latitude. RFC 7946 section 11.2 recommends no more
precision than needed; 9 decimals (0.1 mm) keep the acres of a 10-ac zone to 3e-7 and shared
corners shared, where 7 decimals would need a least distance between vertices.
"""

from __future__ import annotations

import re

ZONE_ID = "ZONE_ID"
ZONE_LETTER = "ZONE"
AREA_AC = "AREA_AC"

OUTSIDE = "rates_outside_zones"
"""Foreign member of the GeoJSON (RFC 7946, 6.1) and key of the GeoParquet's metadata: by rate
column {"unit": ..., "outside": ..., "position_lost": ...}, what a machine is to apply beyond all
zones and while it does not know its place."""

COORDINATE_DECIMALS = 9
DBF_NAME = re.compile(r"^[A-Z][A-Z0-9_]{0,9}$")
LAYER_NAME = "prescription"
SHAPEFILE_PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")

FIELD_AREA_TOLERANCE = 1e-5
"""Exported field acres agree with the model's to 0.001 %."""
ZONE_AREA_TOLERANCE = 2e-4
"""Exported zone acres agree with the model's to 0.02 %."""
