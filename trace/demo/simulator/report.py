"""What a run of the proof says, in words."""

from __future__ import annotations

from trace.demo.simulator.disturbances import KINDS
from trace.demo.simulator.proof import Verdict
from trace.demo.simulator.truth import Tally


def report(tally: Tally) -> str:
    """The tally as text."""
    lines = [
        f"{tally.plants} plants, {tally.deeds} deeds, {tally.questions} questions, {tally.answers} answers about units "
        "and places.",
        f"Carriers {tally.carriers}; said to be certain {tally.certain}, possible {tally.possible}.",
        f"Missed {_count(tally, 'missed')}, falsely certain {_count(tally, 'falsely certain')}, lost backward "
        f"{_count(tally, 'lost')}, miscounted {_count(tally, 'miscounted')} of {tally.counted} containers.",
        f"Wrong by what no evidence could reveal, counted apart: {_list(tally.hidden)}.",
        f"Possible and no carriers: {tally.wide}.",
        f"Width: of {tally.reasoned} answers reasoned draw by draw ({tally.unreasoned} more had too many ways to try), "
        f"named {tally.named} units, allowed by the records {tally.allowed}; {tally.excess} named beyond those,",
        f"{tally.unnamed} allowed and not named, {tally.impossible} true carriers that the reasoning did not allow.",
        "",
        f"{'disturbance':26} {'played':>7} {'answers changed':>16} {'by it alone':>12} {'possible, no carrier':>21} "
        f"{'beyond narrowest':>17}",
    ]
    for name in sorted(KINDS):
        lines.append(
            f"{name:26} {tally.played[name]:7} {tally.changed[name]:16} {tally.alone[name]:12} {tally.wider[name]:21} "
            f"{tally.beyond[name]:17}"
        )
    refused = {f"{verb} {code}": number for (verb, code), number in tally.refused.items()}
    return "\n".join([*lines, "", f"Refused on the way: {_list(refused)}."])


def tell_failure(verdict: Verdict, size: str) -> str:
    """A plant with a fault: how to see it again, what is wrong, and its story made small."""
    return "\n".join(
        [
            f"FAULT, seed {verdict.seed}: manage.py prove --plants 1 --seed {verdict.seed} --size {size}",
            f"Made small, to {verdict.smallest} deeds:",
            *(f"  {fault}" for fault in verdict.faults),
            *(f"    {line}" for line in verdict.story),
            "",
        ]
    )


def _count(tally: Tally, what: str) -> int:
    return sum(fault.what == what for fault in tally.faults)


def _list(counts: dict[str, int]) -> str:
    return ", ".join(f"{name} {number}" for name, number in sorted(counts.items())) or "none"
