"""How wide a pass is, by what scans prove. Pure."""

from __future__ import annotations

from trace.core.clock import OPEN


def draw_bounds(
    *,
    mode: str,
    scanned_in: int | None,
    scanned_out: int | None,
    unit_before: int,
    neighbour: int | None,
    in_batch: bool = False,
) -> tuple[int, int]:
    """(earliest, latest) moment at which a unit can have drawn, from what a station's scans prove.

    `unit_before` is the unit's last scan at another station (or when it was made); `neighbour`,
    at a one-at-a-time station, the scan there before this one, or the start of the batch that it is
    in (scans in and out faster than the work are a batch by themselves). The latest is OPEN where a
    later scan has yet to bound it.
    Gated: the two scans. One at a time: an unscanned side reaches to the neighbouring scan here.
    Loose: both sides reach to the unit's own neighbouring scans elsewhere.
    """
    if mode == "loose":
        return unit_before, OPEN
    began = unit_before if scanned_in is None else scanned_in
    if mode == "one at a time" and (scanned_in is None or in_batch):
        began = unit_before if neighbour is None else neighbour
    return began, OPEN if scanned_out is None else scanned_out
