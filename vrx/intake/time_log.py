"""Time logs of ISO 11783-10 (`TLGnnnnn.xml` and `.bin`): what a machine did, moment by moment."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

import numpy as np
import numpy.typing as npt

from vrx.errors import InputError
from vrx.formats import task_data as facts
from vrx.formats.iso11783 import logged_ddis, rate_from_raw
from vrx.formats.task_read import find
from vrx.formats.xml_tree import xml_tree
from vrx.intake import _time_log_tell
from vrx.intake._time_log_bytes import Records, decode
from vrx.intake._time_log_header import POSITION, Header, read_header
from vrx.model import BoolArray, Finding, FloatArray, IntArray
from vrx.model.arrays import array_value

MOST_BYTES = 128 << 20
_MOST_XML_BYTES = 64 << 20
_AGAIN = "copy the whole TASKDATA folder from the machine again"
_RATE_OF = {"lb/ac": "0007", "gal/ac": "0002"}
_WIDTH, _WORK_STATE = "0043", "008D"
TimeArray = npt.NDArray[np.datetime64]


@array_value
class LoggedValue:
    """One DDI of one device element, (n,): `raw` is NaN before its first value, then the last one.

    `fresh` is where the record itself brings it.
    """

    ddi: str
    element: str
    raw: FloatArray
    fresh: BoolArray


@array_value
class AppliedPoints:
    """A log as an as-applied comparison takes it, (n,) in the order of the log.

    Degrees WGS 84, NaN without a position; `time_s` since the first record (NaN where none);
    `rate` in `unit`; `width_m` NaN and `working` all True where the machine logs none.
    """

    longitude_deg: FloatArray
    latitude_deg: FloatArray
    time_s: FloatArray
    rate: FloatArray
    unit: str
    width_m: FloatArray
    working: BoolArray


@array_value
class TimeLog:
    """A log, (n,) each in the order of the file; nothing is taken out but what is no record.

    `time` is the machine's own clock (its zone stands nowhere), `utc` the receiver's where it is
    logged; both NaT where unreadable. Degrees are NaN at 0, 0 and off the earth. `status` is 0
    none, 1 GNSS, 2 differential, 3 precise, 4 RTK fixed, 5 RTK float, 6 dead reckoning, 7 by hand,
    8 simulated, 14 error, 15 or -1 not known. `up_mm`, `pdop`, `hdop` and `satellites` are NaN
    where not logged.
    """

    file: str
    task: str
    task_name: str
    time: TimeArray
    utc: TimeArray
    longitude_deg: FloatArray
    latitude_deg: FloatArray
    up_mm: FloatArray
    status: IntArray
    pdop: FloatArray
    hdop: FloatArray
    satellites: FloatArray
    values: tuple[LoggedValue, ...]
    findings: tuple[Finding, ...] = ()

    def value(self, ddi: str, *, element: str | None = None) -> LoggedValue:
        """The values of a DDI; `element` is needed where several log it. Raises `InputError`."""
        found = [one for one in self.values
                 if one.ddi == ddi and element in {None, one.element}]
        if len(found) == 1:
            return found[0]
        if not found:
            raise InputError(
                f"logs no DDI {ddi}" + (f" of {element}" if element else ""), code="time-log-ddi",
                where=self.file, hint=f"it logs {self._listed()}")
        raise InputError(
            f"DDI {ddi} is logged by {', '.join(one.element for one in found)}",
            code="time-log-element", where=self.file,
            hint="name the device element whose product is meant; they may be bins or sections")

    def rate(self, unit: str, *, element: str | None = None) -> FloatArray:
        """Actual rates (n,) in "lb/ac" (DDI 0007) or "gal/ac" (DDI 0002), NaN before the first.

        Raises `InputError` for another unit, a log without such a rate, one with several elements.
        """
        if unit not in _RATE_OF:
            raise InputError(f"{unit!r} is no unit of a rate here", code="task-unit",
                             where=self.file, hint=f"known: {', '.join(_RATE_OF)}")
        ddi = _RATE_OF[unit]
        return np.asarray(self.value(ddi, element=element).raw * rate_from_raw(1, unit, ddi))

    def applied(
        self, unit: str, *, element: str | None = None, width_element: str | None = None,
        state_element: str | None = None,
    ) -> AppliedPoints:
        """Places, times, rates, widths and work state for an as-applied comparison.

        Raises `InputError` as `rate` does, also where several elements log widths or work states
        and none is named.
        """
        rate = self.rate(unit, element=element)
        none = np.full(len(rate), np.nan)
        has = {one.ddi for one in self.values}
        width = none
        if _WIDTH in has:
            per_raw = logged_ddis()[_WIDTH].per_raw
            width = np.asarray(self.value(_WIDTH, element=width_element).raw * per_raw)
        working = np.ones(len(rate), dtype=bool)
        if _WORK_STATE in has:
            # Before its first value the state is not known, and unknown is not at work.
            working = self.value(_WORK_STATE, element=state_element).raw == 1.0
        at = self.time.astype("datetime64[ms]")
        known = np.flatnonzero(~np.isnat(at))
        seconds = none
        if len(known):
            since = (at - at[known[0]]).astype(np.float64) / 1000.0
            seconds = np.where(np.isnat(at), np.nan, since)
        return AppliedPoints(
            longitude_deg=self.longitude_deg, latitude_deg=self.latitude_deg, time_s=seconds,
            rate=rate, unit=unit, width_m=width, working=working)

    def _listed(self) -> str:
        return ", ".join(f"{one.ddi} of {one.element}" for one in self.values) or "no values"


def read_time_logs(*, path: Path) -> tuple[TimeLog, ...]:
    """All logs of the tasks of a `TASKDATA` folder, or of the folder that holds it.

    `path` may also be one `TLGnnnnn.xml`. A log that is cut short keeps its whole records, with a
    finding. Raises `InputError` for broken XML or one with a document type, headers that break the
    standard's layout, missing files, names that lead elsewhere, logs beyond the limits, and folders
    without a log.
    """
    try:
        return _read(path)
    except OSError as err:  # of looking for files; reading them tells its own
        raise _unreadable(str(path), err) from err
    except ValueError as err:
        if isinstance(err, InputError):
            raise
        _missing(repr(str(path)), "is no name of a folder")  # NUL


def _read(path: Path) -> tuple[TimeLog, ...]:
    if path.suffix.lower() == ".xml" and facts.LOG_NAME.fullmatch(path.stem.upper()):
        return (_log(path.parent, path.stem, ("", "")),)
    folder = path / facts.FOLDER if (path / facts.FOLDER).is_dir() else path
    if not folder.is_dir():
        _missing(str(path), "is no folder of task data and no TLGnnnnn.xml")
    record = find(folder, facts.RECORD) or find(folder, facts.RECORD.lower())
    if record is None:
        _missing(str(folder), f"holds no {facts.RECORD}")
    root = xml_tree(_bytes(record, _MOST_XML_BYTES), where=record.name)
    named = [(log.get("A") or "", (task.get("A") or "", task.get("B") or ""))
             for task in root.iter("TSK") for log in task.findall("TLG")]
    if not named:
        _missing(record.name, "names no time log (TLG)")
    return tuple(_log(folder, name, task) for name, task in named)


def _log(folder: Path, name: str, task: tuple[str, str]) -> TimeLog:
    if not facts.LOG_NAME.fullmatch(name.upper()):
        raise InputError(f"{name!r} is no name of a time log (TLG and five digits)",
                         code="time-log-header", where=facts.RECORD, hint=_AGAIN)
    parts = [find(folder, name + ending) for ending in (".xml", ".bin")]
    for part, ending in zip(parts, (".xml", ".bin"), strict=True):
        if part is None:
            _missing(str(folder), f"holds no {name}{ending}")
    header_file, binary = (part for part in parts if part is not None)
    header = read_header(_bytes(header_file, _MOST_XML_BYTES), where=header_file.name)
    records = decode(_bytes(binary, MOST_BYTES), header, where=binary.name)
    return _as_log(binary.name, header, records, task)


def _as_log(file: str, header: Header, records: Records, task: tuple[str, str]) -> TimeLog:
    columns = _Columns(header, records)
    time, odd_time = _moments(columns.raw("ms"), columns.raw("days"))
    utc, _ = _moments(columns.raw("utc_ms"), columns.raw("utc_days"))
    longitude, latitude = columns.number("east"), columns.number("north")
    nowhere = (longitude == 0.0) & (latitude == 0.0)
    astray = ~nowhere & ~((np.abs(latitude) <= 90.0) & (np.abs(longitude) <= 180.0))
    out = nowhere | astray
    status = np.nan_to_num(columns.number("status"), nan=-1.0).astype(np.int64)
    return TimeLog(
        file=file, task=task[0], task_name=task[1], time=time, utc=utc,
        longitude_deg=np.where(out, np.nan, longitude),
        latitude_deg=np.where(out, np.nan, latitude),
        up_mm=columns.number("up"), status=status, pdop=columns.number("pdop"),
        hdop=columns.number("hdop"), satellites=columns.number("satellites"),
        values=tuple(
            LoggedValue(ddi=ddi, element=element, raw=raw, fresh=fresh)
            for (ddi, element), raw, fresh in zip(
                header.values, records.raw, records.fresh, strict=True)),
        findings=_time_log_tell.findings(
            file=file, header=header, records=records, nowhere=nowhere,
            astray=astray & np.isfinite(longitude), odd_time=odd_time, status=status, time=time,
            has_utc=bool((~np.isnat(utc)).any())),
    )


@dataclass(frozen=True, slots=True)
class _Columns:
    """Position attributes of all records, from the binary or fixed by the header."""

    header: Header
    records: Records

    def raw(self, key: str) -> FloatArray:
        """As they stand in the binary, NaN where they are not logged."""
        head = self.records.head
        if key in (head.dtype.names or ()):
            return np.asarray(head[key], dtype=np.float64)
        return np.full(len(head), self.header.fixed.get(key, np.nan))

    def number(self, key: str) -> FloatArray:
        """In the header's own unit: degrees, millimetres, DOP, counts."""
        per_raw = next(scale for name, _, scale in POSITION.values() if name == key)
        scaled = key in (self.records.head.dtype.names or ())
        # Divided, so that 412000000 is 41.2 and not its neighbour.
        return np.asarray(self.raw(key) / round(1.0 / per_raw)) if scaled else self.raw(key)


def _moments(ms: FloatArray, days: FloatArray) -> tuple[TimeArray, BoolArray]:
    """Moments from milliseconds since midnight and days since 1980-01-01; which are none."""
    odd = ~((ms < 86_400_000.0) & np.isfinite(days))
    whole = np.where(odd, 0.0, days * 86_400_000.0 + ms).astype(np.int64)
    time = np.datetime64("1980-01-01T00:00:00.000", "ms") + whole.astype("timedelta64[ms]")
    time[odd] = np.datetime64("NaT", "ms")
    return time, odd


def _bytes(path: Path, most: int) -> bytes:
    try:
        if path.stat().st_size > most:
            raise InputError(f"has more than {most >> 20} MiB", code="time-log-too-large",
                             where=path.name, hint="is it one field's log? Export tasks one by one")
        return path.read_bytes()
    except InputError:
        raise
    except OSError as err:
        raise _unreadable(path.name, err) from err


def _unreadable(where: str, err: OSError) -> InputError:
    return InputError(f"cannot be read: {err.strerror or err}", code="file-unreadable", where=where,
                      hint="give yourself the right to read it, or copy it again")


def _missing(where: str, what: str) -> NoReturn:
    raise InputError(what, code="time-log-missing", where=where, hint=_AGAIN)
