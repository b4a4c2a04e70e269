"""Facts of the operator's schedule as CSV (RFC 4180): its name and its columns."""

from __future__ import annotations

STEM = "irrigation"
"""The file of a pass is `irrigation_<pass id>.csv`."""

COLUMNS = (
    "step", "what", "place", "start_deg", "stop_deg", "start_h", "hours", "day", "wetted_ac",
    "of_field_ac", "ac_per_h", "gross_in", "net_in", "speed_pct", "end_gun", "corner_arm",
    "gal_per_ac", "gal_per_h", "gallons", "cumulative_gal", "fill_gal", "hold_rate_gal_per_h",
    "one_setting_gal_per_ac", "hold_rate_hours",
)
