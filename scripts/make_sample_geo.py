"""Makes the three invented fields of sample_geo anew: same seed, same files.

`.venv/bin/python scripts/make_sample_geo.py [folder]` writes boundaries, soil samples and own zones
and renews the SHA-256 list in sample_geo/README.md. Plans and the county guide are written by hand
and are left alone. Lengths are international feet in a local frame (east, north) at each site.
"""

from __future__ import annotations

import hashlib
import json
import sys
import zipfile
from pathlib import Path

import geopandas
import numpy as np
import numpy.typing as npt
import pyogrio
import pyproj
import shapely
from shapely import affinity, ops

from vrx.units import FT_M

ROOT = Path(__file__).resolve().parent.parent
SEED = 20261103
FILE_DATE = "2026-11-01"  # formats that carry a date of writing get this one
LIST_HEADING = "## Files made by the script, and their SHA-256"

Array = npt.NDArray[np.float64]

# Longitude, latitude of each local frame: open farm country, picked from the map and not surveyed.
KETTLE_AT = (-85.5478, 41.9312)
LONG_EIGHTY_AT = (-86.8800, 41.2400)
BENCH_AT = (-108.0200, 38.7000)


def local_crs(site: tuple[float, float]) -> pyproj.CRS:
    """Equal-area frame at a site, metres."""
    return pyproj.CRS.from_dict(
        {"proj": "laea", "lat_0": site[1], "lon_0": site[0], "datum": "WGS84", "units": "m"}
    )


def placed(geometry: shapely.Geometry, site: tuple[float, float], crs: str) -> shapely.Geometry:
    """A geometry in local feet, moved to a CRS, easting or longitude first."""
    move = pyproj.Transformer.from_crs(local_crs(site), crs, always_xy=True)

    def to_crs(feet: Array) -> Array:
        return np.column_stack(move.transform(feet[:, 0] * FT_M, feet[:, 1] * FT_M))

    return shapely.transform(geometry, to_crs)


def correlated(rng: np.random.Generator, places: Array, length_ft: float, nugget: float) -> Array:
    """Standard normal values (n,) with covariance exp(-distance / length) and a nugget share."""
    apart = np.hypot(*(places[:, None, :] - places[None, :, :]).transpose(2, 0, 1))
    cover = (1.0 - nugget) * np.exp(-apart / length_ft) + nugget * np.eye(len(places))
    return standard(np.linalg.cholesky(cover) @ rng.standard_normal(len(places)))


def standard(values: Array) -> Array:
    """Mean 0, standard deviation 1."""
    return (values - values.mean()) / values.std()


def grid_points(area: shapely.Geometry, spacing_ft: float, start: tuple[float, float]) -> Array:
    """Sampling stops in an area, (n, 2): rows south to north, driven there and back."""
    west, south, east, north = area.bounds
    stops: list[tuple[float, float]] = []
    for turn, up in enumerate(np.arange(south + start[1], north, spacing_ft)):
        row = [(float(along), float(up)) for along in np.arange(west + start[0], east, spacing_ft)
               if shapely.contains_xy(area, along, up)]
        stops += row if turn % 2 == 0 else row[::-1]
    return np.array(stops)


def blob(centre: tuple[float, float], radius_ft: float, waves: list[tuple[int, float, float]],
         corners: int) -> Array:
    """Ring (corners, 2) round a centre whose radius swings by (times, share, phase)."""
    turn = np.linspace(0.0, 2.0 * np.pi, corners, endpoint=False)
    radius = radius_ft * (1.0 + sum(a * np.cos(n * turn + p) for n, a, p in waves))
    return np.column_stack([centre[0] + radius * np.cos(turn), centre[1] + radius * np.sin(turn)])


def write_geojson(path: Path, polygon: shapely.Geometry, properties: dict[str, str]) -> None:
    """RFC 7946: WGS 84, outer rings counter-clockwise, 7 decimals (about 1 cm), no crs member."""
    rounded = shapely.transform(polygon, lambda at: np.round(at, 7))
    right = shapely.orient_polygons(rounded)
    feature = {"type": "Feature", "properties": properties,
               "geometry": json.loads(shapely.to_geojson(right))}
    text = json.dumps({"type": "FeatureCollection", "features": [feature]})
    path.write_text(text.replace("], [", "],\n[") + "\n", encoding="utf-8")


def write_csv(path: Path, header: list[str], rows: list[list[str]]) -> None:
    """Plain comma-separated text with LF line ends."""
    lines = [",".join(row) for row in [header, *rows]]
    path.write_bytes(("\n".join(lines) + "\n").encode())


def write_shapefile(path: Path, frame: geopandas.GeoDataFrame) -> None:
    """Shapefile parts beside `path`, with a fixed date in the DBF header."""
    pyogrio.write_dataframe(frame, path, driver="ESRI Shapefile", ENCODING="UTF-8",
                            DBF_DATE_LAST_UPDATE=FILE_DATE)


def zip_shapefile(shp: Path, target: Path) -> None:
    """All parts of a shapefile in one zip with fixed dates; the loose parts go."""
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as pack:
        for part in sorted(shp.parent.glob(shp.stem + ".*")):
            if part == target:
                continue
            info = zipfile.ZipInfo(part.name, date_time=(2026, 11, 1, 0, 0, 0))
            info.compress_type = zipfile.ZIP_DEFLATED
            pack.writestr(info, part.read_bytes())
            part.unlink()


# --- Kettle: a pivot on sandy outwash with a wet hollow ---

HOLLOW_AT = (420.0, -470.0)
HOLLOW_STOP = (512.0, -540.0)


def kettle_shapes() -> tuple[shapely.Polygon, shapely.Polygon]:
    """(wetted circle, hollow) in local feet. The circle wobbles as a driven boundary does."""
    circle = blob((0.0, 0.0), 1316.0, [(3, 0.0006, 0.4), (7, 0.0004, 2.0), (19, 0.0003, 1.0)], 180)
    hollow = blob(HOLLOW_AT, 216.0,
                  [(1, 0.12, 0.5), (2, 0.24, 1.1), (3, 0.10, -2.0), (5, 0.05, 0.3)], 52)
    return shapely.Polygon(circle), shapely.Polygon(hollow)


def kettle(folder: Path) -> None:
    """Circle of 125 ac less the hollow; 0-8 in for K, 0-24 in for sulfate, with a few wrinkles."""
    rng = np.random.default_rng(SEED)
    circle, hollow = kettle_shapes()
    write_geojson(folder / "boundary.geojson",
                  placed(circle.difference(hollow), KETTLE_AT, "EPSG:4326"),
                  {"farm": "Marl Lane Farm (invented)", "field": "Kettle pivot"})
    stops = grid_points(circle.buffer(-25.0), 295.0, (105.0, 105.0))
    stops = stops + rng.normal(0.0, 12.0, stops.shape)
    # Stops in the hollow were given up but for one, where the sampler waded in.
    wet = shapely.contains_xy(hollow.buffer(12.0), stops[:, 0], stops[:, 1])
    in_hollow = wet & (np.cumsum(wet) == np.sum(wet))
    stops[in_hollow] = [HOLLOW_STOP]
    stops, in_hollow = stops[~wet | in_hollow], in_hollow[~wet | in_hollow]
    far = int(np.argmax(stops @ np.array([-0.8, 0.6])))
    stops[far] *= (1316.0 + 13.0) / np.hypot(*stops[far])  # 4 m beyond the wheel track

    trend = (stops[:, 0] - stops[:, 1]) / 1316.0
    z_k = standard(0.8 * correlated(rng, stops, 320.0, 0.12) + 0.6 * standard(trend))
    near = np.exp(-np.hypot(stops[:, 0] - HOLLOW_AT[0], stops[:, 1] - HOLLOW_AT[1]) / 330.0)
    z_c = standard(0.6 * z_k + 0.7 * correlated(rng, stops, 400.0, 0.1) + 2.0 * near)
    k_ppm = np.clip(np.round(116.0 * np.exp(0.36 * z_k)), 52, 230)
    cec = np.clip(5.4 + 1.35 * z_c, 3.0, 9.0)
    om = np.clip(1.55 + 0.28 * (cec - 5.4) + 0.15 * correlated(rng, stops, 250.0, 0.5), 0.7, 3.2)
    sulfate = np.maximum(4.4 * np.exp(0.34 * correlated(rng, stops, 400.0, 0.3)
                                      + 0.10 * (om - 1.55)), 2.0)
    ph = 6.75 + 0.22 * correlated(rng, stops, 500.0, 0.3)
    p_ppm = np.round(41.0 * np.exp(0.35 * correlated(rng, stops, 350.0, 0.3)))
    k_ppm[in_hollow], cec[in_hollow], om[in_hollow] = 64, 14.2, 7.9

    below = int(np.argmin(np.where(in_hollow, 99.0, sulfate)))
    lonlat = shapely.get_coordinates(placed(shapely.MultiPoint(stops), KETTLE_AT, "EPSG:4326"))
    rows = [
        [f"K{i + 1:02d}", f"{lonlat[i, 0]:.7f}", f"{lonlat[i, 1]:.7f}",
         "2026-10-06" if i < 34 else "2026-10-07", f"{ph[i]:.1f}", f"{om[i]:.1f}", f"{cec[i]:.1f}",
         f"{p_ppm[i]:.0f}", f"{k_ppm[i]:.0f}", "<2.0" if i == below else f"{sulfate[i]:.1f}"]
        for i in range(len(stops))
    ]
    again = rows[26].copy()  # the laboratory ran this one twice
    again[0], again[8], again[9] = "K27R", f"{k_ppm[26] + 9:.0f}", f"{sulfate[26] + 0.4:.1f}"
    rows.insert(27, again)
    write_csv(folder / "soil.csv",
              ["sample_id", "longitude", "latitude", "sampled_on", "pH", "OM_pct",
               "CEC_meq_per_100g", "P_M3_ppm", "K_M3_ppm", "SO4S_ppm"], rows)


# --- Long eighty: two parts with a road between ---

def long_eighty_shapes() -> tuple[shapely.Polygon, shapely.Polygon]:
    """(west part with a farmyard notch, east part) in local feet; a road bends between them."""
    up = np.linspace(0.0, 1300.0, 14)
    road = 90.0 + 45.0 * np.sin(np.pi * up / 1300.0)
    west_edge = np.column_stack([road - 33.0, up])
    east_edge = np.column_stack([road + 33.0, up])
    west = shapely.Polygon(np.vstack([[[-1455.0, 4.0]], west_edge, [[-1461.0, 1296.0]]]))
    east = shapely.Polygon(np.vstack([east_edge[::-1], [[1376.0, -6.0], [1371.0, 1291.0]]]))
    yard = shapely.Polygon([(-322.0, -20.0), (-318.0, 285.0), (-262.0, 338.0), (-96.0, 342.0),
                            (-74.0, 310.0), (160.0, 316.0), (160.0, -20.0)])
    turned = [affinity.rotate(part, -0.7, origin=(0.0, 0.0))
              for part in (west.difference(yard), east)]
    return turned[0], turned[1]


def long_eighty_zones(west: shapely.Polygon, east: shapely.Polygon) -> list[tuple[str, str,
                                                                                  shapely.Polygon]]:
    """(label, remark, polygon) of the grower's own zones: a coverage of both parts."""
    along = np.linspace(-60.0, 1360.0, 30)
    ridge_west = np.column_stack([-1010.0 + 90.0 * np.sin(along / 330.0), along])
    ridge_east = np.column_stack([-560.0 + 120.0 * np.sin(along / 330.0 + 0.4), along])
    swale = np.column_stack([640.0 + 0.28 * along + 60.0 * np.sin(along / 260.0 + 1.0), along])
    pieces: list[shapely.Polygon] = []
    for part, lines in ((west, (ridge_west, ridge_east)), (east, (swale,))):
        found = [part]
        for line in lines:
            cut = affinity.rotate(shapely.LineString(line), -0.7, origin=(0.0, 0.0))
            found = [one for piece in found for one in ops.split(piece, cut).geoms]
        pieces += found
    pieces.sort(key=lambda piece: float(piece.centroid.x))
    names = [("A", "west flat"), ("B", "sand ridge"), ("C", "yard side"), ("D", "east flat"),
             ("E", "low ground by the ditch")]
    return [(name, remark, piece)
            for (name, remark), piece in zip(names, pieces, strict=True)]


def long_eighty(folder: Path) -> None:
    """Zipped shapefile in UTM; samples in state-plane US survey feet; own zones in a GeoPackage."""
    rng = np.random.default_rng(SEED + 1)
    west, east = long_eighty_shapes()
    both = shapely.MultiPolygon([west, east])
    utm = placed(both, LONG_EIGHTY_AT, "EPSG:26916")
    shp = folder / "boundary.shp"
    write_shapefile(shp, geopandas.GeoDataFrame(
        {"FARM": ["Sill Brothers (invented)"], "FIELD": ["Long eighty"]}, geometry=[utm],
        crs="EPSG:26916"))
    zip_shapefile(shp, folder / "boundary.zip")

    stops = grid_points(both.buffer(-30.0), 330.0, (150.0, 160.0))
    stops = stops + rng.normal(0.0, 14.0, stops.shape)
    z_k = standard(correlated(rng, stops, 350.0, 0.2) + 0.8 * (stops[:, 0] > 90.0)
                   - 0.9 * np.exp(-(((stops[:, 0] + 780.0) / 260.0) ** 2)))
    z_c = standard(0.7 * z_k + 0.6 * correlated(rng, stops, 450.0, 0.1))
    k_ppm = np.clip(np.round(112.0 * np.exp(0.25 * z_k)), 60, 190)
    cec = np.clip(7.0 + 1.9 * z_c, 3.6, 12.5)
    om = np.clip(1.9 + 0.16 * (cec - 7.0) + 0.15 * correlated(rng, stops, 300.0, 0.5), 0.9, 3.6)
    sulfate = np.clip(6.0 * np.exp(0.3 * correlated(rng, stops, 400.0, 0.3)), 2.2, 14.0)
    ph = 6.6 + 0.25 * correlated(rng, stops, 500.0, 0.3)
    p_ppm = np.round(33.0 * np.exp(0.3 * correlated(rng, stops, 350.0, 0.3)))
    points = placed(shapely.MultiPoint(stops), LONG_EIGHTY_AT, "EPSG:2966")
    write_shapefile(folder / "samples.shp", geopandas.GeoDataFrame(
        {"SAMPLE_ID": [f"L{i + 1:02d}" for i in range(len(stops))],
         "SAMPLED_ON": ["2022-04-19"] * len(stops),
         "PH": np.round(ph, 1), "OM_PCT": np.round(om, 1),
         "CEC": np.round(cec, 1), "P_M3_PPM": p_ppm, "K_M3_PPM": k_ppm,
         "SO4S_PPM": np.round(sulfate, 1)},
        geometry=list(points.geoms), crs="EPSG:2966"))

    zones = long_eighty_zones(west, east)
    target = folder / "own_zones.gpkg"
    target.unlink(missing_ok=True)
    pyogrio.write_dataframe(geopandas.GeoDataFrame(
        {"label": [z[0] for z in zones], "remark": [z[1] for z in zones]},
        geometry=[placed(z[2], LONG_EIGHTY_AT, "EPSG:26916") for z in zones], crs="EPSG:26916"),
        target, layer="zones", driver="GPKG")


# --- Bench: flood-irrigated under a canal ---

def bench_shape() -> shapely.Polygon:
    """Near-square of 40 ac in local feet whose upper side follows the canal."""
    east = np.linspace(-655.0, 668.0, 16)
    canal = 640.0 + 48.0 * np.sin((east + 300.0) / 390.0) + 0.045 * east
    lower = [(-662.0, -652.0), (120.0, -660.0), (663.0, -655.0)]
    return shapely.Polygon([*lower, *np.column_stack([east, canal])[::-1]])


def bench(folder: Path) -> None:
    """Border-irrigated field; ammonium-acetate K 0-12 in, poorest along the canal."""
    rng = np.random.default_rng(SEED + 2)
    field = bench_shape()
    write_geojson(folder / "boundary.geojson", placed(field, BENCH_AT, "EPSG:4326"),
                  {"farm": "Greasewood Bench Hay (invented)", "field": "Bench forty"})
    stops = grid_points(field.buffer(-40.0), 260.0, (115.0, 120.0))
    stops = stops + rng.normal(0.0, 10.0, stops.shape)
    tail = -stops[:, 1] / 650.0
    z_k = standard(0.8 * correlated(rng, stops, 300.0, 0.2) + 1.1 * tail)
    k_ppm = np.clip(np.round(128.0 * np.exp(0.26 * z_k)), 70, 240)
    cec = 17.0 + 2.2 * standard(0.6 * z_k + 0.6 * correlated(rng, stops, 400.0, 0.1))
    om = 1.6 + 0.22 * correlated(rng, stops, 300.0, 0.3)
    sulfate = 31.0 * np.exp(0.35 * standard(correlated(rng, stops, 400.0, 0.2) + 0.5 * tail))
    ph = 7.9 + 0.12 * correlated(rng, stops, 400.0, 0.3)
    p_ppm = np.round(15.0 * np.exp(0.3 * correlated(rng, stops, 300.0, 0.3)))
    lonlat = shapely.get_coordinates(placed(shapely.MultiPoint(stops), BENCH_AT, "EPSG:4326"))
    rows = [
        [f"B{i + 1:02d}", f"{lonlat[i, 1]:.6f}", f"{lonlat[i, 0]:.6f}", "2026-10-21",
         f"{ph[i]:.1f}", f"{om[i]:.1f}", f"{cec[i]:.1f}", f"{p_ppm[i]:.0f}", f"{k_ppm[i]:.0f}",
         f"{sulfate[i]:.1f}"]
        for i in range(len(stops))
    ]
    write_csv(folder / "soil.csv",
              ["Sample", "Lat", "Long", "Date", "pH", "OM %", "CEC meq/100 g", "Olsen P ppm",
               "K ppm", "SO4-S ppm"], rows)
    bench_conductivity(folder, field)


def bench_conductivity(folder: Path, field: shapely.Polygon) -> None:
    """Apparent conductivity logged on lines 60 ft apart; clay and salt gather at the tail."""
    rng = np.random.default_rng(SEED + 3)
    east, north = np.meshgrid(np.arange(-640.0, 680.0, 60.0), np.arange(-650.0, 720.0, 20.0))
    at = np.column_stack([east.T.ravel(), north.T.ravel()])
    at = at[shapely.contains_xy(field.buffer(-15.0), at[:, 0], at[:, 1])]
    at = at + rng.normal(0.0, 1.5, at.shape)
    ms_per_m = (46.0 - 17.0 * at[:, 1] / 650.0 + 6.0 * np.sin(at[:, 0] / 210.0)
                + 4.0 * np.cos((at[:, 0] + at[:, 1]) / 160.0) + rng.normal(0.0, 1.2, len(at)))
    lonlat = shapely.get_coordinates(placed(shapely.MultiPoint(at), BENCH_AT, "EPSG:4326"))
    write_csv(folder / "conductivity.csv", ["Long", "Lat", "ECa mS/m"], [
        [f"{lon:.6f}", f"{lat:.6f}", f"{value:.1f}"]
        for (lon, lat), value in zip(lonlat, ms_per_m, strict=True)])


FIELDS = {"kettle": kettle, "long-eighty": long_eighty, "bench": bench}
MADE = {
    "kettle": ("boundary.geojson", "soil.csv"),
    "long-eighty": ("boundary.zip", "own_zones.gpkg", "samples.cpg", "samples.dbf", "samples.prj",
                    "samples.shp", "samples.shx"),
    "bench": ("boundary.geojson", "conductivity.csv", "soil.csv"),
}


def hash_list(folder: Path) -> str:
    """The files made here, one line each as sha256sum prints them."""
    names = [f"{field}/{name}" for field in sorted(MADE) for name in MADE[field]]
    return "".join(
        f"{hashlib.sha256((folder / name).read_bytes()).hexdigest()}  {name}\n" for name in names
    )


def main(arguments: list[str] | None = None) -> int:
    """Writes all fields under a folder, sample_geo by default."""
    given = sys.argv[1:] if arguments is None else arguments
    folder = Path(given[0]) if given else ROOT / "sample_geo"
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": f"{FILE_DATE}T00:00:00.000Z"})
    for name, make in FIELDS.items():
        (folder / name).mkdir(parents=True, exist_ok=True)
        make(folder / name)
    readme = folder / "README.md"
    if readme.is_file():
        text = readme.read_text(encoding="utf-8").split(LIST_HEADING)[0]
        listed = f"{LIST_HEADING}\n\n```\n{hash_list(folder)}```\n"
        readme.write_text(text + listed, encoding="utf-8")
    print(hash_list(folder), end="")
    return 0


if __name__ == "__main__":
    sys.exit(main())
