"""Which hand shapes serve for fitting constants; all others only for reporting."""

FITTING_SHAPES = frozenset("ACIKM")
REPORTING_SHAPES = frozenset("BHJL")
