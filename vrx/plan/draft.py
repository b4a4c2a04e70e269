"""The first plan of a field: commented, every choice visible, what matters left as `"?"`."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftFacts:
    """What the files themselves tell.

    `headings` are (heading, first values) of the sample table, empty for a vector file without
    columns. `proposals` maps plan keys such as "id_column" or "potassium" to a heading that looks
    like it; `boundary_choices` are keys of `[field]` that the boundary could not be read without.
    Paths are relative to the plan's folder. In a table of one result a row `long_names` maps an
    analyte to the words of its analyte and method columns (method "" where one does), and
    `units_by_row` tells that units stand in a column. `depths` are the depths of the table.
    `answers_itself`: a result file, which names its samples, laboratory and depths.
    `cells_tell_order`: a column with both coordinates in a cell says which is which.
    """

    name: str
    boundary: str
    boundary_choices: Mapping[str, str | bool] = field(default_factory=dict)
    boundary_ac: float
    centre: tuple[float, float]
    samples: str
    sheet: str | None = None
    layer: str | None = None
    points_have_geometry: bool
    headings: Sequence[tuple[str, Sequence[str]]]
    proposals: Mapping[str, str]
    long_names: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    units_by_row: bool = False
    depths: Sequence[str] = ()
    answers_itself: bool = False
    cells_tell_order: bool = False
    potassium_books: Sequence[str]
    sulfur_books: Sequence[str]
    materials: Sequence[str]


def _quoted(text: str | bool | None) -> str:  # noqa: FBT001 - a value of TOML
    # JSON and TOML basic strings agree on every escape that json.dumps makes.
    return '"?"' if text is None else json.dumps(text, ensure_ascii=False)


def _named(key: str, value: str | bool | None) -> list[str]:  # noqa: FBT001 - a value of TOML
    return [] if value is None else [f"{key} = {_quoted(value)}"]


def _comment(text: str) -> str:
    # A heading may hold line breaks or control characters, which would end the comment.
    return "".join(c if c.isprintable() else " " for c in text)[:80]


def draft(facts: DraftFacts) -> str:
    """The plan file's text. Lines with `"?"` are for the user; `vrx run` lists them until done."""
    return "\n".join(
        [
            *_head(facts), *_soil(facts), *_water_and_yield(), *_zones(), *_need(facts),
            *_passes(facts), "",
        ]
    )


def _head(facts: DraftFacts) -> list[str]:
    return [
        f"# Plan of {_comment(facts.name)}.",
        '# Fill in every line that says "?"; `vrx check` tells what is left.',
        "# Advice only: product labels, local codes and a licensed adviser overrule every number.",
        "schema = 1",
        'units = "us"',
        "# Rule books and materials of your own, as files beside this plan:",
        "books = []",
        "materials = []",
        "",
        "[field]",
        f"name = {_quoted(facts.name)}",
        f"# {facts.boundary_ac:,.2f} geodesic acres as read",
        f"boundary = {_quoted(facts.boundary)}",
        *(line for key, value in facts.boundary_choices.items() for line in _named(key, value)),
        "# Centre of the field's own map projection; leave it as it is.",
        f"centre = [{facts.centre[0]}, {facts.centre[1]}]",
        'crop = "alfalfa"',
        "# Year of the harvest that this plan is for.",
        'season = "?"',
        "# Year of the stand, seeding year = 1.",
        'stand_year = "?"',
        "# last_stand_year = 5",
        "",
    ]


def _soil(facts: DraftFacts) -> list[str]:
    lines = ["[soil]", f"samples = {_quoted(facts.samples)}"]
    lines += [*_named("sheet", facts.sheet), *_named("layer", facts.layer)]
    if facts.headings:
        lines.append("# Columns of the file, with their first values:")
        lines += [
            f"#   {_comment(heading)}: {_comment(', '.join(values))}"
            for heading, values in facts.headings
        ]
    proposals = facts.proposals
    if "id_column" in proposals:
        lines.append(f"id_column = {_quoted(proposals['id_column'])}")
    if any(heading == "point coordinate 1" for heading, _ in facts.headings):
        lines += [
            "# Files differ in which coordinate of a point comes first:",
            '# "longitude latitude" or "latitude longitude"; `vrx check` counts both ways.',
            'point_order = "?"',
        ]
    elif "position_column" in proposals and "longitude_column" not in proposals:
        lines += [
            "# Both coordinates in one cell; which comes first:",
            '# "longitude latitude" or "latitude longitude"; `vrx check` counts both ways.',
            f"position_column = {_quoted(proposals['position_column'])}",
            *([] if facts.cells_tell_order else ['point_order = "?"']),
        ]
    elif not facts.points_have_geometry:
        lines += [
            "# Decimal degrees (WGS 84). For projected coordinates use easting_column,",
            "# northing_column and crs instead. If the places are in another file, take these two",
            '# lines out and add: points = { file = "points.geojson", id_column = "..." }',
            f"longitude_column = {_quoted(proposals.get('longitude_column'))}",
            f"latitude_column = {_quoted(proposals.get('latitude_column'))}",
        ]
    lines += [
        "# Date of sampling: a column, or sampled_on = 2026-10-14 for all samples.",
        f"date_column = {_quoted(proposals.get('date_column'))}",
        *_lab_and_depth(facts),
        "",
        "[soil.potassium]",
        *_column(facts, "potassium"),
        '# unit: "ppm", "mg/kg", "lb/ac", "meq/100 g" or "% saturation"; form: "K" or "K2O"',
        *_unit(facts),
        'form = "?"',
        '# extractant, from the report: "mehlich-3", "ammonium acetate", "olsen", ...',
        'extractant = "?"',
        *([] if len(facts.depths) > 1 else [
            "# depth_in = [top, bottom] of the sample, inches", 'depth_in = ["?", "?"]']),
        "",
    ]
    for key in ("cec", "organic_matter"):
        if key in proposals or key in facts.long_names:
            lines += [f"[soil.{key}]", *_column(facts, key), *_unit(facts), ""]
    if "sulfate" in proposals or "sulfate" in facts.long_names:
        lines += [
            "# A topsoil sulfate test is a weak guide: it is shown, and used only by books that",
            "# ask for it.",
            "[soil.sulfate]",
            *_column(facts, "sulfate"),
            *_unit(facts),
            '# form: "SO4-S" (sulfur in sulfate), "SO4", or "S" (total S of an ICP)',
            'form = "?"',
            'extractant = "?"',
            *([] if len(facts.depths) > 1 else ['depth_in = ["?", "?"]']),
            "",
        ]
    return lines


def _column(facts: DraftFacts, key: str) -> list[str]:
    if "analyte_column" not in facts.proposals:
        return [f"column = {_quoted(facts.proposals.get(key))}"]
    analyte, method = facts.long_names.get(key, (None, ""))
    return [f"analyte_is = {_quoted(analyte)}", *_named("method_is", method or None)]


def _unit(facts: DraftFacts) -> list[str]:
    return [] if facts.units_by_row else ['unit = "?"']


def _lab_and_depth(facts: DraftFacts) -> list[str]:
    found = {} if facts.answers_itself else facts.proposals
    lines = [*_named("lab_column", found.get("lab_column"))] or ['lab = "?"']
    lines += _named("report_column", found.get("report_column")) or ['report_number = "?"']
    lines += _named("depth_column", found.get("depth_column"))
    if len(facts.depths) > 1 and "depth_column" in found:
        lines += [f"# One of: {_comment(', '.join(facts.depths))}", 'depth = "?"']
    if "analyte_column" in found:
        lines.append("# One result a row:")
        for key in ("analyte_column", "value_column", "unit_column", "method_column"):
            lines += _named(key, found.get(key))
    return lines


def _water_and_yield() -> list[str]:
    return [
        "# Irrigation water: net inches that stay in the root zone in the season, and its sulfate.",
        "# Use sulfate_s_ppm instead where the report prints sulfate-sulfur (SO4-S), and",
        "# sulfate_meq_per_l where it prints milliequivalents.",
        "[water]",
        'net_in = "?"',
        'sulfate_so4_ppm = "?"',
        "# potassium_ppm = 4.0 (of the element K) is subtracted from the K2O need",
        "",
        "[yield_goal]",
        'tons_per_ac = "?"',
        "# moisture of those tons, percent (0 = dry matter)",
        'moisture_pct = "?"',
        "",
        "# A raster (band = 1) or a table of points (value_column) to be told zone by zone beside",
        '# the soil tests; with "?" for a value `vrx check` shows what its file holds:',
        "# [[layer]]",
        '# name = "elevation"',
        '# file = "elevation.tif"',
        "# band = 1",
        '# unit = "m"',
        "",
        "[surface]",
        "cell_m = 5",
        '# "choose" takes what predicts left-out samples best, or the field mean if nothing does',
        'method = "choose"',
        "# measured layers that may guide the maps, where they are shown to help",
        '# drift = ["elevation"]',
        "",
    ]


def _zones() -> list[str]:
    return [
        "[zones]",
        '# "soil classes" (of the rule book), "clusters", "rate classes", "own polygons",',
        '# "soil map units", "grid cells", "pivot sectors" or "whole field"',
        'from = "soil classes"',
        'nutrients = ["potassium"]',
        "smallest_ac = 2.0",
        "narrowest_ft = 60",
        "# compass degrees of the driving direction: narrowest_ft then holds across it",
        "# driving_deg = 0",
        "",
    ]


def _listed(names: Sequence[str]) -> list[str]:
    """Names behind commas as lines of comment."""
    text = ", ".join(names).replace(":, ", ": ")
    return textwrap.wrap(text, 96, initial_indent="# ", subsequent_indent="#   ",
                         break_long_words=False, break_on_hyphens=False)


def _need(facts: DraftFacts) -> list[str]:
    return [
        "# The guide that governs your field; `vrx books` lists them with region, extractant and",
        "# depth, `vrx books explain NAME` tells what one asks (rating, soil_group, ...), and",
        "# `vrx books template` starts a file of your own guide.",
        *_listed(["potassium:", *facts.potassium_books]),
        "[need.potassium]",
        'book = "?"',
        "# Sulfur is flat unless you choose otherwise, since a topsoil test is a weak guide:",
        *_listed(facts.sulfur_books),
        "[need.sulfur]",
        'book = "flat-sulfur"',
        "",
        "# What is subtracted beside the lines of the guide, and other guides for the page:",
        "# [credits.potassium]",
        "# carry_over_lb_per_ac = 20.0",
        '# carry_over_source = "where the figure is from"',
        "# [compare]",
        '# books = ["removal-sulfur"]',
        '# options = { removal-sulfur = { removal_source = "wisconsin" } }',
        "",
        "[limits]",
        "# most S of the whole season, lb/ac; above 50 give s_reason as well",
        "s_lb_per_ac = 50.0",
        "# hard ceilings of the season, if you want them: k2o_lb_per_ac, n_lb_per_ac, cl_lb_per_ac",
        "",
    ]


def _passes(facts: DraftFacts) -> list[str]:
    return [
        "# One [[pass]] per trip. Materials (`vrx materials`):",
        *(f"#   {name}" for name in facts.materials),
        "# Over 200 lb K2O/ac is better split: after the first cutting, and 4 to 6 weeks before a",
        "# killing frost.",
        "[[pass]]",
        'id = "after-first"',
        'timing = "stubble of cutting 1"',
        'method = "broadcast"',
        'material = "?"',
        'serves = "potassium"',
        "# variable = by zone; flat = one rate from the field's mean need; or a rate of your own:",
        "# rate_lb_per_ac, rate_gal_per_ac",
        'rate = "variable"',
        "share_of_need = 1.0",
        "# Or let material and rate of all passes be chosen together: in place of material,",
        '# serves, rate and share_of_need: materials = ["...", "..."], rate = "planned", and once:',
        "# [season_plan]",
        '# aim = "least cost"           # "fewest passes", "least deviation"',
        "",
        "[machine.after-first]",
        "# least and most rate that the machine spreads evenly, and its rate step",
        'least_lb_per_ac = "?"',
        'most_lb_per_ac = "?"',
        'step_lb_per_ac = "?"',
        "",
        "# The season's days tell each pass's window, and what is left if it is missed:",
        "# [calendar]",
        "# killing_frost = 2027-10-10",
        "# [[calendar.cutting]]",
        "# cut = 2027-05-28",
        "# bales_off = 2027-05-31",
        "# water_on = 2027-06-02",
        "",
        "# What holds on the day of a pass, for the go / no-go boxes of the applicator's sheet:",
        "# [conditions]",
        "# slope_pct = 2.0",
        "# slope_most_pct = 8.0",
        "# A pass through the irrigation needs the system, for wetted acres, pump settings and the",
        "# operator's list (README, Through the irrigation); its treated_ac can then be left out:",
        "# [irrigation]",
        '# system = "centre pivot", "wheel line", "hand line", "solid set", "border" or "furrow"',
        "# [irrigation.pivot] or [irrigation.sets]",
        "# [irrigation.inject.<pass id>]",
        "",
        "# [prices]",
        '# "muriate of potash 0-0-60" = { per = "short ton", usd = 0.0, as_of = "date" }',
        "",
        "# How it is sold and hauled; a tank or hopper stands in [machine.<pass id>]: tank_gal,",
        "# hopper_lb",
        "# [order]",
        "# on = 2027-01-15",
        "# overage_pct = 1.0",
        '# [order.material."muriate of potash 0-0-60"]',
        '# package = "bulk"            # "bag", "tote" with package_lb or package_gal',
        "# load_short_tons = 24.0",
        "",
        "# Flat against by zone: every charge that you know; none is assumed.",
        "# [charges]",
        "# sampling_usd_per_sample = 0.0",
        "# mapping_usd_per_ac = 0.0",
        "# spreading_flat_usd_per_ac = 0.0",
        "# spreading_variable_usd_per_ac = 0.0",
        "# hay_usd_per_ton = 0.0",
        "",
        "[export]",
        "# also: geopackage (all in one file, for a desktop GIS), geotiff (rasters), geoparquet,",
        "# iso11783 (task data for a terminal)",
        'formats = ["shapefile", "geojson"]',
    ]
