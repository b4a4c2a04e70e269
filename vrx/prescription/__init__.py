"""From planned rates to what a machine follows: steps, column names, order, balances, cautions."""

from vrx.prescription.cautions import cautions
from vrx.prescription.columns import column_names
from vrx.prescription.order import order_lines
from vrx.prescription.rates import prescribe

__all__ = ["cautions", "column_names", "order_lines", "prescribe"]
