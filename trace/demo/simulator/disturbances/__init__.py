"""Everything that goes wrong in a plant, by name."""

from trace.demo.simulator.disturbances import baths, changes, families, feeds, passes, repairs, stock, tapes
from trace.demo.simulator.disturbances.table import KINDS, Kind

__all__ = ["KINDS", "Kind", "baths", "changes", "families", "feeds", "passes", "repairs", "stock", "tapes"]
