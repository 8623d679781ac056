"""
ampledger: where the power comes from, how much is left, and whether to stay on the air.

The line, one module per step: link -> decode -> store -> core (estimate,
forecast, watch) -> page.
"""

__version__ = "0.3.0"
