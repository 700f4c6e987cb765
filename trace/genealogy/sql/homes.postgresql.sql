-- The units that these units are or were fitted in, up to a moment.
SELECT f.child_id, f.unit_id, f.since - f.error AS since, f.until
FROM jsonb_array_elements_text(%(units)s::jsonb) AS j(unit)
CROSS JOIN LATERAL (
    SELECT * FROM trace_fitting g
    WHERE g.child_id = j.unit::bigint AND g.superseded IS NULL AND g.since - g.error <= %(at)s
    OFFSET 0
) AS f
