"""Facts of the files for a sampling crew: names, columns, namespaces.

GeoJSON: RFC 7946. GPX 1.1: schema of topografix.com/GPX/1/1 (children of `gpx` in the order
metadata, wpt, rte; of a point: name, cmt, desc, sym, type). KML 2.2: OGC 07-147r2. All three are in
WGS 84 degrees, longitude and latitude.
"""

from __future__ import annotations

import re

STEM = "sampling_points"
LABELS = "bag_labels"
DECIMALS = 7
"""1 cm on the ground, far below what a receiver knows."""

GPX = "http://www.topografix.com/GPX/1/1"
KML = "http://www.opengis.net/kml/2.2"

COLUMNS = (
    "number", "longitude", "latitude", "zone", "depths_in", "cores", "within_ft", "bags", "soil",
    "plants", "second_bag", "rank", "expected_fall", "why",
)
LABEL_COLUMNS = ("bag", "field", "point", "what", "date", "taken_by")

LAYOUTS = (
    "where it pays", "widest gaps", "offset grid", "square grid", "long axis", "by zones",
)
"""Names of the layouts, as the plan and the command line spell them."""

_FORBIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


def printable(text: str) -> str:
    """Text without the characters that XML 1.0 forbids, each replaced by U+FFFD."""
    return _FORBIDDEN.sub("\ufffd", text)


def safe_cell(text: str) -> str:
    """Text that no spreadsheet takes for a formula: an apostrophe before =, +, -, @ and blanks.

    Numbers are not passed through here. Source: OWASP, CSV injection (from memory).
    """
    return f"'{text}" if text.startswith(_FORMULA) else text
