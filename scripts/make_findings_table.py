"""Keep the catalogue of findings true: its facts in findings.toml, and the README's table.

Run it after adding, renaming or removing a code. It sets room and severity of every entry from the
sources, adds entries for new codes with empty texts (fill them in and run it again), sorts, and
writes the README's block. `--prune` takes out what is emitted nowhere; `--check` only tells.
"""

from __future__ import annotations

import argparse
import json
import sys
import tomllib
from collections import Counter
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

from finding_codes import ROOT, SEVERITIES, Emission, emitted

CATALOGUE = ROOT / "vrx" / "formats" / "findings.toml"
README = ROOT / "README.md"
BEGIN = "<!-- findings: written by scripts/make_findings_table.py -->"
END = "<!-- findings: end -->"
HOW = (
    "run `python scripts/make_findings_table.py`, fill in the empty texts in "
    "vrx/formats/findings.toml, and run it again"
)


def facts(places: list[Emission], held: str | None) -> tuple[str, list[str]]:
    """Room (the one held if it still tells the code, else the one that tells it most), severities.

    A severity that the syntax does not tell adds nothing.
    """
    rooms = Counter(one.room for one in places)
    room = held if held and held in rooms else min(rooms, key=lambda name: (-rooms[name], name))
    found = {one.severity for one in places}
    return room, [one for one in SEVERITIES if one in found]


def troubles(told: dict[str, Any], found: dict[str, list[Emission]]) -> list[str]:
    """What is wrong with the catalogue, one line each, saying what to do."""
    codes, lines = told["codes"], []
    for code, places in found.items():
        at = f"{places[0].path}:{places[0].line}"
        if code not in codes:
            lines.append(f"{code} (emitted at {at}) is not in findings.toml")
            continue
        entry = codes[code]
        room, severity = facts(places, entry.get("room"))
        if (entry.get("room"), entry.get("severity")) != (room, severity):
            lines.append(f"{code}: the sources say room = {room!r}, severity = {severity}")
        lines += [
            f"{code}: {key} must be one sentence that ends with a period"
            for key in ("meaning", "remedy")
            if not entry.get(key, "").strip().endswith(".") or len(entry[key]) < 10
        ]
    lines += [f"{code} is in findings.toml but emitted nowhere: --prune takes it out"
              for code in codes if code not in found]
    families = {code.partition("-")[0] for code in codes}
    lines += [f"family {one!r}: add a line to [families] saying what it is about"
              for one in sorted(families - set(told["families"]))]
    lines += [f"family {one!r} has no code: take it out of [families]"
              for one in sorted(set(told["families"]) - families)]
    rooms = {entry["room"] for entry in codes.values()}
    lines += [f"room {one!r}: add a line to [rooms]" for one in sorted(rooms - set(told["rooms"]))]
    if list(codes) != sorted(codes):
        lines.append("findings.toml is not sorted by code")
    return lines


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def synced(told: dict[str, Any], found: dict[str, list[Emission]], head: str) -> str:
    """findings.toml with the facts of the sources, sorted; `head` is its opening comment."""
    lines = [head.rstrip("\n"), ""]
    for table in ("families", "rooms"):
        lines += [f"[{table}]"]
        lines += [f"{name} = {_quoted(text)}" for name, text in sorted(told[table].items())]
        lines.append("")
    for code in sorted({*found, *told["codes"]}):
        entry = told["codes"].get(code, {})
        room, severity = entry.get("room", ""), entry.get("severity", [])
        if code in found:
            room, severity = facts(found[code], room)
        weight = entry.get("weight") or ("note" if severity == ["note"] else "data")
        lines += [
            f"[codes.{code}]", f"room = {_quoted(room)}",
            f"severity = [{', '.join(map(_quoted, severity))}]", f"weight = {_quoted(weight)}",
            f"meaning = {_quoted(entry.get('meaning', ''))}",
            f"remedy = {_quoted(entry.get('remedy', ''))}", "",
        ]
    return "\n".join(lines)


def block(told: dict[str, Any]) -> str:
    """The README's block: families, and one folded table for each room."""
    codes = told["codes"]
    count = Counter(code.partition("-")[0] for code in codes)
    lines = [BEGIN, "", "| code begins with | what it is about | codes |", "|---|---|---|"]
    lines += [f"| `{name}-` | {text} | {count[name]} |"
              for name, text in sorted(told["families"].items())]
    lines += ["", f"All {len(codes)} codes, by the part of vrx that tells them:", ""]
    for room in sorted({entry["room"] for entry in codes.values()}):
        mine = {code: entry for code, entry in codes.items() if entry["room"] == room}
        lines += [
            "<details>",
            f"<summary><b>{room}</b> ({len(mine)}): {told['rooms'].get(room, '')}</summary>", "",
            "| code | kind | touches | meaning | what to do |", "|---|---|---|---|---|",
        ]
        lines += [
            f"| `{code}` | {', '.join(entry['severity'])} | {entry['weight']} | "
            f"{_cell(entry['meaning'])} | {_cell(entry['remedy'])} |"
            for code, entry in mine.items()
        ]
        lines += ["", "</details>", ""]
    return "\n".join([*lines, END])


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("<", "&lt;").replace(">", "&gt;")


def with_block(readme: str, text: str) -> str:
    """The README with the block between its marks replaced. Raises `ValueError` without marks."""
    head, begin, rest = readme.partition(BEGIN)
    _, end, tail = rest.partition(END)
    if not begin or not end:
        raise ValueError(f"README.md lacks the marks {BEGIN} and {END}")
    return head + text + tail


def read() -> tuple[dict[str, Any], str]:
    """The catalogue, and its opening comment."""
    text = CATALOGUE.read_text(encoding="utf-8")
    return tomllib.loads(text), text.partition("\n[")[0]


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="write nothing, tell what is wrong")
    parser.add_argument("--prune", action="store_true", help="take out what is emitted nowhere")
    asked = parser.parse_args(arguments)
    told, head = read()
    found = emitted()
    if asked.prune:
        for code in sorted(set(told["codes"]) - set(found)):
            print(f"taken out: {code}: {told['codes'].pop(code)}")
    if not asked.check:
        CATALOGUE.write_text(synced(told, found, head), encoding="utf-8")
        told, _ = read()
        readme = README.read_text(encoding="utf-8")
        README.write_text(with_block(readme, block(told)), encoding="utf-8")
    left = troubles(told, found)
    readme = README.read_text(encoding="utf-8")
    if asked.check and with_block(readme, block(told)) != readme:
        left.append("the README's table is not that of findings.toml")
    for line in left:
        print(line)
    print(f"{len(found)} codes, {len(left)} things to mend" + (f": {HOW}" if left else ""))
    return 1 if left else 0


if __name__ == "__main__":
    sys.exit(main())
