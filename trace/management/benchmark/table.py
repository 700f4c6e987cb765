"""The one table of ratios, and what it was measured on."""

from __future__ import annotations

from typing import Any

from trace.management.benchmark.intake import RUNS
from trace.management.benchmark.measure import slope

GROWTH = "one container"
REACH = {
    ("typical lot", "PostgreSQL"): 4,
    ("bad lot", "PostgreSQL"): 3.5,
    ("typical lot", "SQLite"): 6,
    ("bad lot", "SQLite"): 10,
    "backward": 2,
    "growth": 0.05,
    "disk": 30,
    "intake": 3,
    "more": 1,
}
"""What the project means to reach; the prototypes' numbers made it."""


def ratio(over: dict[str, Any], under: dict[str, Any], of: str = "median_ms") -> float:
    return over[of] / under[of]


def growth(results: dict[str, Any], database: str) -> float | None:
    """The exponent of forward latency by boards in the history, at equal answer."""
    points = [
        (boards, found[database]["forward"][GROWTH]["project"]["median_ms"])
        for boards, found in results["sizes"].items()
    ]
    return slope(points)


def rows_of(results: dict[str, Any]) -> list[tuple[str, ...]]:
    """(measure, database, boards, value, reach, note) of everything measured."""
    rows: list[tuple[str, ...]] = []
    for boards, by_database in results["sizes"].items():
        for database, found in by_database.items():
            at = (database, f"{boards:,}")
            times = {f"forward, {name}": (name, timed) for name, timed in found["forward"].items()}
            if "backward" in found:
                times["backward, a product"] = ("backward", found["backward"])
            contained = found.get("containment", {})
            times |= {f"containment, {name}": (name, timed) for name, timed in contained.get("times", {}).items()}
            for what, (name, timed) in times.items():
                aim = REACH.get(name) or REACH.get((name, database))
                note = f"{timed['answer']:,} rows, {timed['project']['median_ms']:.1f} ms"
                note += f", spread {timed['project']['spread']:.0%} and {timed['floor']['spread']:.0%}"
                value = ratio(timed["project"], timed["floor"])
                note += f"; by the fastest runs {ratio(timed['project'], timed['floor'], 'fastest_ms'):.1f}"
                rows.append((f"{what} / floor", *at, f"{value:.1f}", f"≤ {aim}" if aim else "", note))
            for rival, measured in found.get("rivals", {}).items():
                for name, beside in measured.items():
                    if not isinstance(beside, dict):
                        continue
                    times_ours = ratio(beside["rival"], beside["project"])
                    note = f"{beside['rival']['median_ms']:.1f} ms"
                    rows.append((f"{name}: {rival} / project", *at, f"{times_ours:.2f}", "", note))
                mass = f"built in {measured['build_s']:.0f} s"
                if measured["bytes"]:
                    disk = measured["bytes"] / found["bytes"]
                    mass += f", {measured['bytes'] / boards:,.0f} bytes a board on disk"
                    own = rival.endswith(database)
                    reach = f"≥ {REACH['disk']}" if own else ""
                    rows.append((f"disk: {rival} / project", *at, f"{disk:.1f}", reach, mass))
                    if own:
                        disk = measured["bytes"] / (found["bytes"] - found["bytes_of_passes"])
                        note = "who and when, which a row per part needs as well"
                        rows.append((f"disk: {rival} / project but its passes", *at, f"{disk:.1f}", "", note))
                else:
                    mass += f", {measured['memory'] / 1e6:,.0f} MB of memory"
                    rows.append((f"kept in memory: {rival}", *at, "", "", mass))
            for name, stream in contained.get("streams", {}).items():
                note = f"{stream['rows']:,} rows, {stream['held'] / 1e6:,.0f} MB held at row {stream['settled']:,}"
                note += f"; at most {stream['peak'] / contained['reckoned']:.2f} times what reckoning takes"
                grown = f"{stream['more'] / 1e6:+.2f} MB"
                rows.append((f"CSV of every unit, {name}: held from then on", *at, grown, f"≤ {REACH['more']}", note))
            if "intake" in found:
                taken = found["intake"]
                for what, label in (("one", "one pass"), ("rack", "a rack of 100")):
                    value = ratio(taken[what], taken[f"{what} bare"])
                    note = f"{taken[what]['median_ms']:.1f} ms"
                    note += f"; by the fastest runs {ratio(taken[what], taken[f'{what} bare'], 'fastest_ms'):.1f}"
                    reach = f"≤ {REACH['intake']}"
                    rows.append((f"recording {label} / bare insert", *at, f"{value:.1f}", reach, note))
                value = taken["rack"]["median_ms"] / 100 / taken["one bare"]["median_ms"]
                rows.append(("recording a pass in a rack / one bare insert", *at, f"{value:.2f}", "", ""))
            note = (
                f"{found['bytes'] / boards:,.0f} bytes a board, {found['bytes_of_passes'] / boards:,.0f} of them passes"
            )
            note += f", {found['memory'] / 1e6:,.0f} MB of memory in all"
            rows.append(("built in", *at, f"{found['build_s']:.0f} s", "", note))
    sizes = list(results["sizes"])
    for database in results["sizes"][sizes[-1]]:
        exponent = growth(results, database)
        if exponent is not None:
            span = f"{sizes[0]:,} to {sizes[-1]:,}"
            rows.append(("growth of forward with history, exponent", database, span, f"{exponent:+.2f}", "≤ 0.05", ""))
        contained = {
            n: found[database]["containment"]["times"]
            for n, found in results["sizes"].items()
            if "containment" in found[database]
        }
        for name in ("first answer", "stop") if len(contained) > 1 else ():
            exponent = slope(
                [(t["first answer"]["answer"], t[name]["project"]["median_ms"]) for t in contained.values()]
            )
            what = f"growth of the {name} with the units in it, exponent"
            span = f"{min(contained):,} to {max(contained):,}"
            rows.append((what, database, span, f"{exponent:+.2f}", "", "1: in proportion"))
    return rows


def write_table(results: dict[str, Any]) -> str:
    """The table as text, columns aligned, with a head that says what it was measured on."""
    head = ("measure", "database", "boards", "value", "reach", "")
    rows = [head, *rows_of(results)]
    widths = [max(len(row[n]) for row in rows) for n in range(len(head))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    lines.insert(1, "  ".join("-" * width for width in widths))
    about = (
        f"{', '.join(results['versions'])}, Python {results['python']}; {results['machine']}; seed {results['seed']}"
    )
    return "\n".join([*lines, "", f"Medians of up to {results['repeats']} runs, of recording {RUNS}. {about}."])
