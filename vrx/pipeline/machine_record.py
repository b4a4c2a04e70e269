"""Loading check, machine files and equipment sheets in the job record."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from vrx.model import MachineFit


def fit_record(fit: MachineFit) -> dict[str, Any]:
    """All of it as plain JSON values, with the verdict of each loading check."""
    return {
        "loading": [
            {**asdict(one), "verdict": one.verdict, "because": list(one.because),
             "not_stated": list(one.unknown)} for one in fit.loads],
        "machine_files": [asdict(one) for one in fit.files],
        "equipment": [asdict(one) for one in fit.sheets],
    }
