-- Units whose passes meet suspect ranges, each with the best that can be said of it; with each unit that it is or was
-- fitted in, or may have been, up to a moment.
-- A range is read length class by length class: a pass of class c is shorter than 2^c, so those that
-- reach into the range began at most that much before it. OFFSET 0 keeps the planner from turning
-- the range scans into one hash of the whole table.
WITH met AS (
    SELECT p.unit_id,
           bool_or(r.certain AND p.drew = 'all' AND p.only IS NULL AND p.first >= r.first AND p.last < r."end"
                   AND p.ended <= %(at)s) AS certain,
           bit_or(r.reason | CASE WHEN r.certain AND NOT (p.first >= r.first AND p.last < r."end") THEN 1 ELSE 0 END
                  | CASE WHEN p.drew = 'unsure' OR p.ended > %(at)s THEN 4 ELSE 0 END) AS reason,
           min(p.began) AS since
    FROM jsonb_to_recordset(%(ranges)s::jsonb)
             AS r(axis bigint, assembly bigint, first bigint, "end" bigint, certain boolean, reason int)
    CROSS JOIN generate_series(0, 53) AS c(class)
    CROSS JOIN LATERAL (
        SELECT q.unit_id, q.first, q.last, q.drew, q.only, q.began, q.ended
        FROM trace_pass q
        WHERE q.axis_id = r.axis
          AND q.length_class = c.class
          AND q.first > r.first - (1::bigint << c.class)
          AND q.first < r."end"
          AND q.last >= r.first
          AND q.assembly_id = r.assembly
          AND q.superseded IS NULL
          AND q.drew <> 'none'
          AND q.began <= %(at)s
        OFFSET 0
    ) AS p
    GROUP BY p.unit_id
)
SELECT u.by_designator, met.certain, met.reason, met.since, u.id, u.key, u.part_id, {home_columns}
FROM met
CROSS JOIN LATERAL (SELECT * FROM trace_unit WHERE id = met.unit_id OFFSET 0) AS u
{home}
