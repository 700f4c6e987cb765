-- The units that these units are or were fitted in, up to a moment.
SELECT f.child_id, f.unit_id, f.since - f.error AS since, f.until
FROM json_each(%(units)s) AS j
CROSS JOIN trace_fitting f
WHERE f.child_id = j.value AND f.superseded IS NULL AND f.since - f.error <= %(at)s
