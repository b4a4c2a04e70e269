"""Invented schedules of injection, for the page and the files."""

from __future__ import annotations

from vrx.model import InjectionSchedule
from vrx.products import find_material, load_materials
from vrx.products import irrigation as made_by
from vrx.products.irrigation_pivot import Pace, Pivot, Turn

THIOSULFATE = find_material(
    load_materials(), "potassium thiosulfate 0-0-25-17S", where="the tests")


def pivot_schedule(way: str = "set anew", *, clockwise: bool = True) -> InjectionSchedule:
    pivot = Pivot(radius_ft=1300, last_tower_ft=1250, full_speed_circle_h=18, end_gun_ft=80,
                  end_gun_arcs=((300.0, 40.0),))
    turn = Turn(begin_deg=90, is_clockwise=clockwise, pace=Pace(speed_pct=50),
                paces=(((180.0, 270.0), Pace(speed_pct=100)),), off_arcs=((100.0, 120.0),))
    legs = made_by.pivot_legs(pivot, turn, flow_gpm=800, efficiency_pct=85, where="t")
    return made_by.schedule(
        told=made_by.InjectedPass(pass_id="stubble-2", number=2, material=THIOSULFATE,
                                  gal_per_ac=6.0, order_gal=6 * made_by.wetted_ac(legs)),
        water=made_by.Water(system="centre pivot", flow_gpm=800, efficiency_pct=85,
                            uniformity_pct=88),
        injector=made_by.Injector(way=way, flush_h=1, clean_before_h=0.5,  # type: ignore[arg-type]
                                  tank_gal=250),
        legs=legs, pivot=pivot, turn=turn)


def set_schedule(number: int) -> InjectionSchedule:
    sets = made_by.Sets(acres=(2.0,) * number, set_h=11.5, inject_h=3, clean_before_h=5, per_day=2)
    legs = made_by.set_legs(sets, flow_gpm=None, efficiency_pct=None)
    return made_by.schedule(
        told=made_by.InjectedPass(pass_id="sets", number=2, material=THIOSULFATE,
                                  gal_per_ac=6.0, order_gal=12.0 * number),
        water=made_by.Water(system="wheel line"), legs=legs, sets=sets,
        injector=made_by.Injector(way="fixed", flush_h=1))
