"""Numbered points in walking order, their bags and labels."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from vrx import geo
from vrx.model import BagLabel, CrewPoint, FloatArray
from vrx.sampling.candidates import inner_point
from vrx.sampling.practice import practice
from vrx.sampling.walk import walk


def cautions() -> tuple[str, ...]:
    """What a crew is told before it goes out, each with its evidence."""
    return practice().cautions


def crew_points(
    *, places: FloatArray, letters: Sequence[str], whys: Sequence[str],
    ranks: Sequence[int | None], gains: Sequence[float | None], start: FloatArray,
    crs_centre: tuple[float, float], zones: Sequence[tuple[str, shapely.Geometry]],
    second_bag_one_in: int, plants: bool, ground: shapely.Geometry,
) -> tuple[CrewPoint, ...]:
    """The points numbered along a short walk from `start` (2,), metres in the field's CRS.

    places (n, 2), and for each its zone's letter, what it is for, rank and gain. `zones` are
    (letter, polygon). With `plants` the point nearest to the middle of each zone (of the whole
    field without zones) also asks for a plant sample, and a zone without a point gets one on
    `ground` for plants alone. In each zone every `second_bag_one_in`-th point of soil along the
    walk, at least one, asks for a second bag to check against the first (0: none).
    """
    count = len(places)
    if plants:
        more = [(letter, inner_point(own)) for letter, polygon in zones if letter not in letters
                and (own := shapely.intersection(polygon, ground)).area > 0]
        letters = (*letters, *(letter for letter, _ in more))
        places = np.vstack([places, *(at for _, at in more)])
        whys = (*whys, *("plants of the zone" for _ in more))
        ranks, gains = (*ranks, *(None for _ in more)), (*gains, *(None for _ in more))
    order = walk(start=start, places=places)
    degrees = shapely.get_coordinates(
        geo.to_lonlat(shapely.multipoints(places[order]), crs_centre))
    with_plants = _middles(places, letters, zones) if plants else frozenset()
    of_soil = [at for at in order.tolist() if at < count]
    twice = _twice(of_soil, letters, second_bag_one_in)
    made = []
    for number, (at, (longitude, latitude)) in enumerate(
        zip(order.tolist(), degrees.tolist(), strict=True), 1
    ):
        made.append(CrewPoint(
            number=number, easting_m=float(places[at, 0]), northing_m=float(places[at, 1]),
            longitude=longitude, latitude=latitude, zone=letters[at], why=whys[at],
            rank=ranks[at], gain_lb=gains[at], soil=at < count, plants=at in with_plants,
            second_bag=at in twice,
        ))
    return tuple(made)


def _twice(of_soil: Sequence[int], letters: Sequence[str], one_in: int) -> frozenset[int]:
    """Of each zone every `one_in`-th point from the first half stretch on, at least one."""
    chosen: list[int] = []
    for letter in dict.fromkeys(letters[at] for at in of_soil) if one_in else ():
        own = [at for at in of_soil if letters[at] == letter]
        chosen += own[(one_in - 1) // 2::one_in] or own[len(own) // 2:][:1]
    return frozenset(chosen)


def _middles(
    places: FloatArray, letters: Sequence[str], zones: Sequence[tuple[str, shapely.Geometry]]
) -> frozenset[int]:
    """Of each zone the point nearest to its middle; of the field where no point has a zone."""
    found = set()
    for letter, polygon in zones:
        own = [i for i, one in enumerate(letters) if one == letter]
        if own:
            away = np.hypot(*(places[own] - inner_point(polygon)).T)
            found.add(own[int(np.argmin(away))])
    if not zones and len(places):
        away = np.hypot(*(places - places.mean(axis=0)).T)
        found.add(int(np.argmin(away)))
    return frozenset(found)


def bag_labels(
    *, field_name: str, points: Sequence[CrewPoint], depths_in: Sequence[tuple[float, float]],
    plant_words: str,
) -> tuple[BagLabel, ...]:
    """One label a bag: soil of every depth, second bags, plants.

    A second bag has a number of its own, counted on from the last point, so that the laboratory
    cannot tell which two bags are of one place.
    """
    made = []
    spare = len(points)
    for point in points:
        if point.soil:
            made += [BagLabel(bag=f"{point.number}", field=field_name, number=point.number,
                              what=f"soil {top:g} to {bottom:g} in")
                     for top, bottom in depths_in]
        if point.second_bag:
            spare += 1
            made += [BagLabel(bag=f"{spare}", field=field_name, number=point.number,
                              what=f"soil {top:g} to {bottom:g} in")
                     for top, bottom in depths_in]
        if point.plants:
            made.append(BagLabel(bag=f"{point.number} plants", field=field_name,
                                 number=point.number, what=plant_words))
    return tuple(made)
