"""The plant's words for faults and for what causes them."""

from __future__ import annotations

from datetime import datetime

from trace.core.errors import Refusal
from trace.core.keys import free_key
from trace.core.models import Person
from trace.engineering.models import CauseCode, FaultCode
from trace.engineering.operations.common import changing, save_checked


class CodeRefused(Refusal):
    """A code can't be defined so."""

    code = "code-refused"
    action = "Give a short key and the words for it, and define it again."


@changing
def define_fault_code(*, key: str, name: str, retired: bool = False, by: Person, at: datetime) -> FaultCode:
    """Something that may be found wrong with a unit; `name` as a sentence takes it: solder bridge. What is `retired`
    stays on record and is given no more. Refuses with CodeRefused one without a name; with BadKey, KeyInUse."""
    code = FaultCode(key=free_key(FaultCode, key), name=name.strip(), retired=retired)
    save_checked(code, CodeRefused)
    return code


@changing
def define_cause_code(*, key: str, name: str, retired: bool = False, by: Person, at: datetime) -> CauseCode:
    """Something that may have caused a fault. Refuses as `define_fault_code`."""
    code = CauseCode(key=free_key(CauseCode, key), name=name.strip(), retired=retired)
    save_checked(code, CodeRefused)
    return code
