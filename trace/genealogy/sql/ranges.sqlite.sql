-- Units whose passes meet suspect ranges, each with the best that can be said of it; with each unit that it is or was
-- fitted in, or may have been, up to a moment.
-- A range is read length class by length class: a pass of class c is shorter than 2^c, so those that
-- reach into the range began at most that much before it. CROSS JOIN keeps the order of the tables:
-- ranges, classes, then the index. Of a JSON list the planner expects few rows; of a recursion it would expect
-- many, and read all passes first to make a Bloom filter of them.
WITH
    class(c) AS MATERIALIZED (SELECT value FROM json_each('{classes}')),
    piece AS MATERIALIZED (
        SELECT value ->> 'axis' AS axis, value ->> 'assembly' AS assembly, value ->> 'first' AS first,
               value ->> 'end' AS "end", value ->> 'certain' AS certain, value ->> 'reason' AS reason
        FROM json_each(%(ranges)s)
    ),
    met AS (
        SELECT p.unit_id, p.began,
               r.certain AND p.drew = 'all' AND p.only IS NULL AND p.first >= r.first AND p.last < r."end"
                   AND p.ended <= %(at)s AS certain,
               r.reason | CASE WHEN r.certain AND NOT (p.first >= r.first AND p.last < r."end") THEN 1 ELSE 0 END
                   | CASE WHEN p.drew = 'unsure' OR p.ended > %(at)s THEN 4 ELSE 0 END AS reason
        FROM piece r
        CROSS JOIN class
        CROSS JOIN trace_pass p
        WHERE p.axis_id = r.axis
          AND p.length_class = class.c
          AND p.first > r.first - (1 << class.c)
          AND p.first < r."end"
          AND p.last >= r.first
          AND p.assembly_id = r.assembly
          AND p.superseded IS NULL
          AND p.drew <> 'none'
          AND p.began <= %(at)s
    ),
    best AS MATERIALIZED (
        SELECT unit_id, max(certain) AS certain,
               max(reason & 1) | max(reason & 2) | max(reason & 4) | max(reason & 8) AS reason,
               min(began) AS since
        FROM met
        GROUP BY unit_id
    )
SELECT u.by_designator, best.certain, best.reason, best.since, u.id, u.key, u.part_id, {home_columns}
FROM best
CROSS JOIN trace_unit u
{home}
WHERE u.id = best.unit_id
