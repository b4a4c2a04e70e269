"""An invented field of the tests' own: an outline and a soil table with awkward headings.

No such field, farm or laboratory exists. Readings are a slope and a bowl with seeded noise.
"""

from __future__ import annotations

import csv
import io
import json
import math
import random
from pathlib import Path

WEST, SOUTH = -98.3712, 41.0854
ACROSS_M, DOWN_M, LEAN_M = 420.0, 380.0, 35.0
M_PER_DEG = 111_195.0
HEADINGS = ("Smp. No.", "Lon (deg)", "Lat (deg)", "Date pulled", "K Mehlich-3 (ppm)",
            "Sulfate-S ppm", "CEC, meq/100g", "OM %", "pH (1:1)", "Remark")
DEFAULT_NAMES = tuple(f"{row}{number}" for row in "ABCDEF" for number in range(1, 7))

# What only the user knows, by the keys of the plan.
ANSWERS = {
    "field.season": "2027", "field.stand_year": "3",
    "soil.longitude_column": "Lon (deg)", "soil.latitude_column": "Lat (deg)",
    "soil.date_column": "Date pulled", "soil.lab": "Two Creeks Soil Laboratory (invented)",
    "soil.report_number": "TC-26-2",
    "soil.potassium.unit": "ppm", "soil.potassium.form": "K",
    "soil.potassium.extractant": "mehlich-3", "soil.potassium.depth_in": ("0", "8"),
    "soil.cec.unit": "meq/100 g", "soil.organic_matter.unit": "%",
    "soil.sulfate.unit": "ppm", "soil.sulfate.form": "SO4-S",
    "soil.sulfate.extractant": "calcium phosphate", "soil.sulfate.depth_in": ("0", "24"),
    "water.net_in": "8", "water.sulfate_so4_ppm": "30",
    "yield_goal.tons_per_ac": "6.5", "yield_goal.moisture_pct": "12",
    "need.potassium.book": "tri-state-2020", "pass[1].material": "muriate of potash 0-0-60",
    "machine.after-first.least_lb_per_ac": "50", "machine.after-first.most_lb_per_ac": "400",
    "machine.after-first.step_lb_per_ac": "10",
}


def place(east: float, north: float) -> tuple[float, float]:
    """Longitude and latitude of metres from the field's south-west corner."""
    per = M_PER_DEG * math.cos(math.radians(SOUTH))
    return round(WEST + east / per, 7), round(SOUTH + north / M_PER_DEG, 7)


def outline(name: str = "North eighty") -> str:
    """The boundary as GeoJSON: five corners, one of them cut off."""
    corners = [(0, 0), (ACROSS_M, LEAN_M), (ACROSS_M - 20, DOWN_M - 90),
               (ACROSS_M - 110, DOWN_M), (-15, DOWN_M - LEAN_M), (0, 0)]
    return json.dumps({"type": "FeatureCollection", "features": [{
        "type": "Feature", "properties": {"Field name": name},
        "geometry": {"type": "Polygon", "coordinates": [[list(place(*one)) for one in corners]]},
    }]})


def table(names: tuple[str, ...] = DEFAULT_NAMES, headings: tuple[str, ...] = HEADINGS) -> str:
    """Soil tests of 36 places as CSV."""
    told = random.Random(20261105)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(headings)
    for number, name in enumerate(names):
        row, column = divmod(number, 6)
        east = 30 + column * 66 + told.uniform(-12, 12)
        north = 50 + row * 54 + told.uniform(-10, 10)
        bowl = math.hypot(east - 130, north - 250) / 300
        k = 62 + 95 * bowl + 30 * east / ACROSS_M + told.gauss(0, 5)
        cec = 4.2 + 3.5 * east / ACROSS_M + told.gauss(0, 0.3)
        writer.writerow([
            name, *place(east, north), "10/14/2026", f"{k:.0f}",
            f"{3.0 + 2.5 * bowl + told.gauss(0, 0.3):.1f}", f"{cec:.1f}",
            f"{0.9 + 0.7 * east / ACROSS_M:.1f}", f"{6.4 + 0.5 * bowl:.1f}", ""])
    return out.getvalue()


def write(folder: Path, *, boundary: str = "N80 outline.geojson",
          soil: str = "Fall '26 soil results (final).csv", **more: object) -> tuple[Path, Path]:
    """Both files in a folder of the user's; gives their paths."""
    folder.mkdir(exist_ok=True, parents=True)
    first, second = folder / boundary, folder / soil
    first.write_text(outline(), encoding="utf-8")
    second.write_text(table(**more), encoding="utf-8", newline="")
    return first, second
