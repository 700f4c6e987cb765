-- The units that these units are or were fitted in, or may have been, up to a moment; and whether surely so then.
SELECT f.child_id, f.unit_id, COALESCE(f.earliest, f.since - f.error) AS since, f.until,
       f.since <= %(at)s AND (f.doubted IS NULL OR f.doubted >= %(at)s) AS sure
FROM jsonb_array_elements_text(%(units)s::jsonb) AS j(unit)
CROSS JOIN LATERAL (
    SELECT * FROM trace_fitting g
    WHERE g.child_id = j.unit::bigint AND g.superseded IS NULL AND (g.since - g.error <= %(at)s OR g.earliest <= %(at)s)
    OFFSET 0
) AS f
