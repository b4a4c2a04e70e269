"""`vrx sign`: sign an audit off, and check the chain of signed records."""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from vrx.cli.audit_options import judged, options

_DIFFERS = 8


@click.command("sign")
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--who", default="", help="Name of the person who signs.")
@click.option("--role", default="", help="As what: grower, adviser, applicator ...")
@click.option("--licence", default="", help="Number of a licence or certificate.")
@click.option("--note", default="", help="A remark that stands in the record.")
@click.option(
    "--accept", multiple=True, metavar="CODE=REASON",
    help="Accept a fault, or a verdict that differs (arithmetic, trade), for a reason; repeat.")
@click.option("--at", help="Time of signing with offset, 2027-04-15T16:30-06:00; else the clock.")
@click.option("--chain", type=click.Path(path_type=Path), help="The file of signed records.")
@click.option("--check", "checking", is_flag=True, help="Check the records; sign nothing.")
@click.option("--seal", help="With --check: a seal kept elsewhere, whose record must be there.")
@options
@click.option("--json", "as_json", is_flag=True, help="Print the record, or the check, as JSON.")
def command(
    *, paths: tuple[Path, ...], who: str, role: str, licence: str, note: str,
    accept: tuple[str, ...], at: str | None, chain: Path | None, checking: bool, seal: str | None,
    as_json: bool, **asked: Any,
) -> None:
    """Sign off what an audit found, or check earlier records.

    PATHS and options are those of vrx audit, which is run first. The record says who signed, when,
    in what role, the SHA-256 of every file, both verdicts and what was accepted for what reason. It
    holds the hash of the record before it, so that --check shows edits, missing or moved records,
    and files that changed since. Keep the printed seal elsewhere: only it shows that the last
    records were taken out. No signature in the sense of a law, and no proof of who typed it.

    Examples:

      vrx sign kettle --who "A. Grower" --role grower

      vrx sign kettle --check
    """
    from vrx.cli import show
    from vrx.pipeline import signing

    if checking:
        _check(chain or paths[0], seal=seal, as_json=as_json)
        return
    from vrx.audit.chain import Signature

    if seal is not None:
        raise click.UsageError("--seal goes with --check")
    reasons = [_reason(one) for one in accept]
    result = judged(paths, **asked)
    moment = at or datetime.now().astimezone().isoformat(timespec="seconds")
    record = signing.sign(
        result, Signature(who=who, role=role, licence=licence, note=note, signed_at=moment,
                          accepted=dict(reasons)),
        path=chain or signing.chain_of(paths[0]))
    if as_json:
        show.say_json(record)
        return
    words = {True: "agrees", False: "DIFFERS, accepted", None: "not judged"}
    show.say(f"record {record['number']}: {record['who']}, {record['role']}, {record['signed_at']}")
    show.say(f"{record['subject']}: {len(record['files'])} files, arithmetic "
             f"{words[record['arithmetic']]}, delivery {words[record['trade']]}")
    for one in record["accepted"]:
        show.say(f"accepted: {one['code']} because {one['reason']}")
    show.say(f"seal (write it down elsewhere): {record['record_sha256']}")


def _reason(text: str) -> tuple[str, str]:
    """CODE=REASON; a reason may hold "=" itself."""
    code, _, reason = text.partition("=")
    if not code.strip() or not reason.strip():
        raise click.BadParameter(f"{text!r} is not CODE=REASON")
    return code.strip(), reason.strip()


def _check(path: Path, *, seal: str | None, as_json: bool) -> None:
    from vrx.cli import show
    from vrx.pipeline import signing

    found = signing.check(path, seal=seal)
    if as_json:
        show.say_json({
            "whole": found.whole, "path": str(found.path), "records": list(found.records),
            "faults": [{"code": one.code, "where": one.where, "what": one.what}
                       for one in found.faults]})
    else:
        words = {"True": "agrees", "False": "differs", "None": "not judged"}
        show.table(
            f"Signed records in {found.path.name}",
            ["no.", "signed", "by", "of", "arithmetic", "delivery", "seal"],
            [[str(one.get("number")), str(one.get("signed_at")),
              f"{one.get('who')}, {one.get('role')}", str(one.get("subject")),
              words.get(str(one.get("arithmetic")), "?"), words.get(str(one.get("trade")), "?"),
              str(one.get("record_sha256"))[:12]] for one in found.records], left=7)
        show.show_findings(found.faults, everything=True)
        show.say("the chain is whole, and the files are as signed" if found.whole
                 else "the chain or its files were CHANGED")
    if not found.whole:
        sys.exit(_DIFFERS)
