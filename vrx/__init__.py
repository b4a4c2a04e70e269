"""Soil tests to variable-rate sulfur and potassium prescriptions for irrigated alfalfa hay."""

__version__ = "0.1.0"
