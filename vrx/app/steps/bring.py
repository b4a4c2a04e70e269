"""Files that come into the folder: sent by the browser, or the invented field that vrx carries."""

from __future__ import annotations

import hashlib
import os
import shutil
from contextlib import suppress
from pathlib import Path

from vrx.app.form import Brought, Form
from vrx.app.session import Session
from vrx.app.step import Done
from vrx.errors import ExportError, InputError
from vrx.plan import PLAN_NAME

INVENTED = Path(__file__).parents[1] / "invented"
_PARTS = ("boundary.geojson", "soil.csv", PLAN_NAME)
_NEVER = frozenset({PLAN_NAME, "edits.jsonl", "signed.jsonl", "applied.toml"})


def bring(session: Session, form: Form) -> Done:
    """Files that were sent get their names. A file that is there already is never replaced."""
    if not form.files:
        raise InputError("no file was chosen", code="app-no-files", where="files",
                         hint="choose one or more files, or drop them onto the page")
    said = [_keep(session.folder, one) for one in form.files]
    return Done(" ".join(said), "/files")


def _keep(folder: Path, one: Brought) -> str:
    name = one.name
    if not name:
        raise InputError(f"a file cannot be called {one.told[:80]!r}", code="app-file-name",
                         where="files", hint="rename it with plain letters, and bring it again")
    if name.casefold() in _NEVER or name.startswith("."):
        raise InputError(f"{name} is a name that vrx keeps for its own files",
                         code="app-file-name", where="files", hint="rename it, and bring it again")
    if not one.size:
        raise InputError(f"{name} is empty", code="app-file-empty", where="files",
                         hint="was it copied whole? Bring it again")
    stem, suffix = Path(name).stem, Path(name).suffix
    number, own = 1, name
    while not _place(one, folder / own):
        if _same(folder / own, one):
            return f"{own} is here already, byte for byte."
        number += 1
        if number > 99:
            raise InputError(f"there are too many files called {name}", code="app-file-name",
                             where="files", hint="rename it, and bring it again")
        own = f"{stem}-{number}{suffix}"
    if own != name:
        return (f"{name} is here already with other contents; the new one is kept as {own}, "
                "nothing was replaced.")
    return f"{own} is here."


def _place(one: Brought, target: Path) -> bool:
    """Give the scratch file its name, if nothing has it; False where something does."""
    try:
        os.link(one.scratch, target)
    except FileExistsError:
        return False
    except OSError:
        # a disk without hard links: nobody else writes here while the app has the folder
        if os.path.lexists(target):
            return False
        try:
            os.replace(one.scratch, target)
        except OSError as err:
            raise ExportError(f"could not be kept: {err.strerror or err}", code="app-file-write",
                              where=target.name, hint="is the folder writable, and is there room "
                              "on the disk?") from err
        return True
    with suppress(OSError):
        one.scratch.unlink()
    return True


def _same(path: Path, one: Brought) -> bool:
    try:
        if path.is_symlink() or not path.is_file() or path.stat().st_size != one.size:
            return False
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest() == one.sha256
    except OSError:
        return False


def invented(session: Session, form: Form) -> Done:
    """The invented field, copied into a folder that has no plan; nothing is replaced."""
    taken = [name for name in _PARTS if os.path.lexists(session.folder / name)]
    if taken:
        raise InputError(f"{taken[0]} is in this folder already", code="app-folder-taken",
                         where=str(session.folder),
                         hint="start vrx app with an empty folder to look at the invented field")
    # The plan comes last: a copy that breaks off leaves no plan whose files are missing.
    for name in _PARTS:
        scratch = session.folder / f".bring-{name}"
        try:
            shutil.copyfile(INVENTED / name, scratch)
            os.replace(scratch, session.folder / name)
        except OSError as err:
            scratch.unlink(missing_ok=True)
            raise ExportError(f"could not be copied: {err.strerror or err}",
                              code="app-file-write", where=name,
                              hint="is the folder writable, and is there room on the disk?"
                              ) from err
    return Done("The invented field is here: a boundary, 61 soil samples and a whole plan.",
                "/files")
