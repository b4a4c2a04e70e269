"""The judge of a task folder: what no schema of ISO 11783-10 catches, and what machines trip on.

Judges any folder, whoever wrote it. That each of these passes the schemas or open-source readers in
silence was tried out; see the tests.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from xml.etree.ElementTree import Element

from vrx.errors import InputError
from vrx.formats import task_data as facts
from vrx.formats._task_grids import grid_faults
from vrx.formats._task_numbers import number, whole
from vrx.formats._task_rings import polygon_faults
from vrx.formats.task_read import find, read_record
from vrx.model import Finding, stop, warn

_LEAST_RAW, _MOST_RAW = -(2**31), 2**31 - 1
_DEGREES = re.compile(r"(?:-?[0-9]{1,3}(?:\.[0-9]{1,9})?\n)*")
MOST_TOLD = 200
"""Findings of one folder, at most: a broken exporter breaks everything alike."""


def judge_task_data(folder: Path) -> tuple[Finding, ...]:
    """All faults of a `TASKDATA` folder: `stop` breaks the standard, `warn` may not load.

    `()` where there is none. Raises nothing: an unreadable record is a finding.
    """
    try:
        names = [path.name for path in folder.iterdir()]
        if facts.RECORD not in names:
            near = [name for name in names if name.upper() == facts.RECORD]
            return (stop("task-check-file", str(folder), f"holds no {facts.RECORD}"
                         + (f", but {near[0]}: machines look for upper case" if near else ""),
                         todo="rename it" if near else "name the folder TASKDATA itself"),)
        root = read_record(folder)
    except InputError as err:
        return (stop(err.code, err.where, err.message, todo=err.hint),)
    except OSError as err:
        return (stop("task-check-file", str(folder), f"cannot be read: {err.strerror or err}"),)
    return judge_record(folder, root)


def judge_record(folder: Path, root: Element) -> tuple[Finding, ...]:
    """`judge_task_data` of a record that is read already; the binaries are read from `folder`."""
    found: list[Finding] = []
    for one in _all(folder, root):
        if len(found) == MOST_TOLD:
            found.append(stop("task-check-many", facts.RECORD,
                              f"has more than {MOST_TOLD} faults; the others are not told",
                              todo="mend these first"))
            break
        found.append(one)
    return tuple(found)


def _all(folder: Path, root: Element) -> Iterator[Finding]:
    yield from _head(root)
    yield from _attributes(root)
    yield from _ids(root)
    for task in root.iter("TSK"):
        where = f"{facts.RECORD}, task {task.get('A')}"
        yield from _zones(task, where)
        yield from grid_faults(folder, task, where)
        yield from _logs(folder, task, where)
    for holder in (*root.iter("PFD"), *root.iter("TSK")):
        yield from polygon_faults(holder, f"{facts.RECORD}, {holder.tag} {holder.get('A')}")


def _head(root: Element) -> Iterator[Finding]:
    if root.tag != facts.ROOT:
        yield stop("task-check-version", facts.RECORD,
                   f"its root is {root.tag!r}, not {facts.ROOT!r}",
                   todo="is it task data at all?")
        return
    version = (root.get("VersionMajor"), root.get("VersionMinor"))
    if version[0] not in {"3", "4"}:
        yield stop("task-check-version", facts.RECORD,
                   f"says version {version[0]}.{version[1]}; 3 and 4 are known")
    elif version[0] == "3":
        yield warn("task-check-version", facts.RECORD, "says version 3; it is judged by the rules "
                   "of version 4.3, which are stricter on rings")
    if root.get("DataTransferOrigin") not in {"1", "2"}:
        yield stop("task-check-attribute", facts.RECORD,
                   f"DataTransferOrigin is {root.get('DataTransferOrigin')!r}; 1 is farm software, "
                   "2 a machine")


def _attributes(root: Element) -> Iterator[Finding]:
    fine = _all_points_fine(root)
    for one in root.iter():
        if fine and one.tag == "PNT":
            continue
        where = f"{facts.RECORD}, {one.tag} {one.get('A') or ''}".rstrip()
        for name in facts.REQUIRED.get(one.tag, ""):
            if one.get(name) is None:
                yield stop("task-check-attribute", where, f"has no attribute {name}",
                           todo="export it again")
        said = one.get(facts.DESIGNATOR.get(one.tag, "-"))
        if said is not None and len(said) > facts.DESIGNATOR_CHARACTERS:
            yield stop("task-check-text", where,
                       f"is called {said!r}, {len(said)} characters; at most "
                       f"{facts.DESIGNATOR_CHARACTERS} are allowed")
        if said is not None and not said.strip():
            yield warn("task-check-text", where, "has an empty name: the operator sees nothing")
        if one.tag == "PDV":
            yield from _value(one, where)
        elif one.tag == "PNT":
            yield from _point(one, where)


def _all_points_fine(root: Element) -> bool:
    """Whether every point has its attributes in range; most files do, and have very many."""
    points = [(one.get("A"), one.get("C") or "", one.get("D") or "") for one in root.iter("PNT")]
    north, east = [at[1] for at in points], [at[2] for at in points]
    said = "\n".join([*north, *east, ""])
    if any(at[0] is None for at in points) or not _DEGREES.fullmatch(said):
        return False
    return all(abs(float(at)) <= 90.0 for at in north) and all(
        abs(float(at)) <= 180.0 for at in east)


def _value(one: Element, where: str) -> Iterator[Finding]:
    if not facts.DDI.fullmatch((one.get("A") or "").upper()):
        yield stop("task-check-attribute", where, f"DDI {one.get('A')!r} is not four hex digits")
    raw = whole(one.get("B"))
    if raw is None or not _LEAST_RAW <= raw <= _MOST_RAW:
        yield stop("task-check-attribute", where,
                   f"value {one.get('B')!r} is no whole number of 32 bits")


def _point(one: Element, where: str) -> Iterator[Finding]:
    for name, most in (("C", 90.0), ("D", 180.0)):
        said = one.get(name) or ""
        if not abs(number(said)) <= most:
            yield stop("task-check-ring", where,
                       f"{'latitude' if name == 'C' else 'longitude'} {said!r} is none")
        elif len(said.partition(".")[2]) > facts.DECIMALS:
            yield stop("task-check-attribute", where,
                       f"{said} has more than {facts.DECIMALS} decimals")


def _ids(root: Element) -> Iterator[Finding]:
    ids: Counter[str] = Counter()
    for one in root.iter():
        said = one.get(facts.ID_OF.get(one.tag, ""))
        if said is not None:
            ids[said] += 1
            if not facts.ID.fullmatch(said) or not said.startswith(one.tag):
                yield stop("task-check-id", f"{facts.RECORD}, {one.tag}",
                           f"{said!r} is no id ({one.tag} and digits)")
    for twice in (one for one, times in ids.items() if times > 1):
        yield stop("task-check-id", facts.RECORD, f"{twice} stands {ids[twice]} times")
    elsewhere = root.find("XFR") is not None
    for one in root.iter():
        for name, kind in facts.REFERENCES.get(one.tag, {}).items():
            said = one.get(name)
            if said is None or (said.startswith(kind) and said in ids):
                continue
            where = f"{facts.RECORD}, {one.tag} {one.get('A') or ''}".rstrip()
            if said.startswith(kind) and elsewhere:
                yield warn("task-check-reference", where, f"{name} names {said!r}, which is not in "
                           f"{facts.RECORD}; files beside it (XFR) are not followed")
            else:
                yield stop("task-check-reference", where,
                           f"{name} names {said!r}, which is no {kind} of this file",
                           todo="export it again")


def _zones(task: Element, where: str) -> Iterator[Finding]:
    codes: Counter[int] = Counter()
    for zone in task.findall("TZN"):
        code = whole(zone.get("A"))
        if code is None or not 0 <= code <= facts.HIGHEST_ZONE:
            yield stop("task-check-zone", where,
                       f"zone code {zone.get('A')!r} is not 0 to {facts.HIGHEST_ZONE}")
            continue
        codes[code] += 1
        if zone.find("PDV") is None:
            yield stop("task-check-zone", where, f"zone {code} has no rate")
        if len(zone.findall("PLN")) > 1:
            yield warn("task-check-zone", where, f"zone {code} has several polygons; one is meant")
    for twice in (code for code, times in codes.items() if times > 1):
        yield stop("task-check-zone", where, f"zone code {twice} stands {codes[twice]} times")
    words = {"H": "default", "I": "position lost", "J": "out of field"}
    for name, what in words.items():
        if task.get(name) is not None and whole(task.get(name)) not in codes:
            yield stop("task-check-zone", where,
                       f"the {what} code {task.get(name)} ({name}) is no zone of the task")
        elif codes and task.get(name) is None:
            yield warn("task-check-zone", where, f"has no {what} code ({name}): what a machine "
                       "applies then is left to it")


def _logs(folder: Path, task: Element, where: str) -> Iterator[Finding]:
    for log in task.findall("TLG"):
        name = log.get("A") or ""
        if not facts.LOG_NAME.fullmatch(name):
            yield stop("task-check-file", where, f"time log {name!r} is no name of the standard's")
            continue
        for suffix in (".xml", ".bin"):
            if find(folder, name + suffix) is None:
                yield stop("task-check-file", where, f"{name}{suffix} is missing")

