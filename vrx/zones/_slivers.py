"""Parts of zones that are too thin to be ground: given to the zone beside, or told."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from vrx.geo import CLOSE_M, dissolve, shared_edges
from vrx.model import Finding, note, warn
from vrx.units import ACRE_M2


def mean_width_m(part: shapely.Polygon) -> float:
    """Twice the area over the outline's length, holes included: how wide a strip is on average."""
    return 2.0 * float(part.area) / float(part.length) if part.length else 0.0


def give_slivers(
    polygons: Sequence[shapely.Geometry], labels: Sequence[str], *, width_m: float = CLOSE_M
) -> tuple[list[shapely.Geometry], list[Finding]]:
    """Separate parts narrower than `width_m` on average go to the zone that they touch longest.

    `polygons` are a coverage in metres. A zone keeps at least its widest part; a part that touches
    no other zone stays. Returns the coverage in the same order and what was given away (note).
    """
    parts, of = shapely.get_parts(np.array(polygons, dtype=object), return_index=True)
    widths = np.array([mean_width_m(part) for part in parts])
    thin = widths < width_m
    for zone in np.unique(of[thin]):
        mine = np.flatnonzero(of == zone)
        thin[mine[np.argmax(widths[mine])]] = False
    if not thin.any():
        return list(polygons), []
    pairs, lengths = shared_edges(list(parts))
    owner = of.astype(np.int64)
    given = []
    for part in np.flatnonzero(thin).tolist():
        touch: dict[int, float] = {}
        for (one, two), length in zip(pairs.tolist(), lengths.tolist(), strict=True):
            other = two if one == part else one if two == part else -1
            if other >= 0 and not thin[other]:
                touch[int(of[other])] = touch.get(int(of[other]), 0.0) + length
        if touch:
            owner[part] = max(touch, key=lambda zone: (touch[zone], -zone))
            given.append(part)
    if not given:
        return list(polygons), []
    acres = float(shapely.area(parts[given]).sum()) / ACRE_M2
    names = sorted({labels[int(of[part])] for part in given})
    more = f" and {len(names) - 4} more" if len(names) > 4 else ""
    told = note(
        "zones-sliver-given", "zones",
        f"{len(given)} separate {'part' if len(given) == 1 else 'parts'} narrower than "
        f"{width_m:g} m on average, {acres:.6f} ac in all, of "
        f"{', '.join(map(repr, names[:4]))}{more}",
        value=f"{acres:.6f}", done="each given to the zone that it touches longest")
    return dissolve(list(parts), owner), [told]


def sliver_findings(
    polygons: Sequence[shapely.Geometry], letters: Sequence[str]
) -> list[Finding]:
    """Zones with a part that no machine follows, and that the audit of the files refuses (warn)."""
    found = []
    for polygon, letter in zip(polygons, letters, strict=True):
        thin = [part for part in shapely.get_parts(polygon) if mean_width_m(part) < CLOSE_M]
        if thin:
            least = min(mean_width_m(part) for part in thin)
            found.append(warn(
                "zones-sliver-kept", f"zone {letter}",
                f"{len(thin)} {'part' if len(thin) == 1 else 'parts'} of it narrower than "
                f"{CLOSE_M:g} m on average, the narrowest {least:.2f} m "
                f"({sum(float(part.area) for part in thin) / ACRE_M2:.6f} ac)",
                value=f"{least:.3f}", done="kept; vrx audit will call it a sliver",
                todo="take it out of the boundary, or join it to a neighbour",
            ))
    return found
