"""The committed run that a log is compared with: zones and passes as they went out."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from vrx import intake
from vrx.errors import InputError
from vrx.formats import layer as facts
from vrx.model import Field, Finding, FloatArray, Zone, Zones
from vrx.pipeline.commit import CURRENT, MANIFEST, sha256

_READ_FIRST = ("geojson", "shapefile", "geopackage", "geoparquet")
_ENDINGS = {"geojson": ".geojson", "shapefile": ".shp", "geopackage": ".gpkg",
            "geoparquet": ".parquet"}
_LAYERS = {"geopackage": facts.LAYER_NAME}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CommittedRun:
    """The current run of a field: `record` is its job record, `zones` as its file holds them."""

    name: str
    sha256: str
    record: dict[str, Any]
    file: str
    zones: Zones
    findings: tuple[Finding, ...]

    def pass_line(self, pass_id: str) -> dict[str, Any]:
        """The record of a pass; the caller has asked whether there is one."""
        return next(one for one in self.record["passes"] if one["pass_id"] == pass_id)

    def target_rate(self, pass_id: str) -> FloatArray:
        """Rates (zones,) of a pass in its unit, in the order of `zones`."""
        line = self.pass_line(pass_id)
        steps = {one["zone_id"]: one["steps"] for one in line["steps"]}
        rates = [steps[zone.zone_id] * line["step"] for zone in self.zones.zones]
        return np.asarray(np.round(np.array(rates, dtype=np.float64), 10), dtype=np.float64)


def committed_run(output: Path, *, field: Field) -> CommittedRun:
    """The run that `output` points to, whole, with the zones of its first file of polygons.

    Raises `InputError` where there is no run, or a file of it is not what its record says.
    """
    pointer = output / CURRENT
    if not pointer.is_file():
        raise InputError("has no finished run to compare with", code="reconcile-no-run",
                         where=str(output), hint="vrx run FOLDER comes first")
    try:
        told = json.loads(pointer.read_text(encoding="utf-8"))
        folder = output / str(told["run"])
        found = sha256(folder / MANIFEST)
        record = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        known = {one["path"]: one for one in record["files"]}
        lines = {one["zone_id"]: one for one in record["zones"]}
        whole = found == told["manifest_sha256"]
    except (OSError, ValueError, KeyError, TypeError) as err:
        raise _changed(output, f"cannot be read: {err}") from err
    if not whole or folder.parent != output:
        raise _changed(folder, "its job record was changed after the run")
    path, kind = _polygons(known, folder)
    if sha256(folder / path) != known[path]["sha256"]:
        raise _changed(folder / path, "was changed after the run")
    read = intake.read_prescription(
        path=folder / path, field=field, columns=[one["column"] for one in record["passes"]],
        unit="lb/ac", layer=_LAYERS.get(kind), label_column=facts.ZONE_ID)
    if sorted(read.labels) != sorted(str(zone_id) for zone_id in lines):
        raise _changed(folder / path, "holds other zones than the job record")
    zones = [
        Zone(zone_id=int(label), letter=lines[int(label)]["letter"], polygon=polygon,
             area_ac=float(lines[int(label)]["area_ac"]), label=lines[int(label)]["label"])
        for label, polygon in zip(read.labels, read.polygons, strict=True)]
    return CommittedRun(
        name=folder.name, sha256=found, record=record, file=path, findings=read.findings,
        zones=Zones(zones=tuple(sorted(zones, key=lambda one: one.zone_id)),
                    basis=record["zones_from"]["basis"]))


def _polygons(known: dict[str, Any], folder: Path) -> tuple[str, str]:
    for kind in _READ_FIRST:
        for path, one in known.items():
            if one["format"] == kind and path.endswith(_ENDINGS[kind]):
                return path, kind
    raise InputError("holds no file with the zones' polygons", code="reconcile-no-polygons",
                     where=str(folder),
                     hint=f"add one of {', '.join(_READ_FIRST)} to [export] formats and run again")


def _changed(where: Path, what: str) -> InputError:
    return InputError(what, code="reconcile-run-changed", where=str(where),
                      hint="vrx run FOLDER makes the run anew; changed folders stay beside it")
