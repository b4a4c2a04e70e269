"""An audit as it is asked for: what is stated becomes values, folders and files go their way."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from vrx import audit, report
from vrx.audit import AuditResult
from vrx.errors import ExportError, InputError, PlanError
from vrx.plan.audit import TableSection, load_statement


def stated_in(path: Path | None) -> audit.Statement:
    """What a file states; nothing where there is none. Raises `PlanError` for a wrong one."""
    if path is None:
        return audit.NOTHING_STATED
    told = load_statement(path)
    return audit.Statement(
        add_up=told.add_up, tolerance_pct=told.tolerance_pct,
        columns={key: audit.ColumnStated(product=one.product or "", unit=one.unit)
                 for key, one in told.column.items()},
        products={key: audit.ProductStated(pct=one.pct, density_lb_per_gal=one.density_lb_per_gal)
                  for key, one in told.product.items()},
        order=_table(told.order, path), tickets=_table(told.tickets, path),
        invoice=_table(told.invoice, path),
    )


def _table(section: TableSection | None, path: Path) -> audit.TableStated | None:
    if section is None:
        return None
    keys = section.model_dump(exclude={"file"})
    return audit.TableStated(path=path.parent / section.file, **keys)


def judge(
    paths: Sequence[Path], *, delivered: Mapping[str, float] | None = None,
    tolerance_pct: Mapping[str, float] | None = None, boundary: Path | None = None,
    record: Path | None = None, layer: str | None = None, stated: Path | None = None,
) -> AuditResult:
    """Judge a field's folder, an output or run folder, or files and task folders alone.

    Raises `PlanError` for a field without a run, `InputError` as the audit does.
    """
    statement = stated_in(stated)
    pct = tolerance_pct or None
    runs = [one for one in paths if is_run(one)]
    if not runs:
        return audit.audit_files(
            paths=paths, boundary=boundary, record=record, layer=layer, stated=statement,
            delivered=delivered, trade_tolerance_pct=pct)
    if len(paths) > 1 or record is not None or layer is not None:
        raise InputError("a run folder is judged alone, by its own job record",
                         code="audit-several-runs", where=str(runs[0]),
                         hint="name one run folder, or files only")
    return audit.audit_run(
        folder=output_of(runs[0]), delivered=delivered, trade_tolerance_pct=pct, boundary=boundary,
        stated=statement)


def write_page(result: AuditResult, path: Path) -> None:
    """Write the page of an audit, whole or not at all. Raises `ExportError`."""
    scratch = path.with_name(f".{path.name}.new")
    data = report.audit_page(result).encode()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        scratch.write_bytes(data)
        if scratch.read_bytes() != data:
            raise ExportError("read back after writing, it differs", code="export-differs",
                              where=str(path), hint="nothing was replaced; try again")
        os.replace(scratch, path)
    except OSError as err:
        if isinstance(err, ExportError):
            raise
        raise ExportError(f"could not be written: {err.strerror or err}", code="export-write",
                          where=str(path),
                          hint="is the folder writable, and is there room on the disk?") from err
    finally:
        with suppress(OSError):
            scratch.unlink(missing_ok=True)


def is_run(path: Path) -> bool:
    """Whether a path is a folder, and not one of task data alone.

    A run may hold task data beside its other files: its job record goes first.
    """
    if any((path / name).is_file() for name in ("manifest.json", "current.json", "plan.toml")):
        return True
    return path.is_dir() and not any(
        (one / "TASKDATA.XML").is_file() for one in (path, path / "TASKDATA"))


def output_of(folder: Path) -> Path:
    """The output folder of a field's folder; any other folder is itself.

    Raises `PlanError` for a field that has no finished run.
    """
    if not (folder / "plan.toml").is_file():
        return folder
    if not (folder / "output" / "current.json").is_file():
        raise PlanError("this field has no finished run yet", code="audit-no-run",
                        where=str(folder), hint=f'vrx run "{folder}"')
    return folder / "output"
