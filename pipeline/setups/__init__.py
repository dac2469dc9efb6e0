"""STAGE Nest -> Setup: seating on three stops, where parts may lie, the Z plan."""

from pipeline.setups.heights import plan_setup
from pipeline.setups.region import nest_region
from pipeline.setups.seating import seat

__all__ = ["nest_region", "plan_setup", "seat"]
