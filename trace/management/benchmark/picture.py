"""Forward latency against history, as a small SVG with logarithmic axes."""

from __future__ import annotations

from math import ceil, floor, log10
from typing import Any

from trace.management.benchmark.table import GROWTH

WIDTH, HEIGHT, LEFT, BOTTOM, TOP, RIGHT, LINE = 640, 360, 64, 48, 44, 150, 14
"""Pixels: of the picture, of its margins, and from one name to the next."""
TITLE = "Which units carry one container? Milliseconds, by boards in the history"
COLOURS = {"PostgreSQL": "#1d5fa8", "SQLite": "#b3541e"}


def draw(results: dict[str, Any]) -> str:
    """One line per database, and its floor dashed."""
    lines: list[tuple[str, str, str, list[tuple[float, float]]]] = []
    for database, colour in COLOURS.items():
        for side, dash in (("project", ""), ("floor", "4 4")):
            points = [
                (float(boards), float(found[database]["forward"][GROWTH][side]["median_ms"]))
                for boards, found in results["sizes"].items()
                if database in found
            ]
            if points:
                lines.append((f"{database}{', floor' if dash else ''}", colour, dash, points))
    xs = [log10(x) for *_, points in lines for x, _ in points]
    ys = [log10(y) for *_, points in lines for _, y in points]
    x_low, x_high = min(xs), max(max(xs), min(xs) + 0.1)
    y_low, y_high = floor(min(ys)), max(ceil(max(ys)), floor(min(ys)) + 1)

    def place(x: float, y: float) -> tuple[float, float]:
        return (
            LEFT + (log10(x) - x_low) / (x_high - x_low) * (WIDTH - LEFT - RIGHT),
            HEIGHT - BOTTOM - (log10(y) - y_low) / (y_high - y_low) * (HEIGHT - BOTTOM - TOP),
        )

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif"'
        ' font-size="12">',
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#fff"/>',
        f'<text x="{LEFT}" y="22" font-size="14">{TITLE}</text>',
    ]
    for power in range(y_low, y_high + 1):
        _, y = place(10**x_low, 10**power)
        parts.append(f'<path d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}" stroke="#ddd"/>')
        parts.append(f'<text x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">{10**power:g} ms</text>')
    for boards in results["sizes"]:
        x, _ = place(boards, 10**y_low)
        parts.append(f'<text x="{x:.1f}" y="{HEIGHT - BOTTOM + 20}" text-anchor="middle">{boards:,}</text>')
    written = 0.0
    for name, colour, dash, points in sorted(lines, key=lambda line: -line[3][-1][1]):
        path = "L".join(f"{x:.1f} {y:.1f}" for x, y in (place(*point) for point in points))
        parts.append(f'<path d="M{path}" fill="none" stroke="{colour}" stroke-width="2" stroke-dasharray="{dash}"/>')
        for point in points:
            x, y = place(*point)
            parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" fill="{colour}"/>')
        written = max(y + 4, written + LINE)  # a name does not stand on another
        parts.append(f'<text x="{x + 10:.1f}" y="{written:.1f}" fill="{colour}">{name}</text>')
    return "\n".join([*parts, "</svg>", ""])
