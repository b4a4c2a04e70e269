"""The application record of each pass out of a run: filled where known, else blank."""

from __future__ import annotations

from datetime import date

import numpy as np

from vrx.model import NOT_KNOWN, Job, PassRates
from vrx.model.application import ApplicationRecord, RecordField
from vrx.plan.application import ApplicationSection

_WHO, _WHERE, _WHAT = "Who and when", "Where", "What"
_BASIS, _DAY, _AWAY = "What it rests on", "Conditions on the day", "Set-backs"


def records(job: Job, told: ApplicationSection) -> tuple[ApplicationRecord, ...]:
    """A record of each pass, in the order of the passes."""
    return tuple(_record(job, one, told) for one in job.prescription.passes)


def _record(job: Job, one: PassRates, told: ApplicationSection) -> ApplicationRecord:
    zones = job.zones.zones
    return ApplicationRecord(
        pass_id=one.pass_id, number=one.number, field=job.field.name,
        rate_unit=one.material.unit,
        fields=(*_who(told), *_where(job, one, told), *_what(job, one), *_basis(job, one),
                *_day(), *_away(job, one)),
        zones=tuple((zone.letter, f"{zone.area_ac:,.2f}", f"{rate:g}")
                    for zone, rate in zip(zones, one.rates.tolist(), strict=True)),
    )


def _stated(section: str, key: str, label: str, value: str | None, unit: str = "") -> RecordField:
    return RecordField(section=section, key=key, label=label, value=value or "", unit=unit,
                       filled_by="plan" if value else "operator")


def _known(section: str, key: str, label: str, value: str, unit: str = "") -> RecordField:
    return RecordField(section=section, key=key, label=label, value=value, unit=unit,
                       filled_by="vrx")


def _blank(section: str, key: str, label: str, unit: str = "") -> RecordField:
    return RecordField(section=section, key=key, label=label, unit=unit)


def _who(told: ApplicationSection) -> list[RecordField]:
    return [
        _blank(_WHO, "date", "Date of application"),
        _blank(_WHO, "start", "Start"),
        _blank(_WHO, "stop", "Stop"),
        _stated(_WHO, "operator", "Applied by", told.operator),
        _stated(_WHO, "certificate_holder", "Certificate holder or supervisor",
                told.certificate_holder),
        _stated(_WHO, "licence", "Licence or certificate number", told.licence),
        _stated(_WHO, "equipment", "Machine", told.equipment),
    ]


def _where(job: Job, one: PassRates, told: ApplicationSection) -> list[RecordField]:
    east, north = job.field.crs_centre
    planned = job.field.area_ac if one.treated_ac is None else one.treated_ac
    return [
        _stated(_WHERE, "field", "Field", job.field.name),
        _stated(_WHERE, "place", "Farm or address", told.place),
        _known(_WHERE, "centre", "Near latitude, longitude", f"{north:.2f}, {east:.2f}", "deg"),
        _stated(_WHERE, "crop", "Crop", f"{job.crop}, season {job.season}"),
        _known(_WHERE, "acres_planned", "Acres planned", f"{planned:,.2f}", "ac"),
        _blank(_WHERE, "acres_treated", "Acres really treated", "ac"),
    ]


def _what(job: Job, one: PassRates) -> list[RecordField]:
    material = one.material
    unit = material.unit.removesuffix("/ac")
    acres = np.array([zone.area_ac for zone in job.zones.zones])
    rates = np.asarray(one.rates)
    mean = float(rates @ acres / acres.sum())
    spread = f"{rates.min():g}" if rates.min() == rates.max() else (
        f"{rates.min():g} to {rates.max():g}, mean {mean:.4g}")
    planned = job.field.area_ac if one.treated_ac is None else one.treated_ac
    fields = [
        _stated(_WHAT, "product", "Product", material.id),
        _known(_WHAT, "analysis", "Analysis N-P2O5-K2O, S",
               f"{material.n_pct:g}-{material.p2o5_pct:g}-{material.k2o_pct:g}, "
               f"{material.s_pct:g}", "% by weight"),
        _known(_WHAT, "rate", "Rate planned", spread, material.unit),
        _known(_WHAT, "total", "Total planned", f"{one.order_total:,.1f}", unit),
    ]
    if unit != "lb":
        fields.append(_known(_WHAT, "total_lb", "Total planned, by weight",
                             f"{one.order_total * material.lb_per_unit:,.0f}", "lb"))
    for nutrient in ("N", "P2O5", "K2O", "S"):
        pounds = one.order_total * material.nutrient_lb_per_unit(nutrient)
        # N is asked for by name, so that a 0 is said.
        if nutrient != "N" and not pounds:
            continue
        key = nutrient.lower()
        fields += [
            _known(_WHAT, f"{key}_lb", f"{nutrient} brought", f"{pounds:,.0f}", "lb"),
            _known(_WHAT, f"{key}_lb_per_ac", f"{nutrient} brought, on average",
                   f"{pounds / planned:.3g}", "lb/ac"),
        ]
    return [
        *fields,
        _stated(_WHAT, "method", "Method", one.method),
        _stated(_WHAT, "timing", "Timing", one.timing),
        _blank(_WHAT, "rate_applied", "Rate really set", material.unit),
        _blank(_WHAT, "total_applied", "Total really used", unit),
        _blank(_WHAT, "tickets", "Numbers of load tickets"),
    ]


def _basis(job: Job, one: PassRates) -> list[RecordField]:
    soil = job.soil
    days = sorted({text for text in soil.sampled_on if text})
    sampled = days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}" if days else None
    on = next((window.on for window in job.care.windows if window.pass_id == one.pass_id), None)
    goal = job.expected_yield
    guides = ", ".join(dict.fromkeys(guide.name for guide in job.guides))
    return [
        _stated(_BASIS, "soil_lab", "Soil test by", soil.lab or None),
        _stated(_BASIS, "soil_report", "Report number", soil.report_number or None),
        _stated(_BASIS, "soil_sampled", "Sampled on", sampled),
        _age(days, on),
        _stated(_BASIS, "yield_basis", "Yield goal",
                f"{goal.tons_per_ac:g}", f"tons/ac at {goal.moisture_pct:g} % moisture"),
        _known(_BASIS, "guides", "Guides followed", guides) if guides else _blank(
            _BASIS, "guides", "Guides followed"),
    ]


def _age(days: list[str], on: date | None) -> RecordField:
    """Age of the oldest sample on the planned day; a blank where either is not known."""
    label = "Age of the soil test on the day"
    try:
        oldest = date.fromisoformat(days[0]) if days else None
    except ValueError:
        oldest = None
    if oldest is None or on is None or on < oldest:
        return _blank(_BASIS, "soil_age", label, "months")
    months = (on - oldest).days / (365.25 / 12)
    return _known(_BASIS, "soil_age", f"{label} planned, {on.isoformat()}", f"{months:.1f}",
                  "months")


def _day() -> list[RecordField]:
    return [
        _blank(_DAY, "wind", "Wind speed", "mph"),
        _blank(_DAY, "wind_from", "Wind from"),
        _blank(_DAY, "temperature", "Air temperature", "deg F"),
        _blank(_DAY, "rain", "Rain in the last 24 hours", "in"),
        _blank(_DAY, "forecast", "Forecast for the day after"),
        _blank(_DAY, "soil", "Soil: dry, moist, wet"),
        _blank(_DAY, "frozen", "Ground frozen or under snow: yes, no"),
        _blank(_DAY, "regrowth", "Height of regrowth", "in"),
    ]


def _away(job: Job, one: PassRates) -> list[RecordField]:
    told = [item for item in job.care.conditions
            if item.pass_id == one.pass_id and "set-back" in item.item.lower()]
    fields = [
        _stated(_AWAY, f"setback_{number}", item.item,
                "" if item.verdict == NOT_KNOWN else f"{item.verdict}: {item.stated}; {item.rule}")
        for number, item in enumerate(told, start=1)
    ]
    return [
        *fields,
        _blank(_AWAY, "setbacks", "Set-backs of label and local code kept, where"),
        _blank(_AWAY, "incidents", "Spills, stops, skips, doubled strips"),
    ]
