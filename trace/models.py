"""Index of the areas' models: what is imported here Django knows. Import them from their areas."""

import trace.approvals.models
import trace.containment.models
import trace.core.models
import trace.engineering.equipment
import trace.engineering.models
import trace.engineering.shifts
import trace.floor.models
import trace.holds.models
import trace.ledger.models
import trace.material.models  # noqa: F401
