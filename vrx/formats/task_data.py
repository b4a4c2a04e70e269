"""Facts of ISO 11783-10 task data, version 4.3, that its writer, its readers and its judge share.

Read in the schemas of version 4.3 (2018-06-04) as an open library carries them, and tried against
two open-source readers; the standard itself was not bought. From memory: the meaning of the three
codes of a task (H default, I position lost, J out of field) and of a value presentation,
shown = (raw + offset) x scale.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Mapping
from types import MappingProxyType

from vrx.formats.iso11783 import UNITS, ddi_entry

FOLDER = "TASKDATA"
RECORD = "TASKDATA.XML"
ROOT = "ISO11783_TaskData"
VERSION = ("4", "3")
FARM_SOFTWARE = "1"
"""`DataTransferOrigin`: 1 is farm software, 2 a machine."""

DESIGNATOR_CHARACTERS = 32
HIGHEST_ZONE = 254
DECIMALS = 9
"""Fraction digits of degrees, at most; also of a value presentation's scale."""
MOST_DECIMALS_SHOWN = 2
"""A scale of 9 decimals keeps 5 digits of a liquid's rate: more than 2 decimals would mislead."""

BOUNDARY, TREATMENT_ZONE = "1", "2"
EXTERIOR, INTERIOR = "1", "2"
VERTEX = "2"
PLANNED = "1"
GRID_CODES, GRID_VALUES = "1", "2"

GRID_NAME = re.compile(r"GRD[0-9]{5}")
LOG_NAME = re.compile(r"TLG[0-9]{5}")
ID = re.compile(r"[A-Z]{3}-?[0-9]{1,10}")
DDI = re.compile(r"[0-9A-F]{4}")

SETPOINT: Mapping[str, str] = MappingProxyType({"lb/ac": "0006", "gal/ac": "0001"})
"""Unit of a material's rate → DDI of its setpoint (mass or volume per area)."""

ID_OF: Mapping[str, str] = MappingProxyType({
    **dict.fromkeys((
        "BSN", "CCT", "CCG", "CCL", "CLD", "CTP", "CVT", "CPC", "CTR", "DVC", "DET", "FRM", "GGP",
        "GPN", "OTQ", "PFD", "PDT", "PGP", "TSK", "TLG", "VPN", "WKR"), "A"),
    "GRD": "G", "LSG": "F", "PNT": "G", "PLN": "E",
})
"""Element → the attribute that holds its id."""

REFERENCES: Mapping[str, Mapping[str, str]] = MappingProxyType({
    "CAN": {"A": "CCT", "B": "CCL"}, "CCT": {"D": "CCG"}, "CTP": {"C": "PGP"}, "CVT": {"C": "PDT"},
    "CNN": {"A": "DVC", "B": "DET", "C": "DVC", "D": "DET"}, "DAN": {"C": "DVC"},
    "DLT": {"H": "DET", "I": "VPN"}, "DLV": {"C": "DET"}, "FRM": {"I": "CTR"},
    "GAN": {"A": "GGP"}, "GPN": {"L": "BSN"}, "GST": {"A": "GGP", "B": "GPN"},
    "OTP": {"A": "CPC", "B": "OTQ"}, "OTR": {"A": "OTQ"},
    "PAN": {"A": "PDT", "E": "DET", "F": "VPN", "G": "PDT"},
    "PDT": {"C": "PGP", "D": "VPN"}, "PDV": {"C": "PDT", "D": "DET", "E": "VPN"},
    "PFD": {"E": "CTR", "F": "FRM", "G": "CTP", "H": "CVT", "I": "PFD"}, "PRN": {"A": "PDT"},
    "TSK": {"C": "CTR", "D": "FRM", "E": "PFD", "F": "WKR"}, "VPN": {"F": "CLD"},
    "WAN": {"A": "WKR"},
})
"""Element → attribute → element that it must name."""

REQUIRED: Mapping[str, str] = MappingProxyType({
    "CTR": "AB", "FRM": "AB", "PFD": "ACD", "PLN": "A", "LSG": "A", "PNT": "ACD", "PDT": "AB",
    "VPN": "ABCD", "TSK": "AG", "TZN": "A", "PDV": "AB", "GRD": "ABCDEFGI", "TLG": "AC",
})
"""Element → the attributes that it must carry."""

DESIGNATOR: Mapping[str, str] = MappingProxyType({
    "CTR": "B", "FRM": "B", "PFD": "C", "PDT": "B", "TSK": "B", "TZN": "B", "PLN": "B", "LSG": "B",
    "VPN": "E", "WKR": "B", "DVC": "B",
})
"""Element → the attribute that people read."""

# Characters of XML 1.0, section 2.2; the others cannot be written at all.
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def designator(text: str) -> str:
    """A text as a terminal shows it: one line, composed letters, at most 32 characters.

    Characters that XML cannot hold become "?"; "" stays "".
    """
    plain = unicodedata.normalize("NFC", _NOT_XML.sub("?", text))
    line = " ".join(plain.split())
    cut = line[:DESIGNATOR_CHARACTERS]
    # Not between a letter and the accents that belong to it.
    while cut and len(line) > len(cut) and unicodedata.combining(line[len(cut)]):
        cut = cut[:-1]
    return cut.rstrip()


def presentation(unit: str, *, step: float) -> tuple[str, int]:
    """Scale (text, 9 decimals) and decimals by which raw values of `unit` are shown.

    As many decimals as the rate step has, at most two: 5 lb/ac none, 0.25 gal/ac two.
    """
    base, factor = UNITS[unit]
    entry = ddi_entry(SETPOINT[unit])
    assert entry.base == base  # noqa: S101 - SETPOINT and UNITS name one kind of quantity
    decimals = next((n for n in range(MOST_DECIMALS_SHOWN)
                     if math.isclose(step, round(step, n), rel_tol=1e-9)), MOST_DECIMALS_SHOWN)
    return f"{entry.resolution / factor:.{DECIMALS}f}", decimals


def metres_per_degree(latitude: float) -> tuple[float, float]:
    """Metres in one degree north and one degree east on WGS 84 at `latitude`.

    Radii of curvature of the ellipsoid, M = a (1 - e2) / (1 - e2 sin2)^1.5 and N cos (any textbook
    of geodesy).
    """
    semi_major_m, eccentricity2 = 6378137.0, 0.00669437999014
    sine = math.sin(math.radians(latitude))
    root = math.sqrt(1.0 - eccentricity2 * sine * sine)
    north = semi_major_m * (1.0 - eccentricity2) / root**3
    east = semi_major_m / root * math.cos(math.radians(latitude))
    return math.radians(north), math.radians(east)
