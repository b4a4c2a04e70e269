"""A crew's points as GeoJSON, CSV, GPX and KML, and the bag labels; each read back elsewhere.

Written with the standard library alone; GeoJSON, GPX and KML are read back by GDAL, CSV by pandas.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from xml.etree import ElementTree as ET

from vrx.errors import ExportError
from vrx.export.tables import write_table
from vrx.export.write import write_together
from vrx.formats import crew as facts
from vrx.model import CrewPlan, CrewPoint

Row = Mapping[str, str | int | float | None]


def write_crew(plan: CrewPlan, folder: Path) -> tuple[tuple[str, Path], ...]:
    """Write all files of a crew into `folder`; gives (format, path) of each.

    All are written into a scratch folder, read back and compared, and only then renamed. Raises
    `ExportError`; `folder` then holds what it held before.
    """
    rows = [_row(plan, point) for point in plan.points]
    writers: list[tuple[str, Callable[[Path], Sequence[Path]]]] = [
        ("geojson", partial(_geojson, rows)), ("csv", partial(_csv, rows)),
        ("gpx", partial(_gpx, plan, rows)), ("kml", partial(_kml, plan, rows)),
        ("csv", partial(_labels, plan)),
    ]
    return write_together(folder, writers)


def _row(plan: CrewPlan, point: CrewPoint) -> Row:
    bags = dict.fromkeys(one.bag for one in plan.labels if one.number == point.number)
    return {
        "number": point.number, "longitude": round(point.longitude, facts.DECIMALS),
        "latitude": round(point.latitude, facts.DECIMALS), "zone": facts.printable(point.zone),
        "depths_in": "; ".join(f"{top:g} to {bottom:g}" for top, bottom in plan.depths_in),
        "cores": plan.cores, "within_ft": round(plan.core_radius_ft, 1),
        "bags": facts.printable("; ".join(bags)), "soil": "yes" if point.soil else "no",
        "plants": "yes" if point.plants else "no",
        "second_bag": "yes" if point.second_bag else "no", "rank": point.rank,
        "expected_fall": None if point.gain_lb is None else float(f"{point.gain_lb:.6g}"),
        "why": facts.printable(point.why),
    }


def _words(row: Row) -> str:
    """What a receiver shows below the number."""
    said = f"{row['depths_in']} in, {row['cores']} cores within {row['within_ft']:g} ft"
    if row["soil"] == "no":
        return f"zone {row['zone']}, plants only; bag {row['bags']}"
    if row["zone"]:
        said = f"zone {row['zone']}, {said}"
    if row["second_bag"] == "yes":
        said += ", two bags"
    if row["plants"] == "yes":
        said += ", and plants"
    return f"{said}; bags {row['bags']}"


def _degrees(row: Row) -> tuple[str, str]:
    return f"{row['longitude']:.{facts.DECIMALS}f}", f"{row['latitude']:.{facts.DECIMALS}f}"


def _geojson(rows: Sequence[Row], folder: Path) -> Sequence[Path]:
    path = folder / f"{facts.STEM}.geojson"
    features = [
        {"type": "Feature", "id": row["number"],
         "geometry": {"type": "Point", "coordinates": [row["longitude"], row["latitude"]]},
         "properties": {name: row[name] for name in facts.COLUMNS
                        if name not in ("longitude", "latitude")}}
        for row in rows
    ]
    document = {"type": "FeatureCollection", "features": features}
    path.write_text(
        json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n",
        encoding="utf-8", newline="\n")
    _compare(path, rows, layer=None, name="number")
    return (path,)


def _csv(rows: Sequence[Row], folder: Path) -> Sequence[Path]:
    path = folder / f"{facts.STEM}.csv"
    write_table(path, facts.COLUMNS, [[row[name] for name in facts.COLUMNS] for row in rows])
    return (path,)


def _labels(plan: CrewPlan, folder: Path) -> Sequence[Path]:
    path = folder / f"{facts.LABELS}.csv"
    write_table(path, facts.LABEL_COLUMNS, [
        [facts.printable(one.bag), facts.printable(one.field), one.number,
         facts.printable(one.what), "", ""]
        for one in plan.labels
    ])
    return (path,)


def _xml(root: ET.Element, path: Path) -> None:
    ET.indent(root, " ")
    ET.ElementTree(root).write(
        path, encoding="utf-8", xml_declaration=True, short_empty_elements=True)


def _with_text(parent: ET.Element, tag: str, text: str) -> None:
    ET.SubElement(parent, tag).text = facts.printable(text)


def _gpx(plan: CrewPlan, rows: Sequence[Row], folder: Path) -> Sequence[Path]:
    path = folder / f"{facts.STEM}.gpx"
    root = ET.Element("gpx", version="1.1", creator="vrx", xmlns=facts.GPX)
    _with_text(ET.SubElement(root, "metadata"), "name", plan.field_name)
    for row in rows:
        longitude, latitude = _degrees(row)
        point = ET.SubElement(root, "wpt", lat=latitude, lon=longitude)
        _with_text(point, "name", str(row["number"]))
        _with_text(point, "desc", _words(row))
        _with_text(point, "type", "soil sample" if row["soil"] == "yes" else "plant sample")
    route = ET.SubElement(root, "rte")
    _with_text(route, "name", "walking order")
    for row in rows:
        longitude, latitude = _degrees(row)
        point = ET.SubElement(route, "rtept", lat=latitude, lon=longitude)
        _with_text(point, "name", str(row["number"]))
    _xml(root, path)
    _compare(path, rows, layer="waypoints", name="name")
    return (path,)


def _kml(plan: CrewPlan, rows: Sequence[Row], folder: Path) -> Sequence[Path]:
    path = folder / f"{facts.STEM}.kml"
    root = ET.Element("kml", xmlns=facts.KML)
    document = ET.SubElement(root, "Document")
    _with_text(document, "name", plan.field_name)
    for row in rows:
        mark = ET.SubElement(document, "Placemark")
        _with_text(mark, "name", str(row["number"]))
        _with_text(mark, "description", _words(row))
        _with_text(ET.SubElement(mark, "Point"), "coordinates", ",".join(_degrees(row)))
    _xml(root, path)
    _compare(path, rows, layer=None, name="Name")
    return (path,)


def _compare(path: Path, rows: Sequence[Row], *, layer: str | None, name: str) -> None:
    """Read a file back with GDAL: as many points, at their places, under their numbers."""
    import numpy as np
    import pyogrio
    import shapely
    from pyogrio.errors import DataLayerError, DataSourceError

    try:
        told, _, geometry, fields = pyogrio.raw.read(path, layer=layer, columns=[name])
    except (DataSourceError, DataLayerError) as err:
        raise _differs(path, str(err)) from err
    if told["crs"] != "EPSG:4326" or len(geometry) != len(rows):
        raise _differs(path, f"{len(geometry)} points in {told['crs']}, {len(rows)} were meant")
    read = shapely.get_coordinates(shapely.from_wkb(geometry))
    meant = np.array([[row["longitude"], row["latitude"]] for row in rows], dtype=np.float64)
    if np.abs(read - meant).max() > 0.6 * 10.0**-facts.DECIMALS:
        raise _differs(path, "points lie elsewhere")
    if [str(one) for one in fields[0]] != [str(row["number"]) for row in rows]:
        raise _differs(path, "points have other numbers")


def _differs(path: Path, what: str) -> ExportError:
    return ExportError(
        f"read back after writing, it differs: {what}", code="export-differs", where=str(path),
        hint="nothing was replaced; try again, and on another disk",
    )
