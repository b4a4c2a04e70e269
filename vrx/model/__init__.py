"""The frozen values that pass between rooms. No verbs here but checks."""

from vrx.model.applied import Amount, AppliedCells, AppliedGround, AppliedZones, Reconciliation
from vrx.model.arrays import BoolArray, FloatArray, IntArray, array_value
from vrx.model.columns import ANALYTES, READ_ALONG, Analyte
from vrx.model.field import Field, Grid
from vrx.model.finding import Finding, Severity, note, stop, stops, warn
from vrx.model.guide import Guide, GuideTable
from vrx.model.job import CropTruth, ExportedFile, Job, Source
from vrx.model.layer import (
    Agreement,
    LayerGrid,
    LayerReading,
    YieldLog,
    YieldPattern,
    YieldShares,
)
from vrx.model.need import Need, NeedLine, Yield
from vrx.model.product import (
    Material,
    NutrientBalance,
    OrderLine,
    PassPlan,
    PassRates,
    Prescription,
    Price,
)
from vrx.model.sampling import (
    NOT_SURE,
    SAMPLE_HERE,
    SURE,
    BagLabel,
    CrewPlan,
    CrewPoint,
    Knowledge,
)
from vrx.model.soil import SoilColumn, SoilTable, frozen_mapping
from vrx.model.surface import MethodScore, Surface, Variogram
from vrx.model.trend import (
    BUILT_UP,
    CANNOT_TELL,
    DRAWN_DOWN,
    HELD,
    DepthProfile,
    Past,
    ZoneTrend,
)
from vrx.model.zones import ClusterScore, ClusterTable, Zone, ZoneReading, Zones

__all__ = [
    "ANALYTES",
    "BUILT_UP",
    "CANNOT_TELL",
    "DRAWN_DOWN",
    "HELD",
    "NOT_SURE",
    "READ_ALONG",
    "SAMPLE_HERE",
    "SURE",
    "Agreement",
    "Amount",
    "Analyte",
    "AppliedCells",
    "AppliedGround",
    "AppliedZones",
    "BagLabel",
    "BoolArray",
    "ClusterScore",
    "ClusterTable",
    "CrewPlan",
    "CrewPoint",
    "CropTruth",
    "DepthProfile",
    "ExportedFile",
    "Field",
    "Finding",
    "FloatArray",
    "Grid",
    "Guide",
    "GuideTable",
    "IntArray",
    "Job",
    "Knowledge",
    "LayerGrid",
    "LayerReading",
    "Material",
    "MethodScore",
    "Need",
    "NeedLine",
    "NutrientBalance",
    "OrderLine",
    "PassPlan",
    "PassRates",
    "Past",
    "Prescription",
    "Price",
    "Reconciliation",
    "Severity",
    "SoilColumn",
    "SoilTable",
    "Source",
    "Surface",
    "Variogram",
    "Yield",
    "YieldLog",
    "YieldPattern",
    "YieldShares",
    "Zone",
    "ZoneReading",
    "ZoneTrend",
    "Zones",
    "array_value",
    "frozen_mapping",
    "note",
    "stop",
    "stops",
    "warn",
]
