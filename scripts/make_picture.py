"""Draw the README's picture from a run of the invented kettle field: `sample_geo/kettle.svg`.

Run it with the project's Python after anything that changes kettle's rates or its maps:
`.venv/bin/python scripts/make_picture.py`.
"""

from __future__ import annotations

import re
import shutil
import tempfile
from pathlib import Path

from vrx.pipeline import run_field
from vrx.report import maps

ROOT = Path(__file__).resolve().parents[1]
TARGET = ROOT / "sample_geo" / "kettle.svg"
GAP = 24


def size(svg: str) -> tuple[float, float]:
    """Width and height of a drawing, from its viewBox."""
    found = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg)
    if found is None:
        raise ValueError("the drawing has no viewBox that starts at 0 0")
    return float(found[1]), float(found[2])


def side_by_side(drawings: list[str]) -> str:
    """One SVG with the drawings in a row, on white so that dark pages show it too."""
    sizes = [size(one) for one in drawings]
    width = sum(w for w, _ in sizes) + GAP * (len(drawings) + 1)
    height = max(h for _, h in sizes) + 2 * GAP
    parts, at = [], float(GAP)
    for svg, (w, h) in zip(drawings, sizes, strict=True):
        inner = re.sub(r' (width|height)="[^"]*"', "", svg.partition(">")[0])
        inner = inner.replace("<svg", f'<svg x="{at:g}" y="{GAP}" width="{w:g}" height="{h:g}"', 1)
        parts.append(inner + ">" + svg.partition(">")[2])
        at += w + GAP
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" '
        f'width="{width:g}" height="{height:g}"><rect width="100%" height="100%" fill="#fff"/>'
        + "".join(parts) + "</svg>\n"
    )


def main() -> None:
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(shutil.copytree(ROOT / "sample_geo" / "kettle", Path(scratch) / "kettle"))
        job = run_field(folder).job
    first = job.prescription.passes[0]
    drawings = [
        maps.soil_map(
            key="soil", field=job.field, soil=job.soil, surface=job.surfaces["potassium"],
            name="Soil-test K, ppm K", taken="Mehlich-3, 0 to 8 in",
        ).svg,
        maps.rate_map(key="rates", field=job.field, zones=job.zones, rates=first).svg,
    ]
    TARGET.write_text(side_by_side(drawings), encoding="utf-8", newline="\n")
    print(TARGET)


if __name__ == "__main__":
    main()
