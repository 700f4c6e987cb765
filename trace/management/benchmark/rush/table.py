"""What a rush came to, as a table: rates, and times beside those of the bare page."""

from __future__ import annotations

from typing import Any

from trace.management.benchmark.rush.run import SHARES


def write_rush(results: dict[str, Any]) -> str:
    bare = results["bare"]["insert"]
    lines = [
        f"{results['database']}, {results['boards']:,} boards in the history, {results['seconds']} s of each load, "
        f"errors and wrong answers: {len(results['wrong'])}",
        "| what | answers | per second | "
        + " | ".join(f"{share} % within, ms" for share in SHARES)
        + " | beside bare |",
        "| --- |" + " ---: |" * (len(SHARES) + 3),
        _row("a bare row", bare, bare),
        *(_row(what, found, bare) for what, found in results["plant"].items()),
    ]
    total = sum(found["per_second"] for found in results["plant"].values())
    lines.append(f"all answers per second / bare rows per second: {total / bare['per_second']:.2f}")
    return "\n".join(lines) + "\n"


def _row(what: str, found: dict[str, float], bare: dict[str, float]) -> str:
    times = [found[f"p{share}_ms"] for share in SHARES]
    beside = [found[f"p{share}_ms"] / bare[f"p{share}_ms"] for share in SHARES]
    cells = [what, f"{found['answers']:,}", f"{found['per_second']:.1f}", *(f"{time:.0f}" for time in times)]
    return "| " + " | ".join([*cells, " / ".join(f"{one:.1f}" for one in beside)]) + " |"
