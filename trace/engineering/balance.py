"""How much a rotor may be out of balance: ISO 21940-11, permissible residual unbalance by balance quality grade."""

from __future__ import annotations

from decimal import Decimal

PI = Decimal("3.14159265358979323846")
A_MINUTE = 60


def permissible_unbalance(grade: Decimal, mass: Decimal, speed: Decimal) -> Decimal:
    """U_per in g·mm of a rotor of `mass` (kg) at its service `speed` (1/min), of a balance quality `grade` (mm/s, such
    as 6.3): e_per = G / Ω, U_per = m · e_per; in these units 9549 · G · m / n. ValueError where one is not above 0.

    It is that of the whole rotor: on two planes it is shared between them.
    """
    if min(grade, mass, speed) <= 0:
        raise ValueError("A grade, a mass and a speed are above 0.")
    return grade * mass / speed * A_MINUTE / (2 * PI) * 1000
