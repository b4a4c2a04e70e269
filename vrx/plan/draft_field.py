"""The plan of a field that is still to be sampled: its boundary, and how to sample it."""

from __future__ import annotations

import json
from collections.abc import Mapping


def draft_field(
    *, name: str, boundary: str, boundary_choices: Mapping[str, str | bool], boundary_ac: float,
    centre: tuple[float, float],
) -> str:
    """The plan file's text; lines with `"?"` are for the user. Paths are as from its folder."""

    def quoted(text: str | bool) -> str:  # noqa: FBT001 - a value of TOML
        return json.dumps(text, ensure_ascii=False)

    shown = "".join(c if c.isprintable() else " " for c in name)[:80]
    return "\n".join([
        f"# Sampling of {shown}, which has no soil tests yet.",
        '# Fill in the lines that say "?", then: vrx sampling FOLDER',
        "# When the results are here, move this file away and make the whole plan with",
        "# vrx new FOLDER --boundary FILE --samples FILE; [sampling] may move there as it is.",
        "schema = 1",
        'units = "us"',
        "",
        "[field]",
        f"name = {quoted(name)}",
        f"# {boundary_ac:,.2f} geodesic acres as read",
        f"boundary = {quoted(boundary)}",
        *(f"{key} = {quoted(value)}" for key, value in boundary_choices.items()),
        "# Centre of the field's own map projection; leave it as it is.",
        f"centre = [{centre[0]}, {centre[1]}]",
        'crop = "alfalfa"',
        "# Year of the harvest that the samples are for.",
        'season = "?"',
        "",
        "[sampling]",
        '# "offset grid" (rows shifted by half, not in the tracks of the spreader), "square grid",',
        '# "long axis" (strips), or "by zones" with [zones] from = "own polygons"',
        'layout = "offset grid"',
        "# Acres that one sample stands for; 2.5 ac is a square of 330 ft.",
        "ac_per_sample = 2.5",
        "# [top, bottom] of each bag of soil in inches, as your guide and laboratory read them",
        'depths_in = [["?", "?"]]',
        "# Where the walk begins: a corner of the field, or the gate as [longitude, latitude].",
        'gate = "southwest"',
        "# Ground to keep off (old fence lines, farmsteads), as polygons of a file:",
        '# exclusions = "keep_off.geojson"',
        "# exclusion_ft = 50",
        "",
    ])
