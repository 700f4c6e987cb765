"""Latency of forward by boards in the history, and of a containment by units in it: small charts with logarithmic axes
in one SVG."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import ceil, floor, log10
from typing import Any

from trace.management.benchmark.table import GROWTH

WIDTH, HEIGHT, LEFT, BOTTOM, TOP, RIGHT, LINE = 660, 360, 84, 48, 44, 150, 14
"""Pixels: of a chart, of its margins, and from one name to the next."""
COLOURS = {"PostgreSQL": "#1d5fa8", "SQLite": "#b3541e"}


@dataclass(frozen=True)
class Curve:
    """A line of a chart through points of (how many, milliseconds)."""

    name: str
    colour: str
    dash: str
    points: Sequence[tuple[float, float]]


def draw(results: dict[str, Any]) -> str:
    """Of each database forward, its floor dashed; then the stop of a containment, its first answer dashed."""
    charts = {
        "Which units carry one container? Milliseconds, by boards in the history": list(_forward(results)),
        "From an alarm until all is held. Milliseconds, by units in it": list(_contained(results)),
    }
    drawn = [_chart(title, curves) for title, curves in charts.items() if curves]
    height = HEIGHT * len(drawn)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" font-family="sans-serif"'
        ' font-size="12">',
        f'<rect width="{WIDTH}" height="{height}" fill="#fff"/>',
    ]
    for number, chart in enumerate(drawn):
        parts += [f'<g transform="translate(0 {number * HEIGHT})">', *chart, "</g>"]
    return "\n".join([*parts, "</svg>", ""])


def _forward(results: dict[str, Any]) -> Iterator[Curve]:
    for database, colour in COLOURS.items():
        for side, dash in (("project", ""), ("floor", "4 4")):
            points = [
                (float(boards), float(found[database]["forward"][GROWTH][side]["median_ms"]))
                for boards, found in results["sizes"].items()
                if database in found
            ]
            if points:
                yield Curve(f"{database}{', floor' if dash else ''}", colour, dash, points)


def _contained(results: dict[str, Any]) -> Iterator[Curve]:
    for database, colour in COLOURS.items():
        for name, dash in (("stop", ""), ("first answer", "4 4")):
            points = [
                (float(times["first answer"]["answer"]), float(times[name]["project"]["median_ms"]))
                for found in results["sizes"].values()
                if (times := found.get(database, {}).get("containment", {}).get("times"))
            ]
            if points:
                yield Curve(f"{database}, {name}", colour, dash, points)


def _chart(title: str, curves: Sequence[Curve]) -> list[str]:
    xs = [log10(x) for curve in curves for x, _ in curve.points]
    ys = [log10(y) for curve in curves for _, y in curve.points]
    x_low, x_high = min(xs), max(max(xs), min(xs) + 0.1)
    y_low, y_high = floor(min(ys)), max(ceil(max(ys)), floor(min(ys)) + 1)

    def place(x: float, y: float) -> tuple[float, float]:
        return (
            LEFT + (log10(x) - x_low) / (x_high - x_low) * (WIDTH - LEFT - RIGHT),
            HEIGHT - BOTTOM - (log10(y) - y_low) / (y_high - y_low) * (HEIGHT - BOTTOM - TOP),
        )

    parts = [f'<text x="{LEFT}" y="22" font-size="14">{title}</text>']
    for power in range(y_low, y_high + 1):
        _, y = place(10**x_low, 10**power)
        parts.append(f'<path d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}" stroke="#ddd"/>')
        parts.append(f'<text x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">{10**power:,} ms</text>')
    for number in sorted({x for curve in curves for x, _ in curve.points}):
        x, _ = place(number, 10**y_low)
        parts.append(f'<text x="{x:.1f}" y="{HEIGHT - BOTTOM + 20}" text-anchor="middle">{number:,.0f}</text>')
    written = 0.0
    for curve in sorted(curves, key=lambda curve: -curve.points[-1][1]):
        path = "L".join(f"{x:.1f} {y:.1f}" for x, y in (place(*point) for point in curve.points))
        line = f'stroke="{curve.colour}" stroke-width="2" stroke-dasharray="{curve.dash}"'
        parts.append(f'<path d="M{path}" fill="none" {line}/>')
        for point in curve.points:
            x, y = place(*point)
            parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" fill="{curve.colour}"/>')
        written = max(y + 4, written + LINE)  # a name does not stand on another
        parts.append(f'<text x="{x + 10:.1f}" y="{written:.1f}" fill="{curve.colour}">{curve.name}</text>')
    return parts
