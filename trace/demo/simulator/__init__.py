"""A plant whose physical truth is known part by part, however messy its records.

- `physics.py`: pieces, boxes, supply places, a bath, a tape, units: what is really where.
- `layout.py`: stations, parts, routes and first stock, made through the operations.
- `plant.py`: the plant at work: its clock, what it tells the system, what it keeps to itself.
- `supply.py`, `tapes.py`, `work.py`, `families.py`: what an ordinary shift does.
- `disturbances/`: one table of everything that goes wrong, and what is recorded of it.
- `truth.py`: who really carries a suspect, and what the system says beside it.
- `evidence.py`, `narrowest.py`: what was told, and the smallest population that it allows, reasoned draw by draw.
- `proof.py`, `shrinking.py`: many plants, many suspicions, the tally; a failing plant made small.
- `bulk.py`: a large plant through `record_passes`, 500 boards at a time.
"""
