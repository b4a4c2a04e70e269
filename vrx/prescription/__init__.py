"""From planned rates to what a machine follows: steps, column names, order, balances, cautions.

Beside it what a season costs and takes: purchases, tank fills, bids, flat against variable, and
what is left in the soil.
"""

from vrx.prescription.bids import BidTerms, bid_sheet
from vrx.prescription.buying import SupplyTerms, price_age_findings, purchases
from vrx.prescription.by_hand import (
    RateLimits,
    prescribe_by_hand,
    rate_reasons,
    require_reason,
)
from vrx.prescription.cautions import cautions
from vrx.prescription.columns import column_names
from vrx.prescription.fills import tank_fills
from vrx.prescription.flat import (
    AT_HIGHEST,
    AT_MEAN,
    BY_ZONE,
    ChargeTerms,
    compare,
    rate_case,
    supply,
)
from vrx.prescription.order import order_lines, usd_per_unit_of
from vrx.prescription.rates import prescribe
from vrx.prescription.soil_balance import (
    BalanceTerms,
    balance_findings,
    layer_k2o_lb_per_ppm,
    pass_words,
    ppm_change,
    soil_balance,
)

__all__ = [
    "AT_HIGHEST",
    "AT_MEAN",
    "BY_ZONE",
    "BalanceTerms",
    "BidTerms",
    "ChargeTerms",
    "RateLimits",
    "SupplyTerms",
    "balance_findings",
    "bid_sheet",
    "cautions",
    "column_names",
    "compare",
    "layer_k2o_lb_per_ppm",
    "order_lines",
    "pass_words",
    "ppm_change",
    "prescribe",
    "prescribe_by_hand",
    "price_age_findings",
    "purchases",
    "rate_case",
    "rate_reasons",
    "require_reason",
    "soil_balance",
    "supply",
    "tank_fills",
    "usd_per_unit_of",
]
