"""Files of a comparison: page, table by zone, record, second trip; committed whole."""

from __future__ import annotations

import csv
import hashlib
import io
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from vrx import export, report
from vrx.formats.crew import safe_cell
from vrx.model import ExportedFile, Field, Prescription, Reconciliation, Zones
from vrx.pipeline import manifest, rasters
from vrx.pipeline.applied_run import CommittedRun
from vrx.pipeline.commit import MANIFEST, commit, json_bytes, scratch_folder, sha256
from vrx.pipeline.second_pass import SecondPass
from vrx.pipeline.task_data import task_data_options
from vrx.plan import Plan

OUTPUT = "applied"
SECOND = "second_pass"
_COLUMNS = ("zone_id", "letter", "area_ac", "target_rate", "applied_rate", "planned", "applied",
            "difference", "once_ac", "repeated_ac", "skipped_ac", "within_ac", "over_ac",
            "under_ac", "left_rate")


def write(
    done: Reconciliation, *, second: SecondPass, run: CommittedRun, field: Field, plan: Plan,
    home: Path, identity: dict[str, Any],
) -> tuple[Path, dict[str, Any]]:
    """Write all into a scratch folder and commit it; the folder and the record."""
    identity = {"versions": manifest.library_versions(), **identity}
    name = f"applied-{hashlib.sha256(json_bytes(identity)).hexdigest()[:12]}"
    output = home / OUTPUT
    with scratch_folder(output) as scratch:
        written: list[tuple[str, Path]] = []
        table = scratch / "zones.csv"
        table.write_text(zones_csv(done), encoding="utf-8", newline="")
        written.append(("csv", table))
        if second.zones is not None and second.prescription is not None:
            place = scratch / SECOND
            meant = export.build_set(
                field=field, zones=second.zones, prescription=second.prescription,
                findings=second.findings, crop=plan.field.crop, season=plan.field.season,
                record=(("second pass of", run.name), ("comparison", name)),
                legends=report.rate_legends(second.prescription))
            # The plan's form and names; its rates without a map would go out a second time.
            told = task_data_options(plan, second.prescription)
            meant = replace(meant, task_data=replace(told, fallbacks=(), passes=()))
            # What is left over lies in many small parts, which cells may miss.
            done = replace(done, findings=(
                *done.findings, *rasters.cell_findings(meant, plan.export.formats)))
            written += export.write_formats(
                meant=meant, formats=plan.export.formats, folder=place)
        files = [_exported(kind, path, scratch) for kind, path in written]
        page = scratch / "page.html"
        page.write_text(report.applied_page(
            done, field=field, zones=run.zones, run=run.name, files=[one.path for one in files],
            second_zones=second.zones, second=second.prescription),
            encoding="utf-8", newline="\n")
        files.append(_exported("html", page, scratch))
        record = _record(done, second=second, identity=identity, name=name, files=files)
        (scratch / MANIFEST).write_bytes(json_bytes(record))
        return commit(scratch, output=output, run=name), record


def _exported(kind: str, path: Path, scratch: Path) -> ExportedFile:
    return ExportedFile(path=path.relative_to(scratch).as_posix(), format=kind, sha256=sha256(path),
                        bytes=path.stat().st_size)


def zone_rows(done: Reconciliation) -> list[dict[str, Any]]:
    """One row a zone, unrounded; rates in the pass's unit, amounts in lb or gal."""
    zones = done.zones
    named = {name: getattr(zones, name, None) for name in _COLUMNS}
    named |= {"left_rate": done.left_rate, "zone_id": zones.zone_ids, "letter": zones.letters}
    return [
        {name: (values[k] if name in ("zone_id", "letter") else float(values[k]))
         for name, values in named.items() if values is not None}
        for k in range(len(zones.zone_ids))]


def zones_csv(done: Reconciliation) -> str:
    """The table by zone as CSV, the unit in a column of its own."""
    text = io.StringIO()
    writer = csv.DictWriter(text, [*_COLUMNS, "unit"], lineterminator="\n")
    writer.writeheader()
    for row in zone_rows(done):
        plain = {key: manifest.twelve_digits(value) for key, value in row.items()}
        writer.writerow({**plain, "letter": safe_cell(str(row["letter"])), "unit": done.unit})
    return text.getvalue()


def _record(
    done: Reconciliation, *, second: SecondPass, identity: dict[str, Any], name: str,
    files: list[ExportedFile],
) -> dict[str, Any]:
    zones = done.zones
    record: dict[str, Any] = manifest.twelve_digits({
        **identity, "schema": manifest.SCHEMA, "comparison": name, "pass_id": done.pass_id,
        "material": done.material, "unit": done.unit, "tolerance_pct": done.tolerance_pct,
        "zones": zone_rows(done),
        "totals": {
            "area_ac": float(zones.area_ac.sum()), "planned": float(zones.planned.sum()),
            "applied": float(zones.applied.sum()), "logged": done.logged,
            "outside": done.outside, "outside_ac": done.outside_ac,
            **{key: float(getattr(zones, key).sum()) for key in (
                "once_ac", "repeated_ac", "skipped_ac", "within_ac", "over_ac", "under_ac")}},
        "amounts": [asdict(one) for one in done.amounts], "rows_left_out": done.left_out,
        "second_pass": _second(second.zones, second.prescription),
        "files": [asdict(one) for one in files], "findings": manifest.findings(done.findings)})
    return record


def _second(zones: Zones | None, made: Prescription | None) -> dict[str, Any] | None:
    if zones is None or made is None:
        return None
    rates = made.passes[0]
    return {
        "column": rates.column, "step": rates.step, "total": rates.prescription_total,
        "zones": [
            {"zone_id": zone.zone_id, "letter": zone.letter, "label": zone.label,
             "area_ac": zone.area_ac, "steps": int(steps)}
            for zone, steps in zip(zones.zones, rates.steps, strict=True)]}
