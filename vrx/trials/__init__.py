"""What trials say: response of hay to a nutrient, and the rate that pays."""

from vrx.trials.fitting import Fit, fit_response
from vrx.trials.published import PublishedResponse, published_response, published_responses
from vrx.trials.response import (
    EQUATIONS,
    FORMS,
    best_rate,
    check_response,
    least_sensible_rate,
    yield_at,
)

__all__ = [
    "EQUATIONS",
    "FORMS",
    "Fit",
    "PublishedResponse",
    "best_rate",
    "check_response",
    "fit_response",
    "least_sensible_rate",
    "published_response",
    "published_responses",
    "yield_at",
]
