-- The units that these units are or were fitted in, or may have been, up to a moment; and whether surely so then.
SELECT f.child_id, f.unit_id, COALESCE(f.earliest, f.since - f.error) AS since, f.until,
       f.since <= %(at)s AND (f.doubted IS NULL OR f.doubted >= %(at)s) AS sure
FROM json_each(%(units)s) AS j
CROSS JOIN trace_fitting f
WHERE f.child_id = j.value AND f.superseded IS NULL AND (f.since - f.error <= %(at)s OR f.earliest <= %(at)s)
