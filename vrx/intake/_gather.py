"""Results one by one -> one row a sample; repeated results are told, never silently one of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from vrx.intake._raise import listed
from vrx.intake._table import Row
from vrx.model import Finding, note, warn


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One result: `key` holds the cells that name its sample, `heading` the column it goes to.

    `number` is its row or record in the file. With `replaces` it takes the place of an earlier
    result of the same sample and column. An empty `heading` only keeps the row.
    """

    number: int
    key: tuple[str, ...]
    heading: str = ""
    value: str = ""
    unit: str = ""
    replaces: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wide:
    """Rows of key cells and one cell a column; units as "ppm", or "" with a column of its own."""

    headings: tuple[str, ...]
    units: tuple[str, ...]
    rows: tuple[Row, ...]
    firsts: tuple[int, ...]
    findings: tuple[Finding, ...]


@dataclass(slots=True, kw_only=True)
class _Layer:
    number: int
    first: int
    cells: dict[str, Result] = field(default_factory=dict)
    emptied: bool = False


def unit_heading(heading: str) -> str:
    """The heading of the column that holds the units of a column with several."""
    return f"{heading} unit"


def gathered(
    results: Iterable[Result], key_headings: Sequence[str], *, where: str, word: str,
    keep: str, name_at: int | None, identity: Sequence[int] = (),
) -> Wide:
    """One row a sample. `keep` is "mean" (a rerun makes a further row) or "last".

    `firsts` gives for each row the position of its first result. `name_at` is the place of the
    sample's name in the key. A result that `replaces` takes the place of those of every sample
    that agrees in the `identity` cells of the key, of whatever day or report.
    """
    samples: dict[tuple[str, ...], list[_Layer]] = {}
    columns: dict[str, None] = {}
    kin: dict[tuple[str, ...], dict[tuple[str, ...], list[_Layer]]] = {}
    told: dict[str, list[str]] = {"same": [], "rerun": [], "replaced": []}
    for position, result in enumerate(results):
        layers = samples.setdefault(result.key, [_Layer(number=result.number, first=position)])
        if not result.heading:
            continue
        columns.setdefault(result.heading)
        kind = _put(result, layers, position, keep=keep)
        if identity:
            alike = kin.setdefault(tuple(result.key[k] for k in identity), {})
            alike[result.key] = layers
            if result.replaces and _withdrawn(result, alike.values(), layers):
                kind = "replaced"
        if kind:
            name = result.key[name_at] if name_at is not None else f"{word} {result.number}"
            told[kind].append(f"{name} {result.heading}")
    return _laid_out(samples, tuple(columns), key_headings,
                     tuple(_findings(told, where=where, keep=keep)))


def _laid_out(
    samples: dict[tuple[str, ...], list[_Layer]], columns: Sequence[str],
    key_headings: Sequence[str], findings: tuple[Finding, ...],
) -> Wide:
    """All layers as rows; a column of units beside each column that has several."""
    found: dict[str, Counter[str]] = {heading: Counter() for heading in columns}
    for layers in samples.values():
        for layer in layers:
            for heading, result in layer.cells.items():
                if result.value:
                    found[heading][result.unit] += 1
    mixed = [heading for heading in columns if len(found[heading]) > 1]
    units = [next(iter(found[h])) if len(found[h]) == 1 else "" for h in columns]
    rows: list[Row] = []
    firsts: list[int] = []
    for key, layers in samples.items():
        for layer in layers:
            if layer.emptied and not layer.cells:
                continue  # all its results were replaced
            values = [layer.cells[h].value if h in layer.cells else "" for h in columns]
            own = [layer.cells[h].unit if h in layer.cells else "" for h in mixed]
            rows.append(Row(number=layer.number, cells=(*key, *values, *own)))
            firsts.append(layer.first)
    return Wide(
        headings=(*key_headings, *columns, *(unit_heading(h) for h in mixed)),
        units=(*[""] * len(key_headings), *units, *[""] * len(mixed)),
        rows=tuple(rows), firsts=tuple(firsts), findings=findings)


def _put(result: Result, layers: list[_Layer], position: int, *, keep: str) -> str:
    """Put a result into its sample; "same", "rerun" or "replaced" if it was there already."""
    at = result.heading
    before = [layer.cells[at] for layer in layers if at in layer.cells]
    if not before:
        layers[0].cells[at] = result
        return ""
    if result.replaces or (keep == "last" and result.value):
        same = len(before) == 1 and (before[0].value, before[0].unit) == (result.value, result.unit)
        for layer in layers:
            layer.cells.pop(at, None)
        layers[0].cells[at] = result
        return "same" if same else "replaced" if result.replaces else "rerun"
    if any((b.value, b.unit) == (result.value, result.unit) for b in before):
        return "same"
    free = next((layer for layer in layers if at not in layer.cells), None)
    if free is None:
        free = _Layer(number=result.number, first=position)
        layers.append(free)
    free.cells[at] = result
    return "rerun"


def _withdrawn(result: Result, kin: Iterable[list[_Layer]], own: list[_Layer]) -> bool:
    """Take the column of a replacing result out of other rows of that sample; True if it was."""
    found = False
    for layers in kin:
        if layers is own:
            continue
        for layer in layers:
            if layer.cells.pop(result.heading, None) is not None:
                layer.emptied = found = True
    return found


def _findings(told: dict[str, list[str]], *, where: str, keep: str) -> list[Finding]:
    findings: list[Finding] = []
    if told["same"]:
        findings.append(note("soil-result-twice", where, "results given twice, word for word: "
                             f"{listed(told['same'])}", value=str(len(told["same"])),
                             done="counted once"))
    if told["replaced"]:
        findings.append(note("soil-result-replaced", where, "the laboratory marks these as new "
                             f"results of an earlier sample: {listed(told['replaced'])}",
                             value=str(len(told["replaced"])), done="the earlier ones left out"))
    if told["rerun"]:
        done = "the last one kept, as you chose" if keep == "last" else "their mean is used"
        findings.append(warn("soil-result-rerun", where, "several results of one sample: "
                             f"{listed(told['rerun'])}", value=str(len(told["rerun"])), done=done,
                             todo='reruns = "last" keeps the last one' * (keep != "last")))
    return findings
